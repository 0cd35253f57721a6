"""What runs a session: source and listener in one thread, keyboard in another, the screen in this one."""

from __future__ import annotations

import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from taptest.cli import keeping, output
from taptest.cli.keyboard import Lines, key_lines, piped_lines
from taptest.core.errors import CaptureError, TaptestError
from taptest.core.sound_system import libraries_silenced

if TYPE_CHECKING:
    from taptest.capture.events import SessionEvent, SkiDone
    from taptest.capture.lot_table import LotTable
    from taptest.capture.session import Session
    from taptest.capture.stream import Source
    from taptest.capture.worker import Worker
    from taptest.config.settings import Settings
    from taptest.playback.tones import Beeper, Kind

RECORDINGS = "recordings"
_REDRAW_S = 0.1


@dataclass(frozen=True)
class Options:
    """What was asked for on the command line."""

    ski: str | None
    taps: int
    device: str | None
    quiet: bool
    source: str | None
    fast: bool
    json: bool
    settings: Settings
    log: bool = False
    logbook: str | None = None


@dataclass
class Story:
    """What the closing words need of what has happened, what has not been shown yet, and the sounds that go with it.

    No more is remembered, as a session goes on for hours: ``modes`` of every ski only where they are to be written out, and
    what was heard in its recordings only where it is ``logged``, until it is taken.
    """

    modes: bool
    logged: bool = False
    beeper: Beeper | None = None
    told: list[SessionEvent] = field(default_factory=list)
    fresh: queue.SimpleQueue[SessionEvent] = field(default_factory=queue.SimpleQueue)
    to_log: queue.SimpleQueue[SkiDone] = field(default_factory=queue.SimpleQueue)
    sounds_s: float = 0.0

    def tell(self, event: SessionEvent) -> None:
        from taptest.capture.events import Ended, SkiDone, TapRefused, Told

        if isinstance(event, SkiDone):
            if self.logged:
                self.to_log.put(event)
            event = replace(event, heard=()) if self.modes else _without_modes(event)
        if isinstance(event, SkiDone | Ended | TapRefused) or (isinstance(event, Told) and event.trouble):
            self.told.append(event)
        self.fresh.put(event)
        kind = _sound_for(event)
        if self.beeper is not None and kind is not None:
            self.sounds_s += self.beeper.beep(kind)

    def sounding_s(self) -> float:
        """For how long what was played since this was last asked will sound."""
        seconds, self.sounds_s = self.sounds_s, 0.0
        return seconds

    @property
    def done(self) -> list[SkiDone]:
        from taptest.capture.events import SkiDone

        return [each for each in self.told if isinstance(each, SkiDone)]

    @property
    def trouble(self) -> bool:
        """Whether something was not kept or not entered as it should."""
        return any(getattr(each, "trouble", False) for each in self.told)


def _without_modes(done: SkiDone) -> SkiDone:
    from taptest.ski.record import Ski

    verdict = done.verdict
    if isinstance(verdict, Ski):
        found = verdict.placed
        verdict = replace(verdict, analyses=(), placed=None if found is None else replace(found, modes=()))
    return replace(done, modes=(), verdict=verdict, heard=())


def _sound_for(event: SessionEvent) -> Kind | None:
    from taptest.capture.events import FirstLook, TapKept, TapRefused, Told

    if isinstance(event, TapKept) and not (event.differs is not None and event.differs.by_the_last):
        return "good" if event.good < event.needed else None
    if isinstance(event, FirstLook):
        return "done"
    again = isinstance(event, TapKept | TapRefused) or (isinstance(event, Told) and event.tap_lost)
    return "repeat" if again else None


def run_station(table: LotTable, options: Options) -> None:
    """Run a session to its end and say what it has come to.

    Raises:
        TaptestError: the table cannot be read, or there is no sound to be had.
    """
    from taptest.capture.session import Session
    from taptest.capture.store import Store
    from taptest.core.processes import give_back_large_arrays

    give_back_large_arrays()
    corrections = options.settings.corrections
    for note in (*table.notes, *corrections.notes, *corrections.problems):
        output.complain(f"note: {note}")
    interactive = sys.stdin is not None and sys.stdin.isatty() and output.screen().is_terminal and not options.json
    story = Story(modes=options.json, logged=options.log)
    book = keeping.SessionBook(table.path, options.settings, options.logbook, wanted=options.log)
    with libraries_silenced() if options.source is None else nullcontext():
        source = _open(options)
        try:
            store = Store(table.path.parent / RECORDINGS)
            session = Session(table, store, story.tell, taps=options.taps, settings=options.settings, only=options.ski)
            failure = _Run(options, source, session, story, book, interactive=interactive).to_the_end()
        finally:
            source.close()
    missed = book.close(story.to_log)
    _show_closing(options, story, in_full=interactive)
    for each in missed:
        output.complain(each)
    if isinstance(failure, TaptestError):
        output.complain(str(failure))
        raise typer.Exit(output.FAILED)
    if failure is not None:
        raise failure
    if missed or story.trouble:
        raise typer.Exit(output.FAILED)


def _open(options: Options) -> Source:
    if options.source is not None:
        from taptest.capture.sources import FileSource

        return FileSource(Path(options.source), speed=None if options.fast else 1.0)
    from taptest.capture.microphone import Microphone

    return Microphone(options.device, channels=options.settings.channel or 1)


