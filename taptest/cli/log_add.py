"""Lots checked and recordings analysed, straight into the logbook."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.cli import output
from taptest.core.errors import LogbookError, TaptestError

if TYPE_CHECKING:
    from taptest.cli.options import GivenSettings
    from taptest.config.settings import Settings
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
    given: GivenSettings,
    *,
    ski: str | None,
    at: datetime | None,
) -> Done:
    """Enter lots and recordings; one that cannot be read does not stop the others.

    Raises:
        LogbookError: the logbook itself cannot be written.
    """
    from taptest.calibrate.use import with_room

    done = Done()
    for name in tables:
        try:
            _add_lot(book, name, given, at, done)
        except LogbookError:
            raise
        except TaptestError as problem:
            done.unread.append(str(problem))
    if recordings:
        settings = with_room(given.settings())
        done.unread += settings.corrections.problems
        with output.progress("analysing", len(recordings)) as advance:
            for name in recordings:
                try:
                    _add_recording(book, name, settings, ski, at, done)
                except LogbookError:
                    raise
                except TaptestError as problem:
                    done.unread.append(str(problem))
                advance()
    return done


def _add_lot(book: StationLogbook, name: str, given: GivenSettings, at: datetime | None, done: Done) -> None:
    from taptest.identify.measured_lot import measure_lot
    from taptest.logbook.book import Entered
    from taptest.logbook.sounds import try_to_store
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
            keep=partial(try_to_store, book.place.sounds),
        )
    result = check_measured(measured)
    added = book.add_check(result, at=at)
    done.entered.append(Entered(name, added, len(result.skis)))
    done.unread += [*map(str, result.problems), *map(str, result.unread)]
    done.notes += [*map(str, result.notes), *added.notes]


def _add_recording(
    book: StationLogbook, name: str, settings: Settings, ski: str | None, at: datetime | None, done: Done
) -> None:
    from taptest.io.recording import read_recording
    from taptest.logbook.book import Entered
    from taptest.signal.analysis import analyse

    recording = read_recording(Path(name))
    added = book.add_analysis(recording, analyse(recording, settings), settings, ski_id=ski, at=at)
    done.entered.append(Entered(name, added, None))
