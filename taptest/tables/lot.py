"""A lot: the table with one row per ski, read so that every bad cell is named at once and every good row is kept."""

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Literal

from taptest.core.errors import LotError, UnitError, shown
from taptest.core.units import UNITS, Unit, decimal_mark, parse_quantity
from taptest.ski.facts import SkiFacts
from taptest.tables.quantities import QUANTITIES, TEXT_COLUMNS, accepted_headings, check_range, recognise_heading
from taptest.tables.reader import CellProblem, Table, TableRow, cell_text, read_table

MAX_RECORDINGS = 50

_SIDES: dict[str, Literal["L", "R"]] = {"l": "L", "left": "L", "r": "R", "right": "R"}


_NEEDED = ("length", "mass", "stiffness", "span")
# A wrong value of these would give a wrong prediction, or another ski's sound, without anybody noticing; of the others
# (pair_id, side, generation, balance, temperature, note) a bad cell only loses its own value.
_DECISIVE = (*_NEEDED, "ski_id", "construction", "recording", "rig_centre", "binding_mass", "binding")


@dataclass(frozen=True)
class Lot:
    """The skis that can be used, every problem found, and what was ignored or assumed on reading."""

    path: Path
    rows: tuple[SkiFacts, ...]
    problems: tuple[CellProblem, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Column:
    index: int
    heading: str
    unit: Unit | None


@dataclass
class _Reading:
    """What is known while the rows of one table are read."""

    path: Path
    columns: dict[str, _Column]
    decimal_comma: bool
    width: int
    problems: list[CellProblem] = field(default_factory=list)
    first_lines: dict[str, int] = field(default_factory=dict)
    recording_lines: dict[Path, list[str]] = field(default_factory=dict)

    def add(self, line: int, column: str, value: str, problem: str, remedy: str) -> None:
        self.problems.append(CellProblem(self.path.name, line, column, value, problem, remedy))


def read_lot(path: str | Path) -> Lot:
    """Read a table of skis (csv or xlsx), all bad cells at once.

    A row is left out when a cell that decides the prediction or the sound is bad (id, construction, length, mass,
    stiffness, span, rig centre, binding mass and place, recording), when it has the wrong number of cells, or when
    its id was used before; any other bad cell only loses its own value. Either way the cell is in ``problems``.

    Raises:
        LotError: nothing can be read: no such file, not a table, no ``ski_id`` column, no line below the heading.
    """
    path = Path(path)
    table = read_table(path, lambda headings: sum(recognise_heading(heading) is not None for heading in headings))
    heading = table.rows[0]
    columns, problems, notes = _columns(path.name, heading)
    if len(table.rows) == 1 and not table.problems:
        raise LotError(f"{shown(path.name)}: has a heading but no skis; write one line per ski below it")
    reading = _Reading(path, columns, _decimal_comma(table, columns), len(heading.cells), problems)
    reading.problems.extend(table.problems)
    rows = [ski for row in table.rows[1:] if (ski := _ski(reading, row)) is not None]
    shared = [
        f"{shown(recording.name)} is the recording of several skis: {', '.join(shown(ski) for ski in skis[:5])}"
        for recording, skis in reading.recording_lines.items()
        if len(skis) > 1
    ]
    ordered = sorted(reading.problems, key=lambda problem: problem.line)
    return Lot(path, tuple(rows), tuple(ordered), (*table.notes, *notes, *shared))


def _columns(file: str, row: TableRow) -> tuple[dict[str, _Column], list[CellProblem], list[str]]:
    columns: dict[str, _Column] = {}
    problems: list[CellProblem] = []
    unknown: list[str] = []
    for index, cell in enumerate(row.cells):
        heading = cell_text(cell)
        known = None if index in row.bad else recognise_heading(heading)
        if known is None:
            unknown.extend([heading] if heading else [])
        elif known[0] in columns:
            first = columns[known[0]].heading
            what = "a second time" if known[1] == columns[known[0]].unit else f"although there is {first} already"
            problems.append(
                CellProblem(
                    file, row.line, heading, heading, f"which gives {known[0]} {what}; the first is used", "delete one"
                )
            )
        else:
            columns[known[0]] = _Column(index, heading, known[1])
    if "ski_id" not in columns:
        headings = ", ".join(shown(cell_text(cell), 20) for cell in row.cells[:12])
        guess = _nearest("ski_id", unknown)
        hint = f"'{shown(guess)}' looks like it; rename it to ski_id" if guess else "name the columns in the first line"
        raise LotError(f"{shown(file)} line {row.line}: has no column ski_id (found: {headings}); {hint}")
    problems.extend(_missing(file, row.line, columns, unknown))
    return columns, problems, _ignored(file, columns, unknown)


def _nearest(name: str, candidates: list[str]) -> str | None:
    folded = {candidate[:100].casefold().replace(" ", "_"): candidate for candidate in reversed(candidates)}
    near = difflib.get_close_matches(name, list(folded), n=1, cutoff=0.6)
    return folded[near[0]] if near else None


def _missing(file: str, line: int, columns: Mapping[str, _Column], unknown: list[str]) -> list[CellProblem]:
    missing = [name for name in ("construction", *_NEEDED) if name not in columns]
    if len(missing) == len(_NEEDED) + 1 and "recording" in columns and not unknown:
        return []  # sounds only: nothing was meant to be predicted
    problems = []
    for name in missing:
        names = accepted_headings(name) if name in QUANTITIES else [name]
        guess = next((near for candidate in (*names, name) if (near := _nearest(candidate, unknown))), None)
        remedy = f"add one of {', '.join(names)}" if len(names) > 1 else f"add {name}"
        if guess is not None:
            remedy = f"is '{shown(guess)}' meant? accepted: {', '.join(names)}"
        problems.append(
            CellProblem(file, line, names[0], "", "the column is missing, without it nothing is predicted", remedy)
        )
    return problems


def _ignored(file: str, columns: Mapping[str, _Column], unknown: list[str]) -> list[str]:
    if not unknown:
        return []
    absent = [name for name in TEXT_COLUMNS if name not in columns]
    absent += [heading for name in QUANTITIES if name not in columns for heading in accepted_headings(name)]
    told = []
    for heading in unknown[:20]:
        near = difflib.get_close_matches(heading[:100].casefold().replace(" ", "_"), absent, n=1, cutoff=0.75)
        told.append(f"{shown(heading)} (is {near[0]} meant?)" if near else shown(heading))
    more = f" and {len(unknown) - 20} more" if len(unknown) > 20 else ""
    return [f"{shown(file)}: columns not used: {', '.join(told)}{more}"]


def _decimal_comma(table: Table, columns: Mapping[str, _Column]) -> bool:
    """Whether the table certainly writes decimal commas: some number reads in no other way, and none has a point."""
    numeric = [column.index for column in columns.values() if column.unit is not None]
    return writes_decimal_commas(
        cell
        for row in table.rows[1:]
        for index, cell in enumerate(row.cells)
        if index in numeric and isinstance(cell, str)
    )


def writes_decimal_commas(numbers: Iterable[str]) -> bool:
    """Whether some of these cells certainly has a decimal comma, and none a decimal point."""
    marks = {decimal_mark(cell) for cell in numbers if len(cell) < 40}
    return "," in marks and "." not in marks


def _ski(reading: _Reading, row: TableRow) -> SkiFacts | None:
    before = len(reading.problems)
    ski_id = _text(reading, row, "ski_id") or ""
    if not _right_width(reading, row):
        return None
    if not ski_id and len(reading.problems) == before:
        heading = reading.columns["ski_id"].heading
        reading.add(row.line, heading, "", "but every ski needs an id", "write the number on the ski")
    first = reading.first_lines.setdefault(ski_id, row.line)
    if ski_id and first != row.line:
        reading.add(
            row.line,
            reading.columns["ski_id"].heading,
            ski_id,
            f"which is the id of line {first} already; this line is left out",
            "give every ski its own id, or delete one of the two lines",
        )
    values = {name: _quantity(reading, row, name) for name in QUANTITIES}
    recordings = _recordings(reading, row)
    _check_places(reading, row, values)
    _check_binding(reading, row, values)
    construction = _text(reading, row, "construction") or ""
    side = _side(reading, row)
    texts = {name: _text(reading, row, name) for name in ("pair_id", "generation", "note")}
    decisive = {reading.columns[name].heading for name in _DECISIVE if name in reading.columns}
    spoilt = any(problem.column in decisive for problem in reading.problems[before:])
    if spoilt or (not recordings and not _complete(reading, row, values, construction)):
        if first == row.line:  # otherwise the ski of this id is there, from its first line
            reading.problems[before:] = [
                replace(problem, ski=ski_id) if problem.column in decisive else problem
                for problem in reading.problems[before:]
            ]
        return None
    for recording in recordings:
        reading.recording_lines.setdefault(recording, []).append(ski_id)
    return SkiFacts(
        ski_id=ski_id,
        pair_id=texts["pair_id"],
        side=side,
        construction=construction,
        generation=texts["generation"],
        length_m=values["length"],
        mass_kg=values["mass"],
        stiffness_n_per_m=values["stiffness"],
        span_m=values["span"],
        rig_centre_m=values["rig_centre"],
        balance_m=values["balance"],
        binding_mass_kg=values["binding_mass"] or 0.0,
        binding_m=values["binding"],
        temperature_c=values["temperature"],
        recordings=recordings,
        note=texts["note"] or "",
        line=row.line,
    )


def _right_width(reading: _Reading, row: TableRow) -> bool:
    extra = [cell_text(cell) for cell in row.cells[reading.width :]]
    if any(extra):
        found = next(cell for cell in extra if cell)
        reading.add(
            row.line,
            "",
            found,
            f"beyond the last column: {len(row.cells)} cells, the heading has {reading.width}; the line is left out",
            "put quotation marks around a cell that holds the separator, such as a decimal comma",
        )
        return False
    absent = [name for name in _DECISIVE if name in reading.columns and reading.columns[name].index >= len(row.cells)]
    if absent:
        reading.add(
            row.line,
            reading.columns[absent[0]].heading,
            cell_text(row.cells[-1]),
            f"as the last of {len(row.cells)} cells, the heading has {reading.width}; the line is left out",
            "write every separator, also before an empty cell",
        )
        return False
    return True


def _cell(reading: _Reading, row: TableRow, name: str) -> str | float:
    """The cell of a column; empty where there is none, or where it is bad, which is then reported."""
    column = reading.columns.get(name)
    if column is None or column.index >= len(row.cells):
        return ""
    cell = row.cells[column.index]
    if column.index in row.bad:
        reading.add(row.line, column.heading, str(cell), *row.bad[column.index])
        return ""
    return cell


def _text(reading: _Reading, row: TableRow, name: str) -> str | None:
    return cell_text(_cell(reading, row, name)) or None


def _side(reading: _Reading, row: TableRow) -> Literal["L", "R"] | None:
    text = _text(reading, row, "side")
    side = _SIDES.get((text or "").casefold())
    if text and side is None:
        reading.add(row.line, reading.columns["side"].heading, text, "which is no side", "write L or R")
    return side


def _quantity(reading: _Reading, row: TableRow, name: str) -> float | None:
    cell = _cell(reading, row, name)
    if cell == "" or (isinstance(cell, str) and not cell.strip()):
        return None
    column, limits = reading.columns[name], QUANTITIES[name]
    unit = column.unit or UNITS[limits.dimension][0]
    text = cell_text(cell)
    try:
        if isinstance(cell, float):
            value = unit.to_base(cell)  # a spreadsheet's number: no text to parse
        else:
            value = parse_quantity(text, unit, decimal_comma=reading.decimal_comma)
        check_range(name, value, unit)
    except UnitError as found:
        reading.add(row.line, column.heading, text, found.problem, found.remedy)
        return None
    return value


def _check_binding(reading: _Reading, row: TableRow, values: dict[str, float | None]) -> None:
    """A ski is weighed as hung, with its binding."""
    binding_kg, mass_kg = values["binding_mass"], values["mass"]
    if binding_kg is not None and mass_kg is not None and binding_kg >= mass_kg:
        column = reading.columns["binding_mass"]
        reading.add(
            row.line,
            column.heading,
            cell_text(row.cells[column.index]),
            f"but the ski has only {1000 * mass_kg:.6g} g as hung, its binding included",
            "weigh both again",
        )


def _check_places(reading: _Reading, row: TableRow, values: dict[str, float | None]) -> None:
    """Distances along the ski against its length, and the rig's two supports, which must both stand under the ski."""
    length_m = values["length"]
    if length_m is None:
        return
    for name in ("span", "rig_centre", "balance", "binding"):
        value = values[name]
        if value is not None and value >= length_m:
            _refuse_place(reading, row, name, f"but the ski is only {length_m * 1000:.6g} mm long")
            values[name] = None
    span_m, centre_m = values["span"], values["rig_centre"]
    if span_m is not None and centre_m is not None and not span_m / 2 <= centre_m <= length_m - span_m / 2:
        lowest, highest = span_m * 500, (length_m - span_m / 2) * 1000
        _refuse_place(
            reading, row, "rig_centre", f"but the supports stand on the ski from {lowest:.6g} to {highest:.6g} mm"
        )


def _refuse_place(reading: _Reading, row: TableRow, name: str, problem: str) -> None:
    column = reading.columns[name]
    remedy = "measure it again, in the unit of the column" if name == "span" else "measure it again, from the tail"
    reading.add(row.line, column.heading, cell_text(row.cells[column.index]), problem, remedy)


def _complete(reading: _Reading, row: TableRow, values: Mapping[str, float | None], construction: str) -> bool:
    """Whether a ski without a recording can at least be predicted. A missing column has been named already."""
    absent = [name for name in _NEEDED if values[name] is None] + ([] if construction else ["construction"])
    columns = [reading.columns[name] for name in absent if name in reading.columns]
    for column in columns:
        reading.add(
            row.line, column.heading, "", "and the ski has no recording either", "fill it in, or name a recording"
        )
    if absent and not columns and "recording" in reading.columns:
        reading.add(
            row.line, reading.columns["recording"].heading, "", "so nothing is known of the ski", "name a recording"
        )
    return not absent


def _recordings(reading: _Reading, row: TableRow) -> tuple[Path, ...]:
    text = _text(reading, row, "recording") or ""
    names = [part.strip() for part in text.split(";") if part.strip()]
    found: list[Path] = []
    heading = reading.columns["recording"].heading if "recording" in reading.columns else "recording"
    if len(names) > MAX_RECORDINGS:
        reading.add(
            row.line, heading, text, f"which names {len(names)} files, at most {MAX_RECORDINGS}", "name fewer of them"
        )
        return ()
    for name in names:
        recording = _recording(reading, name)
        if isinstance(recording, tuple):
            reading.add(row.line, heading, name, *recording)
        elif recording in found:
            reading.add(row.line, heading, name, "which is named twice", "name every recording once")
        else:
            found.append(recording)
    return tuple(found)


def _recording(reading: _Reading, name: str) -> Path | tuple[str, str]:
    """The file that a cell names, or what is wrong with it and what to do."""
    slashed = name.replace("\\", "/")
    if slashed.startswith(("/", "~")) or re.match("[A-Za-z]:", slashed):
        return "which is an absolute path", "write it relative to the folder of the table"
    depth = 0
    for part in PurePosixPath(slashed).parts:
        depth += -1 if part == ".." else 1
        if depth < 0:
            return "which leaves the folder of the table", "put the recordings into the table's folder or below it"
    folder = reading.path.parent
    path = folder / slashed
    try:
        if path.is_file():
            return path
        if path.is_dir():
            return "which is a folder", "name the sound files in it, with ; between them"
        # Guessing is slow in a large folder, and nobody needs fifty guesses.
        guessing = len(reading.problems) < 50 and path.parent.is_dir()
        near = (
            difflib.get_close_matches(path.name, sorted(entry.name for entry in path.parent.iterdir())[:2000], 1, 0.75)
            if guessing
            else []
        )
    except (OSError, ValueError) as problem:
        return (
            f"which cannot be looked up ({shown(getattr(problem, 'strerror', None) or problem, 60)})",
            "check the name",
        )
    remedy = f"is {shown(near[0])} meant?" if near else "check the name, or copy the file there"
    return f"but there is no such file in {shown(folder.absolute(), 100)}", remedy
