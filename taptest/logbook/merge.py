"""Two logbooks joined: what the other one has and this one has not is entered here, its sounds included.

Nothing is changed and nothing is left out for being different. Ids come from the contents, so what both have is there once,
and who entered it first stands. Where the same id says other things in the two, the other one's row is entered as well, under
an id made of the first one and of what it says; so that merging again, or back, or by way of a third logbook enters nothing
twice. Every step is a transaction of its own, and a merge that was interrupted is finished by the next one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any

from sqlalchemy import Connection, Table, select

from taptest.core.durable import write_durably
from taptest.core.errors import LogbookError, RecordingError, shown
from taptest.io.recording import read_recording
from taptest.logbook.book import Logbook
from taptest.logbook.contents import (
    AT_ONCE,
    core_of,
    entries,
    ids,
    in_chunks,
    is_whole,
    named_rightly,
    reading,
    references,
    tables_with_ids,
    under_another_id,
)
from taptest.logbook.entering import SAME_LENGTH_M, in_one_transaction, insert_new
from taptest.logbook.rows import Entry
from taptest.logbook.schema import ANALYSES, BELOW, CHECKS, PAIRS, RECORDINGS, SKIS, VERDICTS, derived_id
from taptest.logbook.sounds import inside, make_folder
from taptest.signal.identity import sound_sha256

_SAME_MASS = 0.02  # by which a ski is weighed otherwise the next time, and no more (common practice, no source)
_KINDS = {"analyses": "analysis", "checks": "check", "verdicts": "verdict"}


@dataclass(frozen=True)
class Conflict:
    """Something of which both logbooks say different things; both are kept. ``kind``: ski, analysis, check or verdict."""

    kind: str
    id: str
    told: str


@dataclass(frozen=True)
class Merged:
    """What came of a merge: new rows by table, copied sounds, conflicts, and what could not be taken over and why."""

    source: str
    target: str
    entered: Mapping[str, int]
    sounds_copied: int
    conflicts: tuple[Conflict, ...]
    left_out: tuple[str, ...]
    sounds_missing: tuple[str, ...]

    @property
    def anything_new(self) -> bool:
        return bool(self.sounds_copied) or any(self.entered.values())


def merge_logbooks(target: Logbook, source: Logbook, *, progress: Callable[[str], None] | None = None) -> Merged:
    """Enter in ``target`` what ``source`` has and it has not; ``source`` is only read.

    Args:
        target: is written to.
        source: another logbook.
        progress: is told which table is being taken over.

    Raises:
        LogbookError: both are the same logbook, one cannot be read or the other not written; what was taken over until
            then is there, and merging once more does the rest.
    """
    same_file = target.place.path and source.place.path and target.place.path.absolute() == source.place.path.absolute()
    if same_file or (target.place.url and target.place.url == source.place.url):
        raise LogbookError(f"{source.place.name}: is the logbook that it would be merged into; name another one")
    return _Merge(target, source).run(progress or (lambda _: None))


@dataclass
class _Merge:
    target: Logbook
    source: Logbook
    entered: dict[str, int] = field(default_factory=dict)
    conflicts: list[Conflict] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    copied: int = 0
    there: dict[str, frozenset[str]] = field(default_factory=dict)  # ids in the source, by table
    here: dict[str, frozenset[str]] = field(default_factory=dict)  # ids in the target before the merge, by table
    refused: dict[str, set[str]] = field(default_factory=dict)  # ids in the source that are not taken over
    alias: dict[str, str] = field(default_factory=dict)  # ids in the source that are a row under another id here
    unlike: dict[str, set[str]] = field(default_factory=dict)  # ids that say something else in the two

    def run(self, progress: Callable[[str], None]) -> Merged:
        for table in tables_with_ids():
            self.there[table.name] = ids(self.source, table)
            self.here[table.name] = ids(self.target, table)
            self.refused[table.name] = set()
            self.unlike[table.name] = set()
        for table in (ANALYSES, CHECKS, VERDICTS):
            self._compare(table)
        for table in tables_with_ids():
            progress(table.name)
            if table.name == "verdicts":
                continue
            if table.name == "checks":
                self._checks()
            else:
                self._rows(table)
        self.conflicts += self._skis()
        return Merged(
            source=self.source.place.name,
            target=self.target.place.name,
            entered=self.entered,
            sounds_copied=self.copied,
            conflicts=tuple(self.conflicts),
            left_out=tuple(self.left_out),
            sounds_missing=tuple(self.missing),
        )

    def _compare(self, table: Table) -> None:
        """Find ids that say something else in the two, and rows that are here under another id."""
        both = sorted(self.there[table.name] & self.here[table.name])
        for chunk in in_chunks(both):
            theirs = {each.id: each for each in self._read(self.source, table, chunk)}
            for own in self._read(self.target, table, chunk):
                other = theirs.get(own.id)
                if other is None or other.row["digest"] == own.row["digest"]:
                    continue
                own_core, other_core = core_of(own), core_of(other)
                if own_core == other_core or not is_whole(other):
                    continue
                self.unlike[table.name].add(own.id)
                self.alias[derived_id("variant", own.id, own_core)] = own.id

    def _rows(self, table: Table) -> None:
        """Take over the rows of a table, those that others supersede first."""
        wanted = [own for own in self._in_order(table) if self._wanted(table, own)]
        for chunk in in_chunks(wanted):
            fresh = [made for each in self._read(self.source, table, chunk) if (made := self._taken(each)) is not None]
            if table is RECORDINGS:
                for each in fresh:
                    self._copy_sound(each)
            # One after the other where a row may name another one of the same chunk.
            self._enter([[each] for each in self._sorted(fresh, chunk)] if table is ANALYSES else [fresh])

    def _checks(self) -> None:
        """Take over checks with their verdicts: a check that is there has all its verdicts."""

        def ask(connection: Connection) -> list[Any]:
            wanted = select(VERDICTS.c.id, VERDICTS.c.lot_check, VERDICTS.c.supersedes)
            return list(connection.execute(wanted.order_by(VERDICTS.c.made_utc, VERDICTS.c.id)))

        of_check: dict[str, list[str]] = {own: [] for own in self.there["checks"]}
        check_of, before = {}, {}
        for own, check, supersedes in reading(self.source, ask):
            of_check.setdefault(check, []).append(own)
            check_of[own] = check
            before[own] = supersedes
        needs = {
            check: [check_of[before[own]] for own in verdicts if before[own] in check_of]
            for check, verdicts in of_check.items()
        }
        ready: list[list[Entry]] = []
        for check in _needed_first(needs):
            verdicts = [own for own in of_check[check] if self._wanted(VERDICTS, own)]
            if not verdicts and not self._wanted(CHECKS, check):
                continue
            taken = [self._taken(each) for each in self._read(self.source, CHECKS, [check])]
            new_check = taken if self._wanted(CHECKS, check) else []
            if not taken or (new_check and new_check[0] is None):
                self.refused["verdicts"] |= set(of_check[check])
                continue
            made = [
                self._taken(each) for chunk in in_chunks(verdicts) for each in self._read(self.source, VERDICTS, chunk)
            ]
            ready.append([each for each in (*new_check, *made) if each is not None])
            if sum(map(len, ready)) >= AT_ONCE:
                self._enter(ready)
                ready = []
        self._enter(ready)

    def _wanted(self, table: Table, own: str) -> bool:
        return (own not in self.here[table.name] and own not in self.alias) or own in self.unlike[table.name]

    def _taken(self, each: Entry) -> Entry | None:
        """A row as it is to be entered here; None, and a word about it, where it is damaged or refers to what is."""
        table = each.table
        if (table.name in BELOW and not is_whole(each)) or not named_rightly(table, each.row):
            self._refuse(each, "is damaged")
            return None
        for row, its_table in [(each.row, table), *((row, child) for child, _ in self._children(each) for row in _)]:
            for column, named in references(its_table):
                value = row[column.name]
                if value is None or (named is table and value == each.id):
                    continue
                if value not in self.there[named.name] or value in self.refused[named.name]:
                    self._refuse(each, f"refers to something in {named.name} that is missing or damaged")
                    return None
        before = each.row.get("supersedes")
        after = self.alias.get(before, before) if before else before
        if each.id in self.unlike[table.name]:
            own = derived_id("variant", each.id, core_of(each))
            if own not in self.here[table.name]:
                self._conflict(each)
            return under_another_id(each, own, after)
        return each if after == before else under_another_id(each, each.id, after)

    def _children(self, each: Entry) -> list[tuple[Table, Sequence[Mapping[str, Any]]]]:
        return [(child, each.below.get(child.name, ())) for child, _ in BELOW.get(each.table.name, ())]

    def _refuse(self, each: Entry, why: str) -> None:
        self.refused[each.table.name].add(each.id)
        self.left_out.append(
            f"{self.source.place.name}: a row of {each.table.name} ({each.id[:12]}) {why} and was left out; "
            "'taptest log verify' looks closer"
        )

    def _conflict(self, each: Entry) -> None:
        kind = _KINDS[each.table.name]
        what = f"{kind} {each.id[:12]}"
        if each.row.get("ski"):
            name = reading(self.source, lambda c: c.scalar(select(SKIS.c.ski_id).where(SKIS.c.id == each.row["ski"])))
            what = f"ski {shown(name)}: the {kind} {each.id[:12]}"
        self.conflicts.append(
            Conflict(kind, each.id, f"{what} was made from the same sounds and says something else here; both are kept")
        )

    def _enter(self, groups: Sequence[Sequence[Entry]]) -> None:
        """All of it in one transaction, group after group."""

        def work(connection: Connection) -> dict[str, int]:
            new: dict[str, int] = {}
            for group in groups:
                for table in {each.table.name: each.table for each in group}.values():
                    fresh = insert_new(connection, [each for each in group if each.table is table])
                    new[table.name] = new.get(table.name, 0) + len(fresh)
            return new

        if any(groups):
            for name, count in in_one_transaction(self.target.engine, self.target.place, work).items():
                self.entered[name] = self.entered.get(name, 0) + count

    def _copy_sound(self, each: Entry) -> None:
        """Put a sound into the store of this logbook, if the other one's is what it should be."""
        name = each.row["stored_as"]
        where = self.target.place.sounds / name
        if where.exists():
            return
        source = self.source.place.sounds / name
        try:
            if not inside(name) or sound_sha256(read_recording(source)) != each.id:
                raise RecordingError("other samples")
            data = source.read_bytes()
        except (RecordingError, OSError):
            self.missing.append(name)
            return
        try:
            make_folder(where.parent)
            write_durably(where, data)
        except OSError as problem:
            raise LogbookError(
                f"{shown(where.parent, 200)}: a sound cannot be kept there ({problem.strerror or problem}); make room on the "
                "disk or allow writing, and merge once more"
            ) from problem
        self.copied += 1

    def _in_order(self, table: Table) -> list[str]:
        if "supersedes" not in table.columns:
            return sorted(self.there[table.name])
        pairs = reading(
            self.source,
            lambda connection: connection.execute(
                select(table.c.id, table.c.supersedes).order_by(table.c.made_utc, table.c.id)
            ).all(),
        )
        known = self.there[table.name]
        return _needed_first({own: [before] if before in known else [] for own, before in pairs})

    @staticmethod
    def _sorted(fresh: Sequence[Entry], order: Sequence[str]) -> list[Entry]:
        place = {own: number for number, own in enumerate(order)}
        return sorted(fresh, key=lambda each: place.get(each.id, len(order)))

    @staticmethod
    def _read(book: Logbook, table: Table, wanted: Sequence[str]) -> list[Entry]:
        return reading(book, lambda connection: entries(connection, table, wanted))

    def _skis(self) -> list[Conflict]:
        """Skis of which the two logbooks say other things than that they were measured again."""
        theirs, ours = _last_known(self.source, ()), _last_known(self.target, self.there["verdicts"])
        found = []
        for ski in sorted(theirs.keys() & ours.keys()):
            name, here, there = theirs[ski]["ski_id"], ours[ski], theirs[ski]
            unlike = [
                f"{what} {_told(here[key], scale, unit)} here and {_told(there[key], scale, unit)} there"
                for what, key, scale, unit in _OF_SKI
                if _differ(key, here[key], there[key])
            ]
            if unlike:
                told = f"ski {shown(name)}: {', '.join(unlike)}; both are kept: if they are two skis, give each an id of its own"
                found.append(Conflict("ski", name, told))
        return found


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
        return bool(abs(one - other) > _SAME_MASS * max(one, other))
    if key == "length_m":
        return bool(abs(one - other) > SAME_LENGTH_M)
    return PurePath(one).stem != PurePath(other).stem


