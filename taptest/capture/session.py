"""A session of tapping, without a screen and without a sound card: which ski is up, what is kept, what comes next."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from taptest.capture.agreement import Difference, agreeing, difference, listed
from taptest.capture.desk import NOTE_CHARACTERS, AddOrNot, Desk, Dialogue, Entered, NoteText
from taptest.capture.events import HeardTap
from taptest.capture.happenings import (
    Asked,
    Ended,
    FirstLook,
    FirstVerdict,
    Happening,
    Said,
    SkiDone,
    SkiUp,
    Status,
    TapKept,
    TapLost,
    TapRefused,
)
from taptest.capture.store import KeptTap, Store, Words
from taptest.config.settings import Settings
from taptest.core.errors import CaptureError, TaptestError, shown
from taptest.io.recording import from_samples
from taptest.signal.analysis import Analysis, analyse
from taptest.signal.resonance import ROUNDS

COMMANDS = {"r": "repeat", "d": "drop", "k": "keep", "s": "skip", "n": "note", "q": "quit"}

_BACK = ("d", "drop", "r", "repeat")  # even after the last tap


class Session:
    """Takes taps and lines of text, tells what happens. Not for several threads at once: the caller holds a lock.

    Guided, it goes through the skis without a recording. Once a ski was chosen by its id (typed, or read by a scanner,
    which types and presses Enter), nobody is up after it until the next id, or an empty line, which takes the next one
    of the table: taps must not go to a ski that was not announced.
    """

    def __init__(
        self,
        desk: Desk,
        store: Store,
        tell: Callable[[Happening], None],
        *,
        taps: int = 5,
        settings: Settings | None = None,
        only: str | None = None,
    ) -> None:
        self._desk, self._store, self._tell_on = desk, store, tell
        self._needed, self._only = taps, only
        chosen = settings or Settings()
        # A kept tap has one channel, whichever it was chosen from.
        self._settings = Settings(chosen.low_hz, chosen.high_hz, chosen.room_s)
        self._ski: str | None = None
        self._before: str | None = None
        self._passed: set[str] = set()
        self._scanning = False
        self._dialogue: Dialogue | None = None
        self._new_id = ""
        self._last: TapKept | TapRefused | None = None
        self._done: SkiDone | FirstLook | None = None
        self._said: Said | None = None
        self._left = 0
        self._kept: KeptTap | None = None
        self._heard: list[Analysis] = []  # in the kept taps of the ski that is up, one for each
        self._heard_of: str | None = None
        self._together: set[str] = set()  # skis whose taps are to count though they do not agree
        self._agreed: tuple[str, int, Difference | None] | None = None  # ski, taps that agree, those that do not
        self._due: str | None = None
        self._ended = False

    @property
    def ended(self) -> bool:
        return self._ended

    def status(self) -> Status:
        return Status(
            ski_id=self._ski,
            good=self._good(self._ski) if self._ski is not None else 0,
            needed=self._needed,
            left=self._left,
            question=self._dialogue.question if self._dialogue is not None else None,
            last=self._last,
            done=self._done,
            said=self._said,
            ended=self._ended,
        )

    def start(self) -> None:
        """Finish what an earlier session left complete, and call the first ski.

        Raises:
            TaptestError: the table cannot be read, or the one ski asked for is not in it and nobody wants to add it.
        """
        for ski_id in self._store.unfinished():
            if self._desk.recording(ski_id) is None:
                self._say(
                    f"{self._store.count(ski_id)} taps are kept of ski {shown(ski_id)}, which is not in the table"
                )
            elif self._good(ski_id) >= self._needed:
                self._say(f"ski {shown(ski_id)} was complete before: it is entered now")
                self._finish(ski_id)
        if self._only is not None:
            self._choose(self._only)
        else:
            self._next()

    def hear(self, tap: HeardTap, stream: str) -> None:
        """A tap was heard: keep it, count it, and when it was the last one take a first look at the ski.

        What follows the tap may still be added with `settle`, which finishes the ski; whatever comes next does so too.
        """
        self._finish_due()
        if self._ended:
            return
        if self._ski is None or self._dialogue is not None:
            why = "answer the question first" if self._dialogue is not None else "no ski is up; scan or type its id"
            self._lose(why)
            return
        ski_id = self._ski
        if not tap.accepted:
            self._last = TapRefused(ski_id, self._good(ski_id), self._needed, tap.reasons)
            self._tell(self._last)
            return
        try:
            self._kept = self._store.keep(ski_id, tap, stream)
        except CaptureError as problem:
            self._lose(str(problem), trouble=True)
            return
        if self._store.count(ski_id) == 1:
            self._heard, self._heard_of = [], ski_id
        if self._heard_of == ski_id and len(self._heard) == self._store.count(ski_id) - 1:
            self._heard.append(tap.analysis)
        frequencies_hz = tuple(mode.frequency_hz for mode in tap.analysis.modes)
        self._agreed = None
        good, apart = self._agreement(ski_id)
        self._last = TapKept(ski_id, good, self._needed, frequencies_hz, apart)
        self._tell(self._last)
        if good >= self._needed:
            self._due = ski_id
        self._look(ski_id, tell=good >= self._needed)

    def settle(self, tail: NDArray[np.floating] | None = None) -> None:
        """Add ``tail`` (frames,), what followed the last good tap, to it; a ski that has all its taps is finished."""
        if tail is not None and self._kept is not None:
            try:
                self._store.extend(self._kept, tail)
            except CaptureError as problem:
                self._say(str(problem), trouble=True)
        self._kept = None
        self._finish_due()

    def line(self, text: str) -> None:
        """A line was typed or scanned: an answer, an id, or a command (its letter or its word)."""
        if self._ended:
            return
        if text.strip().casefold() not in _BACK:
            self._finish_due()
        text = "".join(character for character in text if character.isprintable()).strip()
        try:
            if self._dialogue is not None:
                self._answer(text)
            elif not text:
                if self._ski is None:
                    self._next(asked=True)
            elif self._desk.recording(text) is not None:
                self._choose(text)
            else:
                self._command(text)
        except TaptestError as problem:
            self._say(str(problem), trouble=True)

    def end(self) -> None:
        """No more taps are to come: say what is left unfinished."""
        self._finish_due()
        if self._ended:
            return
        self._ended = True
        self._dialogue = None
        self._tell(Ended(tuple((ski_id, self._store.count(ski_id)) for ski_id in self._store.unfinished())))

    def remark(self, text: str) -> None:
        """Tell something that has happened beside the session."""
        self._say(text)

    def _finish_due(self) -> None:
        ski_id, self._due = self._due, None
        if ski_id is not None:
            self._finish(ski_id)
            self._before = ski_id
            self._next()

    def _command(self, text: str) -> None:
        word, _, rest = text.partition(" ")
        command = COMMANDS.get(word.casefold(), word.casefold())
        if command == "note":
            self._note(rest)
        elif rest or command not in COMMANDS.values():
            self._ask(AddOrNot(self._desk, text), text)
        elif command == "quit":
            self.end()
        elif command == "repeat":
            self._repeat()
        elif command == "drop":
            self._drop()
        elif command == "keep":
            self._keep_all()
        else:
            self._skip()

    def _repeat(self) -> None:
        self._due = self._kept = None
        ski_id = self._ski
        if ski_id is None or (not self._store.count(ski_id) and self._before is not None):
            ski_id = self._before
        if ski_id is None:
            self._say("no ski is up that could be repeated")
            return
        aside = self._store.set_aside(ski_id)
        self._agreed = None
        self._together.discard(ski_id)
        self._passed.discard(ski_id)
        what = f"; {aside} taps were moved to 'dropped'" if aside else ""
        self._say(f"ski {shown(ski_id)} from the start{what}")
        self._call(ski_id)

    def _drop(self) -> None:
        self._due = self._kept = None
        if self._ski is None or self._store.drop_last(self._ski) is None:
            self._say("no tap of this ski is kept that could be dropped; 'r' starts the ski before it anew")
            return
        self._last = self._agreed = None
        if self._heard_of == self._ski:
            del self._heard[-1:]
        self._say("the last tap was moved to 'dropped'")
        self._call(self._ski)

    def _keep_all(self) -> None:
        if self._ski is None or self._agreement(self._ski)[1] is None:
            self._say("no taps of this ski differ, so all of them count already")
            return
        self._together.add(self._ski)
        self._agreed = None
        self._say(f"all taps of ski {shown(self._ski)} count, though they sound like two skis")
        self._call(self._ski)

    def _skip(self) -> None:
        if self._ski is None:
            self._say("no ski is up that could be skipped")
            return
        kept = self._store.count(self._ski)
        self._passed.add(self._ski)
        self._say(f"ski {shown(self._ski)} skipped" + (f"; its {kept} taps stay for another time" if kept else ""))
        self._next()

    def _note(self, text: str) -> None:
        ski_id = self._ski or self._before
        if ski_id is None:
            self._say("no ski is up that a note could be written for")
        elif not text.strip():
            self._ask(NoteText(self._desk, ski_id), "")
        else:
            self._say_entered(self._desk.add_note(ski_id, text.strip()[:NOTE_CHARACTERS]))
            self._say(f"noted for ski {shown(ski_id)}")

    def _ask(self, dialogue: Dialogue, about: str) -> None:
        self._dialogue, self._new_id = dialogue, about
        if dialogue.question is not None:
            self._tell(Asked(dialogue.question))

    def _answer(self, text: str) -> None:
        assert self._dialogue is not None
        dialogue = self._dialogue
        try:
            told = dialogue.answer(text)
        except TaptestError:
            self._dialogue = None
            raise
        if told:
            self._say(told)
        if dialogue.question is not None:
            self._tell(Asked(dialogue.question))
            return
        self._dialogue = None
        if self._new_id and self._desk.recording(self._new_id) is not None:
            self._choose(self._new_id)
        elif self._only is not None and self._ski is None:
            self.end()

    def _choose(self, ski_id: str) -> None:
        recorded = self._desk.recording(ski_id)
        if recorded is None:
            self._ask(AddOrNot(self._desk, ski_id), ski_id)
            return
        self._scanning = self._only is None
        self._passed.discard(ski_id)
        if recorded:
            self._say(
                f"ski {shown(ski_id)} has a recording already ({shown(recorded)}): the new one takes its place in the "
                "table, the old file stays"
            )
        self._call(ski_id)

    def _call(self, ski_id: str) -> None:
        if ski_id != self._ski:
            self._last = None
        self._ski = ski_id
        waiting = self._desk.waiting()
        self._left = len({*waiting, ski_id} - self._passed)
        good = self._good(ski_id)
        self._tell(SkiUp(ski_id, good, self._needed, self._left))
        if good >= self._needed:
            self._finish(ski_id)
            self._before = ski_id
            self._next()

    def _next(self, *, asked: bool = False) -> None:
        self._ski = None
        try:
            without = self._desk.waiting()
            waiting = [ski_id for ski_id in without if ski_id not in self._passed]
        except TaptestError as problem:
            self._say(f"{problem}; an empty line tries again", trouble=True)
            return
        self._left = len(waiting)
        if self._only is not None:
            self.end()
        elif self._scanning and not asked:
            what = f"; an empty line takes {shown(waiting[0])}" if waiting else "; q ends the session"
            self._say(f"scan or type the id of the next ski{what}")
        elif waiting:
            self._call(waiting[0])
        elif self._scanning:
            self._say("every ski of the table has a recording; scan or type an id, or q to end")
        else:
            skipped = f"; without one still: {', '.join(map(shown, without[:5]))}" if without else ""
            self._say(
                f"the table has been gone through{skipped}" if skipped else "every ski of the table has a recording"
            )
            self.end()

    def _finish(self, ski_id: str) -> None:
        """Join the taps, judge the ski, enter it in the table; whatever fails, its taps stay on the disk."""
        self._passed.add(ski_id)
        try:
            self._drop_others(ski_id)
            joined = self._store.join(ski_id)
            analyses = tuple(self._analysed(each.words, each.sample_rate_hz, each.path.name) for each in joined)
        except TaptestError as problem:
            self._say(str(problem), trouble=True)
            return
        paths = tuple(each.path for each in joined)
        verdict: FirstVerdict | None = None
        try:
            verdict = self._desk.judge(ski_id, analyses)
        except TaptestError as problem:
            self._say(str(problem), trouble=True)
        modes = tuple(mode for analysis in analyses for mode in analysis.modes)
        self._done = SkiDone(ski_id, paths, self._store.count(ski_id), modes, verdict)
        self._tell(self._done)
        try:
            self._say_entered(self._desk.enter(ski_id, paths))
            self._store.retire(ski_id)
        except TaptestError as problem:
            self._say(str(problem), trouble=True)

    def _look(self, ski_id: str, *, tell: bool) -> None:
        """A first verdict within a tenth of a second, before everything is written and looked at closely.

        Each tap was looked at when it was heard; only what an earlier session kept is looked at now. What is not to be told
        yet is looked at all the same: the place of each tap's modes is remembered, and the last one adds but its own.
        """
        try:
            sounds = self._sounds(ski_id)
            analyses = sounds if ski_id in self._together else [sounds[index] for index in agreeing(sounds)[0]]
            look = FirstLook(ski_id, self._desk.judge(ski_id, analyses))
        except TaptestError:
            return  # what is wrong is told when the same is done in full
        if tell:
            self._done = look
            self._tell(look)

    def _drop_others(self, ski_id: str) -> None:
        """Taps that sound like another ski than most do are moved out of the way, and that is told."""
        sounds, apart = self._sounds(ski_id), self._agreement(ski_id)[1]
        if apart is None:
            return
        for number in reversed(apart.taps):
            self._store.drop(ski_id, number - 1)
            del sounds[number - 1]
        self._agreed = None
        what = f"tap {apart.taps[0]} sounds" if len(apart.taps) == 1 else f"taps {listed(apart.taps)} sound"
        self._say(f"ski {shown(ski_id)}: {what} like another ski and went to 'dropped'")

    def _good(self, ski_id: str) -> int:
        return self._agreement(ski_id)[0]

    def _agreement(self, ski_id: str) -> tuple[int, Difference | None]:
        """Number of kept taps that sound like one ski, all of them where they cannot be looked at, and those that do not."""
        if self._agreed is None or self._agreed[0] != ski_id:
            good, apart = self._store.count(ski_id), None
            if ski_id not in self._together:
                with suppress(CaptureError):  # told when the taps are joined
                    sounds = self._sounds(ski_id)
                    good, apart = max(map(len, agreeing(sounds)), default=0), difference(sounds)
            self._agreed = ski_id, good, apart
        return self._agreed[1:]

    def _sounds(self, ski_id: str) -> list[Analysis]:
        """What was heard in each kept tap, when it was tapped or, of those that an earlier session kept, at a first look now."""
        if self._heard_of != ski_id or len(self._heard) != self._store.count(ski_id):
            windows = self._store.windows(ski_id)
            found = [self._analysed(w.words, w.sample_rate_hz, w.kept.path.name, rounds=1) for w in windows]
            self._heard, self._heard_of = found, ski_id
        return self._heard

    def _analysed(self, words: Words, sample_rate_hz: int, name: str, *, rounds: int = ROUNDS) -> Analysis:
        return analyse(from_samples(words, sample_rate_hz, name=name), self._settings, rounds=rounds)

    def _lose(self, why: str, *, trouble: bool = False) -> None:
        self._said = Said(f"a tap was heard but not counted: {why}", trouble)
        self._tell(TapLost(why, trouble))

    def _say(self, text: str, *, trouble: bool = False) -> None:
        self._said = Said(text, trouble)
        self._tell(self._said)

    def _say_entered(self, entered: Entered) -> None:
        for text in entered.notes:
            self._say(text, trouble=entered.conflict is not None)

    def _tell(self, happening: Happening) -> None:
        if isinstance(happening, TapKept | TapRefused):
            self._said = None
        self._tell_on(happening)
