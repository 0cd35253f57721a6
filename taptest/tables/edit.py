"""Cells and rows of a csv lot changed in place: every other byte stays, and no edit made meanwhile is lost."""

from __future__ import annotations

import codecs
import csv
import io
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from taptest.core.durable import replace_durably, sole_writer, write_durably
from taptest.core.errors import LotError, shown
from taptest.core.units import Unit
from taptest.tables.lot import writes_decimal_commas
from taptest.tables.quantities import heading_for, recognise_heading
from taptest.tables.reader import cell_text, csv_records, decode_table, find_heading, read_contents, split_lines
from taptest.tables.reader import read_table as _read_table

_TRIES = 5
_MARKS = {"utf-8": codecs.BOM_UTF8, "utf-16-le": codecs.BOM_UTF16_LE, "utf-16-be": codecs.BOM_UTF16_BE}


@dataclass(frozen=True)
class SetCell:
    """A cell to be written: ``column`` by the name that the format uses (``recording``, ``note``)."""

    ski_id: str
    column: str
    value: str


@dataclass(frozen=True)
class AddRow:
    """A ski to be added: text as it is, quantities in SI units, by the names that the format uses (``mass``: kg)."""

    ski_id: str
    cells: Mapping[str, str | float]


Change = SetCell | AddRow


@dataclass(frozen=True)
class Written:
    """What became of changes: ``merged`` with somebody else's, or kept beside in ``conflict``; ``notes`` say so."""

    merged: bool = False
    conflict: Path | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Column:
    index: int
    unit: Unit | None


@dataclass(frozen=True)
class _Record:
    """One row: lines ``first`` to ``stop`` of the file, its cells and where each stands in these lines."""

    first: int
    stop: int
    cells: tuple[str, ...]
    spans: tuple[tuple[int, int], ...]

    def cell(self, index: int | None) -> str:
        return self.cells[index].strip() if index is not None and index < len(self.cells) else ""


@dataclass(frozen=True)
class LotText:
    """A csv lot as it was read: all of its text, and where its cells are. ``skis`` by id, in the order of the table."""

    data: bytes
    encoding: str
    lines: tuple[str, ...]
    separator: str
    heading: _Record
    columns: Mapping[str, _Column]
    records: tuple[_Record, ...]
    skis: Mapping[str, _Record]

    def cell(self, ski_id: str, column: str) -> str:
        """Text of a cell, "" where the ski or the column is not there."""
        record, place = self.skis.get(ski_id), self.columns.get(column)
        return record.cell(place.index) if record is not None and place is not None else ""


class LotEditor:
    """A csv lot that others may be editing too."""

    def __init__(self, path: str | Path) -> None:
        """
        Raises:
            LotError: the table cannot be read, or could not be written back as it is.
        """
        # A link stays one: what it points to is replaced.
        self.path = Path(path).resolve()
        self.seen = parse(self.path.name, read_contents(self.path))

    def refresh(self) -> LotText:
        """Take in what others have changed; what was seen before stays where the file cannot be read now."""
        current = self._current()
        if current is not None:
            self.seen = current
        return self.seen

    def write(self, changes: Sequence[Change]) -> Written:
        """Make the changes in the file as it is now.

        Where it has been changed since it was last seen they are made on the new contents, unless a cell to be written
        has changed as well, its ski is gone, or the file cannot be read: then the table as it was seen is written
        beside it, changes included, and the file is left alone.

        Raises:
            LotError: nothing could be written (full disk, no permission), or a text does not go into the file's
                encoding.
        """
        try:
            with sole_writer(self.path.parent):
                return self._write(changes)
        except OSError as problem:
            raise _unwritten(self.path, problem) from problem

    def _write(self, changes: Sequence[Change]) -> Written:
        merged = False
        for _ in range(_TRIES):
            fresh = self._current()
            if fresh is None:
                return self._beside(changes, "cannot be read any more")
            collision = next((why for change in changes if (why := _collision(change, self.seen, fresh))), None)
            if collision is not None:
                written = self._beside(changes, collision)
                self.seen = fresh
                return written
            merged = merged or fresh.data != self.seen.data
            data = apply(self.path.name, fresh, changes)
            try:
                unchanged = data == fresh.data or replace_durably(self.path, data, fresh.data) == fresh.data
            except PermissionError:
                return self._beside(changes, "may not be replaced (open in another program, or write-protected)")
            except OSError as problem:
                raise _unwritten(self.path, problem) from problem
            if unchanged:
                self.seen = parse(self.path.name, data)
                note = f"{shown(self.path.name, 100)}: another program changed it meanwhile; both changes are in it now"
                return Written(merged=merged, notes=(note,) if merged else ())
        return self._beside(changes, "keeps changing")

    def _current(self) -> LotText | None:
        try:
            data = read_contents(self.path)
            return self.seen if data == self.seen.data else parse(self.path.name, data)
        except LotError:
            return None

    def _beside(self, changes: Sequence[Change], why: str) -> Written:
        data = apply(self.path.name, self.seen, changes)
        stamp = time.strftime("%Y%m%d-%H%M%S")
        path = self.path.with_name(f"{self.path.stem}.conflict-{stamp}.csv")
        count = 1
        while path.exists():
            count += 1
            path = self.path.with_name(f"{self.path.stem}.conflict-{stamp}-{count}.csv")
        try:
            write_durably(path, data)
        except OSError as problem:
            raise _unwritten(path, problem) from problem
        note = (
            f"{shown(self.path.name, 100)}: {why}, so it is left alone; the table with the new recordings is "
            f"{shown(path.name, 100)}: put the two together by hand"
        )
        return Written(conflict=path, notes=(note,))


