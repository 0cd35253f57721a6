"""What another logbook has and this one has not, entered here, its sounds included.

This is the one way in for what comes from elsewhere: another logbook, what a station has kept without its server
(`taptest.logbook.waiting`), a folder of tables (`taptest.logbook.importing`). Nothing is changed and nothing is left out for
being different. Ids come from the contents, so what both have is there once, and who entered it first stands. Where the same id
says other things in the two, the other one's row is entered as well, under an id made of the first one and of what it says; so
that merging again, or back, or by way of a third logbook enters nothing twice. Every step is a transaction of its own, and a
merge that was interrupted is finished by the next one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import Any

from sqlalchemy import Table, select

from taptest.config.limits import LIMITS
from taptest.core.errors import LogbookError, RecordingError, shown
from taptest.io.recording import read_recording
from taptest.logbook.book import Logbook
from taptest.logbook.engine import in_chunks, insert_new
from taptest.logbook.rows import Entry, Finding, core_of, entries, is_as_entered
from taptest.logbook.schema import (
    BELOW,
    PAIRS,
    RECORDINGS,
    SKIS,
    VERDICTS,
    below,
    derived_id,
    references,
    tables_with_ids,
)
from taptest.logbook.sounds import inside, keep_file
from taptest.signal.identity import sound_sha256

_KINDS = {"analyses": "analysis", "checks": "check", "verdicts": "verdict"}


@dataclass(frozen=True)
class Merged:
    """What came of it: new rows by table, how many were ``known``, copied sounds, what was left out and why.

    ``conflicts``: of what the two say different things; both are kept.
    """

    source: str
    target: str
    entered: Mapping[str, int]
    known: int
    sounds_copied: int
    conflicts: tuple[Finding, ...]
    left_out: tuple[str, ...]
    sounds_missing: tuple[str, ...]

    @property
    def anything_new(self) -> bool:
        return bool(self.sounds_copied) or any(self.entered.values())


@dataclass(frozen=True)
class Source:
    """A logbook that is read from; whatever else stands behind it says where rows and sounds come from."""

    book: Logbook

    @property
    def name(self) -> str:
        return self.book.place.name

    def refusal(self, each: Entry, column: str, why: str) -> str:
        """Why a row does not come in; ``column``: where that shows."""
        del column
        return (
            f"{self.name}: a row of {each.table.name} ({shown(each.id, 12)}) {why} and was left out; 'taptest log verify' looks"
            " closer"
        )

    def damaged(self, each: Entry) -> str:
        """As `refusal`, of a row that is not what was entered."""
        return self.refusal(each, "digest", "is damaged")

    def sound(self, recording: Entry) -> Path | None:
        """The file of a recording, if there is one."""
        name = recording.row["stored_as"]
        path = self.book.place.sounds / name
        return path if inside(name) and path.is_file() else None


def merge_logbooks(
    target: Logbook, source: Logbook | Source, *, progress: Callable[[str], None] | None = None
) -> Merged:
    """Enter in ``target`` what ``source`` has and it has not; ``source`` is only read.

    Args:
        target: is written to.
        source: another logbook.
        progress: is told which table is being taken over.

    Raises:
        LogbookError: both are the same logbook, one cannot be read or the other not written; what was taken over until
            then is there, and merging once more does the rest.
    """
    other = source if isinstance(source, Source) else Source(source)
    here, there = target.place, other.book.place
    same_file = here.path and there.path and here.path.absolute() == there.path.absolute()
    if same_file or (here.url and here.url == there.url):
        raise LogbookError(f"{other.name}: is the logbook that it would be merged into; name another one")
    return _Merge(target, other).run(progress or (lambda _: None))


@dataclass
class _Merge:
    target: Logbook
    source: Source
    entered: dict[str, int] = field(default_factory=dict)
    conflicts: list[Finding] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    copied: int = 0
    there: dict[str, dict[str, str | None]] = field(default_factory=dict)  # digests in the source by table and id
    here: dict[str, dict[str, str | None]] = field(default_factory=dict)  # digests in the target before the merge
    refused: dict[str, set[str]] = field(default_factory=dict)  # ids in the source that are not taken over
    alias: dict[str, str] = field(default_factory=dict)  # ids in the source that are a row under another id here
    unlike: dict[str, set[str]] = field(default_factory=dict)  # ids that say something else in the two

    def run(self, progress: Callable[[str], None]) -> Merged:
        for table in tables_with_ids():
            name = table.name
            self.there[name], self.here[name] = (_digests(each, table) for each in (self.source.book, self.target))
            self.refused[name] = set()
            self.unlike[name] = set()
            if name in _KINDS:
                self._compare(table)
        for table in tables_with_ids():
            progress(table.name)
            self._rows(table)
        self.conflicts += self._skis()
        known = sum(map(len, self.there.values())) - sum(map(len, self.refused.values())) - sum(self.entered.values())
        return Merged(
            self.source.name,
            self.target.place.name,
            self.entered,
            known,
            self.copied,
            tuple(self.conflicts),
            tuple(self.left_out),
            tuple(self.missing),
        )

    def _compare(self, table: Table) -> None:
        """Find ids that say something else in the two, and rows that are here under another id."""
        there, here = self.there[table.name], self.here[table.name]
        for chunk in in_chunks([own for own, digest in there.items() if here.get(own, digest) != digest]):
            theirs = {each.id: each for each in _entries(self.source.book, table, chunk)}
            for own in _entries(self.target, table, chunk):
                other = theirs[own.id]
                own_core = core_of(own)
                if own_core != core_of(other) and is_as_entered(other):
                    self.unlike[table.name].add(own.id)
                    self.alias[derived_id("variant", own.id, own_core)] = own.id

    def _rows(self, table: Table) -> None:
        """Take over the rows of a table, each after the one that it supersedes."""
        here, unlike = self.here[table.name], self.unlike[table.name]
        wanted = [own for own in self.there[table.name] if (own not in here and own not in self.alias) or own in unlike]
        left = set(wanted)
        while wanted:
            later: list[Entry] = []
            for chunk in in_chunks(wanted):
                fresh: list[Entry] = []
                for each in _entries(self.source.book, table, chunk):
                    before = each.row.get("supersedes")
                    if before != each.id and before in left:
                        later.append(each)
                        continue
                    left.discard(each.id)
                    taken = self._taken(each)
                    if taken is not None:
                        fresh.append(taken)
                self._enter(table, fresh)
            if len(later) == len(wanted):
                for each in later:
                    self._refuse(each, "supersedes", "supersedes what supersedes it")
                return
            wanted = [each.id for each in later]

    def _taken(self, each: Entry) -> Entry | None:
        """A row as it is to be entered here; None, and a word about it, where it is damaged or refers to what is."""
        name = each.table.name
        if not is_as_entered(each):
            self.refused[name].add(each.id)
            self.left_out.append(self.source.damaged(each))
            return None
        for column, named, value in _named_by(each):
            known = (value in self.there[named] and value not in self.refused[named]) or value in self.here[named]
            if not known and not (named == name and value == each.id):
                self._refuse(each, column, f"refers to something in {named} that is missing or damaged", value)
                return None
        before = each.row.get("supersedes")
        after = self.alias.get(before, before) if before else before
        if each.id not in self.unlike[name]:
            return each if after == before else each.with_id(each.id, supersedes=after)
        own = derived_id("variant", each.id, core_of(each))
        if own not in self.here[name]:
            self._conflict(each)
        return each.with_id(own, **({"supersedes": after} if "supersedes" in each.row else {}))

    def _refuse(self, each: Entry, column: str, why: str, value: str = "") -> None:
        self.refused[each.table.name].add(each.id)
        self.left_out.append(self.source.refusal(each, f"{column}: '{shown(value)}'" if value else column, why))

    def _conflict(self, each: Entry) -> None:
        kind = _KINDS[each.table.name]
        what = f"{kind} {each.id[:12]}"
        if each.row.get("ski"):
            wanted = select(SKIS.c.ski_id).where(SKIS.c.id == each.row["ski"])
            name = self.source.book.database.read(lambda connection: connection.scalar(wanted))
            what = f"ski {shown(name)}: the {kind} {each.id[:12]}"
        self.conflicts.append(
            Finding(kind, each.id, f"{what} was made from the same sounds and says something else here; both are kept")
        )

    def _enter(self, table: Table, fresh: Sequence[Entry]) -> None:
        """All of it in one transaction, sounds first."""
        if table is RECORDINGS:
            for each in fresh:
                self._copy_sound(each)
        if fresh:
            new = self.target.database.write(lambda connection: insert_new(connection, fresh))
            self.entered[table.name] = self.entered.get(table.name, 0) + len(new)

    def _copy_sound(self, each: Entry) -> None:
        """Put a sound into the store of this logbook, if the other one's is what it should be."""
        name = each.row["stored_as"]
        source = self.source.sound(each)
        if (self.target.place.sounds / name).exists():
            return
        if source is None:
            self.missing.append(name)
            return
        try:
            wrong = (
                "" if sound_sha256(read_recording(source)) == each.id else f"{source}: is another sound than this one"
            )
            data = source.read_bytes()
        except (RecordingError, OSError) as problem:
            wrong = str(problem)
        if wrong:
            self.missing.append(name)
            self.left_out.append(f"{shown(wrong, 400)}, so it was left out; copy it again and start again")
            return
        keep_file(self.target.place.sounds / name, data)
        self.copied += 1

    def _skis(self) -> Iterator[Finding]:
        """Skis of which the two logbooks say other things than that they were measured again."""
        theirs, ours = _last_known(self.source.book, {}), _last_known(self.target, self.there["verdicts"])
        for ski in sorted(theirs.keys() & ours.keys()):
            name, here, there = theirs[ski]["ski_id"], ours[ski], theirs[ski]
            unlike = [
                f"{what} {_told(here[key], scale, unit)} here and {_told(there[key], scale, unit)} there"
                for what, key, scale, unit in _OF_SKI
                if _differ(key, here[key], there[key])
            ]
            if unlike:
                told = f"ski {shown(name)}: {', '.join(unlike)}; both are kept: if they are two skis, give each an id of its own"
                yield Finding("ski", name, told)


