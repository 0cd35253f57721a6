"""From lot tables to a learned construction: which skis to take, measured against the base."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from taptest.beam.construction import Construction, load_construction
from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import CalibrationError, shown
from taptest.core.messages import Message
from taptest.identify.measured_lot import measure_rows
from taptest.learn.construction import Learner
from taptest.ski.facts import SkiFacts
from taptest.tables.lot import Lot


@dataclass(frozen=True)
class Lesson:
    """Measured skis to learn from, what could not be read, and what was left alone."""

    learners: tuple[Learner, ...]
    problems: tuple[Message, ...]
    unread: tuple[str, ...]
    notes: tuple[str, ...]


def load_base(name: str) -> Construction:
    """The construction to start from.

    Raises:
        ConstructionError: there is none of that name.
        CalibrationError: it is a learned one, which says nothing about what its profile does not know.
    """
    base = load_construction(name)
    if base.learned is not None:
        origin = f", {shown(base.learned.base)}," if base.learned.base else ""
        raise CalibrationError(
            f"{shown(name, 100)} was learnt itself: name what it was learnt from{origin} as --base, and all lots together"
        )
    return base


def rows_of(lots: Sequence[Lot], construction: str) -> list[tuple[str, SkiFacts]]:
    """The rows of a construction as the tables name it, each with its table's name.

    Raises:
        CalibrationError: fewer than can be learnt from; the message says what the tables hold.
    """
    rows = [(lot.path.name, row) for lot in lots for row in lot.rows if row.construction == construction]
    least = LIMITS.learning.least_skis
    if len(rows) < least:
        counts: dict[str, int] = {}
        for lot in lots:
            for row in lot.rows:
                counts[row.construction or "none"] = counts.get(row.construction or "none", 0) + 1
        held = ", ".join(f"{shown(name)} {count}" for name, count in list(counts.items())[:6]) or "no skis"
        bad = [problem for lot in lots for problem in lot.problems]
        lost = f"; bad cells {len(bad)}, the first: {bad[0]}" if bad else ""
        raise CalibrationError(
            f"{len(rows)} skis of construction {shown(construction)} in the table (it holds: {held}); {least} good ones "
            f"are needed: add skis, or say with --of which of these constructions to learn from{lost}"
        )
    return rows


def measure(
    lots: Sequence[Lot],
    rows: Sequence[tuple[str, SkiFacts]],
    base: Construction,
    *,
    settings: Settings,
    progress: Callable[[], None],
    workers: int = 1,
) -> Lesson:
    """The rows measured against the base, whatever construction the table names."""
    taken = [replace(row, construction=base.stem) for _, row in rows]
    skis = measure_rows(
        taken,
        {base.stem: base},
        settings,
        progress=lambda done, total, ski_id: progress(),
        workers=workers,
    )
    others = sum(len(lot.rows) for lot in lots) - len(rows)
    notes = [str(note) for lot in lots for note in lot.notes]
    if others:
        notes.append(f"{others} skis of other constructions are left alone")
    return Lesson(
        tuple(Learner(ski, lot) for ski, (lot, _) in zip(skis, rows, strict=True)),
        tuple(problem for lot in lots for problem in lot.problems),
        (*settings.corrections.problems, *(str(each) for ski in skis for each in ski.unread)),
        (*notes, *settings.corrections.notes),
    )
