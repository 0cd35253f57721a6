"""The logbook: opened, written to and read; one call of a writing method is one transaction, on the disk when it returns."""

from __future__ import annotations

import os
import platform
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from sqlalchemy import Connection, Engine, select

from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import LogbookError, RecordingError, shown
from taptest.io.recording import Recording, read_recording
from taptest.logbook.engine import SOFTWARE, Database, insert_new
from taptest.logbook.history import History, history_of
from taptest.logbook.place import Place, place_of
from taptest.logbook.reading import Reading, SkiPage, SkiSummary, find_ski, list_skis, ski_page, skis_of_pair
from taptest.logbook.rows import (
    Entry,
    Who,
    analysis_entry,
    analysis_id,
    check_entries,
    entries,
    entry,
    file_id,
    is_as_entered,
    recorded_at,
    ski_entry,
    sound_entry,
)
from taptest.logbook.schema import ANALYSES, FILES, RECORDINGS, SKIS, VERDICTS, derived_id
from taptest.logbook.sounds import StoredSound, store_sound
from taptest.screen.result import CheckResult
from taptest.signal.analysis import Analysis

STATION_VARIABLE = "TAPTEST_STATION"
OPERATOR_VARIABLE = "TAPTEST_OPERATOR"

_NAME_CHARACTERS = 100

T = TypeVar("T")


@dataclass(frozen=True)
class Added:
    """What was entered under which id; ``new`` is False where it was in the logbook already and nothing was written."""

    id: str
    new: bool
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Entered:
    """A file of which something was entered: a lot with so many ``skis``, or a recording (None)."""

    file: str
    added: Added
    skis: int | None


def open_logbook(
    where: str | Path | None = None,
    *,
    station: str | None = None,
    operator: str | None = None,
    create: bool = True,
) -> Logbook:
    """Open a logbook, and make it where there is none; used as a context manager it is closed at the end.

    Args:
        where: a file, or ``postgresql://USER@HOST/DATABASE`` without a password; otherwise ``$TAPTEST_LOGBOOK``, otherwise a
            file in the user's data folder.
        station: which bench this is; otherwise ``$TAPTEST_STATION``, otherwise the name of the computer.
        operator: who measures; otherwise ``$TAPTEST_OPERATOR``, otherwise nobody is named.
        create: False where one is only to be read, so that a slip in its name does not make an empty one.

    Raises:
        LogbookError: it cannot be opened, is no logbook, or was made by a newer program; LogbookUnreachable where the server
            does not answer.
    """
    place = place_of(where)
    at = _name(station or os.environ.get(STATION_VARIABLE) or platform.node() or "station", "station")
    by = operator or os.environ.get(OPERATOR_VARIABLE)
    who = _name(by, "operator") if by else None
    return Logbook(Database(place, create=create), station=at, operator=who)


