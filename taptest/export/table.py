"""Tables for other programs: CSV, XLSX, JSON lines and, with the extra ``parquet``, Parquet.

A table has typed columns, and what is written comes back identical when it is read with the same columns. Units stand in the
headings. The kinds of a column, and how they are written:

- ``text``; ``number`` (a finite float; in XLSX its first 16 digits); ``whole`` (an integer of at most 64 bits);
- ``time``: a datetime with a time zone, written in UTC as 2026-01-31T12:00:00.000000Z;
- ``yes_no``: yes or no in CSV and XLSX, true or false elsewhere.

A missing value (None) is an empty cell, or null; a row of nothing else is not written.

**Nothing is ever a formula.** A spreadsheet takes a cell of a CSV for a formula when it begins with ``=`` ``+`` ``-`` ``@``, a
tab or a carriage return, so a text that begins with one of them, with a line feed or with an apostrophe gets an apostrophe in
front; and so does an empty text, which is not a missing one. Reading takes one apostrophe off. In XLSX, texts are stored as
texts in cells formatted as text: only those that begin with an apostrophe and empty ones need it there, and those with
control characters or blanks at an end are written as ``'~`` with each odd character by number. Numbers are written as numbers.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from taptest.core.durable import write_durably
from taptest.core.errors import ExchangeError, shown
from taptest.export.cells import (
    EXACT_WHOLE,
    FORMULA_STARTS,
    KINDS,
    MAX_CELL_CHARACTERS,
    MAX_CELLS,
    MAX_COLUMNS,
    MAX_ROWS,
    Column,
    ExchangeTable,
    Kind,
    Refused,
    Value,
    columns_named,
    contents,
    problem_with,
    read_value,
    refusal,
    table_of,
    written,
)
from taptest.export.parquet import from_parquet, parquet_bytes
from taptest.export.sheet import from_xlsx_text, xlsx_bytes, xlsx_cells

_SHEETS = (".csv", ".xlsx")
_SCHEMA = "taptest.table/1"


def write_table(path: str | Path, columns: Sequence[Column], rows: Sequence[Sequence[Value]]) -> None:
    """Write a table in the format that the suffix names, whole or not at all.

    Raises:
        ExchangeError: unknown suffix, a missing extra, a value that is not of its column's kind or that the format cannot
            hold, or the file cannot be written.
    """
    target = Path(path)
    suffix = _suffix(target)
    _check(target, columns, rows)
    data = _WRITERS[suffix](target, columns, rows)
    try:
        write_durably(target, data)
    except OSError as problem:
        raise refusal(
            target, f"cannot be written ({shown(problem.strerror or problem, 100)}); check the folder and the disk"
        ) from problem


def read_table(
    path: str | Path, columns: Sequence[Column] | None = None, *, refused: Refused | None = None
) -> ExchangeTable:
    """Read a table; ``columns`` says their kinds, in any order, and may name more than the file has.

    Without them the kinds are those that JSON lines and Parquet say themselves; in CSV and XLSX all is text. Columns that
    ``columns`` does not name are text. With ``refused`` a bad row costs itself only: it is left out, and told to that function.

    Raises:
        ExchangeError: missing, too large, damaged, or a cell that is not of its kind (named by line and column).
    """
    source = Path(path)
    suffix = _suffix(source)
    data = contents(source)
    kinds = None if columns is None else {column.name: column.kind for column in columns}
    if suffix == ".csv":
        return _from_cells(source, _csv_cells(source, data), kinds, refused)
    if suffix == ".xlsx":
        return _from_cells(source, xlsx_cells(source, data), kinds, refused)
    if suffix == ".jsonl":
        return _from_jsonl(source, data, kinds, refused)
    return from_parquet(source, data, kinds, refused)


def _suffix(path: Path) -> str:
    suffix = path.suffix.casefold()
    if suffix not in _WRITERS:
        *some, last = _WRITERS
        raise refusal(path, f"has no known suffix; name it {', '.join(some)} or {last}")
    return suffix


def _check(path: Path, columns: Sequence[Column], rows: Sequence[Sequence[Value]]) -> None:
    names = [column.name for column in columns]
    if not 1 <= len(names) <= MAX_COLUMNS or len(set(names)) != len(names):
        raise refusal(
            path, f"has {len(names)} columns, {len(set(names))} of them different; 1 to {MAX_COLUMNS} are written"
        )
    for name in names:
        if re.fullmatch(r"[A-Za-z][A-Za-z0-9_.]*", name) is None:
            raise refusal(path, f"has the heading '{shown(name)}'; use letters, digits and _ such as mass_g")
    if len(rows) > MAX_ROWS or len(rows) * len(names) > MAX_CELLS:
        raise refusal(path, f"has {len(rows)} rows of {len(names)}; at most {MAX_ROWS} and {MAX_CELLS} cells; split it")
    for number, row in enumerate(rows, 1):
        if len(row) != len(names):
            raise refusal(path, f"row {number} has {len(row)} values for {len(names)} columns")
        if all(value is None for value in row):
            # A sheet does not keep such a row, and people delete empty lines.
            raise refusal(path, f"row {number} holds no value at all; leave it out")
        for column, value in zip(columns, row, strict=True):
            problem = problem_with(column.kind, value, sheet=_suffix(path) in _SHEETS)
            if problem:
                raise refusal(path, f"row {number}, column {column.name}: {problem}")


def _csv_bytes(path: Path, columns: Sequence[Column], rows: Sequence[Sequence[Value]]) -> bytes:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")  # RFC 4180
    writer.writerow([column.name for column in columns])
    for row in rows:
        writer.writerow(_csv_cell(column.kind, value) for column, value in zip(columns, row, strict=True))
    return b"\xef\xbb\xbf" + stream.getvalue().encode()  # without the mark a spreadsheet takes it for another encoding


def _csv_cell(kind: Kind, value: Value) -> str:
    if value is None:
        return ""
    text = written(kind, value)
    return f"'{text}" if kind == "text" and (not text or text.startswith((*FORMULA_STARTS, "'", "\n"))) else text


def _csv_cells(path: Path, data: bytes) -> Iterator[tuple[int, list[str]]]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = data.count(b"\n", 0, problem.start) + 1
        raise refusal(path, f"line {line}: not UTF-8; save it as CSV (UTF-8)") from None
    first = text.split("\n", 1)[0]
    separator = max(",;\t", key=first.count)
    before = csv.field_size_limit(MAX_CELL_CHARACTERS + 1)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        for cells in reader:
            if cells:
                yield reader.line_num, cells
    except csv.Error as problem:
        raise refusal(
            path, f"line {reader.line_num}: {shown(problem, 80)}; look for a missing quotation mark"
        ) from None
    finally:
        csv.field_size_limit(before)


def _from_cells(
    path: Path, lines: Iterator[tuple[int, list[Any]]], kinds: dict[str, Kind] | None, refused: Refused | None
) -> ExchangeTable:
    first = next(lines, None)
    if first is None:
        raise refusal(path, "holds no line of column names; write one")
    names = [str(cell).strip() for cell in first[1]]
    columns = columns_named(path, names, kinds)

    def values(line: int, cells: list[Any]) -> tuple[Value, ...]:
        if len(cells) > len(names):
            raise refusal(
                path, f"line {line}: {len(cells)} cells under {len(names)} headings; look for a missing quote"
            )
        padded = [*cells, *[""] * (len(names) - len(cells))]
        return tuple(_cell(path, line, column, cell) for column, cell in zip(columns, padded, strict=True))

    return table_of(path, columns, lines, values, refused)


def _cell(path: Path, line: int, column: Column, cell: Any) -> Value:
    if cell == "":
        return None
    if isinstance(cell, str):
        text = (from_xlsx_text if path.suffix.casefold() == ".xlsx" else _without_mark)(cell)
    elif isinstance(cell, bool):
        text = "yes" if cell else "no"
    elif isinstance(cell, int | float):
        if column.kind == "number" and math.isfinite(cell):
            return float(cell)
        text = str(int(cell)) if math.isfinite(cell) and cell == int(cell) and abs(cell) <= EXACT_WHOLE else repr(cell)
    else:  # a spreadsheet's own date
        text = cell.strftime("%Y-%m-%dT%H:%M:%SZ") if isinstance(cell, datetime) else str(cell)
    try:
        return read_value(column.kind, text)
    except (ValueError, KeyError, OverflowError):
        wanted = {
            "number": "a number such as 3.25",
            "whole": "a whole number",
            "time": "a time such as 2026-01-31T12:00:00Z",
            "yes_no": "yes or no",
        }[column.kind]
        raise refusal(
            path, f"line {line}, column {shown(column.name)}: found '{shown(text)}'; write {wanted}"
        ) from None


def _without_mark(text: str) -> str:
    return text.removeprefix("'")


def _jsonl_bytes(path: Path, columns: Sequence[Column], rows: Sequence[Sequence[Value]]) -> bytes:
    head = {"schema": _SCHEMA, "columns": [{"name": column.name, "kind": column.kind} for column in columns]}
    lines = [json.dumps(head)]
    for row in rows:
        document = {
            column.name: written("time", value) if isinstance(value, datetime) else value
            for column, value in zip(columns, row, strict=True)
        }
        lines.append(json.dumps(document, allow_nan=False))
    return ("\n".join(lines) + "\n").encode("ascii")


def _from_jsonl(path: Path, data: bytes, kinds: dict[str, Kind] | None, refused: Refused | None) -> ExchangeTable:
    lines = data.split(b"\n")
    if len(lines) > MAX_ROWS + 2:
        raise refusal(path, f"holds more than {MAX_ROWS} lines; split it")
    documents: list[tuple[int, dict[str, Any]]] = []
    for number, line in enumerate(lines, 1):
        try:
            documents += [(number, _document(path, number, line))] if line.strip() else []
        except ExchangeError as problem:
            if refused is None or not documents:
                raise
            refused(problem)
    if not documents:
        raise refusal(path, "holds no line; write it again")
    head = documents[0][1]
    told: dict[str, Kind] = {}
    if "schema" in head:
        if head["schema"] != _SCHEMA:
            raise refusal(path, f"is of the schema '{shown(head['schema'])}'; {_SCHEMA} is read")
        documents = documents[1:]
        entries = head.get("columns")
        for entry in entries if isinstance(entries, list) else [None]:
            if not isinstance(entry, dict) or entry.get("kind") not in KINDS:
                raise refusal(path, "line 1: damaged list of columns; write it again")
            told[str(entry.get("name"))] = entry["kind"]
    names = list(told) or list(dict.fromkeys(name for _, document in documents for name in document))
    columns = columns_named(path, names, told | (kinds or {}))

    def values(number: int, document: dict[str, Any]) -> tuple[Value, ...]:
        stranger = next((name for name in document if name not in names), None)
        if stranger is not None:
            raise refusal(path, f"line {number}: '{shown(stranger)}' is none of its columns")
        return tuple(_json_value(path, number, column, document.get(column.name)) for column in columns)

    return table_of(path, columns, documents, values, refused)


def _document(path: Path, number: int, line: bytes) -> dict[str, Any]:
    with suppress(ValueError, RecursionError):
        document = json.loads(line)
        if isinstance(document, dict):
            return document
    raise refusal(path, f"line {number}: no JSON object; write one a line")


def _json_value(path: Path, line: int, column: Column, value: Any) -> Value:
    if column.kind == "time" and isinstance(value, str):
        return _cell(path, line, column, value or "nothing")
    if column.kind == "number" and isinstance(value, int) and not isinstance(value, bool) and abs(value) < 2**1000:
        value = float(value)
    problem = problem_with(column.kind, value, sheet=False)
    if problem:
        raise refusal(path, f"line {line}, column {shown(column.name)}: {problem}")
    return value  # type: ignore[no-any-return]


_WRITERS: dict[str, Callable[[Path, Sequence[Column], Sequence[Sequence[Value]]], bytes]] = {
    ".csv": _csv_bytes,
    ".xlsx": xlsx_bytes,
    ".jsonl": _jsonl_bytes,
    ".parquet": parquet_bytes,
}