def _digests(book: Logbook, table: Table) -> dict[str, str | None]:
    """The digests of all rows of a table by their ids, None where it has none; what was made first comes first."""
    columns = (table.c.id, *((table.c.digest,) if table.name in BELOW else ()))
    wanted = select(*columns).order_by(table.c.made_utc, table.c.id)
    rows = book.database.read(lambda connection: connection.execute(wanted).all())
    return {row[0]: row[1] if len(row) > 1 else None for row in rows}


def _entries(book: Logbook, table: Table, wanted: Sequence[str]) -> list[Entry]:
    return book.database.read(lambda connection: entries(connection, table, wanted))


def _named_by(each: Entry) -> Iterator[tuple[str, str, str]]:
    """What a row and the rows below it refer to (column, table, id), but for what they belong to."""
    for column, named in references(each.table):
        if each.row[column.name] is not None:
            yield column.name, named.name, each.row[column.name]
    for child, own in below(each.table):
        for column, named in references(child):
            if column.name != own:
                for row in each.below.get(child.name, ()):
                    yield f"{column.name} of {child.name}", named.name, row[column.name]


_OF_SKI: tuple[tuple[str, str, float, str], ...] = (
    ("mass", "mass_kg", 1000.0, " g"),
    ("length", "length_m", 1000.0, " mm"),
    ("construction", "construction", 0.0, ""),
    ("pair", "pair_id", 0.0, ""),
)


