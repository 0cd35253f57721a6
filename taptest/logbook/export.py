"""The logbook written for other programs: one table, the sheet of latest figures, everything as a folder, and the sounds."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from json import dumps
from pathlib import Path, PurePath
from typing import Any

from sqlalchemy import Connection, Table, select

from taptest.core.durable import write_durably
from taptest.core.errors import ExchangeError, LogbookError, shown
from taptest.export.cells import Value
from taptest.export.table import read_table, write_table
from taptest.logbook.book import Logbook
from taptest.logbook.contents import entries, in_chunks, tables_with_ids
from taptest.logbook.engine import READING, SOFTWARE, schema_versions, told, told_of_values
from taptest.logbook.rows import Entry
from taptest.logbook.schema import RECORDINGS, Row
from taptest.logbook.sounds import inside
from taptest.logbook.tables import (
    CONTENTS,
    EXPORT_SCHEMA,
    SHEET_COLUMNS,
    below,
    columns_of,
    latest_figures,
    table_called,
    table_names,
)

FOLDER_FORMATS = (".jsonl", ".csv", ".parquet")  # XLSX keeps 16 digits of a number, and a row must come back as it was
_ROWS_A_PART = 5_000  # with all that is below them: some ten thousand lines and megabytes a file
SHORT = 12  # hexadecimal digits of a sound's SHA-256 in the name of its copy
_NAME_CHARACTERS = 200


@dataclass(frozen=True)
class Exported:
    """What was written where: rows by table, copies of sounds, and the names of ``missing`` sounds."""

    target: str
    rows: Mapping[str, int] = field(default_factory=dict)
    sounds: int = 0
    missing: tuple[str, ...] = ()


def export_sheet(book: Logbook, path: Path) -> Exported:
    """The latest figures of every ski that was judged, a line each, in the format that the suffix names.

    Raises:
        ExchangeError: it cannot be written.
        LogbookError: the logbook cannot be read, or something else is there.
    """
    _refuse_another(path, [column.name for column in SHEET_COLUMNS])
    with _snapshot(book) as connection:
        rows = latest_figures(connection)
    write_table(path, SHEET_COLUMNS, rows)
    return Exported(str(path), {"skis": len(rows)})


def export_table(book: Logbook, name: str, path: Path) -> Exported:
    """One table of the logbook as it is, in the order of its key.

    Raises:
        ExchangeError: it cannot be written.
        LogbookError: there is no such table, something else is there, or the logbook cannot be read.
    """
    if name not in table_names():
        raise LogbookError(f"'{shown(name)}' is no table of the logbook; there are {', '.join(table_names())}")
    table = table_called(name)
    _refuse_another(path, [column.name for column in columns_of(table)])
    with _snapshot(book) as connection:
        found = connection.execute(select(table).order_by(*table.primary_key.columns))
        rows: list[tuple[Value, ...]] = [tuple(row) for row in found]
    write_table(path, columns_of(table), rows)
    return Exported(str(path), {name: len(rows)})


def export_folder(
    book: Logbook, folder: Path, *, suffix: str = ".jsonl", progress: Callable[[], None] | None = None
) -> Exported:
    """Everything, as files of a new folder that `import_folder` reads; what belongs to a row is in a part of the same number.

    Args:
        book: the logbook; it is written as it was at one moment, whatever others enter meanwhile.
        folder: where; made if it is not there.
        suffix: one of `FOLDER_FORMATS`.
        progress: called once for every part.

    Raises:
        ExchangeError: a file cannot be written, or a text is too long for its format.
        LogbookError: the folder holds something, or the logbook cannot be read.
    """
    if suffix not in FOLDER_FORMATS:
        raise LogbookError(f"{shown(suffix)} is no format for everything; {', '.join(FOLDER_FORMATS)} are")
    _make_empty(folder)
    rows: dict[str, int] = {}
    with _snapshot(book) as connection:
        for table in tables_with_ids():
            order = (table.c.made_utc, table.c.id)
            wanted = connection.scalars(select(table.c.id).order_by(*order)).all()
            for part, some in enumerate(in_chunks(wanted, _ROWS_A_PART), 1):
                whole = [each for few in in_chunks(some) for each in _ordered(connection, table, few)]
                for name, written in _by_table(table, whole).items():
                    target = folder / f"{name}-{part:04d}{suffix}"
                    columns = columns_of(table_called(name))
                    write_table(target, columns, [tuple(row[column.name] for column in columns) for row in written])
                    rows[name] = rows.get(name, 0) + len(written)
                if progress is not None:
                    progress()
    about = {
        "schema": EXPORT_SCHEMA,
        "logbook_schema": schema_versions()[-1],
        "software": SOFTWARE,
        "exported_utc": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        "format": suffix,
        "rows": rows,
    }
    try:
        write_durably(folder / CONTENTS, (dumps(about, indent=2) + "\n").encode("ascii"))
    except OSError as problem:
        raise _unwritable(folder, problem) from problem
    return Exported(str(folder), rows)


def export_sounds(book: Logbook, folder: Path) -> Exported:
    """Copies of all sounds, named as they were when they were entered and by the beginning of their SHA-256.

    A copy that is there already is left as it is.

    Raises:
        LogbookError: the folder cannot be written, or the logbook cannot be read.
    """
    with _snapshot(book) as connection:
        columns = (RECORDINGS.c.id, RECORDINGS.c.file_name, RECORDINGS.c.stored_as)
        found = connection.execute(select(*columns).order_by(RECORDINGS.c.id)).all()
    copied, missing = 0, []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for sha256, name, stored in found:
            source = book.place.sounds / stored
            if not inside(stored) or not source.is_file():
                missing.append(stored)
                continue
            stem = re.sub(r"[^\w.-]+", "_", PurePath(name).stem).strip("._")[:80] or "sound"
            target = folder / f"{stem}-{sha256[:SHORT]}{source.suffix}"
            if not target.exists():
                shutil.copyfile(source, target)
                copied += 1
    except OSError as problem:
        raise _unwritable(folder, problem) from problem
    return Exported(str(folder), sounds=copied, missing=tuple(missing))


def _refuse_another(path: Path, names: Sequence[str]) -> None:
    """An earlier export is written anew; whatever has other columns, or cannot be read, is somebody's work."""
    if not path.exists() or (path.is_file() and not path.stat().st_size):
        return
    there: list[str] = []
    with suppress(ExchangeError):
        there = [column.name for column in read_table(path).columns]
    if there != list(names):
        raise LogbookError(f"{shown(path, 200)}: is there and no such export; choose another name")


