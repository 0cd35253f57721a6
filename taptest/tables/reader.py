"""Cells of a table file, csv or xlsx: which text or number stands in which line and column, and nothing about skis."""

import csv
import datetime
import io
import math
import re
import xml.etree.ElementTree as ElementTree
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from taptest.core.errors import LotError, shown
from taptest.core.messages import Message, Subject, message

MAX_FILE_BYTES = 32_000_000
MAX_UNPACKED_BYTES = 64_000_000
MAX_ROWS = 20_000
MAX_COLUMNS = 128
MAX_CELL_CHARACTERS = 2_000
SEPARATORS = (",", ";", "\t")

_MAX_RECORD_LINES = 100
_NUL_SHARE = 0.05
_FOREIGN = {
    b"\xd0\xcf\x11\xe0": "an old Excel or other Office file; save it as .xlsx or as CSV (UTF-8)",
    b"%PDF": "a PDF; save the table as CSV (UTF-8) or .xlsx",
    b"RIFF": "a sound file; name the table that lists the recordings",
    b"fLaC": "a sound file; name the table that lists the recordings",
    b"OggS": "a sound file; name the table that lists the recordings",
    b"\x89PNG": "a picture; name the table",
    b"\x1f\x8b": "a compressed file; unpack it first",
}
_CALENDAR = (datetime.date, datetime.time, datetime.timedelta)
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


@dataclass(frozen=True)
class TableRow:
    """The cells of one line: text, or a number where the file stores numbers; ``bad`` has the unreadable ones."""

    line: int
    cells: tuple[str | float, ...]
    bad: dict[int, Message]


@dataclass(frozen=True)
class Table:
    """The lines of a table file that are neither blank nor comments, the heading first."""

    rows: tuple[TableRow, ...]
    problems: tuple[Message, ...]
    notes: tuple[Message, ...]


def read_table(path: Path, count_known: Callable[[Sequence[str]], int]) -> Table:
    """Read a csv (UTF-8, UTF-16 with a mark, else cp1252; ``,`` ``;`` or tab) or the first sheet of an xlsx.

    Args:
        path: the table.
        count_known: how many of these headings it knows; decides between separators.

    Raises:
        LotError: nothing can be read from it.
    """
    data = read_contents(path)
    table = _read_xlsx(path.name, data) if data[:2] == b"PK" else _read_csv(path.name, data, count_known)
    if not table.rows:
        raise LotError(f"{shown(path.name)}: holds no cells; write a line of column names and one line per ski")
    return table


def cell_text(cell: str | float) -> str:
    """A cell as text; a whole number from a spreadsheet loses its ".0", so that the id 12 stays 12."""
    if isinstance(cell, str):
        return cell.strip()
    return str(int(cell)) if math.isfinite(cell) and cell == int(cell) and abs(cell) < 1e15 else repr(cell)


def plain_heading(heading: str) -> str:
    """A heading as a column name: "Length (mm)" is length_mm, "stiffness N/mm" stiffness_n_per_mm."""
    return re.sub(r"[\s()\[\]-]+", "_", heading.strip().casefold().replace("/", "_per_").replace("°", "")).strip("_")


def read_contents(path: Path) -> bytes:
    """The bytes of a table file that is no larger than a table can be.

    Raises:
        LotError: missing, a folder, unreadable, too large, empty, or another kind of file.
    """
    name = shown(path.name, 100)
    try:
        if path.is_dir():
            raise LotError(f"{shown(path, 200)}: is a folder; name the table in it, such as lot.csv")
        if path.exists() and not path.is_file():
            raise LotError(f"{name}: is a pipe or a device; save the table as a file first")
        with path.open("rb") as stream:
            data = stream.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        folder = shown(path.parent.absolute(), 200)
        raise LotError(f"{name}: not found in {folder}; check the name and the folder") from None
    except PermissionError:
        raise LotError(f"{name}: may not be read (permission denied); allow reading it or copy it") from None
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise LotError(f"{name}: cannot be read ({shown(reason, 100)}); check the name and the disk") from problem
    if len(data) > MAX_FILE_BYTES:
        raise LotError(
            f"{name}: holds more than {MAX_FILE_BYTES / 1e6:.0f} MB; a table of {MAX_ROWS} skis is far smaller; "
            "name the table, or split it"
        )
    if not data.strip():
        raise LotError(f"{name}: is empty; write a line of column names and one line per ski")
    for magic, what in _FOREIGN.items():
        if data.startswith(magic):
            raise LotError(f"{name}: is not a table but {what}")
    return data


