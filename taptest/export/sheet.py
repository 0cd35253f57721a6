"""Tables as XLSX: every text is stored as a text, nothing as a formula or a link."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from taptest.core.errors import shown
from taptest.export.cells import EXACT_WHOLE, MAX_CELLS, MAX_ROWS, MAX_UNPACKED_BYTES, Column, Value, refusal, written

_XLSX_ROWS = 1_048_576
_MOST_SHEET_NUMBER = 1e308  # 16 digits of the largest float round up to infinity
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")


def xlsx_bytes(path: Path, columns: Sequence[Column], rows: Sequence[Sequence[Value]]) -> bytes:
    import xlsxwriter

    if len(rows) >= _XLSX_ROWS:
        raise refusal(path, f"has {len(rows)} rows, a sheet holds {_XLSX_ROWS - 1}; write CSV, or split it")
    stream = io.BytesIO()
    safe = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(stream, safe) as book:
        sheet = book.add_worksheet("table")
        as_text = book.add_format({"num_format": "@"})
        heading = book.add_format({"bold": True})
        for at, column in enumerate(columns):
            sheet.write_string(0, at, column.name, heading)
        for line, row in enumerate(rows, 1):
            for at, (column, value) in enumerate(zip(columns, row, strict=True)):
                if value is None:
                    continue
                if not isinstance(value, int | float) or isinstance(value, bool):
                    sheet.write_string(line, at, _xlsx_text(written(column.kind, value)), as_text)
                elif abs(value) > (EXACT_WHOLE if isinstance(value, int) else _MOST_SHEET_NUMBER):
                    sheet.write_string(line, at, written(column.kind, value), as_text)
                else:
                    sheet.write_number(line, at, value)
        sheet.freeze_panes(1, 0)
    return stream.getvalue()


def _xlsx_text(text: str) -> str:
    """With an apostrophe where it is needed; control characters, which XML cannot hold, by number behind it."""
    odd = any(c < " " or c == "\x7f" for c in text) or _ESCAPED.search(text) is not None or text != text.strip()
    if odd:
        coded = "".join(
            f"~{ord(c):06x}" if c < " " or c in "\x7f~_" or not c.isprintable() or c == " " else c for c in text
        )
        return f"'~{coded}"
    return f"'{text}" if not text or text.startswith("'") else text


def from_xlsx_text(text: str) -> str:
    if text.startswith("'~"):
        return re.sub(r"~([0-9a-f]{6})", lambda found: chr(int(found[1], 16)), text[2:])
    return text.removeprefix("'")


def xlsx_cells(path: Path, data: bytes) -> Iterator[tuple[int, list[Any]]]:
    import python_calamine

    _refuse_bombs(path, data)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheet = book.get_sheet_by_index(0)
        start = sheet.start or (0, 0)
        rows = sheet.to_python()
    except Exception as problem:  # the reader's own errors, and those of the archive below it, share no base class
        raise refusal(path, f"is a damaged .xlsx ({shown(problem, 80)}); save it again") from problem
    for line, cells in enumerate(rows, start[0] + 1):
        while cells and cells[-1] == "":
            cells.pop()
        yield line, [*[""] * start[1], *cells]


def _refuse_bombs(path: Path, data: bytes) -> None:
    """Unpacked size, and the rectangle of cells: one stray cell makes a reader allocate everything in between."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            unpacked = sum(member.file_size for member in members)
            if unpacked > MAX_UNPACKED_BYTES:
                raise refusal(
                    path, f"unpacks to {unpacked / 1e6:.0f} MB, at most {MAX_UNPACKED_BYTES / 1e6:.0f}; split it"
                )
            for member in members:
                if re.search(r"worksheets/[^/]+\.xml$", member.filename):
                    with archive.open(member) as stream:
                        _refuse_far_cells(path, stream)
    except (
        zipfile.BadZipFile,
        zlib.error,
        OSError,
        ValueError,
        NotImplementedError,
        RuntimeError,
        EOFError,
    ) as problem:
        raise refusal(path, f"is no .xlsx, or a damaged one ({shown(problem, 80)}); save it again") from problem


def _refuse_far_cells(path: Path, stream: Any) -> None:
    last_row = last_column = 1
    kept = b""
    while chunk := stream.read(1 << 20):
        text = kept + chunk
        for letters, digits in re.findall(rb'[\s]r="([A-Z]{1,3})([0-9]{1,7})"', text):
            column = 0
            for letter in letters:
                column = column * 26 + letter - 64
            last_row, last_column = max(last_row, int(digits)), max(last_column, column)
        kept = text[-64:]
    if last_row > MAX_ROWS + 1 or last_row * last_column > MAX_CELLS:
        raise refusal(path, f"has a cell in row {last_row}, column {last_column}; delete stray cells, or split it")
