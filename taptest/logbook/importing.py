"""A folder of tables, as `export_folder` writes it, into the logbook: each row with all that belongs to it, or not at all.

Whatever a file holds is foreign: kinds, lengths and JSON are checked cell by cell, a row must have the id that belongs to its
name or the digest that belongs to its contents, and what it refers to must be there.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Boolean, Connection, Double, Integer, String, Table, Text, select

from taptest.core.durable import write_durably
from taptest.core.errors import ExchangeError, LogbookError, RecordingError, shown
from taptest.export.table import read_table
from taptest.io.recording import read_recording
from taptest.logbook.book import Logbook
from taptest.logbook.contents import in_chunks, is_whole, named_rightly, reading, references, tables_with_ids
from taptest.logbook.engine import SOFTWARE, schema_versions
from taptest.logbook.entering import in_one_transaction, insert_new
from taptest.logbook.export import FOLDER_FORMATS, SHORT
from taptest.logbook.rows import Entry
from taptest.logbook.schema import BELOW, RECORDINGS, Row, stored_values
from taptest.logbook.sounds import inside, make_folder
from taptest.logbook.tables import CONTENTS, EXPORT_SCHEMA, MEASUREMENTS, below, columns_of
from taptest.signal.identity import sound_sha256

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
_OF_OBJECTS = ("problems_json", "statistics_json")
_OF_NUMBERS = ("hum_hz_json",)


@dataclass
class Imported:
    """What became of a folder: rows ``entered`` by table, ``known`` already, and why others were ``refused``."""

    source: str
    entered: dict[str, int] = field(default_factory=dict)
    known: int = 0
    refused: list[str] = field(default_factory=list)
    sounds: int = 0
    missing: int = 0


@dataclass(frozen=True)
class _Line:
    """A row and where it stands."""

    where: str
    row: Row


def import_folder(
    book: Logbook, folder: Path, *, sounds: Path | None = None, progress: Callable[[], None] | None = None
) -> Imported:
    """Enter what a folder of tables holds and is not in the logbook yet.

    Args:
        book: where to.
        folder: as `export_folder` writes it.
        sounds: a folder as `export_sounds` writes it. A recording whose sound is neither there nor in the logbook's own
            folder is entered without it, and counted as ``missing``.
        progress: called once for every part.

    Raises:
        LogbookError: the folder is something else or of a newer program, or the logbook cannot be written.
    """
    suffix = _contents(folder)
    done = Imported(str(folder))
    store = _Sounds(book, sounds)
    for table in tables_with_ids():
        for part in sorted(folder.glob(f"{table.name}-[0-9][0-9][0-9][0-9]{suffix}")):
            found = list(_whole_rows(table, part, done.refused))
            if table is RECORDINGS:
                found = [each for each in found if store.fetch(each[1], each[0], done)]
            _enter(book, table, found, done)
            if progress is not None:
                progress()
    return done


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
    path = folder / CONTENTS
    wrong = f"{name}: is no folder that 'taptest log export' wrote"
    try:
        with path.open("rb") as stream:
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


def _whole_rows(table: Table, part: Path, refused: list[str]) -> Iterator[tuple[str, Entry]]:
    """The good rows of a part with what belongs to them, and where they stand."""
    own = list(_lines(table, part, refused))
    there = {each.row["id"] for each in own}
    under: dict[str, dict[str, list[Row]]] = {}
    for child, column in below(table):
        file = part.with_name(part.name.replace(table.name, child.name, 1))
        alone: dict[str, list[str]] = {}
        for line in _lines(child, file, refused) if file.exists() else ():
            if line.row[column] in there:
                under.setdefault(line.row[column], {}).setdefault(child.name, []).append(line.row)
            else:
                alone.setdefault(line.row[column], []).append(line.where)
        for parent, lines in alone.items():
            more = f" and {len(lines) - 1} more" if len(lines) > 1 else ""
            refused.append(
                f"{lines[0]}{more}, column {column}: '{shown(parent)}' is not in {part.name}, or could not be read there; put "
                "that right first"
            )
    taken: set[str] = set()
    for line in own:
        entry = Entry(table, line.row, under.get(line.row["id"], {}))
        if entry.id in taken:
            refused.append(f"{line.where}, column id: '{shown(entry.id)}' stands there twice; leave one out")
        elif table.name in BELOW and not is_whole(entry):
            parts = [child.name for child, _ in below(table)]
            what = f" or what belongs to it in {', '.join(parts)}" if parts else ""
            refused.append(
                f"{line.where}, column digest: does not fit, so this row{what} was changed or left out since it was exported; "
                "export it again"
            )
        elif not named_rightly(table, line.row):
            refused.append(f"{line.where}, column id: '{shown(entry.id)}' does not belong to its name; export it again")
        else:
            taken.add(entry.id)
            yield line.where, entry


def _lines(table: Table, path: Path, refused: list[str]) -> Iterator[_Line]:
    """The rows of a file that are what the table takes."""
    wanted = columns_of(table)
    row_word = "row" if path.suffix == ".parquet" else "line"
    try:
        found = read_table(path, wanted, refused=lambda problem: refused.append(str(problem)))
    except ExchangeError as problem:
        refused.append(str(problem))
        return
    name = shown(path, _NAME_CHARACTERS)
    strangers = [each.name for each in found.columns if each.name not in table.columns]
    if strangers:
        refused.append(f"{name}: has the column '{shown(strangers[0])}', which a logbook has not; leave it out")
        return
    for number, values in zip(found.lines, found.rows, strict=True):
        row = dict(zip((each.name for each in found.columns), values, strict=True))
        problem_at = _first_problem(table, row)
        if problem_at is None:
            yield _Line(f"{name} {row_word} {number}", stored_values(table, row))
        else:
            refused.append(f"{name} {row_word} {number}, column {problem_at}")


def _first_problem(table: Table, row: Mapping[str, Any]) -> str | None:
    """Column and fault of a value that the table does not take, or that nothing could be made of later."""
    needed = _NEEDED.get(table.name, ())
    for column in table.columns:
        value, kind = row.get(column.name), column.type
        if value is None:
            if not column.nullable or column.name in needed:
                # An empty cell of a CSV is no value; an empty text has an apostrophe.
                return f"{column.name}: is empty, and a value is needed; export it again"
        elif isinstance(kind, String) and not isinstance(kind, Text):
            if len(str(value)) > (kind.length or 0):
                return f"{column.name}: '{shown(value)}' is longer than {kind.length} characters; export it again"
        elif isinstance(kind, Integer) and not isinstance(kind, Boolean):
            if not -_MOST_INTEGER <= value < _MOST_INTEGER:
                return f"{column.name}: {value} does not fit into 32 bits; correct it"
        elif isinstance(kind, Double):
            if column.name in _ABOVE_ZERO and value <= 0:
                return f"{column.name}: {value:g} is not above 0; correct it"
        elif column.name.endswith("_json") and not _is_json_of(column.name, str(value)):
            return f"{column.name}: '{shown(value)}' is not the JSON that belongs there; export it again"
        elif column.name == "stored_as" and not inside(str(value)):
            return f"{column.name}: '{shown(value)}' lies outside the folder of sounds; export it again"
    return None


def _is_json_of(name: str, text: str) -> bool:
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        return False
    if name in _OBJECTS:
        return isinstance(value, dict)
    kinds: type | tuple[type, ...] = dict if name in _OF_OBJECTS else (int, float) if name in _OF_NUMBERS else str
    return isinstance(value, list) and all(isinstance(each, kinds) for each in value)


def _enter(book: Logbook, table: Table, found: Sequence[tuple[str, Entry]], done: Imported) -> None:
    """Enter rows whose references are there, in an order in which what is superseded comes first."""
    there = _known_references(book, table, found)
    left = list(found)
    while left:
        ready = [each for each in left if not _missing(table, each[1], there)]
        if not ready:
            break
        before = {each.id for _, each in ready}
        left = [each for each in left if each[1].id not in before]
        for some in in_chunks(ready):
            _insert(book, table, some, done)
        there[table.name] |= before
    for where, each in left:
        column, value = _missing(table, each, there)[0]
        done.refused.append(
            f"{where}, column {column}: '{shown(value)}' is neither in the logbook nor among what could be read; put that right "
            "first"
        )


def _insert(book: Logbook, table: Table, some: Sequence[tuple[str, Entry]], done: Imported) -> None:
    fresh = set(in_one_transaction(book.engine, book.place, lambda c: insert_new(c, [each for _, each in some])))
    done.entered[table.name] = done.entered.get(table.name, 0) + len(fresh)
    old = [(where, each) for where, each in some if each.id not in fresh]
    digests: dict[str, str] = {}
    if table.name in BELOW and old:
        wanted = select(table.c.id, table.c.digest).where(table.c.id.in_([each.id for _, each in old]))
        digests = reading(book, lambda connection: {own: digest for own, digest in connection.execute(wanted)})
    for where, each in old:
        if digests.get(each.id, each.row.get("digest")) != each.row.get("digest"):
            done.refused.append(
                f"{where}, column digest: '{shown(each.id)}' is in the logbook with other contents, and that stays; 'taptest log "
                "merge' keeps both where they disagree"
            )
        else:
            done.known += 1


def _known_references(book: Logbook, table: Table, found: Sequence[tuple[str, Entry]]) -> dict[str, set[str]]:
    """Of what the rows refer to, the ids that are in the logbook, by table."""
    wanted: dict[str, set[str]] = {table.name: set()}
    for column, target, value in (each for _, entry in found for each in _references(table, entry)):
        del column
        wanted.setdefault(target.name, set()).add(value)
    targets = {
        target.name: target for one in (table, *(child for child, _ in below(table))) for _, target in references(one)
    }

    def ask(connection: Connection) -> dict[str, set[str]]:
        return {
            name: {
                own
                for some in in_chunks(sorted(ids))
                for own in connection.scalars(select(targets[name].c.id).where(targets[name].c.id.in_(some)))
            }
            for name, ids in wanted.items()
            if name in targets
        }

    return {table.name: set(), **reading(book, ask)}


def _references(table: Table, entry: Entry) -> Iterator[tuple[str, Table, str]]:
    """What a row and the rows below it refer to; not what they belong to."""
    for column, target in references(table):
        if entry.row[column.name] is not None:
            yield column.name, target, entry.row[column.name]
    for child, own in below(table):
        for column, target in references(child):
            if column.name != own:
                yield from (
                    (f"{column.name} of {child.name}", target, row[column.name])
                    for row in entry.below.get(child.name, ())
                )


def _missing(table: Table, entry: Entry, there: Mapping[str, set[str]]) -> list[tuple[str, str]]:
    return [
        (column, value)
        for column, target, value in _references(table, entry)
        if value not in there.get(target.name, ())
    ]


class _Sounds:
    """Copies of sounds, found by the beginning of their SHA-256 and taken only if they are what they should be."""

    def __init__(self, book: Logbook, folder: Path | None) -> None:
        self._store = book.place.sounds
        self._copies: dict[str, Path] = {}
        if folder is None:
            return
        if not folder.is_dir():
            raise LogbookError(f"{shown(folder, _NAME_CHARACTERS)}: there is no such folder of sounds; check its name")
        for path in sorted(folder.iterdir()):
            self._copies[path.stem.rpartition("-")[2]] = path

    def fetch(self, recording: Entry, where: str, done: Imported) -> bool:
        """Put a recording's sound into the store; False where what is there is another sound, which is told."""
        name = recording.row["stored_as"]
        target = self._store / name
        if target.exists():
            return True
        copy = self._copies.get(recording.id[:SHORT])
        if copy is None:
            done.missing += 1
            return True
        try:
            same = sound_sha256(read_recording(copy)) == recording.id
            data = copy.read_bytes()
        except (RecordingError, OSError) as problem:
            done.refused.append(f"{where}: its sound cannot be read ({shown(problem, 200)}); copy it again")
            return False
        if not same:
            done.refused.append(
                f"{where}, column id: {shown(copy, _NAME_CHARACTERS)} is another sound than this one; copy it again"
            )
            return False
        try:
            make_folder(target.parent)
            write_durably(target, data)
        except OSError as problem:
            raise LogbookError(
                f"{shown(target.parent, _NAME_CHARACTERS)}: a sound cannot be kept there ({problem.strerror or problem}); make "
                "room on the disk or allow writing, and start again"
            ) from problem
        done.sounds += 1
        return True