class _Run:
    """A session that is going on, and what it is made of."""

    def __init__(
        self,
        options: Options,
        source: Source,
        session: Session,
        story: Story,
        book: keeping.SessionBook,
        *,
        interactive: bool,
    ) -> None:
        self.options, self.session, self.story, self.book = options, session, story, book
        self.interactive = interactive
        self.lock = threading.Lock()
        self.lines = Lines()
        self.draw: Callable[[_Run], None] = _write_lines
        self._listen_to(source)

    def to_the_end(self) -> Exception | None:
        """Until the session or, where nobody can be asked, the source ends; why it ended early, None when it did not."""
        with ExitStack() as stack:
            self.lines = stack.enter_context(key_lines()) if self.interactive else piped_lines()
            self.story.beeper = stack.enter_context(_beeper(self.options))
            if self.interactive:
                self.draw = stack.enter_context(_screen())
            stack.enter_context(_stop_signals(self.lines))
            with self.lock:
                self.session.start()
            self.worker.start()
            while True:
                self._take_lines()
                self.draw(self)
                self._log()
                if self.session.ended:
                    self.worker.stop()
                    return None if isinstance(self.worker.failure, CaptureError) else self.worker.failure
                if not self.worker.running and not self._opened_again():
                    with self.lock:
                        self.session.end()
                    self.draw(self)
                    return self.worker.failure
                time.sleep(_REDRAW_S if self.interactive else 0.02)

    def _listen_to(self, source: Source) -> None:
        from taptest.capture.listener import Listener
        from taptest.capture.worker import Worker

        listener = Listener(source.sample_rate_hz, settings=self.options.settings)
        self.source = source
        self.worker: Worker = Worker(source, listener, self.session, self.lock, self.story.sounding_s)

    def _take_lines(self) -> None:
        for text in self.lines.take():
            with self.lock:
                self.session.line(text)
        if self.lines.interrupted:
            with self.lock:
                self.session.end()

    def _log(self) -> None:
        self.book.follow(self.story.to_log)
        for note in self.book.fresh_notes():
            with self.lock:
                self.session.remark(note)

    def _opened_again(self) -> bool:
        """Whether the device was opened once more, asked for as often as it is still not there."""
        while self.interactive and isinstance(self.worker.failure, CaptureError) and self._go_on():
            try:
                self._listen_to(_open(self.options))
            except CaptureError as problem:
                self.worker.failure = problem
            else:
                self.worker.start()
                return True
        return False

    def _go_on(self) -> bool:
        """Ask whether to open the device once more; lines other than q mean yes."""
        while not self.lines.interrupted:
            self.draw(self)
            for text in self.lines.take():
                return text.strip().casefold() not in ("q", "quit")
            time.sleep(_REDRAW_S)
        return False


@contextmanager
def _beeper(options: Options) -> Iterator[Beeper | None]:
    # A file does not hear what is played.
    if options.quiet or options.source is not None:
        yield None
        return
    from taptest.playback.tones import Beeper

    def bell() -> None:
        if sys.stderr.isatty():
            sys.stderr.write("\a")
            sys.stderr.flush()

    beeper = Beeper(bell)
    try:
        yield beeper
    finally:
        beeper.close()


def _write_lines(run: _Run) -> None:
    """What has happened, in lines; on standard error where a document goes to standard output."""
    from taptest.capture.events import Ended
    from taptest.present.text.live_view import plain_line

    stream = sys.stderr if run.options.json else sys.stdout
    while not run.story.fresh.empty():
        event = run.story.fresh.get()
        if run.options.json or not isinstance(event, Ended):  # the closing lines say that
            stream.write(f"{plain_line(event)}\n")
    stream.flush()


@contextmanager
def _screen() -> Iterator[Callable[[_Run], None]]:
    """A function that draws the present moment anew on a terminal."""
    from rich.live import Live

    from taptest.present.text.live_view import Moment, live_view

    console = output.screen()
    with Live(console=console, auto_refresh=False, transient=True, redirect_stdout=False) as live:

        def draw(run: _Run) -> None:
            while not run.story.fresh.empty():
                run.story.fresh.get()
            worker, stopped = run.worker, ""
            if not worker.running and isinstance(worker.failure, CaptureError):
                stopped = f"{worker.failure}. Everything so far is stored. Enter: open it again, q: quit"
            moment = Moment(run.session.status(), run.source.name, worker.level, run.lines.typed, stopped)
            live.update(live_view(moment, console.width), refresh=True)

        yield draw


@contextmanager
def _stop_signals(lines: Lines) -> Iterator[None]:
    """Ctrl-C and a request to end stop the session in good order, what was kept included."""

    def stop(*_: Any) -> None:
        lines.interrupted = True

    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {name: signal.signal(getattr(signal, name), stop) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def _show_closing(options: Options, story: Story, *, in_full: bool) -> None:
    if options.json:
        from taptest.present.json.session import session_document

        output.write_json(session_document(story.told, options.settings.corrections.citations))
        return
    from taptest.capture.events import Ended
    from taptest.present.text.live_view import closing_view

    ended = next((each for each in story.told if isinstance(each, Ended)), Ended(()))
    output.show(closing_view(story.done, ended, in_full=in_full), output.screen())