class Logbook:
    """An open logbook, for one thread at a time. ``notes`` are what opening it had to tell."""

    def __init__(self, database: Database, *, station: str, operator: str | None) -> None:
        self.database, self.station, self.operator, self.notes = database, station, operator, database.notes

    def __enter__(self) -> Logbook:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def place(self) -> Place:
        """Where it is."""
        return self.database.place

    @property
    def engine(self) -> Engine:
        """The database, for what works on whole tables; `Database.read` and `Database.write` say how."""
        return self.database.engine

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    # --- writing -----------------------------------------------------------------------------------------------------

    def add_sound(self, recording: Recording, *, at: datetime | None = None) -> str:
        """Keep a recording: its file first, then its row. Returns the sound's SHA-256, by which it is known everywhere.

        Args:
            recording: from a file, whose name and date are kept and by which `analysed` knows it again, or made of samples.
            at: when it was made; otherwise when its file was last changed.

        Raises:
            LogbookError: the file or the row cannot be written.
        """
        who = self._who()
        heard, file = self._hear(store_sound(self.place.sounds, recording), at, who)
        self.database.write(lambda connection: insert_new(connection, [*who.entries(), heard, *file]))
        return heard.id

    def add_analysis(
        self,
        recording: Recording,
        analysis: Analysis,
        settings: Settings | None = None,
        *,
        ski_id: str | None = None,
        at: datetime | None = None,
    ) -> Added:
        """Keep a recording and what was heard in it; the same sound, settings and program give the row that is there.

        It supersedes the last analysis of the same sound.

        Args:
            recording: as for `add_sound`.
            analysis: of this recording.
            settings: with which it was made.
            ski_id: which ski it is, where that is known.
            at: when it was recorded.

        Raises:
            LogbookError: the file or the rows cannot be written.
        """
        who = self._who()
        heard, file = self._hear(store_sound(self.place.sounds, recording), at, who)
        used = settings or Settings()
        return self.database.write(
            lambda connection: self._enter_analysis(connection, heard, analysis, used, who, file, ski_id)
        )

    def add_check(self, result: CheckResult, *, at: datetime | None = None) -> Added:
        """Keep a checked lot: its recordings, its verdicts and what they rest on; all of it or nothing.

        Made again from the same lot, sounds, settings and calibrations with the same outcome it is the check that is there.
        A verdict supersedes the last one on the same sounds of the same ski; verdicts on other sounds stand side by side.
        What was heard in each recording is entered as well where the skis have kept their analyses. Recordings that
        `taptest.logbook.sounds.try_to_store` was given while they were analysed (``keep`` of `measure_lot`) are not read again.

        Args:
            result: what was judged; of its recordings those are kept that can be read.
            at: when the skis were measured; otherwise when their recordings were made.

        Raises:
            LogbookError: a file or a row cannot be written; nothing of the check is entered then.
        """
        who = self._who()
        sounds: dict[str, list[Entry]] = {}
        kept: list[Entry] = []
        heard_at: dict[str, Entry] = {}
        for row in result.lot.rows:
            for path in row.recordings:
                try:
                    heard, file = self._known(path) or self._hear(self._stored(path, result), at, who)
                except RecordingError:  # the check has said so
                    continue
                sounds.setdefault(row.ski_id, []).append(heard)
                kept += [heard, *file]
                heard_at[str(path)] = heard
        around, check, verdicts = check_entries(result, sounds, at, who)

        def enter(connection: Connection) -> Added:
            insert_new(connection, [*who.entries(), *around, *kept])
            for ski in result.skis:
                for analysis in ski.analyses:
                    if (heard := heard_at.get(analysis.path)) is not None:
                        self._enter_analysis(connection, heard, analysis, result.settings, who, (), ski.ski_id)
            new_check = bool(insert_new(connection, [check]))
            # A merge that was interrupted may have left a check without some of its verdicts.
            there = connection.scalars(select(VERDICTS.c.id).where(VERDICTS.c.lot_check == check.id)).all()
            new = [each for each in verdicts if each.id not in there]
            if not new_check and not new:
                return Added(check.id, new=False)
            before = verdicts_before(connection, new)
            insert_new(connection, [_superseding(each, before) for each in new])
            return Added(check.id, new=True, notes=(*_unlike(connection, new), *_turned(result, new, before)))

        return self.database.write(enter)

    # --- reading -----------------------------------------------------------------------------------------------------

    def analysed(self, sound: str | Path, settings: Settings | None = None) -> bool:
        """Whether this program has analysed a sound with these settings.

        Args:
            sound: its SHA-256, or the path of a file, which is known by path, size and date without being read.
            settings: for the analysis.

        Raises:
            LogbookError: the logbook cannot be read.
        """

        def ask(reading: Reading) -> bool:
            connection = reading.connection
            sha256: str | None
            if isinstance(sound, Path):
                file = file_id(self.station, sound)
                sha256 = connection.scalar(select(FILES.c.recording).where(FILES.c.id == file))
            else:
                sha256 = sound
            if sha256 is None:
                return False
            own = analysis_id(sha256, settings or Settings(), SOFTWARE)
            return connection.scalar(select(ANALYSES.c.id).where(ANALYSES.c.id == own)) is not None

        return self._ask(ask)

    def skis(
        self,
        find: str = "",
        *,
        verdict: str | None = None,
        construction: str | None = None,
        limit: int = 50,
    ) -> tuple[tuple[SkiSummary, ...], bool]:
        """Skis with their last verdict, the one measured last first, and whether there are more than ``limit``.

        Args:
            find: part of the ski's or the pair's id, whatever its capitals.
            verdict: only skis whose last verdict this is.
            construction: only skis that were last judged as this.
            limit: how many at most.

        Raises:
            LogbookError: the logbook cannot be read.
        """
        return self._ask(lambda reading: list_skis(reading, find, verdict, construction, limit))

    def ski(self, ski_id: str) -> SkiPage:
        """The last verdict on a ski with its modes, recordings and what it rests on.

        Raises:
            LogbookError: there is no such ski, or the logbook cannot be read.
        """
        return self._ask(lambda reading: ski_page(reading, find_ski(reading, ski_id, self.place.name)))

    def history(self, ski_id: str, *, superseded: bool = False) -> History:
        """Every measurement of a ski, the first one first, with its change against that.

        Args:
            ski_id: as written on the ski.
            superseded: verdicts that a later one on the same sounds has replaced as well.

        Raises:
            LogbookError: there is no such ski, or the logbook cannot be read.
        """
        return self._ask(
            lambda reading: history_of(reading, find_ski(reading, ski_id, self.place.name), superseded=superseded)
        )

    def histories(self, name: str, *, superseded: bool = False) -> tuple[History, ...]:
        """The history of a ski; or, where ``name`` is no ski but a pair, that of each of its skis.

        Args:
            name: the id of a ski or of a pair.
            superseded: as for `history`.

        Raises:
            LogbookError: there is neither, or the logbook cannot be read.
        """

        def ask(reading: Reading) -> tuple[History, ...]:
            found = skis_of_pair(reading, name) or (find_ski(reading, name, self.place.name),)
            return tuple(history_of(reading, each, superseded=superseded) for each in found)

        return self._ask(ask)

    # --- how ---------------------------------------------------------------------------------------------------------

    def _who(self) -> Who:
        return Who(datetime.now(UTC), self.station, self.operator, SOFTWARE)

    def _hear(self, stored: StoredSound, at: datetime | None, who: Who) -> tuple[Entry, list[Entry]]:
        """The row of a sound in the store, and that of the file it came from, where it came from one."""
        path = Path(stored.path)
        recorded_utc = self._recorded_before(stored.sha256) or at or recorded_at(path, who.made_utc)
        heard = sound_entry(stored, recorded_utc, who)
        seen = file_id(self.station, path)
        row = {"id": seen, "recording": stored.sha256, "made_utc": who.made_utc}
        return heard, [] if seen is None else [entry(FILES, row)]

    def _known(self, path: Path) -> tuple[Entry, list[Entry]] | None:
        """A file that was seen before and has not changed, without decoding it; None where it or its sound is not there."""
        own = file_id(self.station, path)

        def ask(connection: Connection) -> list[Entry]:
            sha256 = connection.scalar(select(FILES.c.recording).where(FILES.c.id == own))
            return [] if sha256 is None else entries(connection, RECORDINGS, [sha256])

        for found in self.database.read(ask) if own is not None else ():
            row = found.row
            if is_as_entered(found) and (self.place.sounds / row["stored_as"]).is_file():
                return found, []
        return None

    def _stored(self, path: Path, result: CheckResult) -> StoredSound:
        """A recording in the store: put there where it was read to be analysed, or read once more.

        Raises:
            RecordingError: it cannot be read.
            LogbookError: it cannot be written.
        """
        stored = (each for ski in result.skis for each in ski.kept if isinstance(each, StoredSound))
        for each in stored:
            if each.path == str(path) and (self.place.sounds / each.file).is_file():
                return each
        return store_sound(self.place.sounds, read_recording(path))

    def _recorded_before(self, sha256: str) -> datetime | None:
        wanted = select(RECORDINGS.c.recorded_utc).where(RECORDINGS.c.id == sha256)
        found = self.database.read(lambda connection: connection.scalar(wanted))
        return found if isinstance(found, datetime) else None

    def _enter_analysis(
        self,
        connection: Connection,
        heard: Entry,
        analysis: Analysis,
        settings: Settings,
        who: Who,
        around: Iterable[Entry],
        ski_id: str | None,
    ) -> Added:
        sound = heard.id
        ski = [] if ski_id is None else [ski_entry(ski_id, who.made_utc)]
        insert_new(connection, [*who.entries(), *ski, heard, *around])
        latest = (
            select(ANALYSES.c.id)
            .where(ANALYSES.c.recording == sound)
            .order_by(ANALYSES.c.made_utc.desc(), ANALYSES.c.id.desc())
            .limit(1)
        )
        made = analysis_entry(
            sound,
            analysis,
            settings,
            who,
            measured_utc=heard.row["recorded_utc"],
            ski_id=ski_id,
            supersedes=connection.scalar(latest),
        )
        return Added(made.id, new=bool(insert_new(connection, [made])))

    def _ask(self, work: Callable[[Reading], T]) -> T:
        """What a function reads; rows that were damaged and left out are told in ``notes``."""

        def ask(connection: Connection) -> T:
            reading = Reading(connection)
            try:
                return work(reading)
            finally:
                self.notes = tuple(dict.fromkeys((*self.notes, *reading.damaged)))

        return self.database.read(ask)


