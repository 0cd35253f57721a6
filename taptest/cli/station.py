"""What runs a session: source and listener in one thread, keyboard in another, the screen in this one."""

from __future__ import annotations

import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from taptest.cli import keeping, output
from taptest.cli.keyboard import Lines, key_lines, piped_lines
from taptest.core.chatter import library_chatter_off
from taptest.core.errors import CaptureError, TaptestError

if TYPE_CHECKING:
    from taptest.capture.beeps import Beeper, Kind
    from taptest.capture.events import Source
    from taptest.capture.happenings import Happening, SkiDone
    from taptest.capture.session import Session
    from taptest.capture.worker import Worker
    from taptest.config.settings import Settings

RECORDINGS = "recordings"
_REDRAW_S = 0.1


@dataclass(frozen=True)
class Options:
    """What was asked for on the command line."""

    lot: str
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
    """What the closing words need of what has happened, what has not been told yet, and the sounds that go with it.

    No more is remembered, as a session goes on for hours; ``modes`` of every ski only where they are to be written out or
    entered in a logbook.
    """

    modes: bool
    beeper: Beeper | None = None
    told: list[Happening] = field(default_factory=list)
    fresh: queue.SimpleQueue[Happening] = field(default_factory=queue.SimpleQueue)
    sounds_s: float = 0.0

    def tell(self, happening: Happening) -> None:
        from taptest.capture.happenings import Ended, Said, SkiDone, TapLost, TapRefused

        if isinstance(happening, SkiDone):
            self.told.append(happening if self.modes else _without_modes(happening))
        elif isinstance(happening, Ended | TapRefused) or (isinstance(happening, Said | TapLost) and happening.trouble):
            self.told.append(happening)
        self.fresh.put(happening)
        kind = _sound_for(happening)
        if self.beeper is not None and kind is not None:
            self.sounds_s += self.beeper.beep(kind)

    def sounding_s(self) -> float:
        """For how long what was played since this was last asked will sound."""
        seconds, self.sounds_s = self.sounds_s, 0.0
        return seconds

    def take(self) -> list[Happening]:
        found = []
        while not self.fresh.empty():
            found.append(self.fresh.get())
        return found


def _without_modes(done: SkiDone) -> SkiDone:
    from taptest.screen.verdict import SkiVerdict

    verdict = done.verdict
    if isinstance(verdict, SkiVerdict):
        verdict = replace(verdict, modes=(), statistics=())
    return replace(done, modes=(), verdict=verdict)


def run_station(options: Options) -> None:
    """Run a session to its end and say what it has come to.

    Raises:
        TaptestError: the table cannot be read, or there is no sound to be had.
    """
    from taptest.capture.lot_desk import LotDesk
    from taptest.capture.memory import give_back_large_arrays
    from taptest.capture.session import Session
    from taptest.capture.store import Store

    give_back_large_arrays()
    desk = LotDesk(Path(options.lot), settings=options.settings)
    for note in desk.notes:
        output.complain(f"note: {note}")
    interactive = sys.stdin is not None and sys.stdin.isatty() and output.screen().is_terminal and not options.json
    story = Story(modes=options.json or options.log)
    book = keeping.SessionBook(desk.path, options.settings, options.logbook, wanted=options.log)
    with library_chatter_off() if options.source is None else nullcontext():
        source = _open(options)
        try:
            store = Store(desk.path.parent / RECORDINGS)
            session = Session(desk, store, story.tell, taps=options.taps, settings=options.settings, only=options.ski)
            failure = _run(options, source, session, story, book, interactive=interactive)
        finally:
            source.close()
    missed = book.close(story.told)
    _close(options, story, in_full=interactive)
    for each in missed:
        output.complain(each)
    if isinstance(failure, TaptestError):
        output.complain(str(failure))
        raise typer.Exit(output.FAILED)
    if failure is not None:
        raise failure
    if missed or any(getattr(happening, "trouble", False) for happening in story.told):
        raise typer.Exit(output.FAILED)


def _open(options: Options) -> Source:
    if options.source is not None:
        from taptest.capture.sources import FileSource

        return FileSource(Path(options.source), speed=None if options.fast else 1.0)
    from taptest.capture.microphone import Microphone

    return Microphone(options.device, channels=options.settings.channel or 1)


