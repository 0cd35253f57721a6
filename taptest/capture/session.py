"""A session of tapping, without a screen and without a sound card: which ski is up, what is kept, what comes next."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from taptest.capture.agreement import TapAgreement, listed
from taptest.capture.dialogues import NOTE_CHARACTERS, Dialogue, add_or_not, note_text
from taptest.capture.events import (
    Asked,
    Ended,
    FirstLook,
    SessionEvent,
    SkiDone,
    SkiUp,
    Status,
    TapKept,
    TapRefused,
    Told,
)
from taptest.capture.lot_table import LotTable
from taptest.capture.store import KeptTap, Store
from taptest.capture.stream import HeardTap
from taptest.config.settings import Settings
from taptest.core.errors import CaptureError, TaptestError, shown
from taptest.core.messages import Severity, Subject, Value, message
from taptest.io.recording import from_samples
from taptest.signal.analysis import analyse
from taptest.ski.record import Ski
from taptest.tables.edit import Written

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
        table: LotTable,
        store: Store,
        tell: Callable[[SessionEvent], None],
        *,
        taps: int = 5,
        settings: Settings | None = None,
        only: str | None = None,
    ) -> None:
        self._table, self._store, self._tell_on = table, store, tell
        self._needed, self._only = taps, only
        # A kept tap has one channel, whichever it was chosen from.
        self._settings = replace(settings or Settings(), channel=None)
        self._taps = TapAgreement(store, self._settings)
        self._ski: str | None = None
        self._before: str | None = None
        self._passed: set[str] = set()
        self._scanning = False
        self._dialogue: Dialogue | None = None
        self._new_id = ""
        self._last: TapKept | TapRefused | None = None
        self._done: SkiDone | FirstLook | None = None
        self._told: Told | None = None
        self._left = 0
        self._kept: KeptTap | None = None
        self._due: str | None = None
        self._ended = False

    @property
    def ended(self) -> bool:
        return self._ended

    def status(self) -> Status:
        return Status(
            ski_id=self._ski,
            good=self._taps.good(self._ski) if self._ski is not None else 0,
            needed=self._needed,
            left=self._left,
            question=self._dialogue.question if self._dialogue is not None else None,
            last=self._last,
            done=self._done,
            told=self._told,
            ended=self._ended,
        )

    def start(self) -> None:
        """Finish what an earlier session left complete, and call the first ski.

        Raises:
            TaptestError: the table cannot be read, or the one ski asked for is not in it and nobody wants to add it.
        """
        for ski_id in self._store.unfinished():
            if self._table.recording(ski_id) is None:
                self._say("taps-without-ski", ski_id, taps=self._store.count(ski_id))
            elif self._taps.good(ski_id) >= self._needed:
                self._say("ski-complete-before", ski_id)
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
            self._say("tap-during-question" if self._dialogue is not None else "tap-without-ski")
            return
        ski_id = self._ski
        if not tap.accepted:
            self._last = TapRefused(ski_id, self._taps.good(ski_id), self._needed, tap.reasons)
            self._tell(self._last)
            return
        try:
            self._kept = self._store.keep(ski_id, tap, stream)
        except CaptureError as problem:
            self._say("tap-not-stored", ski_id, problem=str(problem))
            return
        self._taps.kept(ski_id, tap.analysis)
        frequencies_hz = tuple(mode.frequency_hz for mode in tap.analysis.modes)
        good = self._taps.good(ski_id)
        self._last = TapKept(ski_id, good, self._needed, frequencies_hz, self._taps.differing(ski_id))
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
                self._say_problem(problem)
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
            elif self._table.recording(text) is not None:
                self._choose(text)
            else:
                self._command(text)
        except TaptestError as problem:
            self._say_problem(problem)

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
        self._say("session-remark", text=text)

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
            self._ask(add_or_not(self._table, text), text)
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
            self._say("nothing-to-repeat")
            return
        aside = self._store.set_aside(ski_id)
        self._taps.started_anew(ski_id)
        self._passed.discard(ski_id)
        self._say("ski-again-dropped" if aside else "ski-again", ski_id, taps=aside)
        self._call(ski_id)

    def _drop(self) -> None:
        self._due = self._kept = None
        if self._ski is None or self._store.drop_last(self._ski) is None:
            self._say("nothing-to-drop")
            return
        self._last = None
        self._taps.dropped_last(self._ski)
        self._say("tap-dropped", self._ski)
        self._call(self._ski)

    def _keep_all(self) -> None:
        if self._ski is None or self._taps.differing(self._ski) is None:
            self._say("taps-agree")
            return
        self._taps.count_all(self._ski)
        self._say("all-taps-count", self._ski)
        self._call(self._ski)

    def _skip(self) -> None:
        if self._ski is None:
            self._say("nothing-to-skip")
            return
        kept = self._store.count(self._ski)
        self._passed.add(self._ski)
        self._say("ski-skipped-taps-kept" if kept else "ski-skipped", self._ski, taps=kept)
        self._next()

    def _note(self, text: str) -> None:
        ski_id = self._ski or self._before
        if ski_id is None:
            self._say("nothing-to-note")
        elif not text.strip():
            self._ask(note_text(self._table, ski_id), "")
        else:
            self._say_written(self._table.add_note(ski_id, text.strip()[:NOTE_CHARACTERS]))
            self._say("ski-noted", ski_id)

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
            self._say("session-remark", text=told)
        if dialogue.question is not None:
            self._tell(Asked(dialogue.question))
            return
        self._dialogue = None
        if self._new_id and self._table.recording(self._new_id) is not None:
            self._choose(self._new_id)
        elif self._only is not None and self._ski is None:
            self.end()

    def _choose(self, ski_id: str) -> None:
        recorded = self._table.recording(ski_id)
        if recorded is None:
            self._ask(add_or_not(self._table, ski_id), ski_id)
            return
        self._scanning = self._only is None
        self._passed.discard(ski_id)
        if recorded:
            self._say("ski-recorded-already", ski_id, recording=shown(recorded))
        self._call(ski_id)

    def _call(self, ski_id: str) -> None:
        if ski_id != self._ski:
            self._last = None
        self._ski = ski_id
        waiting = self._table.waiting()
        self._left = len({*waiting, ski_id} - self._passed)
        good = self._taps.good(ski_id)
        self._tell(SkiUp(ski_id, good, self._needed, self._left))
        if good >= self._needed:
            self._finish(ski_id)
            self._before = ski_id
            self._next()

    def _next(self, *, asked: bool = False) -> None:
        self._ski = None
        try:
            without = self._table.waiting()
            waiting = [ski_id for ski_id in without if ski_id not in self._passed]
        except TaptestError as problem:
            self._say("table-unreadable", problem=str(problem))
            return
        self._left = len(waiting)
        if self._only is not None:
            self.end()
        elif self._scanning and not asked:
            if waiting:
                self._say("scan-next-or-take", waiting=shown(waiting[0]))
            else:
                self._say("scan-next")
        elif waiting:
            self._call(waiting[0])
        elif self._scanning:
            self._say("all-recorded-scan")
        else:
            if without:
                self._say("table-gone-through", skis=", ".join(map(shown, without[:5])))
            else:
                self._say("all-recorded")
            self.end()

    def _finish(self, ski_id: str) -> None:
        """Join the taps, judge the ski, enter it in the table; whatever fails, its taps stay on the disk."""
        self._passed.add(ski_id)
        try:
            dropped = self._taps.drop_others(ski_id)
            if dropped is not None:
                one = len(dropped.taps) == 1
                what = f"tap {dropped.taps[0]} sounds" if one else f"taps {listed(dropped.taps)} sound"
                self._say("taps-of-another-ski", ski_id, what=what)
            joined = self._store.join(ski_id)
            paths = tuple(each.path for each in joined)
            recordings = [from_samples(each.words, each.sample_rate_hz, name=str(each.path)) for each in joined]
            heard = tuple((recording, analyse(recording, self._settings)) for recording in recordings)
        except TaptestError as problem:
            self._say_problem(problem)
            return
        verdict: Ski | None = None
        try:
            verdict = self._table.judge(ski_id, [analysis for _, analysis in heard], self._settings)
        except TaptestError as problem:
            self._say_problem(problem)
        modes = tuple(mode for _, analysis in heard for mode in analysis.modes)
        done = SkiDone(ski_id, paths, self._store.count(ski_id), modes, verdict)
        self._done = done
        self._tell(replace(done, heard=heard))
        try:
            self._say_written(self._table.enter(ski_id, paths))
            self._store.retire(ski_id)
        except TaptestError as problem:
            self._say_problem(problem)

    def _look(self, ski_id: str, *, tell: bool) -> None:
        """A first verdict within a tenth of a second, before everything is written and looked at closely.

        Each tap was looked at when it was heard; only what an earlier session kept is looked at now. What is not to be told
        yet is looked at all the same: the place of each tap's modes is remembered, and the last one adds but its own.
        """
        try:
            look = FirstLook(ski_id, self._table.judge(ski_id, self._taps.counting(ski_id), self._settings))
        except TaptestError:
            return  # what is wrong is told when the same is done in full
        if tell:
            self._done = look
            self._tell(look)

    def _say(self, code: str, ski_id: str | None = None, *, severity: Severity | None = None, **values: Value) -> None:
        self._told = Told(message(code, Subject(ski=ski_id), severity=severity, **values))
        self._tell(self._told)

    def _say_problem(self, problem: TaptestError) -> None:
        self._say("session-trouble", problem=str(problem))

    def _say_written(self, written: Written) -> None:
        for note in written.notes:
            self._told = Told(note)
            self._tell(self._told)

    def _tell(self, event: SessionEvent) -> None:
        if isinstance(event, TapKept | TapRefused):
            self._told = None
        self._tell_on(event)