def _last_known(book: Logbook, apart: frozenset[str] | tuple[str, ...]) -> dict[str, Mapping[str, Any]]:
    """What the last verdict on every ski says of the ski itself; verdicts ``apart`` do not count."""

    def ask(connection: Connection) -> dict[str, Mapping[str, Any]]:
        wanted = (
            select(
                VERDICTS.c.id,
                VERDICTS.c.ski,
                SKIS.c.ski_id,
                PAIRS.c.pair_id,
                *(VERDICTS.c[name] for name in ("mass_kg", "length_m", "construction")),
            )
            .join(SKIS, SKIS.c.id == VERDICTS.c.ski)
            .outerjoin(PAIRS, PAIRS.c.id == VERDICTS.c.pair)
            .order_by(VERDICTS.c.measured_utc, VERDICTS.c.made_utc, VERDICTS.c.id)
        )
        return {row["ski"]: dict(row) for row in connection.execute(wanted).mappings() if row["id"] not in apart}

    return reading(book, ask)


def _needed_first(needs: Mapping[str, Sequence[str]]) -> list[str]:
    """Keys in their order, but each after those that it needs."""
    done: dict[str, None] = {}
    for key in needs:
        stack = [(key, iter(needs[key]))]
        open_ = {key}
        while stack and key not in done:
            own, rest = stack[-1]
            following = next((each for each in rest if each not in done and each not in open_), None)
            if following is None:
                done[own] = None
                stack.pop()
            else:
                open_.add(following)
                stack.append((following, iter(needs.get(following, ()))))
    return list(done)
