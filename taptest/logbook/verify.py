"""A logbook looked through: every sound, row and reference; what can be mended is mended, and nothing is ever deleted."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Select, func, select

from taptest.core.durable import sync_folder
from taptest.core.errors import LogbookError, RecordingError, shown
from taptest.export.cells import problem_with
from taptest.io.formats import SOUND_SUFFIXES
from taptest.io.recording import Recording, read_recording
from taptest.logbook.book import Logbook
from taptest.logbook.engine import SOFTWARE, in_chunks, insert_new, told
from taptest.logbook.export import columns_of
from taptest.logbook.rows import Entry, Finding, Who, entries, is_as_entered, recorded_at, sound_entry
from taptest.logbook.schema import METADATA, RECORDINGS, derived_id, references, tables_with_ids
from taptest.logbook.sounds import inside, make_folder, store_sound
from taptest.signal.identity import sound_sha256

SET_ASIDE = "set-aside"
_AT_WORK_S = 60.0  # what was written since may be half way: its row follows


@dataclass(frozen=True)
class Verified:
    """What a logbook came to: how much was looked at, what was mended, what is left, and what else there is to know."""

    logbook: str
    rows: int
    sounds: int
    mended: tuple[str, ...]
    faults: tuple[Finding, ...]
    notes: tuple[str, ...]

    @property
    def ok(self) -> bool:
        return not self.faults


def verify_logbook(
    book: Logbook,
    *,
    search: Sequence[str | Path] = (),
    mend: bool = True,
    progress: Callable[[str], None] | None = None,
) -> Verified:
    """Look through a logbook, and mend what can be.

    A sound whose file is missing or damaged is put back where a file with the same samples is found, under whatever name, in
    the folder of sounds or in one that is to be searched; a file without a row gets one; what was left half written, and what
    a good file replaces, is moved to the folder ``set-aside`` beside the sounds.

    Args:
        book: the logbook.
        search: folders in which missing sounds may be, the folders below them included.
        mend: False to look only.
        progress: is told what is being looked at.

    Raises:
        LogbookError: it cannot be read at all, or not be written where something is to be mended; a folder is not there.
    """
    for folder in search:
        if not Path(folder).is_dir():
            raise LogbookError(f"{shown(folder, 200)}: there is no such folder to look for sounds in; name another one")
    return _Verify(book, tuple(map(Path, search)), mend, progress or (lambda _: None)).run()


@dataclass
class _Verify:
    book: Logbook
    search: tuple[Path, ...]
    mend: bool
    progress: Callable[[str], None]
    rows: int = 0
    good: int = 0
    names: dict[str, str] = field(default_factory=dict)  # what sounds were called, by their ids
    expected: dict[str, str] = field(default_factory=dict)  # where rows say that they are
    lost: dict[str, str] = field(default_factory=dict)  # those that are not there, and why
    mended: list[str] = field(default_factory=list)
    faults: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def folder(self) -> Path:
        return self.book.place.sounds

    def run(self) -> Verified:
        self._file()
        self._sounds()
        self._rows()
        self._references()
        mended, faults, notes = tuple(self.mended), tuple(self.faults), tuple(self.notes)
        return Verified(self.book.place.name, self.rows, self.good, mended, faults, notes)

    # --- the database ------------------------------------------------------------------------------------------------

    def _file(self) -> None:
        """SQLite looks through its own file; an index that disagrees with its table can be made anew."""
        if self.book.place.path is None:
            return
        self.progress("the file")
        found = self._integrity()
        if found and self.mend:
            with told(self.book.place), closing(self.book.engine.raw_connection()) as connection:
                connection.cursor().execute("REINDEX")
            if not self._integrity():
                self.mended.append("the indexes of the database were made anew")
                return
        self.faults += [
            Finding("database", "", f"{each}; keep the file, and go on with a backup of it") for each in found
        ]

    def _integrity(self) -> list[str]:
        def ask(connection: Connection) -> list[str]:
            answer = connection.exec_driver_sql("PRAGMA integrity_check").scalars().all()
            return [] if list(answer) == ["ok"] else [shown(each, 200) for each in answer]

        return self.book.database.read(ask)

    def _rows(self) -> None:
        """Every row is what was entered: by its digest, or by the id that belongs to its name."""
        for table in tables_with_ids():
            self.progress(table.name)
            for chunk in in_chunks([row[0] for row in self._all(select(table.c.id).order_by(table.c.id))]):
                for each in self.book.database.read(partial(entries, table=table, wanted=chunk)):
                    self.rows += 1 + sum(map(len, each.below.values()))
                    if not is_as_entered(each):
                        self.faults.append(Finding(table.name, each.id, f"is not what was entered{_unreadable(each)}"))

    def _references(self) -> None:
        """Every row that is named is there."""
        self.progress("references")
        for table in METADATA.sorted_tables:
            for column, named in references(table):
                target = named.alias("named")
                lost = (
                    select(column, func.count())
                    .where(column.is_not(None), ~select(target.c.id).where(target.c.id == column).exists())
                    .group_by(column)
                )
                for own, count in self._all(lost):
                    self.faults.append(Finding(named.name, own, f"is missing, and {table.name} name it {count} times"))

    def _all(self, wanted: Select[Any]) -> Sequence[Any]:
        return self.book.database.read(lambda connection: connection.execute(wanted).all())

    # --- the sounds --------------------------------------------------------------------------------------------------

    def _sounds(self) -> None:
        """Every sound is there and is the one; what lies there without a row gets one."""
        self.progress("sounds")
        rows = self._all(select(RECORDINGS.c.id, RECORDINGS.c.stored_as, RECORDINGS.c.station, RECORDINGS.c.file_name))
        for own, name, _, called in rows:
            self.expected[own], self.names[own] = name, called
            path = self.folder / name
            if not path.is_file():
                self.lost[own] = "is missing"
            elif _heard(path)[1] != own:
                self.lost[own] = "does not hold the samples that were entered"
        self.good = len(rows) - len(self.lost)
        self._look_around()
        station = derived_id("station", self.book.station)
        others = {row.id for row in rows if row.station != station} if self.book.place.path is None else set()
        elsewhere = [own for own, why in self.lost.items() if own in others and why == "is missing"]
        for own in self.lost.keys() - set(elsewhere):
            told = f"(once {self._name(own)}) {self.lost[own]}; --from FOLDER looks for it elsewhere"
            self.faults.append(Finding("sounds", self.expected[own], told))
        if elsewhere:
            self.notes.append(f"sounds that lie with other stations and were not looked at: {len(elsewhere)}")

    def _look_around(self) -> None:
        """Look at every file that is not where a row says, for lost sounds and for such as have no row yet."""
        known = {self.folder / name for name in self.expected.values()}
        strangers = 0
        for path in list(_files((self.folder,))):
            if path in known or SET_ASIDE in path.relative_to(self.folder).parts or _is_young(path):
                continue
            recording, own = _heard(path)
            if recording is not None and own in self.lost:
                self._put_back(own, recording, path)
            elif recording is not None and own not in self.expected:
                # The folder of a server's sounds may serve another database as well.
                if self.book.place.path is None:
                    strangers += 1
                else:
                    self._enter(recording, path)
            elif path != self.folder / self.expected.get(own, ""):
                self._set_aside(path, "was left over")
        if strangers:
            self.notes.append(f"sounds in {shown(self.folder, 200)} that are not of this logbook: {strangers}")
        for path in list(_files(self.search)) if self.lost else ():
            recording, own = _heard(path) if path.suffix.lower() in SOUND_SUFFIXES else (None, "")
            if recording is not None and own in self.lost:
                self._put_back(own, recording, path)

    def _put_back(self, own: str, recording: Recording, path: Path) -> None:
        name = self.expected[own]
        where = self.folder / name
        if not self.mend:
            self.notes.append(f"{shown(path, 200)} is the sound of {self._name(own)}: it would be put back")
            return
        if where.name.partition(".")[0] != own or not inside(name):
            return  # the row is at fault
        if where.exists():
            self._set_aside(where, "was damaged")
        if store_sound(self.folder, recording).file == name:
            del self.lost[own]
            self.good += 1
            self.mended.append(f"the sound of {self._name(own)} was put back from {shown(path, 200)}")

    def _enter(self, recording: Recording, path: Path) -> None:
        """A sound whose writer was stopped before its row."""
        if not self.mend:
            self.notes.append(f"{shown(path.name, 100)} is a sound without a row")
            return
        stored = store_sound(self.folder, recording)
        who = Who(datetime.now(UTC), self.book.station, self.book.operator, SOFTWARE)
        made = sound_entry(stored, recorded_at(path, who.made_utc), who)
        self.book.database.write(lambda connection: insert_new(connection, [*who.entries(), made]))
        self.expected[stored.sha256] = stored.file
        self.good += 1
        self.mended.append(f"the sound {stored.sha256[:12]} had no row and was entered")
        if path != self.folder / stored.file:
            self._set_aside(path, "was left over")

    def _set_aside(self, path: Path, why: str) -> None:
        """Move a file out of the way, under a name that nothing has there."""
        if not self.mend:
            self.notes.append(f"{shown(path.name, 100)} {why} and would be moved to {SET_ASIDE}")
            return
        aside = self.folder / SET_ASIDE
        try:
            make_folder(aside)
            target = aside / f"{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}-{path.name.removeprefix('.')}"
            path.rename(target)
            sync_folder(aside)
        except OSError as problem:
            raise LogbookError(
                f"{shown(path, 200)}: cannot be moved to {SET_ASIDE} ({problem.strerror or problem}); allow writing there"
            ) from problem
        self.mended.append(f"{shown(path.name, 100)} {why} and was moved to {SET_ASIDE}")

    def _name(self, own: str) -> str:
        return f"{shown(self.names.get(own, ''), 60)} ({own[:12]})"


def _unreadable(each: Entry) -> str:
    """Where a row holds a value that is not of its column's kind."""
    wrong = ((column.name, problem_with(column.kind, each.row[column.name])) for column in columns_of(each.table))
    return next((f": column {name}: {problem}" for name, problem in wrong if problem), "")


def _files(folders: Iterable[Path]) -> Iterator[Path]:
    for folder in folders:
        for top, _, names in os.walk(folder):
            yield from sorted(Path(top) / name for name in names)


def _is_young(path: Path) -> bool:
    try:
        return time.time() - path.stat().st_mtime < _AT_WORK_S
    except OSError:
        return True


def _heard(path: Path) -> tuple[Recording | None, str]:
    """What a file holds and its SHA-256; None and "" where it is no sound that can be read."""
    try:
        recording = read_recording(path)
    except (RecordingError, OSError):
        return None, ""
    return recording, sound_sha256(recording)
