"""Rows into the logbook: each once, in one transaction with what belongs together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from sqlalchemy import Connection, Engine, Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import OperationalError

from taptest.logbook.engine import told
from taptest.logbook.place import Place
from taptest.logbook.rows import Entry
from taptest.logbook.schema import BELOW, Row

_ATTEMPTS = 5
_AGAIN = (
    "40001",
    "40P01",
)  # serialization failure, deadlock (PostgreSQL's appendix A [from memory]): the work is undone
_ROWS_AT_ONCE = 200  # times 60 columns: well below the 32,766 values that SQLite takes in one statement

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


def insert(connection: Connection, entries: Sequence[Entry]) -> list[str]:
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
