"""Results on snow: a table with a line per run, read so that every bad cell is named and every good run is kept."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from taptest.core.errors import LotError, UnitError, shown
from taptest.core.units import UNITS, Dimension, Unit, decimal_mark, parse_number, parse_quantity, unit_of
from taptest.tables.reader import CellProblem, Table, TableRow, cell_text, plain_heading, read_table

MAX_RUNS = 5_000
TEXT_COLUMNS = ("ski_id", "session", "run", "against", "note")


@dataclass(frozen=True)
class Measure:
    """What may be measured on snow: its column, and ``least`` to ``most`` in the base unit (m, s, m/s; none for a score).

    ``relative``: analysed as a logarithm, so that a slower day, which shortens all glides by about the same share,
    drops out; results are then percent. ``better``: +1 where more is better, -1 where less is. ``paired``: a difference
    of two skis that ran together.
    """

    name: str
    stem: str
    dimension: Dimension | None
    suffix: str
    words: str
    least: float
    most: float
    relative: bool
    better: int
    paired: bool = False

    @property
    def unit(self) -> str:
        """Unit of what is said about it: percent, or its own."""
        return "%" if self.relative else self.suffix or "points"


MEASURES = {
    measure.name: measure
    for measure in (
        Measure("glide_m", "glide", "length", "m", "glide-out distance", 0.5, 5_000.0, True, +1),
        Measure("glide_s", "glide", "duration", "s", "glide time", 0.5, 3_600.0, True, -1),
        Measure("speed_km_per_h", "speed", "speed", "km_per_h", "trap speed", 0.2, 60.0, True, +1),
        Measure("lead_m", "lead", "length", "m", "lead in a paired glide", -500.0, 500.0, False, +1, paired=True),
        Measure("feel_score", "feel_score", None, "", "feel score", 0.0, 100.0, False, +1),
    )
}


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
    problems: tuple[CellProblem, ...]
    notes: tuple[str, ...] = ()

    def measures(self) -> tuple[Measure, ...]:
        """Those with a value in at least one run, in the order of `MEASURES`."""
        return tuple(measure for name, measure in MEASURES.items() if any(name in run.values for run in self.runs))


@dataclass(frozen=True)
class _Column:
    index: int
    heading: str
    unit: Unit | None


@dataclass
class _Reading:
    file: str
    columns: dict[str, _Column]
    decimal_comma: bool
    width: int
    known: Collection[str]
    problems: list[CellProblem] = field(default_factory=list)
    first_lines: dict[tuple[str, ...], int] = field(default_factory=dict)

    def add(self, line: int, name: str, value: str, problem: str, remedy: str) -> None:
        heading = self.columns[name].heading if name in self.columns else name
        self.problems.append(CellProblem(self.file, line, heading, value, problem, remedy))


def read_snow_results(path: str | Path, known: Collection[str]) -> SnowResults:
    """Read a table of runs (csv or xlsx), all bad cells at once.

    Columns: ``ski_id``; ``session``, ``run``, ``order``, ``temperature_c``, ``against``, ``note``; and at least one of
    `MEASURES`. A run is left out when its ski, its session or its opponent cannot be told; any other bad cell only
    loses its own value.

    Args:
        path: the table.
        known: ids of the skis in the lot.

    Raises:
        LotError: nothing can be read: no such file, not a table, no ``ski_id`` or measured column, no run.
    """
    path = Path(path)
    table = read_table(path, lambda headings: sum(_recognised(heading) is not None for heading in headings))
    columns, problems, notes = _columns(path.name, table.rows[0])
    name = shown(path.name, 100)
    if len(table.rows) == 1 and not table.problems:
        raise LotError(f"{name}: has a heading but no runs; write one line per run below it")
    if len(table.rows) - 1 > MAX_RUNS:
        raise LotError(f"{name}: holds {len(table.rows) - 1} runs, at most {MAX_RUNS} are read; split it by season")
    reading = _Reading(path.name, columns, _decimal_comma(table, columns), len(table.rows[0].cells), known, problems)
    reading.problems.extend(table.problems)
    runs = [run for row in table.rows[1:] if (run := _run(reading, row)) is not None]
    if "session" not in columns:
        notes.append(f"{name}: has no column session; all runs are taken as one session")
    ordered = sorted(reading.problems, key=lambda problem: problem.line)
    return SnowResults(path, tuple(runs), tuple(ordered), (*table.notes, *notes))


def _recognised(heading: str) -> tuple[str, Unit | None] | None:
    name = plain_heading(heading)
    if name in (*TEXT_COLUMNS, "order", "feel_score"):
        return name, None
    for measure in MEASURES.values():
        suffix = name.removeprefix(f"{measure.stem}_")
        unit = unit_of(measure.dimension, suffix) if measure.dimension is not None and suffix != name else None
        if unit is not None:
            return measure.name, unit
    unit = unit_of("temperature", name.removeprefix("temperature_")) if name.startswith("temperature_") else None
    return None if unit is None else ("temperature", unit)


def _columns(file: str, row: TableRow) -> tuple[dict[str, _Column], list[CellProblem], list[str]]:
    columns: dict[str, _Column] = {}
    problems: list[CellProblem] = []
    unknown: list[str] = []
    for index, cell in enumerate(row.cells):
        heading = cell_text(cell)
        known = None if index in row.bad else _recognised(heading)
        if known is None:
            unknown.extend([heading] if heading else [])
        elif known[0] in columns:
            twice = f"which gives {known[0]} although there is {columns[known[0]].heading} already; the first is used"
            problems.append(CellProblem(file, row.line, heading, heading, twice, "delete one"))
        else:
            columns[known[0]] = _Column(index, heading, known[1])
    found = ", ".join(shown(cell_text(cell), 20) for cell in row.cells[:12])
    accepted = (*TEXT_COLUMNS, "order", "temperature_c", *MEASURES)
    if "ski_id" not in columns:
        raise LotError(f"{shown(file, 100)} line {row.line}: has no column ski_id (found: {found}); name the ski there")
    if not any(name in columns for name in MEASURES):
        raise LotError(
            f"{shown(file, 100)} line {row.line}: has no measured column (found: {found}); "
            f"add at least one of {', '.join(MEASURES)}"
        )
    told: list[str] = []
    for heading in unknown[:20]:
        near = difflib.get_close_matches(
            plain_heading(heading[:100]), [a for a in accepted if a not in columns], 1, 0.75
        )
        told.append(f"{shown(heading)} (is {near[0]} meant?)" if near else shown(heading))
    more = f" and {len(unknown) - 20} more" if len(unknown) > 20 else ""
    return columns, problems, [f"{shown(file, 100)}: columns not used: {', '.join(told)}{more}"] if told else []


def _decimal_comma(table: Table, columns: Mapping[str, _Column]) -> bool:
    numeric = [column.index for name, column in columns.items() if name not in TEXT_COLUMNS]
    marks = {
        decimal_mark(cell)
        for row in table.rows[1:]
        for index, cell in enumerate(row.cells)
        if index in numeric and isinstance(cell, str) and len(cell) < 40
    }
    return "," in marks and "." not in marks


def _run(reading: _Reading, row: TableRow) -> SnowRun | None:
    if any(cell_text(cell) for cell in row.cells[reading.width :]):
        reading.problems.append(
            CellProblem(
                reading.file,
                row.line,
                "",
                cell_text(row.cells[reading.width]),
                f"beyond the last column: {len(row.cells)} cells, the heading has {reading.width}; the line is left out",
                "put quotation marks around a cell that holds the separator, such as a decimal comma",
            )
        )
        return None
    before = len(reading.problems)
    ski_id, session = _ski(reading, row, "ski_id"), _text(reading, row, "session")
    if ski_id is None and len(reading.problems) == before:
        reading.add(row.line, "ski_id", "", "but every run needs its ski", "write the number on the ski")
    if session is None and "session" in reading.columns and len(reading.problems) == before:
        reading.add(row.line, "session", "", "but runs are only compared within a session", "name its day and place")
    against = _ski(reading, row, "against")
    if against is not None and against == ski_id:
        reading.add(row.line, "against", against, "which is the ski itself", "name the other ski of the paired glide")
    if len(reading.problems) > before or ski_id is None:
        return None
    session, run = session or "all", _text(reading, row, "run")
    if run is not None and _repeated(reading, row, (session, ski_id, against or "", run)):
        return None
    order, temperature_c = _number(reading, row, "order", 0.0, 1e6), _number(reading, row, "temperature", -60.0, 60.0)
    values = {name: value for name in MEASURES if (value := _measured(reading, row, name)) is not None}
    if "lead_m" in values and against is None:
        del values["lead_m"]
        reading.add(row.line, "against", "", "so nobody knows whom the lead was over", "name the other ski in against")
    if not values:
        if len(reading.problems) == before:
            measured = next(name for name in MEASURES if name in reading.columns)
            reading.add(
                row.line, measured, "", "so the run says nothing", "write what was measured, or delete the line"
            )
        return None
    note = _text(reading, row, "note") or ""
    return SnowRun(ski_id, session, run, order, temperature_c, against, values, note, row.line)


def _cell(reading: _Reading, row: TableRow, name: str) -> str | float:
    column = reading.columns.get(name)
    if column is None or column.index >= len(row.cells):
        return ""
    if column.index in row.bad:
        reading.add(row.line, name, str(row.cells[column.index]), *row.bad[column.index])
        return ""
    return row.cells[column.index]


def _text(reading: _Reading, row: TableRow, name: str) -> str | None:
    return cell_text(_cell(reading, row, name)) or None


def _ski(reading: _Reading, row: TableRow, name: str) -> str | None:
    text = _text(reading, row, name)
    if text is not None and text not in reading.known:
        near = difflib.get_close_matches(text[:60], [ski[:60] for ski in list(reading.known)[:2000]], 1, 0.6)
        remedy = f"is {shown(near[0])} meant?" if near else "correct the id, or add the ski to the lot"
        reading.add(row.line, name, text, "which is no ski of the lot; the run is left out", remedy)
    return text


def _repeated(reading: _Reading, row: TableRow, key: tuple[str, ...]) -> bool:
    first = reading.first_lines.setdefault(key, row.line)
    if first != row.line:
        told = f"which is the same run of this ski in this session as line {first}; this line is left out"
        reading.add(row.line, "run", key[-1], told, "give every run of a ski in a session its own number")
    return first != row.line


def _number(reading: _Reading, row: TableRow, name: str, least: float, most: float) -> float | None:
    """A plain number, or a quantity of the column's unit, within these limits of the base unit."""
    cell = _cell(reading, row, name)
    if cell == "" or (isinstance(cell, str) and not cell.strip()):
        return None
    unit, text = reading.columns[name].unit, cell_text(cell)
    try:
        if unit is not None:
            value = parse_quantity(text, unit, decimal_comma=reading.decimal_comma)
        else:
            value, written = parse_number(re.sub(r"\.0$", "", text), decimal_comma=reading.decimal_comma)
            if written:
                raise UnitError(f"in which '{shown(written)}' does not belong", "write the number alone")
        if not least <= value <= most:
            raise _out_of_range(name, value, unit, least, most)
    except UnitError as found:
        reading.add(row.line, name, text, found.problem, found.remedy)
        return None
    return value


def _out_of_range(name: str, value: float, unit: Unit | None, least: float, most: float) -> UnitError:
    if unit is None:
        return UnitError(f"which is out of range; accepted are {least:.6g} to {most:.6g}", "type it again")
    limits = f"{unit.from_base(least):.6g} to {unit.from_base(most):.6g} {unit.symbol}"
    return UnitError(f"which is out of range; accepted are {limits}", "check it, and the unit in the column's name")


def _measured(reading: _Reading, row: TableRow, name: str) -> float | None:
    return _number(reading, row, name, MEASURES[name].least, MEASURES[name].most)


def accepted_columns() -> tuple[str, ...]:
    """Every column that a results table may have, with the unit that is written by default."""
    return (*TEXT_COLUMNS, "order", f"temperature_{UNITS['temperature'][0].suffix}", *MEASURES)
