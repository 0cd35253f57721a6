"""Every ski of a lot measured, in several processes where that pays: what check, pairs and compare start from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path

from taptest.beam.construction import Construction, load_construction
from taptest.config.corrections import Corrections
from taptest.config.settings import RigUncertainty, Settings
from taptest.core.errors import ConstructionError, shown
from taptest.core.processes import processes
from taptest.identify.measure import MeasuredSki, measure_ski
from taptest.ski.facts import SkiFacts
from taptest.tables.lot import Lot

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class MeasuredLot:
    """The skis of a lot in the order of its table, and the constructions and recordings that could not be read.

    ``constructions`` holds those that could, by the name that the table gives them; ``corrections`` what calibrations said.
    """

    lot: Lot
    skis: tuple[MeasuredSki, ...]
    constructions: dict[str, Construction]
    unread: tuple[str, ...]
    corrections: Corrections = field(default_factory=Corrections)


def measure_lot(
    lot: Lot,
    *,
    settings: Settings | None = None,
    rig: RigUncertainty | None = None,
    progress: Progress | None = None,
    workers: int | Executor = 1,
    corrections: Corrections | None = None,
    keep_analyses: bool = False,
) -> MeasuredLot:
    """Read, analyse, predict and identify every ski of a lot.

    Nothing in a single row stops the work: what cannot be read is in ``unread``, and its ski has an obstacle.

    Args:
        lot: the table.
        settings: for the analysis of the recordings.
        rig: uncertainties of the table's stiffness and mass.
        progress: called with (skis done, skis in all, id of the ski just done).
        workers: processes to share the recordings among, or some that run already; with more than one, a calling script
            needs the usual guard ``if __name__ == "__main__"``.
        corrections: what calibrations say about room, clock and repeatability.
        keep_analyses: leave what was heard in each recording with its ski, about 0.1 MB each.
    """
    settings, rig, corrections = settings or Settings(), rig or RigUncertainty(), corrections or Corrections()
    constructions = {row.construction: construction_of(row, lot.path) for row in lot.rows}
    skis = measure_rows(
        lot.rows,
        constructions,
        settings,
        rig,
        corrections,
        progress=progress,
        workers=workers,
        keep_analyses=keep_analyses,
    )
    refused = [
        f"{shown(lot.path.name, 100)} {_lines(name, lot)}, column construction: {problem}"
        for name, problem in constructions.items()
        if name and isinstance(problem, ConstructionError)
    ]
    known = {name: found for name, found in constructions.items() if isinstance(found, Construction)}
    unread = (*corrections.problems, *refused, *(message for ski in skis for message in ski.unread))
    return MeasuredLot(lot, skis, known, unread, corrections)


def _lines(construction: str, lot: Lot) -> str:
    first, *more = (row.line for row in lot.rows if row.construction == construction)
    return f"line {first}{f' and {len(more)} more' if more else ''}"


def construction_of(row: SkiFacts, table: Path) -> Construction | ConstructionError:
    """The construction that a row of a table names, or why it cannot be had."""
    if not row.construction:
        return ConstructionError("no construction given, so nothing is predicted: name one in the table")
    try:
        return load_construction(row.construction, base=table.parent)
    except ConstructionError as problem:
        return problem


def measure_rows(
    rows: Sequence[SkiFacts],
    constructions: Mapping[str, Construction | ConstructionError],
    settings: Settings,
    rig: RigUncertainty,
    corrections: Corrections,
    *,
    progress: Progress | None = None,
    workers: int | Executor = 1,
    keep_analyses: bool = False,
) -> tuple[MeasuredSki, ...]:
    """Every row measured, in their order; ``constructions`` by the name that the rows give."""
    settings = replace(settings, corrections=corrections)
    jobs = [(row, constructions[row.construction], settings, rig, corrections, keep_analyses) for row in rows]
    measured: list[MeasuredSki | None] = [None] * len(jobs)
    given = nullcontext(workers) if isinstance(workers, Executor) else processes(min(workers, len(jobs)))
    with given as pool:
        for done, (index, ski) in enumerate(_measured(jobs, pool), start=1):
            measured[index] = ski
            if progress is not None:
                progress(done, len(jobs), ski.row.ski_id)
    return tuple(ski for ski in measured if ski is not None)


_Job = tuple[SkiFacts, Construction | ConstructionError, Settings, RigUncertainty, Corrections, bool]


def _measured(jobs: Sequence[_Job], pool: Executor | None) -> Iterator[tuple[int, MeasuredSki]]:
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
