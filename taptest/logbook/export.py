"""The logbook written for other programs: one table, the sheet of latest figures, everything as a folder, and the sounds."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from json import dumps
from pathlib import Path, PurePath
from typing import Any

from sqlalchemy import Boolean, Connection, Double, Integer, Table, func, select

from taptest.core.durable import write_durably
from taptest.core.errors import ExchangeError, LogbookError, shown
from taptest.export.cells import Column, Kind, Value
from taptest.export.table import read_table, write_table
from taptest.logbook.book import Logbook
from taptest.logbook.engine import SOFTWARE, in_chunks, schema_versions
from taptest.logbook.reading import LoggedVerdict, Reading, fields_of, is_last, utc_text, verdicts
from taptest.logbook.rows import entries
from taptest.logbook.schema import (
    METADATA,
    RECORDINGS,
    SKIS,
    VERDICTS,
    Row,
    UtcTime,
    below,
    in_order_of_key,
    tables_with_ids,
)
from taptest.logbook.sounds import inside

EXPORT_SCHEMA = "taptest.logbook_export/1"
CONTENTS = "logbook.json"  # in a folder of tables: what it is
FOLDER_FORMATS = (".jsonl", ".csv", ".parquet")  # XLSX keeps 16 digits of a number, and a row must come back as it was
SHORT = 12  # hexadecimal digits of a sound's SHA-256 in the name of its copy
_ROWS_A_PART = 5_000  # with all that is below them: some ten thousand lines and megabytes a file
_NAME_CHARACTERS = 200

_SHEET_ENDS_WITH = ("lot", "station", "operator", "software")
_NOT_IN_SHEET = (
    "id",
    "judged_utc",
    "frequencies_at_c",
    "first_mode_source",
    "reason_codes",
    "supersedes",
    "superseded",
    "modes",
)
_OF_VERDICT = {each.key: each for each in fields_of(LoggedVerdict) if each.key not in _NOT_IN_SHEET}
_SHEET_KEYS = (*(key for key in _OF_VERDICT if key not in _SHEET_ENDS_WITH), *_SHEET_ENDS_WITH)
_SHEET_KINDS: dict[str, Kind] = {"number": "number", "integer": "whole"}
MEASUREMENTS = "verdicts_in_all"  # the heading by which the sheet is told from a lot's table
SHEET_COLUMNS = (
    Column("ski_id"),
    *(
        Column(key, "time" if key.endswith("_utc") else _SHEET_KINDS.get(_OF_VERDICT[key].kind, "text"))
        for key in _SHEET_KEYS
    ),
    Column(MEASUREMENTS, "whole"),
)


@dataclass(frozen=True)
class Exported:
    """What was written where: rows by table, copies of sounds, and the names of ``missing`` sounds."""

    target: str
    rows: Mapping[str, int] = field(default_factory=dict)
    sounds: int = 0
    missing: tuple[str, ...] = ()


def table_names() -> tuple[str, ...]:
    """Every table of the logbook that can be written, what a row refers to before it."""
    return tuple(table.name for each in tables_with_ids() for table in (each, *(child for child, _ in below(each))))


def columns_of(table: Table) -> tuple[Column, ...]:
    """The columns of a table as they are written."""
    kinds: tuple[tuple[type, Kind], ...] = (
        (UtcTime, "time"),
        (Boolean, "yes_no"),
        (Integer, "whole"),
        (Double, "number"),
        (object, "text"),
    )
    return tuple(
        Column(column.name, next(kind for of_type, kind in kinds if isinstance(column.type, of_type)))
        for column in table.columns
    )


def export_sheet(book: Logbook, path: Path) -> Exported:
    """The latest figures of every ski that was judged, a line each, in the format that the suffix names.

    Raises:
        ExchangeError: it cannot be written.
        LogbookError: the logbook cannot be read, or something else is there.
    """
    many = select(VERDICTS.c.ski, func.count().label("many")).group_by(VERDICTS.c.ski).subquery()
    wanted = (
        verdicts()
        .add_columns(SKIS.c.ski_id.label("ski_id"), many.c.many)
        .join(many, many.c.ski == VERDICTS.c.ski)
        .where(is_last())
        .order_by(SKIS.c.folded, SKIS.c.ski_id)
    )
    notes: list[str] = []

    def ask(connection: Connection) -> list[tuple[Value, ...]]:
        reading = Reading(connection)
        rows: list[tuple[Value, ...]] = []
        for row in reading.rows(wanted):
            verdict = reading.record(LoggedVerdict, VERDICTS, row, modes=())
            if verdict is not None:
                rows.append((row["ski_id"], *(_sheet_value(verdict, key) for key in _SHEET_KEYS), row["many"]))
        notes.extend(reading.damaged)
        return rows

    _refuse_another(path, SHEET_COLUMNS)
    rows = book.database.read(ask)
    book.notes += tuple(notes)
    write_table(path, SHEET_COLUMNS, rows)
    return Exported(str(path), {"skis": len(rows)})


def _sheet_value(verdict: LoggedVerdict, key: str) -> Value:
    value = _OF_VERDICT[key].get(verdict)
    if key.endswith("_utc"):
        return verdict.measured
    return ("; ".join(value) if isinstance(value, list) else value) if value != "" else None


def export_table(book: Logbook, name: str, path: Path) -> Exported:
    """One table of the logbook as it is, in the order of its key.

    Raises:
        ExchangeError: it cannot be written.
        LogbookError: there is no such table, something else is there, or the logbook cannot be read.
    """
    if name not in table_names():
        raise LogbookError(f"'{shown(name)}' is no table of the logbook; there are {', '.join(table_names())}")
    table = METADATA.tables[name]
    _refuse_another(path, columns_of(table))
    wanted = select(table).order_by(*table.primary_key.columns)
    rows = book.database.read(lambda connection: [tuple(row) for row in connection.execute(wanted)])
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
    counts: dict[str, int] = {}

    def write(connection: Connection) -> None:
        for table in tables_with_ids():
            wanted = connection.scalars(select(table.c.id).order_by(table.c.made_utc, table.c.id)).all()
            for part, some in enumerate(in_chunks(wanted, _ROWS_A_PART), 1):
                for name, rows in _part(connection, table, some).items():
                    columns = columns_of(METADATA.tables[name])
                    values = [tuple(row[column.name] for column in columns) for row in rows]
                    write_table(folder / f"{name}-{part:04d}{suffix}", columns, values)
                    counts[name] = counts.get(name, 0) + len(rows)
                if progress is not None:
                    progress()

    book.database.read(write, snapshot=True)
    about = {
        "schema": EXPORT_SCHEMA,
        "logbook_schema": schema_versions()[-1],
        "software": SOFTWARE,
        "exported_utc": utc_text(datetime.now(UTC)),
        "format": suffix,
        "rows": counts,
    }
    try:
        write_durably(folder / CONTENTS, (dumps(about, indent=2) + "\n").encode("ascii"))
    except OSError as problem:
        raise _unwritable(folder, problem) from problem
    return Exported(str(folder), counts)


def _part(connection: Connection, table: Table, wanted: Sequence[str]) -> dict[str, list[Mapping[str, Any]]]:
    """Rows in the order in which they are wanted, and by table what is below them."""
    whole = [each for few in in_chunks(wanted) for each in entries(connection, table, few)]
    rows: dict[str, list[Row]] = {table.name: [each.row for each in whole]}
    for child, _ in below(table):
        found = [dict(row) for each in whole for row in in_order_of_key(child, each.below.get(child.name, ()))]
        if found:
            rows[child.name] = found
    return {name: list(found) for name, found in rows.items()}


def export_sounds(book: Logbook, folder: Path) -> Exported:
    """Copies of all sounds, named as they were when they were entered and by the beginning of their SHA-256.

    A copy that is there already is left as it is.

    Raises:
        LogbookError: the folder cannot be written, or the logbook cannot be read.
    """
    wanted = select(RECORDINGS.c.id, RECORDINGS.c.file_name, RECORDINGS.c.stored_as).order_by(RECORDINGS.c.id)
    copied, missing = 0, []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for sha256, name, stored in book.database.read(lambda connection: connection.execute(wanted).all()):
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


def _refuse_another(path: Path, columns: Sequence[Column]) -> None:
    """An earlier export is written anew; whatever has other columns, or cannot be read, is somebody's work."""
    if not path.exists() or (path.is_file() and not path.stat().st_size):
        return
    with suppress(ExchangeError):
        if [each.name for each in read_table(path).columns] == [each.name for each in columns]:
            return
    raise LogbookError(f"{shown(path, 200)}: is there and no such export; choose another name")


def _make_empty(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        held = next(folder.iterdir(), None)
    except OSError as problem:
        raise _unwritable(folder, problem) from problem
    if held is not None:
        name = shown(folder, _NAME_CHARACTERS)
        raise LogbookError(f"{name}: is not empty, and nothing is written over; name a new folder")


def _unwritable(folder: Path, problem: OSError) -> LogbookError:
    return LogbookError(
        f"{shown(folder, _NAME_CHARACTERS)}: cannot be written ({shown(problem.strerror or problem, 100)}); make room or name "
        "another folder"
    )
