"""Rows read whole, with what is below them, and what makes two rows the same whoever entered them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

from sqlalchemy import Column, Connection, Table, select

from taptest.logbook.book import Logbook
from taptest.logbook.engine import READING, told, told_of_values
from taptest.logbook.rows import Entry
from taptest.logbook.schema import BELOW, METADATA, Row, derived_id, digest_of

AT_ONCE = 200

# Who entered a thing, when and after what: the same thing entered twice differs in these, and the first one stands.
_ENTERED = frozenset(
    (
        "id",
        "made_utc",
        "station",
        "operator",
        "software",
        "supersedes",
        "digest",
        "line",
        "problems_json",
        "unread_json",
    )
)
# When an analysed file was made is known from the file's date, which a copy may lose; that of a verdict counts.
_NOT_COMPARED = {"analyses": _ENTERED | {"measured_utc"}, "checks": _ENTERED, "verdicts": _ENTERED}
_DIGITS = 6  # more than any measurement has, and far from what rounding changes

T = TypeVar("T")


def reading(book: Logbook, work: Callable[[Connection], T]) -> T:
    """What a function reads from a logbook.

    Raises:
        LogbookError: the logbook cannot be read.
    """
    with told(book.place), told_of_values(book.place), book.engine.connect().execution_options(**READING) as connection:
        return work(connection)


def tables_with_ids() -> tuple[Table, ...]:
    """Every table whose rows are known by their contents; what a row refers to comes before it."""
    return tuple(table for table in METADATA.sorted_tables if "id" in table.columns)


def references(table: Table) -> tuple[tuple[Column[Any], Table], ...]:
    """The columns that name rows of other tables (or of the same one)."""
    return tuple(
        (column, next(iter(column.foreign_keys)).column.table) for column in table.columns if column.foreign_keys
    )


def ids(book: Logbook, table: Table) -> frozenset[str]:
    """The ids of all rows of a table."""
    return reading(book, lambda connection: frozenset(connection.scalars(select(table.c.id))))


def entries(connection: Connection, table: Table, wanted: Sequence[str]) -> list[Entry]:
    """Rows with what is below them, in the order of their ids; at most as many at once as one statement takes."""
    rows = [dict(row) for row in connection.execute(select(table).where(table.c.id.in_(wanted))).mappings()]
    below: dict[str, dict[str, list[Row]]] = {row["id"]: {} for row in rows}
    for child, column in BELOW.get(table.name, ()):
        for row in connection.execute(select(child).where(child.c[column].in_(wanted))).mappings():
            if row[column] in below:
                below[row[column]].setdefault(child.name, []).append(dict(row))
    return [Entry(table, row, below[row["id"]]) for row in sorted(rows, key=lambda each: str(each["id"]))]


def is_whole(entry: Entry) -> bool:
    """Whether a row and what is below it are what was entered."""
    try:
        return bool(digest_of(entry.table, entry.row, entry.below) == entry.row["digest"])
    except (TypeError, ValueError):  # what is no number or no text any more
        return False


def named_rightly(table: Table, row: Mapping[str, Any]) -> bool:
    """Whether a thing that has nothing but a name has the id that belongs to that name."""
    if table.name == "skis":
        return bool(row["id"] == derived_id("ski", row["ski_id"]) and row["folded"] == row["ski_id"].casefold())
    if table.name == "pairs":
        return bool(row["id"] == derived_id("pair", row["pair_id"]))
    if table.name in ("stations", "operators"):
        return bool(row["id"] == derived_id(table.name.removesuffix("s"), row["name"]))
    if table.name == "calibrations":
        made = row["calibrated_utc"].isoformat()
        return bool(row["id"] == derived_id("calibration", row["kind"], made, row["file"]))
    return True


def core_of(entry: Entry) -> str | None:
    """SHA-256 of what a row says, whoever entered it and under which id; None where the id alone says it all."""
    apart = _NOT_COMPARED.get(entry.table.name)
    if apart is None:
        return None
    row = {name: _rounded(value) for name, value in entry.row.items() if name not in apart}
    columns = {child.name: column for child, column in BELOW[entry.table.name]}
    below = {
        name: [{**{key: _rounded(value) for key, value in each.items()}, columns[name]: ""} for each in rows]
        for name, rows in entry.below.items()
    }
    return digest_of(entry.table, row, below)


def _rounded(value: Any) -> Any:
    """Two computers compute the last digits of the same thing differently."""
    return float(f"{value:.{_DIGITS}g}") if isinstance(value, float) else value


def under_another_id(entry: Entry, own: str, supersedes: str | None) -> Entry:
    """The same row under an id of its own, with its digest."""
    columns = {child.name: column for child, column in BELOW[entry.table.name]}
    below = {name: [{**each, columns[name]: own} for each in rows] for name, rows in entry.below.items()}
    row = {**entry.row, "id": own}
    if "supersedes" in row:
        row["supersedes"] = supersedes
    return Entry(entry.table, {**row, "digest": digest_of(entry.table, row, below)}, below)


def in_chunks(wanted: Sequence[T], size: int = AT_ONCE) -> Iterator[Sequence[T]]:
    """So many at a time."""
    for start in range(0, len(wanted), size):
        yield wanted[start : start + size]