def csv_beside(path: Path) -> tuple[Path, tuple[str, ...]]:
    """The csv that takes the changes of a lot: itself, or for an .xlsx a csv beside it, made when it is not there yet.

    Raises:
        LotError: the table cannot be read or the csv not be written.
    """
    if not read_contents(path).startswith(b"PK"):
        return path, ()
    beside = path.with_name(f"{path.stem}.recorded.csv")
    told = f"{shown(path.name, 100)}: stays as it is; recordings are entered in {shown(beside.name, 100)} beside it"
    if not beside.exists():
        rows = _read_table(path, _known).rows
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerows([cell_text(cell) for cell in row.cells] for row in rows)
        try:
            # With a mark, without which spreadsheets take UTF-8 for something else.
            write_durably(beside, codecs.BOM_UTF8 + text.getvalue().encode("utf-8"))
        except OSError as problem:
            raise _unwritten(beside, problem) from problem
        return beside, (told,)
    return beside, (f"{told}, which was there already and is continued",)


def parse(name: str, data: bytes) -> LotText:
    """Find every cell of a csv lot.

    Raises:
        LotError: no text, no ``ski_id`` column, or bytes that would not come out as they went in.
    """
    label = shown(name, 100)
    text, encoding, _ = decode_table(label, data)
    if _encoded(text, encoding, data) != data:
        raise LotError(f"{label}: holds bytes that would not be kept; save it as CSV (UTF-8)")
    lines = split_lines(text)
    start, separator = find_heading(lines, _known)
    records = []
    for line, cells, problem in csv_records(lines, start, separator):
        spans = None if problem else _spans(lines, line - 1, cells, separator)
        if spans is not None:
            stop = line - 1 + _line_count(lines, line - 1, spans[-1][1])
            records.append(_Record(line - 1, stop, tuple(cells), tuple(spans)))
    if not records or records[0].first != start:
        raise LotError(f"{label}: has no line of column names that can be read; name the columns in the first line")
    columns: dict[str, _Column] = {}
    for index, cell in enumerate(records[0].cells):
        known = recognise_heading(cell)
        if known is not None:
            columns.setdefault(known[0], _Column(index, known[1]))
    if "ski_id" not in columns:
        raise LotError(f"{label} line {start + 1}: has no column ski_id; name the columns in the first line")
    skis: dict[str, _Record] = {}
    for record in records[1:]:
        ski_id = record.cell(columns["ski_id"].index)
        if ski_id:
            skis.setdefault(ski_id, record)
    return LotText(data, encoding, tuple(lines), separator, records[0], columns, tuple(records[1:]), skis)


def apply(name: str, text: LotText, changes: Sequence[Change]) -> bytes:
    """The bytes of the table with the changes made and every other byte as it was.

    Raises:
        LotError: a ski is not in it, or a character not in its encoding.
    """
    columns = dict(text.columns)
    width = len(text.heading.cells)
    added: list[str] = []
    for change in changes:
        for column in [change.column] if isinstance(change, SetCell) else change.cells:
            if column not in columns:
                known = recognise_heading(heading_for(column))
                columns[column] = _Column(width + len(added), known[1] if known else None)
                added.append(heading_for(column))
    values: dict[int, dict[int, str]] = {}
    for change in changes:
        if isinstance(change, SetCell):
            if change.ski_id not in text.skis:
                raise LotError(f"{shown(name, 100)}: has no ski {shown(change.ski_id)}; add a line for it")
            values.setdefault(text.skis[change.ski_id].first, {})[columns[change.column].index] = change.value
    lines: list[str] = list(text.lines)
    for record in (text.heading, *text.records):
        cells = dict(values.get(record.first, {}))
        if record is text.heading:
            cells.update(enumerate(added, width))
        elif added and len(record.cells) <= width:
            cells.setdefault(width + len(added) - 1, "")
        if cells:
            raw = "".join(lines[record.first : record.stop])
            lines[record.first : record.stop] = [_set(raw, record, cells, text.separator)]
            lines[record.first + 1 : record.first + 1] = [""] * (record.stop - record.first - 1)
    rows = [change for change in changes if isinstance(change, AddRow)]
    if rows:
        _append(lines, text, rows, columns, width + len(added))
    try:
        return _encoded("".join(lines), text.encoding, text.data)
    except UnicodeEncodeError as problem:
        wrong = problem.object[problem.start : problem.end]
        raise LotError(
            f"{shown(name, 100)}: is in {text.encoding}, which has no '{shown(wrong)}'; save it as CSV (UTF-8)"
        ) from None


