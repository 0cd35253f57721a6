"""Results on snow: a table with a line per run, read so that every bad cell is named and every good run is kept."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from taptest.config.limits import LIMITS
from taptest.core.errors import nearest, shown
from taptest.core.messages import Message, Subject, message
from taptest.tables.schema import Column, Line, Schema, SchemaTable, read_by_schema


@dataclass(frozen=True)
class Measure:
    """What may be measured on snow.

    Attributes:
        column: of the table; its name is the measure's, its help what the measure is called in text.
        relative: analysed as a logarithm, so that a slower day, which shortens all glides by about the same share, drops
            out; results are then percent.
        better: +1 where more is better, -1 where less is.
        paired: a difference of two skis that ran together.
    """

    column: Column
    relative: bool
    better: int
    paired: bool = False

    @property
    def name(self) -> str:
        """Of its column, with its unit."""
        return self.column.name

    @property
    def words(self) -> str:
        """What it is called in text."""
        return self.column.help

    @property
    def unit(self) -> str:
        """Unit of what is said about it: percent, or its own."""
        return "%" if self.relative else self.column.usual or "points"


_RANGES = LIMITS.tables
MEASURES = {
    measure.name: measure
    for measure in (
        Measure(Column("glide_m", "glide-out distance", "length", _RANGES.glide_m, "m"), True, +1),
        Measure(Column("glide_s", "glide time", "duration", _RANGES.glide_s, "s"), True, -1),
        Measure(Column("speed_km_per_h", "trap speed", "speed", _RANGES.speed_m_per_s, "km_per_h"), True, +1),
        Measure(Column("lead_m", "lead in a paired glide", "length", _RANGES.lead_m, "m"), False, +1, paired=True),
        Measure(Column("feel_score", "feel score", None, _RANGES.feel_score), False, +1),
    )
}
RUNS = Schema(
    row="run",
    columns=(
        Column("ski_id", "number on the ski, as in the lot", decisive=True),
        Column("session", "day and place; runs are only compared within a session", decisive=True),
        Column("run", "number of the run of a ski in its session"),
        Column("order", "place of the run in its session", accepted=(0.0, 1e6)),
        Column("temperature_c", "of snow or air", "temperature", _RANGES.snow_temperature_c),
        Column("against", "the other ski of a paired glide"),
        Column("note", "free text"),
        *(measure.column for measure in MEASURES.values()),
    ),
    required=("ski_id",),
    one_of=tuple(MEASURES),
    most_rows=5_000,
)


@dataclass(frozen=True)
class SnowRun:
    """One run: ``values`` by measure in base units; ``order`` within the session; ``against`` the other ski of a pair."""

    ski_id: str
    session: str
    run: str | None
    order: float | None
    temperature_c: float | None
    against: str | None
    values: Mapping[str, float]
    note: str
    line: int


@dataclass(frozen=True)
class SnowResults:
    """The runs that can be used, every problem found, and what was ignored or assumed on reading."""

    path: Path
    runs: tuple[SnowRun, ...]
    problems: tuple[Message, ...]
    notes: tuple[Message, ...] = ()

    def measures(self) -> tuple[Measure, ...]:
        """Those with a value in at least one run, in the order of `MEASURES`."""
        return tuple(measure for name, measure in MEASURES.items() if any(name in run.values for run in self.runs))


def read_snow_results(path: str | Path, known: Collection[str]) -> SnowResults:
    """Read a table of runs (csv or xlsx) with the columns of `RUNS`, all bad cells at once.

    A run is left out when its ski, its session or its opponent cannot be told; any other bad cell only loses its own
    value.

    Args:
        path: the table.
        known: ids of the skis in the lot.

    Raises:
        LotError: nothing can be read: no such file, not a table, no ``ski_id`` or measured column, no run.
    """
    table = read_by_schema(path, RUNS)
    first_lines: dict[tuple[str, ...], int] = {}
    runs = [run for line in table.lines() if (run := _run(table, line, known, first_lines)) is not None]
    if "session" not in table.places:
        table.notes.append(message("session-not-given", Subject(file=table.path.name)))
    return SnowResults(table.path, tuple(runs), table.sorted_problems(), tuple(table.notes))


def _run(
    table: SchemaTable, line: Line, known: Collection[str], first_lines: dict[tuple[str, ...], int]
) -> SnowRun | None:
    values = line.values
    for name in ("ski_id", "against"):
        if values[name] is not None and values[name] not in known:
            near = nearest(values[name], known)
            remedy = f"is {shown(near)} meant?" if near else "correct the id, or add the ski to the lot"
            line.wrong(name, "run-of-unknown-ski", remedy=remedy)
    identity = ("ski_id", "session", "against")
    if values["session"] is None and "session" in table.places and not line.bad(*identity):
        line.wrong("session", "run-without-session")
    ski_id, against = values["ski_id"], values["against"]
    if against is not None and against == ski_id:
        line.wrong("against", "run-against-itself")
    if line.bad(*identity):
        return None
    session, run = values["session"] or "all", values["run"]
    if run is not None:
        first = first_lines.setdefault((session, ski_id, against or "", run), line.number)
        if first != line.number:
            line.wrong("run", "run-twice", first=first)
            return None
    if values["lead_m"] is not None and against is None:
        values["lead_m"] = None
        line.wrong("against", "run-without-opponent")
    measured = {name: values[name] for name in MEASURES if values[name] is not None}
    if not measured:
        if not line.problems:
            line.wrong(next(name for name in MEASURES if name in table.places), "run-without-value")
        return None
    return SnowRun(
        ski_id,
        session,
        run,
        values["order"],
        values["temperature_c"],
        against,
        measured,
        values["note"] or "",
        line.number,
    )
