"""Any table with named columns, read by its schema: headings recognised, units converted, every bad cell named at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from taptest.core.errors import LotError, TaptestError, UnitError, nearest, shown
from taptest.core.messages import Message, Subject, message
from taptest.core.units import UNITS, Dimension, Unit, decimal_mark, parse_number, parse_quantity
from taptest.tables.reader import TableRow, cell_text, plain_heading, read_table

_SHOWN_COLUMNS = 20


@dataclass(frozen=True)
class Column:
    """What may stand in a column: text, one of some choices, a number, or a quantity, whose heading ends with its unit.

    Attributes:
        name: of the value in records; a quantity's ends with its unit (``length_m``).
        help: one line on what it is.
        dimension: of a quantity; values come out in its base unit.
        accepted: least and most of a number or a quantity, in the base unit; None for text.
        usual: suffix of the unit that new columns are in; the dimension's first where it is not given.
        zero: whether 0 is accepted too.
        choices: what a cell may hold, in small letters, and the value that it stands for.
        refused: what is wrong with a value of such a column for a reason of its own, None for nothing.
        decisive: a bad cell costs the whole line; any other only loses its own value.
    """

    name: str
    help: str = ""
    dimension: Dimension | None = None
    accepted: tuple[float, float] | None = None
    usual: str = ""
    zero: bool = False
    choices: Mapping[str, str] = field(default_factory=dict)
    refused: Callable[[float, Unit], Message | None] = lambda value, unit: None
    decisive: bool = False

    @property
    def units(self) -> tuple[Unit, ...]:
        """The units that it may be written in, the usual one first; none where it is no quantity."""
        units = UNITS[self.dimension] if self.dimension else ()
        return tuple(sorted(units, key=lambda unit: unit.suffix != self.usual)) if self.usual else units

    @property
    def stem(self) -> str:
        """The name without its unit."""
        own = (f"_{unit.suffix}" for unit in self.units if self.name.endswith(f"_{unit.suffix}"))
        return self.name.removesuffix(max(own, key=len, default=""))

    @property
    def headings(self) -> dict[str, Unit | None]:
        """How it may be called, the usual name first, and the unit that each name says."""
        return {f"{self.stem}_{unit.suffix}": unit for unit in self.units} or {self.name: None}

    @property
    def heading(self) -> str:
        """What a new column is called."""
        return next(iter(self.headings))

    def value(self, cell: str | float, unit: Unit | None, *, decimal_comma: bool = False) -> float:
        """A cell's number in the base unit; ``unit`` is the one of the heading.

        Raises:
            UnitError: it is no number, in another unit, or not accepted.
        """
        if unit is None:
            value, written = (cell, "") if isinstance(cell, float) else parse_number(cell, decimal_comma=decimal_comma)
            if written:
                raise UnitError(message("unit-not-wanted", written=shown(written)))
        elif isinstance(cell, float):  # a spreadsheet's number: no text to parse
            value = unit.to_base(cell)
        else:
            value = parse_quantity(cell, unit, decimal_comma=decimal_comma)
        self.check(value, unit)
        return value

    def check(self, value: float, unit: Unit | None) -> None:
        """Whether a value in the base unit is accepted; ``unit`` is the one it was written in.

        Raises:
            UnitError: it is not, and why, with the unit that was meant if one fits.
        """
        if unit is not None and (why := self.refused(value, unit)) is not None:
            raise UnitError(why)
        if self._accepts(value):
            return
        limits = [each if unit is None else unit.from_base(each) for each in self.accepted or ()]
        accepted = f"{limits[0]:.6g} to {limits[1]:.6g}{f' {unit.symbol}' if unit else ''}"
        other = self.unit_meant(value, unit) if unit is not None else None
        if unit is None or other is None:
            raise UnitError(message("out-of-range", accepted=accepted))
        instead = unit.from_base(other.to_base(unit.from_base(value)))
        raise UnitError(
            message(
                "unit-mistaken",
                meant=other.plural or other.symbol,
                accepted=accepted,
                column=f"{self.stem}_{other.suffix}",
                instead=f"{instead:.6g}",
            )
        )

    def unit_meant(self, value: float, unit: Unit) -> Unit | None:
        """The other unit in which the same number would be accepted, if there is one; ``value`` in the base unit."""
        if self.refused(value, unit) is not None:
            return None
        others = (other for other in self.units if other != unit)
        return next((other for other in others if self._accepts(other.to_base(unit.from_base(value)))), None)

    def _accepts(self, value: float) -> bool:
        return self.accepted is None or self.accepted[0] <= value <= self.accepted[1] or (self.zero and value == 0.0)


@dataclass(frozen=True)
class Schema:
    """The columns of one kind of table.

    Attributes:
        row: what a line is about ("ski").
        columns: all that are known.
        required: names of those that must be there, and filled in every line.
        one_of: names of those of which one at least must be there.
        most_rows: of a table.
        error: raised where nothing can be read.
    """

    row: str
    columns: tuple[Column, ...]
    required: tuple[str, ...]
    one_of: tuple[str, ...] = ()
    most_rows: int = 1_000_000
    error: type[TaptestError] = LotError

    def __getitem__(self, name: str) -> Column:
        return self._by_name[name]

    @property
    def headings(self) -> tuple[str, ...]:
        """The usual heading of every column."""
        return tuple(column.heading for column in self.columns)

    def recognise(self, heading: str) -> tuple[Column, Unit | None] | None:
        """The column that a heading names, and its unit; "Length (mm)" and "stiffness N/mm" are taken as well."""
        return self._by_heading.get(plain_heading(heading))

    def count_known(self, headings: Iterable[str]) -> int:
        """How many headings are recognised, by which separators are told."""
        return sum(self.recognise(heading) is not None for heading in headings)

    @cached_property
    def _by_name(self) -> dict[str, Column]:
        return {column.name: column for column in self.columns}

    @cached_property
    def _by_heading(self) -> dict[str, tuple[Column, Unit | None]]:
        return {heading: (column, unit) for column in self.columns for heading, unit in column.headings.items()}


@dataclass(frozen=True)
class Place:
    """Where a column stands in a table, what it is called there, and in which unit it is."""

    index: int
    heading: str
    unit: Unit | None


@dataclass
class SchemaTable:
    """A table that is being read.

    Attributes:
        path: of the file.
        schema: of the table.
        places: where its known columns are, by their names.
        others: headings of columns that are not known, by their index.
        line: of the headings.
        width: number of headings.
        problems: what was found wrong so far; it grows as lines are read.
        notes: what was assumed or passed over.
    """

    path: Path
    schema: Schema
    places: dict[str, Place]
    others: dict[int, str]
    line: int
    width: int
    problems: list[Message]
    notes: list[Message]
    decimal_comma: bool = False
    rows: Sequence[TableRow] = ()

    @cached_property
    def decisive(self) -> dict[str, int]:
        """Headings of the decisive columns that the table has, and their indices in order."""
        places = [place for name, place in self.places.items() if self.schema[name].decisive]
        return {place.heading: place.index for place in sorted(places, key=lambda place: place.index)}

    def heading(self, name: str) -> str:
        """What a column is called in the table, or would be."""
        return self.places[name].heading if name in self.places else self.schema[name].heading

    def add(self, line: int, column: str, value: str, problem: Message) -> None:
        """A problem with a cell."""
        self.problems.append(problem.about(file=self.path.name, line=line, column=column, value=value))

    def lines(self) -> Iterator[Line]:
        """The lines below the headings that are as long as they should be; of others a problem is noted.

        So it is of required cells that are empty.
        """
        for row in self.rows:
            count = len(row.cells)
            extra = next((text for cell in row.cells[self.width :] if (text := cell_text(cell))), None)
            absent = next((heading for heading, index in self.decisive.items() if index >= count), None)
            if extra is not None:
                self.add(row.line, "", extra, message("line-too-long", cells=count, width=self.width))
            elif absent is not None:
                short = message("line-too-short", cells=count, width=self.width)
                self.add(row.line, absent, cell_text(row.cells[-1]), short)
            else:
                line = Line(self, row)
                for name in self.schema.required:
                    if line.values[name] is None and not line.bad(name):
                        line.wrong(name, "cell-empty", row=self.schema.row)
                yield line

    def sorted_problems(self) -> tuple[Message, ...]:
        """All problems, by line."""
        return tuple(sorted(self.problems, key=lambda problem: problem.subject.line or 0))


class Line:
    """One line of a table.

    Attributes:
        number: of the line in the file.
        values: by the names of all columns of the schema: text, or numbers in base units; None where nothing is given,
            or where it is bad, which is in the table's ``problems`` then.
        others: what stands in columns that are not known, by their headings.
    """

    def __init__(self, table: SchemaTable, row: TableRow) -> None:
        self.table, self.row, self.number = table, row, row.line
        self._before = len(table.problems)
        self.values: dict[str, Any] = {column.name: self._value(column) for column in table.schema.columns}
        self.others = {
            heading: text for at, heading in table.others.items() if at not in row.bad and (text := self._text(at))
        }

    @property
    def problems(self) -> list[Message]:
        """What is wrong with this line, while it is the last that was read."""
        return self.table.problems[self._before :]

    def bad(self, *names: str) -> bool:
        """Whether something is wrong with one of these columns; with a decisive one where none is named."""
        headings = [self.table.heading(name) for name in names] or self.table.decisive
        return any(problem.subject.column in headings for problem in self.problems)

    def wrong(self, name: str, code: str, *, value: str | None = None, **values: Any) -> None:
        """Note what is wrong with a cell; ``value`` is what is found there where that is not all of the cell."""
        found = self.written(name) if value is None else value
        self.table.add(self.number, self.table.heading(name), found, message(code, **values))
        self.values[name] = None

    def cost(self, ski_id: str) -> None:
        """Say in the problems of its decisive cells which ski is left out for them."""
        self.table.problems[self._before :] = [
            each.about(ski=ski_id) if each.subject.column in self.table.decisive else each for each in self.problems
        ]

    def written(self, name: str) -> str:
        """What stands in a cell."""
        place = self.table.places.get(name)
        return self._text(place.index) if place is not None else ""

    def _text(self, index: int) -> str:
        return cell_text(self.row.cells[index]) if index < len(self.row.cells) else ""

    def _value(self, column: Column) -> str | float | None:
        place = self.table.places.get(column.name)
        if place is None:
            return None
        if place.index in self.row.bad:
            self.table.add(self.number, place.heading, str(self.row.cells[place.index]), self.row.bad[place.index])
            return None
        if not (text := self._text(place.index)):
            return None
        if column.choices:
            chosen = column.choices.get(text.casefold())
            if chosen is None:
                accepted = " or ".join(dict.fromkeys(column.choices.values()))
                told = message("choice-unknown", what=column.name, accepted=accepted)
                self.table.add(self.number, place.heading, text, told)
            return chosen
        if column.accepted is None:
            return text
        try:
            return column.value(self.row.cells[place.index], place.unit, decimal_comma=self.table.decimal_comma)
        except UnitError as found:
            self.table.add(self.number, place.heading, text, found.message)
            return None


def read_by_schema(path: str | Path, schema: Schema) -> SchemaTable:
    """Read a table (csv or xlsx) whose columns are named in its first line; its cells are read by `SchemaTable.lines`.

    Raises:
        LotError: nothing can be read: no such file or not a table.
        schema.error: a required column is missing, there is no line below the headings, or there are too many.
    """
    path = Path(path)
    cells = read_table(path, schema.count_known)
    name, rows = shown(path.name, 100), cells.rows[1:]
    table = SchemaTable(path, schema, {}, {}, cells.rows[0].line, len(cells.rows[0].cells), [], list(cells.notes))
    _find_columns(table, cells.rows[0])
    if not rows and not cells.problems:
        raise schema.error(f"{name}: has a heading but no {schema.row}s; write one line per {schema.row} below it")
    if len(rows) > schema.most_rows:
        raise schema.error(f"{name}: holds {len(rows)} {schema.row}s, at most {schema.most_rows} are read; split it")
    table.problems += cells.problems
    table.rows = rows
    numeric = [place.index for known, place in table.places.items() if schema[known].accepted]
    numbers = (row.cells[at] for row in rows for at in numeric if at < len(row.cells))
    table.decimal_comma = writes_decimal_commas(cell for cell in numbers if isinstance(cell, str))
    return table


def writes_decimal_commas(numbers: Iterable[str]) -> bool:
    """Whether some of these cells certainly has a decimal comma, and none a decimal point."""
    marks = {decimal_mark(cell) for cell in numbers if len(cell) < 40}
    return "," in marks and "." not in marks


def nearest_heading(name: str, headings: Iterable[str]) -> str | None:
    """The heading that is most like a name, if one is at all."""
    plain = {plain_heading(heading[:100]): heading for heading in reversed(list(headings))}
    near = nearest(name, plain)
    return plain[near] if near else None


def _find_columns(table: SchemaTable, row: TableRow) -> None:
    schema, file = table.schema, table.path.name
    for index, cell in enumerate(row.cells):
        heading = cell_text(cell)
        known = None if index in row.bad else schema.recognise(heading)
        if known is None:
            table.others.update({index: heading} if heading else {})
        elif known[0].name in table.places:
            first = table.places[known[0].name]
            again = "a second time" if known[1] == first.unit else f"although there is {shown(first.heading)} already"
            table.add(row.line, heading, heading, message("column-twice", name=known[0].heading, again=again))
        else:
            table.places[known[0].name] = Place(index, heading, known[1])
    missing = [schema[name].heading for name in schema.required if name not in table.places]
    wanted = [f"no column {', '.join(missing)}"] if missing else []
    if schema.one_of and not any(name in table.places for name in schema.one_of):
        wanted.append(f"none of the columns {', '.join(schema[name].heading for name in schema.one_of)}")
    unknown = list(table.others.values())
    if wanted:
        found = ", ".join(shown(cell_text(cell), 20) for cell in row.cells[:12])
        guess = nearest_heading(missing[0], unknown) if missing else None
        hint = f"'{shown(guess)}' looks like it; rename it to {missing[0]}" if guess else ""
        raise schema.error(
            f"{shown(file, 100)} line {row.line}: has {' and '.join(wanted)} (found: {found}); "
            f"{hint or 'name the columns in the first line'}"
        )
    if unknown:
        absent = [heading for each in schema.columns if each.name not in table.places for heading in each.headings]
        told = []
        for heading in unknown[:_SHOWN_COLUMNS]:
            near = nearest(plain_heading(heading[:100]), absent, 0.75)
            told.append(f"{shown(heading)} (is {near} meant?)" if near else shown(heading))
        more = f" and {len(unknown) - _SHOWN_COLUMNS} more" if len(unknown) > _SHOWN_COLUMNS else ""
        table.notes.append(message("columns-not-used", Subject(file=file), columns=f"{', '.join(told)}{more}"))
