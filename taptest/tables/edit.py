"""Cells and rows of a csv lot changed in place: every other byte stays, and no edit made meanwhile is lost."""

from __future__ import annotations

import codecs
import csv
import io
import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, count
from pathlib import Path

from taptest.core.durable import replace_durably, sole_writer, write_durably
from taptest.core.errors import LotError, shown
from taptest.core.messages import Message, Subject, message
from taptest.tables.lot import LOT
from taptest.tables.reader import (
    cell_text,
    csv_records,
    decode_table,
    find_heading,
    read_contents,
    read_table,
    split_lines,
)
from taptest.tables.schema import Place, writes_decimal_commas

_TRIES = 5
_MARKS = {"utf-8": codecs.BOM_UTF8, "utf-16-le": codecs.BOM_UTF16_LE, "utf-16-be": codecs.BOM_UTF16_BE}


@dataclass(frozen=True)
class Change:
    """Cells of a ski to be written, by their names in `taptest.tables.lot.LOT`: text, or quantities in SI units.

    ``new``: a row is added for the ski.
    """

    ski_id: str
    cells: Mapping[str, str | float]
    new: bool = False


@dataclass(frozen=True)
class Written:
    """What became of changes: ``merged`` with somebody else's, or kept beside in ``conflict``; ``notes`` say so."""

    merged: bool = False
    conflict: Path | None = None
    notes: tuple[Message, ...] = ()


@dataclass(frozen=True)
class _Record:
    """One row: its first line in the file, its cells, where each stands in the text, and where the next row starts."""

    line: int
    cells: tuple[str, ...]
    spans: tuple[tuple[int, int], ...]
    stop: int

    def cell(self, index: int) -> str:
        return self.cells[index].strip() if index < len(self.cells) else ""


@dataclass(frozen=True)
class LotText:
    """A csv lot as it was read: all of its text, and where its cells are. ``skis`` by id, in the order of the table."""

    data: bytes
    text: str
    encoding: str
    separator: str
    heading: _Record
    columns: Mapping[str, Place]
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
            if unchanged:
                self.seen = parse(self.path.name, data)
                notes = (message("lot-merged", Subject(file=self.path.name)),) if merged else ()
                return Written(merged=merged, notes=notes)
        return self._beside(changes, "keeps changing")

    def _current(self) -> LotText | None:
        try:
            data = read_contents(self.path)
            return self.seen if data == self.seen.data else parse(self.path.name, data)
        except LotError:
            return None

    def _beside(self, changes: Sequence[Change], why: str) -> Written:
        stem = f"{self.path.stem}.conflict-{time.strftime('%Y%m%d-%H%M%S')}"
        paths = (self.path.with_name(f"{stem}{f'-{number}' if number > 1 else ''}.csv") for number in count(1))
        path = next(path for path in paths if not path.exists())
        write_durably(path, apply(self.path.name, self.seen, changes))
        subject = Subject(file=self.path.name)
        return Written(
            conflict=path, notes=(message("lot-left-alone", subject, why=why, beside=shown(path.name, 100)),)
        )


def csv_beside(path: Path) -> tuple[Path, tuple[Message, ...]]:
    """The csv that takes the changes of a lot: itself, or for an .xlsx a csv beside it, made when it is not there yet.

    Raises:
        LotError: the table cannot be read or the csv not be written.
    """
    if not read_contents(path).startswith(b"PK"):
        return path, ()
    beside = path.with_name(f"{path.stem}.recorded.csv")
    subject, there = Subject(file=path.name), beside.exists()
    if not there:
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerows([cell_text(cell) for cell in row.cells] for row in read_table(path, LOT.count_known).rows)
        try:
            # With a mark, without which spreadsheets take UTF-8 for something else.
            write_durably(beside, codecs.BOM_UTF8 + text.getvalue().encode("utf-8"))
        except OSError as problem:
            raise _unwritten(beside, problem) from problem
    told = message("lot-continued" if there else "lot-copied", subject, beside=shown(beside.name, 100))
    return beside, (told,)