@contextmanager
def _snapshot(book: Logbook) -> Iterator[Connection]:
    """The logbook as it is at one moment."""
    options: dict[str, Any] = dict(READING)
    if book.engine.dialect.name == "postgresql":
        options["isolation_level"] = "REPEATABLE READ"
    with told(book.place), told_of_values(book.place), book.engine.connect().execution_options(**options) as connection:
        yield connection


def _ordered(connection: Connection, table: Table, wanted: Sequence[str]) -> list[Entry]:
    place = {own: at for at, own in enumerate(wanted)}
    return sorted(entries(connection, table, wanted), key=lambda each: place[each.id])


def _by_table(table: Table, whole: list[Entry]) -> dict[str, list[Row]]:
    rows: dict[str, list[Row]] = {table.name: [dict(each.row) for each in whole]}
    for child, _ in below(table):
        key = [column.name for column in child.primary_key.columns]
        found = [
            dict(row)
            for each in whole
            for row in sorted(each.below.get(child.name, ()), key=lambda row: tuple(row[name] for name in key))
        ]
        if found:
            rows[child.name] = found
    return rows


def _make_empty(folder: Path) -> None:
    name = shown(folder, _NAME_CHARACTERS)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        held = next(folder.iterdir(), None)
    except OSError as problem:
        raise _unwritable(folder, problem) from problem
    if held is not None:
        raise LogbookError(f"{name}: is not empty, and nothing is written over; name a new folder")


def _unwritable(folder: Path, problem: OSError) -> LogbookError:
    return LogbookError(
        f"{shown(folder, _NAME_CHARACTERS)}: cannot be written ({shown(problem.strerror or problem, 100)}); make room or name "
        "another folder"
    )