def _told(value: Any, scale: float, unit: str) -> str:
    return f"{scale * value:.0f}{unit}" if scale else shown(PurePath(value).stem, 40)


def _differ(key: str, one: Any, other: Any) -> bool:
    if one is None or other is None:
        return False
    if key == "mass_kg":
        return bool(abs(one - other) > LIMITS.logbook.same_mass_rel * max(one, other))
    if key == "length_m":
        return bool(abs(one - other) > LIMITS.logbook.same_length_m)
    return PurePath(one).stem != PurePath(other).stem


def _last_known(book: Logbook, apart: Mapping[str, object]) -> dict[str, dict[str, Any]]:
    """What the last verdict on every ski says of the ski itself; verdicts ``apart`` do not count."""
    own = (VERDICTS.c[name] for name in ("id", "ski", "mass_kg", "length_m", "construction"))
    wanted = (
        select(*own, SKIS.c.ski_id, PAIRS.c.pair_id)
        .join(SKIS, SKIS.c.id == VERDICTS.c.ski)
        .outerjoin(PAIRS, PAIRS.c.id == VERDICTS.c.pair)
        .order_by(VERDICTS.c.measured_utc, VERDICTS.c.made_utc, VERDICTS.c.id)
    )
    rows = book.database.read(lambda connection: connection.execute(wanted).mappings().all())
    return {row["ski"]: dict(row) for row in rows if row["id"] not in apart}
