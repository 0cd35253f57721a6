"""Every ski of a lot measured, in several processes where that pays: what check, pairs and compare start from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from taptest.beam.construction import Construction, load_construction
from taptest.config.settings import Settings
from taptest.core.errors import ConstructionError
from taptest.core.messages import Message, Subject, message
from taptest.core.processes import processes
from taptest.identify.measure import Keep, measure_ski
from taptest.ski.facts import SkiFacts
from taptest.ski.record import Ski
from taptest.tables.lot import Lot

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class MeasuredLot:
    """The skis of a lot in the order of its table, measured.

    Attributes:
        lot: the table.
        skis: one record for each of its rows.
        constructions: those that could be read, by the name that the table gives them.
        unread: constructions and recordings that could not be read.
        settings: with which it was measured, corrections of calibrations included.
    """

    lot: Lot
    skis: tuple[Ski, ...]
    constructions: dict[str, Construction]
    unread: tuple[Message, ...]
    settings: Settings = Settings()

    def __str__(self) -> str:
        told = sum(not ski.obstacles for ski in self.skis)
        return f"{self.lot.path.name}: {len(self.skis)} skis measured, {told} of them can be judged"


def measure_lot(
    lot: Lot,
    settings: Settings | None = None,
    *,
    progress: Progress | None = None,
    workers: int | Executor = 1,
    keep_analyses: bool = False,
    keep: Keep | None = None,
) -> MeasuredLot:
    """Read, analyse, predict and identify every ski of a lot.

    Nothing in a single row stops the work: what cannot be read is in ``unread``, and its ski has an obstacle.

    Args:
        lot: the table.
        settings: how to listen, and what calibrations say.
        progress: called with (skis done, skis in all, id of the ski just done).
        workers: processes to share the recordings among, or some that run already; with more than one, a calling script
            needs the usual guard ``if __name__ == "__main__"``.
        keep_analyses: leave what was heard in each recording with its ski, about 0.1 MB each.
        keep: called with each recording in the process that reads it; what it returns is ``kept`` with its ski.
    """
    settings = settings or Settings()
    constructions = {name: construction_of(name, lot.path) for name in {row.construction: None for row in lot.rows}}
    skis = measure_rows(
        lot.rows, constructions, settings, progress=progress, workers=workers, keep_analyses=keep_analyses, keep=keep
    )
    refused = [
        _refused(name, problem, lot)
        for name, problem in constructions.items()
        if isinstance(problem, ConstructionError)
    ]
    known = {name: found for name, found in constructions.items() if isinstance(found, Construction)}
    calibrations = [message("calibration-unread", problem=each) for each in settings.corrections.problems]
    return MeasuredLot(
        lot, skis, known, (*calibrations, *refused, *(each for ski in skis for each in ski.unread)), settings
    )


def _refused(construction: str, problem: ConstructionError, lot: Lot) -> Message:
    first, *others = (row.line for row in lot.rows if row.construction == construction)
    about = Subject(file=lot.path.name)
    more = f" and {len(others)} more" if others else ""
    return message("construction-unread", about, line=first, more=more, problem=str(problem))


def construction_of(name: str, table: Path) -> Construction | ConstructionError | None:
    """The construction that a table names, or why it cannot be had; None for no name."""
    try:
        return load_construction(name, base=table.parent) if name else None
    except ConstructionError as problem:
        return problem


def measure_rows(
    rows: Sequence[SkiFacts],
    constructions: Mapping[str, Construction | ConstructionError | None],
    settings: Settings,
    *,
    progress: Progress | None = None,
    workers: int | Executor = 1,
    keep_analyses: bool = False,
    keep: Keep | None = None,
) -> tuple[Ski, ...]:
    """Every row measured, in their order; ``constructions`` by the name that the rows give."""
    jobs = [(row, constructions[row.construction], settings, keep_analyses, keep) for row in rows]
    measured: list[Ski | None] = [None] * len(jobs)
    given = nullcontext(workers) if isinstance(workers, Executor) else processes(min(workers, len(jobs)))
    with given as pool:
        for done, (index, ski) in enumerate(_measured(jobs, pool), start=1):
            measured[index] = ski
            if progress is not None:
                progress(done, len(jobs), ski.ski_id)
    return tuple(ski for ski in measured if ski is not None)


_Job = tuple[SkiFacts, Construction | ConstructionError | None, Settings, bool, Keep | None]


def _measured(jobs: Sequence[_Job], pool: Executor | None) -> Iterator[tuple[int, Ski]]:
    """Index and result of every job, in the order in which they are done."""
    if pool is None:
        for index, job in enumerate(jobs):
            yield index, measure_ski(*job)
        return
    from concurrent.futures import as_completed

    futures = {pool.submit(measure_ski, *job): index for index, job in enumerate(jobs)}
    try:
        for future in as_completed(futures):
            yield futures[future], future.result()
    finally:
        for future in futures:
            future.cancel()