def parse(name: str, data: bytes) -> LotText:
    """Find every cell of a csv lot.

    Raises:
        LotError: no text, no ``ski_id`` column, or bytes that would not come out as they went in.
    """
    label = shown(name, 100)
    text, encoding, _ = decode_table(name, data)
    if _encoded(text, encoding, data) != data:
        raise LotError(f"{label}: holds bytes that would not be kept; save it as CSV (UTF-8)")
    lines = split_lines(text)
    start, separator = find_heading(lines, LOT.count_known)
    offsets = [0, *accumulate(map(len, lines))]
    records = []
    for line, length, cells in csv_records(lines, start, separator):
        spans = None if cells is None else _spans(text, offsets[line - 1], cells, separator)
        if cells is not None and spans is not None:
            records.append(_Record(line, tuple(cells), spans, offsets[line - 1 + length]))
    if not records or records[0].line != start + 1:
        raise LotError(f"{label}: has no line of column names that can be read; name the columns in the first line")
    columns: dict[str, Place] = {}
    for index, cell in enumerate(records[0].cells):
        known = LOT.recognise(cell)
        if known is not None:
            columns.setdefault(known[0].name, Place(index, cell, known[1]))
    if "ski_id" not in columns:
        raise LotError(f"{label} line {start + 1}: has no column ski_id; name the columns in the first line")
    skis: dict[str, _Record] = {}
    for record in records[1:]:
        ski_id = record.cell(columns["ski_id"].index)
        if ski_id:
            skis.setdefault(ski_id, record)
    return LotText(data, text, encoding, separator, records[0], columns, tuple(records[1:]), skis)


def apply(name: str, lot: LotText, changes: Sequence[Change]) -> bytes:
    """The bytes of the table with the changes made and every other byte as it was.

    Raises:
        LotError: a ski is not in it, or a character not in its encoding.
    """
    columns, width = dict(lot.columns), len(lot.heading.cells)
    values: dict[int, dict[int, str]] = {}
    for change in changes:
        for column in change.cells:
            if column not in columns:
                heading, unit = next(iter(LOT[column].headings.items()))
                at = width + len(values.setdefault(lot.heading.line, {}))
                columns[column] = Place(at, heading, unit)
                values[lot.heading.line][at] = heading
    numbers = [place.index for place in lot.columns.values() if place.unit is not None]
    comma = writes_decimal_commas(record.cell(index) for record in lot.records for index in numbers)
    for change in changes:
        if not change.new and change.ski_id not in lot.skis:
            raise LotError(f"{shown(name, 100)}: has no ski {shown(change.ski_id)}; add a line for it")
        if not change.new:
            values.setdefault(lot.skis[change.ski_id].line, {}).update(_written(change, columns, comma))
    last = width + len(values.get(lot.heading.line, {})) - 1
    pieces: list[tuple[int, int, str]] = []
    for record in (lot.heading, *lot.records):
        cells = values.get(record.line, {})
        if last >= width >= len(record.cells):
            cells.setdefault(last, "")
        pieces += _replaced(record, cells, lot.separator)
    added = [_written(change, columns, comma) for change in changes if change.new]
    pieces.append(_added(lot, added, last + 1))
    parts, at = [], 0
    for start, stop, new in sorted(pieces, key=lambda piece: piece[:2]):
        parts += [lot.text[at:start], new]
        at = stop
    try:
        return _encoded("".join([*parts, lot.text[at:]]), lot.encoding, lot.data)
    except UnicodeEncodeError as problem:
        wrong = problem.object[problem.start : problem.end]
        raise LotError(
            f"{shown(name, 100)}: is in {lot.encoding}, which has no '{shown(wrong)}'; save it as CSV (UTF-8)"
        ) from None


def _encoded(text: str, encoding: str, like: bytes) -> bytes:
    mark = _MARKS.get(encoding, b"")
    return (mark if mark and like.startswith(mark) else b"") + text.encode(encoding)