def decode_table(name: str, data: bytes) -> tuple[str, str, tuple[Message, ...]]:
    """Text of a csv without its byte order mark, the encoding it is in, and notes.

    Raises:
        LotError: it is no text in a known encoding.
    """
    label = shown(name, 100)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return data.decode("utf-16"), "utf-16-le" if data[:1] == b"\xff" else "utf-16-be", ()
        except UnicodeDecodeError:
            raise LotError(f"{label}: begins like UTF-16 but is damaged; save it again as CSV (UTF-8)") from None
    if data.count(0) > _NUL_SHARE * len(data):
        raise LotError(f"{label}: is not a text table (binary contents); save it as CSV (UTF-8) or .xlsx")
    try:
        return data.decode("utf-8-sig"), "utf-8", ()
    except UnicodeDecodeError as problem:
        line = data.count(b"\n", 0, problem.start) + 1
        byte = data[problem.start]
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        raise LotError(
            f"{label}: is text in no known encoding (byte {byte:#04x} in line {line}); save it as CSV (UTF-8)"
        ) from None
    return text, "cp1252", (message("encoding-assumed", Subject(file=name), byte=f"{byte:#04x}", at=line),)


def _read_csv(name: str, data: bytes, count_known: Callable[[Sequence[str]], int]) -> Table:
    shown_name = shown(name, 100)
    text, _, notes = decode_table(name, data)
    lines = split_lines(text)
    start, separator = find_heading(lines, count_known)
    rows: list[TableRow] = []
    problems: list[Message] = []
    limit = csv.field_size_limit(max(len(text), csv.field_size_limit()))
    try:
        for line, _, cells in csv_records(lines, start, separator):
            if cells is None:
                found = lines[line - 1].rstrip("\r\n")
                problems.append(message("quotation-marks", Subject(None, name, line, "", found)))
            elif any(cell.strip() for cell in cells):
                rows.append(_row(shown_name, line, cells, len(rows)))
    finally:
        csv.field_size_limit(limit)
    return Table(tuple(rows), tuple(problems), notes)


def split_lines(text: str) -> list[str]:
    """Lines with their ends. Not splitlines(): that also breaks at characters which a cell may hold."""
    return re.split(r"(?<=\n)|(?<=\r)(?!\n)", text)


def find_heading(lines: list[str], count_known: Callable[[Sequence[str]], int]) -> tuple[int, str]:
    """Index of the line of column names (past the last line where there is none), and the separator."""
    start = next((at for at, line in enumerate(lines) if line.strip() and not _is_comment(line)), len(lines))
    heading = lines[start] if start < len(lines) else ""
    declared = re.fullmatch(r"sep=(.)\s*", heading)
    return start + bool(declared), declared[1] if declared else _separator(heading, count_known)


def _is_comment(line: str) -> bool:
    return line.lstrip().startswith("#")


def _separator(heading: str, count_known: Callable[[Sequence[str]], int]) -> str:
    def merit(separator: str) -> tuple[int, int]:
        cells = next(csv.reader([heading], delimiter=separator), [])
        return count_known(cells), len(cells)

    return max(SEPARATORS, key=merit)


def csv_records(lines: list[str], start: int, separator: str) -> Iterator[tuple[int, int, list[str] | None]]:
    """First line, number of lines and cells of each record; no cells where its quotation marks do not match.

    One reader per record, over a bounded number of lines: a quotation mark that is never closed would otherwise
    swallow the rest of the table.
    """
    at = start
    while at < len(lines):
        if not lines[at].strip() or _is_comment(lines[at]):
            at += 1
            continue
        reader = csv.reader(lines[at : at + _MAX_RECORD_LINES], delimiter=separator, strict=True)
        try:
            cells: list[str] | None = next(reader)
        except csv.Error:
            cells = None
        count = 1 if cells is None else reader.line_num
        yield at + 1, count, cells
        at += count


def _row(name: str, line: int, cells: list[Any], count: int) -> TableRow:
    if count >= MAX_ROWS:
        raise LotError(f"{name}: holds more than {MAX_ROWS} lines (line {line}); split it into smaller tables")
    if len(cells) > MAX_COLUMNS and any(cells[MAX_COLUMNS:]):
        raise LotError(
            f"{name} line {line}: has {len(cells)} cells, at most {MAX_COLUMNS} are read; is it the right file?"
        )
    bad: dict[int, Message] = {}
    for index, cell in enumerate(cells):
        if isinstance(cell, str):
            if len(cell) > MAX_CELL_CHARACTERS:
                bad[index] = message("cell-too-long", characters=len(cell), most=MAX_CELL_CHARACTERS)
            elif any(character < " " and character not in "\t\r\n" for character in cell) or "\x7f" in cell:
                bad[index] = message("cell-control-characters")
    return TableRow(line, tuple(cells), bad)