def _known(headings: Sequence[str]) -> int:
    return sum(recognise_heading(heading) is not None for heading in headings)


def _encoded(text: str, encoding: str, like: bytes) -> bytes:
    mark = _MARKS.get(encoding, b"")
    return (mark if mark and like.startswith(mark) else b"") + text.encode(encoding)


def _collision(change: Change, seen: LotText, fresh: LotText) -> str | None:
    """Why a change may not be made on contents that have changed since they were seen."""
    if isinstance(change, AddRow):
        taken = change.ski_id in fresh.skis and change.ski_id not in seen.skis
        return f"has got a ski {shown(change.ski_id)} from another program meanwhile" if taken else None
    if change.ski_id not in fresh.skis:
        return f"has lost ski {shown(change.ski_id)} meanwhile"
    now, before = fresh.cell(change.ski_id, change.column), seen.cell(change.ski_id, change.column)
    if now in (before, change.value):
        return None
    return f"another program wrote '{shown(now)}' into {change.column} of ski {shown(change.ski_id)} meanwhile"


def _line_count(lines: Sequence[str], first: int, length: int) -> int:
    count = 0
    while True:
        length -= len(lines[first + count])
        count += 1
        if length <= 0:
            return count


def _spans(lines: Sequence[str], first: int, cells: Sequence[str], separator: str) -> list[tuple[int, int]] | None:
    """Where each cell of a record stands, quotation marks included; None where that does not give the same cells."""
    raw = "".join(lines[first : first + sum(cell.count("\n") + cell.count("\r") for cell in cells) + 1])
    spans: list[tuple[int, int]] = []
    at = 0
    for cell in cells:
        start = at
        if raw.startswith('"', at):
            at += len(cell) + cell.count('"') + 2
            written = raw[start + 1 : at - 1].replace('""', '"')
        else:
            at += len(cell)
            written = raw[start:at]
        last = len(spans) == len(cells) - 1
        after = raw[at : at + 1]
        if written != cell or (after not in ("", "\r", "\n") if last else after != separator):
            return None
        spans.append((start, at))
        at += 1
    return spans


def _set(raw: str, record: _Record, cells: Mapping[int, str], separator: str) -> str:
    end = record.spans[-1][1]
    missing = range(len(record.spans), max(cells, default=0) + 1)
    tail = "".join(separator + _quoted(cells.get(index, ""), separator, index) for index in missing)
    raw = raw[:end] + tail + raw[end:]
    for index in sorted((index for index in cells if index < len(record.spans)), reverse=True):
        start, stop = record.spans[index]
        was_quoted = raw[start : start + 1] == '"'
        raw = raw[:start] + _quoted(cells[index], separator, index, always=was_quoted) + raw[stop:]
    return raw


def _quoted(value: str, separator: str, index: int, *, always: bool = False) -> str:
    # A line that begins with # is a comment.
    comment = index == 0 and value.lstrip().startswith("#")
    if always or comment or any(mark in value for mark in (separator, '"', "\r", "\n")):
        return '"' + value.replace('"', '""') + '"'
    return value


def _append(
    lines: list[str], text: LotText, rows: Sequence[AddRow], columns: Mapping[str, _Column], width: int
) -> None:
    numbers = [place.index for place in text.columns.values() if place.unit is not None]
    comma = writes_decimal_commas(record.cell(index) for record in text.records for index in numbers)
    raw = lines[text.heading.stop - 1]
    newline = raw[len(raw.rstrip("\r\n")) :] or "\n"
    new = []
    for row in rows:
        cells = [""] * width
        cells[columns["ski_id"].index] = row.ski_id
        for column, value in row.cells.items():
            place = columns[column]
            if isinstance(value, float):
                number = f"{place.unit.from_base(value) if place.unit else value:.7g}"
                value = number.replace(".", ",") if comma else number
            cells[place.index] = value
        new.append(text.separator.join(_quoted(cell, text.separator, index) for index, cell in enumerate(cells)))
    last = max((record.stop for record in text.records), default=text.heading.stop) - 1
    first = next(at for at in range(last, -1, -1) if lines[at])
    if not lines[first].endswith(("\r", "\n")):
        lines[first] += newline
    lines.insert(last + 1, "".join(line + newline for line in new))


def _unwritten(path: Path, problem: OSError) -> LotError:
    reason = shown(problem.strerror or problem, 80)
    return LotError(
        f"{shown(path.name, 100)}: cannot be written ({reason}); make room or allow writing; the recordings are stored "
        "and are entered when the session is started again"
    )