def _name(text: str, what: str) -> str:
    cleaned = " ".join("".join(each if each.isprintable() else " " for each in text).split())
    if not cleaned or len(cleaned) > _NAME_CHARACTERS:
        raise LogbookError(f"the {what} is {shown(text)!r}; give it a name of 1 to {_NAME_CHARACTERS} characters")
    return cleaned


def verdicts_before(connection: Connection, verdicts: Sequence[Entry]) -> dict[str, tuple[str, str]]:
    """By the id of a new verdict, id and word of the last one on the same sounds of the same ski."""
    before: dict[str, tuple[str, str]] = {}
    for verdict in verdicts:
        ski, key = verdict.row["ski"], verdict.row["sounds_key"]
        latest = (
            select(VERDICTS.c.id, VERDICTS.c.verdict)
            .where(VERDICTS.c.ski == ski, VERDICTS.c.sounds_key == key)
            .order_by(VERDICTS.c.made_utc.desc(), VERDICTS.c.id.desc())
        )
        found = connection.execute(latest.limit(1)).first() if key else None
        if found is not None:
            before[verdict.id] = (found.id, found.verdict)
    return before


def _superseding(verdict: Entry, before: Mapping[str, tuple[str, str]]) -> Entry:
    """The same verdict, naming the one that it replaces, if any."""
    return verdict.with_id(verdict.id, supersedes=before[verdict.id][0]) if verdict.id in before else verdict


