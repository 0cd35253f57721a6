"""Lots checked and recordings analysed, straight into the logbook."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.cli import output
from taptest.core.errors import LogbookError, TaptestError

if TYPE_CHECKING:
    from taptest.cli.options import GivenSettings
    from taptest.logbook.book import Entered
    from taptest.logbook.waiting import StationLogbook


@dataclass
class Done:
    """What was entered, what could not be read, and what there is to say."""

    entered: list[Entered] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def add_files(
    book: StationLogbook,
    tables: Sequence[str],
    recordings: Sequence[str],
    *,
    ski: str | None,
    at: datetime | None,
    given: GivenSettings,
) -> Done:
    """Enter lots and recordings; one that cannot be read does not stop the others.

    Raises:
        LogbookError: the logbook itself cannot be written.
    """
    done = Done()
    for name in tables:
        try:
            _add_lot(book, name, at, given, done)
        except LogbookError:
            raise
        except TaptestError as problem:
            done.unread.append(str(problem))
    if recordings:
        _add_recordings(book, recordings, ski, at, given, done)
    return done


def _add_lot(book: StationLogbook, name: str, at: datetime | None, given: GivenSettings, done: Done) -> None:
    from taptest.identify.measured_lot import measure_lot
    from taptest.logbook.book import Entered
    from taptest.screen.check import check_measured
    from taptest.tables.lot import read_lot

    table = read_lot(name)
    settings = given.corrected(name, tuple(row.construction for row in table.rows))
    with output.progress("checking", len(table.rows)) as advance:
        measured = measure_lot(
            table,
            settings,
            progress=lambda *_: advance(),
            workers=output.worker_count(len(table.rows)),
            keep_analyses=True,
        )
    result = check_measured(measured)
    added = book.add_check(result, table, measured=measured, at=at)
    done.entered.append(Entered(name, added, len(result.skis)))
    done.unread += [*map(str, result.problems), *map(str, result.unread)]
    done.notes += [*map(str, result.notes), *added.notes]


def _add_recordings(
    book: StationLogbook, names: Sequence[str], ski: str | None, at: datetime | None, given: GivenSettings, done: Done
) -> None:
    from taptest.calibrate.use import with_room
    from taptest.io.recording import read_recording
    from taptest.logbook.book import Entered
    from taptest.signal.analysis import analyse

    settings = with_room(given.settings())
    done.unread += settings.corrections.problems
    with output.progress("analysing", len(names)) as advance:
        for name in names:
            try:
                recording = read_recording(Path(name))
                added = book.add_analysis(recording, analyse(recording, settings), settings, ski_id=ski, at=at)
                done.entered.append(Entered(name, added, None))
            except LogbookError:
                raise
            except TaptestError as problem:
                done.unread.append(str(problem))
            advance()
