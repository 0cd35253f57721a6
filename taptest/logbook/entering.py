"""Rows into the tables: what is there already stays, what is new goes in whole; and what there is to say about a new verdict."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from sqlalchemy import Connection, Engine, Table, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import OperationalError

from taptest.core.errors import shown
from taptest.logbook.engine import told
from taptest.logbook.place import Place
from taptest.logbook.rows import Entry
from taptest.logbook.schema import BELOW, SKIS, VERDICTS, Row, derived_id
from taptest.screen.verdict import CheckResult

_ROWS_AT_ONCE = 200  # times 60 columns: well below the 32,766 values that SQLite takes in one statement
SAME_LENGTH_M = 0.005  # by which a ski is measured otherwise the next time, and no more (common practice, no source)
_ATTEMPTS = 5
_AGAIN = (
    "40001",
    "40P01",
)  # serialization failure, deadlock (PostgreSQL's appendix A [from memory]): the work is undone

T = TypeVar("T")


def in_one_transaction(engine: Engine, place: Place, work: Callable[[Connection], T]) -> T:
    """Do all of it or nothing; what the database undid because two stations were in each other's way is done again.

    Raises:
        LogbookError: the database refuses; LogbookUnreachable where its server is gone.
    """
    with told(place):
        for attempt in range(1, _ATTEMPTS + 1):
            try:
                with engine.begin() as connection:
                    return work(connection)
            except OperationalError as problem:
                if attempt == _ATTEMPTS or getattr(problem.orig, "sqlstate", None) not in _AGAIN:
                    raise
    raise AssertionError("the last attempt returns or raises")


def insert_new(connection: Connection, entries: Sequence[Entry]) -> list[str]:
    """Enter what is not there yet; the ids of what was new. Rows below a row go in with it, or not at all."""
    by_table: dict[str, list[Entry]] = {}
    for each in entries:
        by_table.setdefault(each.table.name, []).append(each)
    fresh: list[str] = []
    for same in by_table.values():
        table = same[0].table
        # In the order of their ids, so that two stations never wait for each other crosswise.
        unique = sorted({each.id: each for each in same}.values(), key=lambda each: each.id)
        new = _insert_rows(connection, table, [each.row for each in unique])
        fresh += new
        entered = set(new)
        for child, _ in BELOW.get(table.name, ()):
            rows = [row for each in unique if each.id in entered for row in each.below.get(child.name, ())]
            if rows:
                connection.execute(child.insert(), rows)
    return fresh


def _insert_rows(connection: Connection, table: Table, rows: Sequence[Row]) -> list[str]:
    insert = (postgresql if connection.dialect.name == "postgresql" else sqlite).insert
    fresh: list[str] = []
    for start in range(0, len(rows), _ROWS_AT_ONCE):
        new = insert(table).values(list(rows[start : start + _ROWS_AT_ONCE]))
        new = new.on_conflict_do_nothing(index_elements=[table.c.id]).returning(table.c.id)
        fresh += connection.scalars(new).all()
    return fresh


def verdicts_before(connection: Connection, verdicts: Sequence[Entry]) -> Mapping[str, tuple[str, str]]:
    """By the id of a new verdict, id and word of the last one on the same sounds of the same ski."""
    before: dict[str, tuple[str, str]] = {}
    for verdict in verdicts:
        if not verdict.row["sounds_key"]:
            continue
        latest = (
            select(VERDICTS.c.id, VERDICTS.c.verdict)
            .where(VERDICTS.c.ski == verdict.row["ski"], VERDICTS.c.sounds_key == verdict.row["sounds_key"])
            .order_by(VERDICTS.c.made_utc.desc(), VERDICTS.c.id.desc())
            .limit(1)
        )
        for found in connection.execute(latest):
            before[verdict.id] = (found.id, found.verdict)
    return before


def turned(result: CheckResult, verdicts: Sequence[Entry], before: Mapping[str, tuple[str, str]]) -> tuple[str, ...]:
    """Skis that the same sounds had set aside before, and do no longer: the company that they were judged in may be why."""
    words = {derived_id("ski", ski.ski_id): ski for ski in result.skis}
    notes = []
    for verdict in verdicts:
        ski, (_, word) = words[verdict.row["ski"]], before.get(verdict.id, ("", ""))
        if word == "outlier" and ski.verdict != word:
            notes.append(
                f"ski {shown(ski.ski_id)} was an outlier on the same sound before and is '{ski.verdict}' in this lot, "
                "which may be for want of others of its kind: 'taptest log history --all' shows both"
            )
    return tuple(notes)


def unlike(connection: Connection, verdicts: Sequence[Entry]) -> tuple[str, ...]:
    """Skis that had another length before: two skis under one id would be taken for one that has changed."""
    notes = []
    for verdict in verdicts:
        length_m = verdict.row["length_m"]
        others = select(VERDICTS.c.length_m).where(
            VERDICTS.c.ski == verdict.row["ski"], VERDICTS.c.id != verdict.id, VERDICTS.c.length_m.is_not(None)
        )
        before = connection.scalar(others.order_by(VERDICTS.c.made_utc.desc()).limit(1))
        if before is not None and length_m is not None and abs(before - length_m) > SAME_LENGTH_M:
            ski_id = connection.scalar(select(SKIS.c.ski_id).where(SKIS.c.id == verdict.row["ski"]))
            notes.append(
                f"ski {shown(ski_id)} is {1000 * length_m:.0f} mm long and was {1000 * before:.0f} mm in the logbook: if they "
                "are two skis, give each an id of its own"
            )
    return tuple(notes)