def _turned(result: CheckResult, verdicts: Sequence[Entry], before: Mapping[str, tuple[str, str]]) -> Iterator[str]:
    """Skis that the same sounds had set aside before, and do no longer: the company that they were judged in may be why."""
    names = {derived_id("ski", ski.ski_id): ski.ski_id for ski in result.skis}
    for verdict in verdicts:
        word = verdict.row["verdict"]
        if before.get(verdict.id, ("", ""))[1] == "outlier" and word != "outlier":
            yield (
                f"ski {shown(names[verdict.row['ski']])} was an outlier on the same sound before and is '{word}' in this lot, "
                "which may be for want of others of its kind: 'taptest log history --all' shows both"
            )


def _unlike(connection: Connection, verdicts: Sequence[Entry]) -> Iterator[str]:
    """Skis that had another length before: two skis under one id would be taken for one that has changed."""
    for verdict in verdicts:
        length_m = verdict.row["length_m"]
        others = select(VERDICTS.c.length_m).where(
            VERDICTS.c.ski == verdict.row["ski"], VERDICTS.c.id != verdict.id, VERDICTS.c.length_m.is_not(None)
        )
        before = connection.scalar(others.order_by(VERDICTS.c.made_utc.desc()).limit(1))
        if before is not None and length_m is not None and abs(before - length_m) > LIMITS.logbook.same_length_m:
            ski_id = connection.scalar(select(SKIS.c.ski_id).where(SKIS.c.id == verdict.row["ski"]))
            yield (
                f"ski {shown(ski_id)} is {1000 * length_m:.0f} mm long and was {1000 * before:.0f} mm in the logbook: if they "
                "are two skis, give each an id of its own"
            )
