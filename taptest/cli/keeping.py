"""What commands put into the logbook beside what they are for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from taptest.core.errors import TaptestError, shown

if TYPE_CHECKING:
    from queue import SimpleQueue

    from taptest.capture.events import SkiDone
    from taptest.config.settings import Settings
    from taptest.io.recording import Recording
    from taptest.logbook.sounds import StoredSound
    from taptest.logbook.waiting import StationLogbook
    from taptest.screen.result import CheckResult
    from taptest.signal.analysis import Analysis


def wanted(log: bool, logbook: str | None, *, unless: bool = False, why: str = "") -> bool:
    """Whether to enter anything: asked for, or a logbook was named. Wrong usage together with ``why``."""
    if logbook is not None and unless:
        raise typer.BadParameter(f"goes without {why}, which looks at a part only", param_hint="--logbook")
    return (log or logbook is not None) and not unless


def sounds_folder(logbook: str | None) -> Path:
    """Where a logbook keeps its sounds."""
    from taptest.logbook.place import place_of

    return place_of(logbook).sounds


def sound_store(logbook: str | None) -> Callable[[Recording], StoredSound | None]:
    """What puts a recording into the logbook's store while it is at hand, in whichever process."""
    from taptest.logbook.sounds import try_to_store

    return partial(try_to_store, sounds_folder(logbook))


def keep_check(result: CheckResult, logbook: str | None) -> tuple[str, ...]:
    """Enter a checked lot; what to say about it."""
    from taptest.logbook.waiting import StationLogbook

    with StationLogbook(logbook) as book:
        added = book.add_check(result)
        what = "entered in" if added.new else "already in"
        return (*book.notes, *added.notes, f"{what} the logbook {book.place.name}")


@dataclass
class Sounds:
    """Enters recordings with what was heard in them, one by one."""

    book: StationLogbook | None
    new: int = 0
    known: int = 0

    def __call__(self, recording: Recording, analysis: Analysis, settings: Settings) -> None:
        if self.book is not None:
            added = self.book.add_analysis(recording, analysis, settings)
            self.new += added.new
            self.known += not added.new

    @property
    def notes(self) -> tuple[str, ...]:
        """What to say about it at the end."""
        if self.book is None:
            return ()
        before = f", {self.known} were there already" if self.known else ""
        return (*self.book.notes, f"{self.new} entered in the logbook {self.book.place.name}{before}")


@contextmanager
def sounds(logbook: str | None, *, wanted: bool) -> Iterator[Sounds]:
    """A function that enters a recording in the logbook; one that does nothing where that is not wanted."""
    if not wanted:
        yield Sounds(None)
        return
    from taptest.logbook.waiting import StationLogbook

    with StationLogbook(logbook) as book:
        yield Sounds(book)


@dataclass
class SessionBook:
    """Enters the skis of a session as they are done; what the logbook refuses is tried once more at the end.

    Nothing depends on it: taps and table are on the disk before.
    """

    table: Path
    settings: Settings
    logbook: str | None
    wanted: bool
    _waiting: list[SkiDone] = field(default_factory=list)
    _book: StationLogbook | None = None

    def __post_init__(self) -> None:
        if self.wanted:
            from taptest.logbook.waiting import StationLogbook

            self._book = StationLogbook(self.logbook)

    def follow(self, done: SimpleQueue[SkiDone]) -> None:
        """Enter the skis that were done since it was last called."""
        while self._book is not None and not done.empty():
            ski = done.get()
            if self._enter(self._book, ski) is not None:
                self._waiting.append(replace(ski, heard=()))

    def fresh_notes(self) -> tuple[str, ...]:
        """What the logbook has to tell since this was last asked."""
        return () if self._book is None else self._book.fresh_notes()

    def close(self, done: SimpleQueue[SkiDone]) -> tuple[str, ...]:
        """Enter what is left; which skis could not be entered, and why."""
        self.follow(done)
        if self._book is None:
            return ()
        missed = []
        for ski in self._waiting:
            problem = self._enter(self._book, ski)
            if problem is not None:
                missed.append(
                    f"ski {shown(ski.ski_id)} is recorded but not in the logbook: {problem}; 'taptest log add "
                    f"{shown(self.table.name)}' enters it later"
                )
        self._book.close()
        return tuple(missed)

    def _enter(self, book: StationLogbook, done: SkiDone) -> TaptestError | None:
        try:
            enter_ski(book, done, self.table, self.settings)
        except TaptestError as problem:
            return problem
        return None


def enter_ski(book: StationLogbook, done: SkiDone, table: Path, settings: Settings) -> None:
    """Enter a ski that was just recorded, with its first verdict; with the sound alone where it has none.

    Raises:
        TaptestError: it cannot be entered.
    """
    from taptest.io.recording import read_recording
    from taptest.screen.result import CheckResult
    from taptest.signal.analysis import analyse
    from taptest.tables.lot import Lot, read_lot

    # A recording has one channel, whichever it was taken from.
    alone = replace(settings, channel=None)
    # One that was refused before is heard again: a session of many hours does not keep in memory what it heard.
    again = [] if done.heard else [read_recording(path) for path in done.recordings]
    for recording, analysis in done.heard or [(each, analyse(each, alone)) for each in again]:
        book.add_analysis(recording, analysis, alone, ski_id=done.ski_id)
    row = next((row for row in read_lot(table).rows if row.ski_id == done.ski_id), None)
    if row is None or done.verdict is None:
        return
    lot = Lot(table, (replace(row, recordings=done.recordings),), ())
    book.add_check(CheckResult(lot, (done.verdict,), settings=alone))
