"""A folder of tables, as `export_folder` writes it, into the logbook: each row with all that belongs to it, or not at all.

Whatever a file holds is foreign: kinds, lengths and JSON are checked cell by cell on the way into a logbook of its own in a
temporary folder, which is then merged; that a row is what was entered, and that what it refers to is there, the merge sees to.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Boolean, Double, Integer, String, Table, Text

from taptest.core.errors import ExchangeError, LogbookError, shown
from taptest.export.table import read_table
from taptest.logbook.book import Logbook
from taptest.logbook.engine import SOFTWARE, Database, insert_new, schema_versions
from taptest.logbook.export import CONTENTS, EXPORT_SCHEMA, FOLDER_FORMATS, MEASUREMENTS, SHORT, columns_of
from taptest.logbook.merge import Merged, Source, merge_logbooks
from taptest.logbook.place import place_of
from taptest.logbook.rows import Entry
from taptest.logbook.schema import BELOW, Row, below, stored_values, tables_with_ids
from taptest.logbook.sounds import inside

_NAME_CHARACTERS = 200
_MOST_INTEGER = 2**31  # of a database's INTEGER
_LARGEST_CONTENTS = 1 << 20
# Without these nothing can be computed from a row.
_NEEDED = {
    "modes": ("frequency_hz", "frequency_u_hz", "damping_ratio", "damping_ratio_u", "level_db"),
    "placed_modes": ("frequency_hz", "frequency_u_hz", "damping_ratio", "damping_ratio_u"),
    "predictions": ("frequency_hz",),
}
_ABOVE_ZERO = ("frequency_hz", "mass_kg", "stiffness_n_per_m", "length_m", "span_m")
_OBJECTS = ("settings_json",)
_LISTS: dict[str, type | tuple[type, ...]] = {  # of texts, where nothing else is said
    "statistics_json": dict,
    "hum_hz_json": (int, float),
}


def import_folder(
    book: Logbook, folder: Path, *, sounds: Path | None = None, progress: Callable[[str], None] | None = None
) -> Merged:
    """Enter what a folder of tables holds and is not in the logbook yet.

    Args:
        book: where to.
        folder: as `export_folder` writes it.
        sounds: a folder as `export_sounds` writes it. A recording whose sound is neither there nor in the logbook's own
            folder is entered without it, and counted as missing.
        progress: is told which table is being entered.

    Raises:
        LogbookError: the folder is something else or of a newer program, or the logbook cannot be written.
    """
    suffix = _contents(folder)
    copies = {} if sounds is None else _copies(sounds)
    with tempfile.TemporaryDirectory(prefix="taptest-", ignore_cleanup_errors=True) as name:
        database = Database(place_of(Path(name) / "import.sqlite"), create=True, scratch=True)
        with Logbook(database, station=book.station, operator=None) as between:
            source = _Folder(between, folder, copies, {})
            refused = [problem for table in tables_with_ids() for problem in source.read(table, suffix)]
            done = merge_logbooks(book, source, progress=progress)
    return replace(done, left_out=(*refused, *done.left_out))


def refuse_sheet(path: Path) -> None:
    """Refuse the sheet of latest figures, which reads like a lot but would enter old measurements as new ones.

    Raises:
        LogbookError: it is that sheet, or a file that is no table of a lot at all.
    """
    name = shown(path, _NAME_CHARACTERS)
    if path.suffix.casefold() in (".jsonl", ".parquet"):
        raise LogbookError(
            f"{name}: one table alone is not imported; name a lot's table, or a folder that 'log export' wrote"
        )
    try:
        headings = [each.name for each in read_table(path, refused=lambda problem: None).columns]
    except ExchangeError:  # whoever reads lots says better what is wrong
        return
    if MEASUREMENTS in headings:
        raise LogbookError(
            f"{name}: holds the latest figures only, as 'log export' writes them for spreadsheets; import a folder that it wrote"
        )


def _contents(folder: Path) -> str:
    """What the folder says it is; the suffix of its tables."""
    name = shown(folder, _NAME_CHARACTERS)
    wrong = f"{name}: is no folder that 'taptest log export' wrote"
    try:
        with (folder / CONTENTS).open("rb") as stream:
            about = json.loads(stream.read(_LARGEST_CONTENTS))
    except (OSError, ValueError, RecursionError):
        raise LogbookError(f"{wrong} ({CONTENTS} is missing or damaged); name one, or export it again") from None
    if not isinstance(about, dict) or about.get("format") not in FOLDER_FORMATS:
        raise LogbookError(f"{wrong} ({CONTENTS} says something else); name one, or export it again")
    if about.get("schema") != EXPORT_SCHEMA or about.get("logbook_schema") not in schema_versions():
        raise LogbookError(
            f"{name}: was exported by a program with other tables ({shown(about.get('schema'))}, logbook "
            f"{shown(about.get('logbook_schema'))}); {SOFTWARE} knows {EXPORT_SCHEMA} up to logbook {schema_versions()[-1]}: "
            "install the newest version"
        )
    return str(about["format"])


def _copies(folder: Path) -> dict[str, Path]:
    """Copies of sounds, by the beginning of their SHA-256."""
    if not folder.is_dir():
        raise LogbookError(f"{shown(folder, _NAME_CHARACTERS)}: there is no such folder of sounds; check its name")
    return {path.stem.rpartition("-")[2]: path for path in sorted(folder.iterdir())}


@dataclass(frozen=True)
class _Folder(Source):
    """A folder of tables, by way of a logbook that it is read into; ``lines``: where each row stands."""

    folder: Path
    copies: Mapping[str, Path]
    lines: dict[tuple[str, str], str]

    @property
    def name(self) -> str:
        return str(self.folder)

    def refusal(self, each: Entry, column: str, why: str) -> str:
        return f"{self.lines[each.table.name, each.id]}, column {column}: {why}; put that right first"

    def damaged(self, each: Entry) -> str:
        line = self.lines[each.table.name, each.id]
        if each.table.name not in BELOW:
            return f"{line}, column id: '{shown(each.id)}' does not belong to its name; export it again"
        parts = [child.name for child, _ in below(each.table)]
        what = f" or what belongs to it in {', '.join(parts)}" if parts else ""
        return (
            f"{line}, column digest: does not fit, so this row{what} was changed or left out since it was exported; export it"
            " again"
        )

    def sound(self, recording: Entry) -> Path | None:
        return self.copies.get(recording.id[:SHORT])

    def read(self, table: Table, suffix: str) -> Iterator[str]:
        """Put the good rows of a table, with what belongs to them, into the logbook between; what is wrong with the others."""
        for part in sorted(self.folder.glob(f"{table.name}-[0-9][0-9][0-9][0-9]{suffix}")):
            found: dict[str, Entry] = {}
            refused: list[str] = []
            for where, row in _lines(table, part, refused):
                if (table.name, row["id"]) in self.lines:
                    refused.append(f"{where}, column id: '{shown(row['id'])}' stands there twice; leave one out")
                else:
                    self.lines[table.name, row["id"]] = where
                    found[row["id"]] = Entry(table, row, {child.name: [] for child, _ in below(table)})
            for child, column in below(table):
                file = part.with_name(part.name.replace(table.name, child.name, 1))
                alone: dict[str, list[str]] = {}
                for where, row in _lines(child, file, refused) if file.exists() else ():
                    if row[column] in found:
                        found[row[column]].below[child.name].append(row)  # type: ignore[attr-defined]
                    else:
                        alone.setdefault(row[column], []).append(where)
                for parent, lines in alone.items():
                    more = f" and {len(lines) - 1} more" if len(lines) > 1 else ""
                    refused.append(
                        f"{lines[0]}{more}, column {column}: '{shown(parent)}' is not in {part.name}, or could not be read "
                        "there; put that right first"
                    )
            yield from refused
            self.book.database.write(partial(insert_new, entries=found.values()))


def _lines(table: Table, path: Path, refused: list[str]) -> Iterator[tuple[str, Row]]:
    """The rows of a file that are what the table takes, and where they stand."""
    row_word = "row" if path.suffix == ".parquet" else "line"
    try:
        found = read_table(path, columns_of(table), refused=lambda problem: refused.append(str(problem)))
    except ExchangeError as problem:
        refused.append(str(problem))
        return
    name, headings = shown(path, _NAME_CHARACTERS), [each.name for each in found.columns]
    strangers = [each for each in headings if each not in table.columns]
    if strangers:
        refused.append(f"{name}: has the column '{shown(strangers[0])}', which a logbook has not; leave it out")
        return
    keys = set()
    for number, values in zip(found.lines, found.rows, strict=True):
        row = dict(zip(headings, values, strict=True))
        where = f"{name} {row_word} {number}"
        problem_at = _first_problem(table, row)
        if problem_at is None:
            stored = stored_values(table, row)
            key = tuple(stored[column.name] for column in table.primary_key.columns)
            if key not in keys or "id" in table.columns:
                keys.add(key)
                yield where, stored
                continue
            problem_at = f"{next(iter(table.primary_key)).name}: stands there twice; leave one out"
        refused.append(f"{where}, column {problem_at}")


def _first_problem(table: Table, row: Mapping[str, Any]) -> str | None:
    """Column and fault of a value that the table does not take, or that nothing could be made of later."""
    needed = _NEEDED.get(table.name, ())
    for column in table.columns:
        name, value, kind = column.name, row.get(column.name), column.type
        fault = ""
        if value is None:
            if not column.nullable or name in needed:
                # An empty cell of a CSV is no value; an empty text has an apostrophe.
                fault = "is empty, and a value is needed; export it again"
        elif isinstance(kind, String) and not isinstance(kind, Text):
            if len(str(value)) > (kind.length or 0):
                fault = f"'{shown(value)}' is longer than {kind.length} characters; export it again"
        elif isinstance(kind, Integer) and not isinstance(kind, Boolean):
            if not -_MOST_INTEGER <= value < _MOST_INTEGER:
                fault = f"{value} does not fit into 32 bits; correct it"
        elif isinstance(kind, Double):
            if name in _ABOVE_ZERO and value <= 0:
                fault = f"{value:g} is not above 0; correct it"
        elif name.endswith("_json") and not _is_json_of(name, str(value)):
            fault = f"'{shown(value)}' is not the JSON that belongs there; export it again"
        elif name == "stored_as" and not inside(str(value)):
            fault = f"'{shown(value)}' lies outside the folder of sounds; export it again"
        if fault:
            return f"{name}: {fault}"
    return None


def _is_json_of(name: str, text: str) -> bool:
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        return False
    if name in _OBJECTS:
        return isinstance(value, dict)
    return isinstance(value, list) and all(isinstance(each, _LISTS.get(name, str)) for each in value)