def _run(
    options: Options,
    source: Source,
    session: Session,
    story: Story,
    book: keeping.SessionBook,
    *,
    interactive: bool,
) -> Exception | None:
    """Until the session or, where nobody can be asked, the source ends; why it ended early, None when it did not."""
    lock = threading.Lock()
    with (
        key_lines() if interactive else nullcontext(piped_lines()) as lines,
        _beeper(options) as story.beeper,
        _screen(interactive) as draw,
        _stop_signals(lines),
    ):
        worker = _worker(options, source, session, story, lock)
        with lock:
            session.start()
        worker.start()
        while True:
            for text in lines.take():
                with lock:
                    session.line(text)
            if lines.interrupted:
                with lock:
                    session.end()
            draw(options, story, session, source, worker, lines)
            book.follow(story.told)
            for note in book.fresh_notes():
                with lock:
                    session.remark(note)
            if session.ended:
                worker.stop()
                return worker.failure if not isinstance(worker.failure, CaptureError) else None
            if not worker.running:
                again = interactive and isinstance(worker.failure, CaptureError)
                opened = _opened_again(options, story, session, source, worker, lines, draw) if again else None
                if opened is None:
                    with lock:
                        session.end()
                    draw(options, story, session, source, worker, lines)
                    return worker.failure
                source = opened
                worker = _worker(options, source, session, story, lock)
                worker.start()
            time.sleep(_REDRAW_S if interactive else 0.02)


def _worker(options: Options, source: Source, session: Session, story: Story, lock: threading.Lock) -> Worker:
    from taptest.capture.listener import Listener
    from taptest.capture.worker import Worker

    listener = Listener(source.sample_rate_hz, settings=options.settings, channel=options.settings.channel)
    return Worker(source, listener, session, lock, story.sounding_s)


def _sound_for(happening: Happening) -> Kind | None:
    from taptest.capture.happenings import FirstLook, TapKept, TapLost, TapRefused

    if isinstance(happening, TapKept) and not (happening.differs is not None and happening.differs.by_the_last):
        return "good" if happening.good < happening.needed else None
    if isinstance(happening, FirstLook):
        return "done"
    return "repeat" if isinstance(happening, TapKept | TapRefused | TapLost) else None


def _opened_again(
    options: Options,
    story: Story,
    session: Session,
    source: Source,
    worker: Worker,
    lines: Lines,
    draw: Callable[..., None],
) -> Source | None:
    """The device once more, asked for as often as it is still not there; None when it was given up."""
    while _go_on(options, story, session, source, worker, lines, draw):
        try:
            return _open(options)
        except CaptureError as problem:
            worker.failure = problem
    return None


def _go_on(
    options: Options,
    story: Story,
    session: Session,
    source: Source,
    worker: Worker,
    lines: Lines,
    draw: Callable[..., None],
) -> bool:
    """Ask whether to open the device once more; lines other than q mean yes."""
    while not lines.interrupted:
        draw(options, story, session, source, worker, lines)
        for text in lines.take():
            return text.strip().casefold() not in ("q", "quit")
        time.sleep(_REDRAW_S)
    return False


@contextmanager
def _beeper(options: Options) -> Iterator[Beeper | None]:
    # A file does not hear what is played.
    if options.quiet or options.source is not None:
        yield None
        return
    from taptest.capture.beeps import Beeper

    def bell() -> None:
        if sys.stderr.isatty():
            sys.stderr.write("\a")
            sys.stderr.flush()

    beeper = Beeper(bell)
    try:
        yield beeper
    finally:
        beeper.close()


@contextmanager
def _screen(interactive: bool) -> Iterator[Callable[..., None]]:
    """A function that shows the present moment: drawn anew on a terminal, else in lines as things happen."""
    from taptest.capture.happenings import Ended
    from taptest.present.text.live_view import Moment, live_view, plain_line

    console = output.screen()
    if not interactive:

        def write(options: Options, story: Story, *_: Any) -> None:
            stream = sys.stderr if options.json else sys.stdout
            for happening in story.take():
                if options.json or not isinstance(happening, Ended):  # the closing lines say that
                    stream.write(f"{plain_line(happening)}\n")
            stream.flush()

        yield write
        return
    from rich.live import Live

    with Live(console=console, auto_refresh=False, transient=True, redirect_stdout=False) as live:

        def draw(
            options: Options, story: Story, session: Session, source: Source, worker: Worker, lines: Lines
        ) -> None:
            story.take()
            stopped = ""
            if not worker.running and isinstance(worker.failure, CaptureError):
                stopped = f"{worker.failure}. Everything so far is stored. Enter: open it again, q: quit"
            moment = Moment(session.status(), source.name, worker.level, lines.typed, stopped)
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


def _close(options: Options, story: Story, *, in_full: bool) -> None:
    from taptest.capture.happenings import Ended, SkiDone

    done = [each for each in story.told if isinstance(each, SkiDone)]
    ended = next((each for each in story.told if isinstance(each, Ended)), Ended(()))
    if options.json:
        from taptest.present.json.documents import session_document

        output.write_json(session_document(story.told))
        return
    from taptest.present.text.live_view import closing_view

    output.show(closing_view(done, ended, in_full=in_full), output.screen())