def _read_xlsx(name: str, data: bytes) -> Table:
    import python_calamine

    shown_name = shown(name, 100)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
            if unpacked > MAX_UNPACKED_BYTES:
                raise LotError(
                    f"{shown_name}: unpacks to {unpacked / 1e6:.0f} MB, at most {MAX_UNPACKED_BYTES / 1e6:.0f} MB are "
                    "read; save only the sheet with the skis"
                )
            title, index, uncached, others = _first_sheet(shown_name, archive)
        sheet = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data)).get_sheet_by_index(index)
        first_line, first_column = sheet.start or (0, 0)
        stored = sheet.to_python()
    except LotError:
        raise
    except KeyError:
        raise LotError(f"{shown_name}: is a zip archive but not an .xlsx table; save it as .xlsx or CSV") from None
    except (zipfile.BadZipFile, ElementTree.ParseError, python_calamine.CalamineError, OSError, ValueError) as problem:
        raise LotError(f"{shown_name}: is a damaged .xlsx ({shown(problem, 80)}); save it again") from problem
    except (NotImplementedError, RuntimeError, EOFError, zlib.error) as problem:
        raise LotError(f"{shown_name}: is a damaged or locked .xlsx ({shown(problem, 80)}); save it again") from problem
    rows: list[TableRow] = []
    for line, values in enumerate(stored, first_line + 1):
        cells = [""] * first_column + [_stored_cell(value) for value in values]
        dates = [first_column + at for at, value in enumerate(values) if isinstance(value, _CALENDAR)]
        while cells and cells[-1] == "" and (line, len(cells) - 1) not in uncached:
            cells.pop()
        if not cells or (isinstance(cells[0], str) and _is_comment(cells[0])):
            continue
        if rows:  # a sheet has no separators to forget: cells that are blank are there
            cells += [""] * (len(rows[0].cells) - len(cells))
        row = _row(shown_name, line, cells, len(rows))
        row.bad.update(dict.fromkeys(dates, message("cell-date")))
        for column, cell in enumerate(cells):
            if (line, column) in uncached:
                row.bad[column] = message("cell-formula-not-stored")
            elif isinstance(cell, str) and cell.startswith("#") and cell.endswith(("!", "?", "/A")):
                row.bad[column] = message("cell-spreadsheet-error")
        rows.append(row)
    passed_over = message("sheets-passed-over", Subject(file=name), sheet=shown(title), count=others)
    return Table(tuple(rows), (), (passed_over,) if others else ())


def _stored_cell(value: Any) -> str | float:
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, int | float):
        return float(value)
    return value if isinstance(value, str) else str(value)


def _first_sheet(name: str, archive: zipfile.ZipFile) -> tuple[str, int, set[tuple[int, int]], int]:
    """Title and index of the first visible sheet, cells (line, column) with a formula but no result, other sheets.

    The sheet is scanned before it is handed on because one stray cell in the last column and line makes a reader
    allocate everything in between.
    """
    targets = {
        relation.get("Id"): relation.get("Target", "")
        for relation in ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    }
    sheets = list(ElementTree.fromstring(archive.read("xl/workbook.xml")).iter(f"{_MAIN}sheet"))
    visible = [index for index, sheet in enumerate(sheets) if sheet.get("state", "visible") == "visible"]
    if not visible:
        raise LotError(f"{name}: has no visible sheet; show the sheet with the skis and save")
    index = visible[0]
    target = targets[sheets[index].get(_RELATION)].removeprefix("/")
    member = target if target.startswith("xl/") else f"xl/{target}"
    uncached: set[tuple[int, int]] = set()
    line = column = 0
    with archive.open(member) as stream:
        for event, element in ElementTree.iterparse(stream, events=("start", "end")):
            if event == "start" and element.tag == f"{_MAIN}row":
                line, column = int(element.get("r", line + 1)), 0
            elif event == "start" and element.tag == f"{_MAIN}c":
                line, column = _position(element.get("r"), line, column + 1)
            elif event == "end" and element.tag == f"{_MAIN}c":
                formula, result = element.find(f"{_MAIN}f"), element.find(f"{_MAIN}v")
                # Cells that are only formatted do not count: whole formatted columns are common.
                if len(element) and not (1 <= line <= MAX_ROWS and 1 <= column <= MAX_COLUMNS):
                    raise LotError(
                        f"{name} line {line}: has a cell in column {column}; at most {MAX_COLUMNS} columns and "
                        f"{MAX_ROWS} lines are read; delete stray cells beside and below the table"
                    )
                if formula is not None and (result is None or not (result.text or element.get("t") == "str")):
                    uncached.add((line, column - 1))
                element.clear()
            elif event == "end" and element.tag == f"{_MAIN}row":
                element.clear()
    return sheets[index].get("name", ""), index, uncached, len(visible) - 1


def _position(reference: str | None, line: int, column: int) -> tuple[int, int]:
    match = re.fullmatch(r"([A-Z]{1,3})([0-9]{1,7})", reference or "")
    if match is None:
        return line, column
    number = 0
    for letter in match[1]:
        number = number * 26 + ord(letter) - ord("A") + 1
    return int(match[2]), number