def _collision(change: Change, seen: LotText, fresh: LotText) -> str | None:
    """Why a change may not be made on contents that have changed since they were seen."""
    if change.new:
        taken = change.ski_id in fresh.skis and change.ski_id not in seen.skis
        return f"has got a ski {shown(change.ski_id)} from another program meanwhile" if taken else None
    if change.ski_id not in fresh.skis:
        return f"has lost ski {shown(change.ski_id)} meanwhile"
    for column, value in change.cells.items():
        now, before = fresh.cell(change.ski_id, column), seen.cell(change.ski_id, column)
        if now not in (before, value):
            return f"another program wrote '{shown(now)}' into {column} of ski {shown(change.ski_id)} meanwhile"
    return None


def _written(change: Change, columns: Mapping[str, Place], comma: bool) -> dict[int, str]:
    """The cells of a change by their indices, in the units and the decimal marks of the table."""
    cells = {columns["ski_id"].index: change.ski_id} if change.new else {}
    for column, value in change.cells.items():
        place = columns[column]
        if isinstance(value, float):
            number = f"{place.unit.from_base(value) if place.unit else value:.7g}"
            value = number.replace(".", ",") if comma else number
        cells[place.index] = value
    return cells


def _spans(text: str, at: int, cells: Sequence[str], separator: str) -> tuple[tuple[int, int], ...] | None:
    """Where each cell of a record stands, quotation marks included; None where that does not give the same cells."""
    pattern = re.compile(rf'"[^"]*(?:""[^"]*)*"|[^{re.escape(separator)}\r\n]*')
    spans = []
    for number, cell in enumerate(cells, 1):
        match = pattern.match(text, at)
        assert match is not None  # it may be empty
        written = match[0][1:-1].replace('""', '"') if match[0].startswith('"') else match[0]
        ends = ("", "\r", "\n") if number == len(cells) else (separator,)
        if written != cell or text[match.end() : match.end() + 1] not in ends:
            return None
        spans.append(match.span())
        at = match.end() + 1
    return tuple(spans)


def _replaced(record: _Record, cells: Mapping[int, str], separator: str) -> list[tuple[int, int, str]]:
    """From where to where in the text, and what stands there then; cells that the row lacks are added to it."""
    pieces = []
    for index, (start, stop) in enumerate(record.spans):
        if index in cells:
            quoted = stop - start > len(record.cells[index])
            pieces.append((start, stop, _quoted(cells[index], separator, index, always=quoted)))
    end = record.spans[-1][1]
    missing = range(len(record.spans), max(cells, default=0) + 1)
    tail = "".join(separator + _quoted(cells.get(index, ""), separator, index) for index in missing)
    return [*pieces, (end, end, tail)]


def _quoted(value: str, separator: str, index: int, *, always: bool = False) -> str:
    # A line that begins with # is a comment.
    comment = index == 0 and value.lstrip().startswith("#")
    if always or comment or any(mark in value for mark in (separator, '"', "\r", "\n")):
        return '"' + value.replace('"', '""') + '"'
    return value


def _added(lot: LotText, rows: Sequence[Mapping[int, str]], width: int) -> tuple[int, int, str]:
    """New rows below the last one, with the line ends of the table."""
    newline = re.search(r"[\r\n]*$", lot.text[: lot.heading.stop])
    ending = newline[0] if newline and newline[0] else "\n"
    new = "".join(
        lot.separator.join(_quoted(cells.get(index, ""), lot.separator, index) for index in range(width)) + ending
        for cells in rows
    )
    stop = (lot.records[-1] if lot.records else lot.heading).stop
    unended = bool(new) and not lot.text[:stop].endswith(("\r", "\n"))
    return stop, stop, (ending if unended else "") + new


def _unwritten(path: Path, problem: OSError) -> LotError:
    reason = shown(problem.strerror or problem, 80)
    return LotError(
        f"{shown(path.name, 100)}: cannot be written ({reason}); make room or allow writing; the recordings are stored "
        "and are entered when the session is started again"
    )
