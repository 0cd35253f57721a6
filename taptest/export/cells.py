"""Typed columns and their values: what may stand in a cell, and how it is written as text."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, TypeVar

from taptest.core.errors import ExchangeError, shown

Kind = Literal["text", "number", "whole", "time", "yes_no"]
Value = str | float | int | bool | datetime | None
Refused = Callable[[ExchangeError], None]
KINDS: tuple[Kind, ...] = ("text", "number", "whole", "time", "yes_no")
T = TypeVar("T")

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
MAX_FILE_BYTES = 256_000_000
MAX_UNPACKED_BYTES = 512_000_000
MAX_ROWS = 1_000_000
MAX_COLUMNS = 256
MAX_CELLS = 20_000_000
MAX_CELL_CHARACTERS = (
    32_767  # Excel's limit for a cell (ECMA-376 leaves it open; Microsoft's published limits) [from memory]
)
_MOST_WHOLE = 2**63
EXACT_WHOLE = 2**53
_TIME = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?)(?:Z|\+00:00)")


@dataclass(frozen=True)
class Column:
    """Heading, which ends with the unit where there is one (``mass_g``, ``tapped_utc``), and kind."""

    name: str
    kind: Kind = "text"


@dataclass(frozen=True)
class ExchangeTable:
    """Columns and rows; every row has one value for each column. ``lines``: where in the file each row was found."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[Value, ...], ...]
    lines: tuple[int, ...] = field(default=(), compare=False)


def table_of(
    path: Path,
    columns: tuple[Column, ...],
    lines: Iterable[tuple[int, T]],
    values: Callable[[int, T], tuple[Value, ...]],
    refused: Refused | None,
) -> ExchangeTable:
    """A table of what is found line by line: the first bad row ends it, or each is told to ``refused`` and left out.

    Raises:
        ExchangeError: too many lines, or a bad row and nobody is to be told.
    """
    rows: list[tuple[Value, ...]] = []
    numbers: list[int] = []
    for count, (line, found) in enumerate(lines, 1):
        if count > MAX_ROWS or count * len(columns) > MAX_CELLS:
            raise refusal(path, f"holds more than {MAX_ROWS} rows or {MAX_CELLS} cells; split it")
        try:
            rows.append(values(line, found))
            numbers.append(line)
        except ExchangeError as problem:
            if refused is None:
                raise
            refused(problem)
    return ExchangeTable(columns, tuple(rows), tuple(numbers))


def problem_with(kind: Kind, value: Value, *, sheet: bool = True) -> str:
    """What is wrong with a value in a column of this kind; "" where nothing is. A ``sheet`` takes less than other files."""
    if value is None:
        return ""
    found = f"found {shown(repr(value))}"
    if kind == "text":
        if not isinstance(value, str):
            return f"{found}, which is no text"
        if sheet and len(value) > MAX_CELL_CHARACTERS:
            most = f"at most {MAX_CELL_CHARACTERS} are written"
            return f"a text of {len(value)} characters, {most}; shorten it, or write JSON lines"
        never = "\0\ufffe\uffff" if sheet else "\0"
        if any("\ud800" <= character <= "\udfff" or character in never for character in value):
            return f"{found}, which holds what is no character; correct the text"
    elif kind == "yes_no":
        return "" if isinstance(value, bool) else f"{found}, which is neither True nor False"
    elif kind == "time":
        return (
            "" if isinstance(value, datetime) and value.tzinfo is not None else f"{found}, which is no time with a zone"
        )
    elif isinstance(value, bool) or not isinstance(value, int if kind == "whole" else int | float):
        return f"{found}, which is no {'whole ' if kind == 'whole' else ''}number"
    elif kind == "whole" and not -_MOST_WHOLE <= value < _MOST_WHOLE:
        return f"{found}, which does not fit into 64 bits"
    elif kind == "number" and not _is_finite(value):
        return f"{found}, which is not finite; leave it out (None)"
    return ""


def _is_finite(value: int | float) -> bool:
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False


def written(kind: Kind, value: Value) -> str:
    """A value as the text of a cell, without any protection."""
    if kind == "time":
        assert isinstance(value, datetime)
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ").rjust(27, "0")
    if kind == "yes_no":
        return "yes" if value else "no"
    if kind == "number":
        assert isinstance(value, int | float)
        return repr(float(value))
    return str(value)


def read_value(kind: Kind, text: str) -> Value:
    """The reverse of `_written`. Raises ValueError."""
    if kind == "text":
        return text
    if kind == "time":
        found = _TIME.fullmatch(text)
        if found is None:
            raise ValueError
        return datetime.fromisoformat(found[1]).replace(tzinfo=UTC)
    if kind == "yes_no":
        return {"yes": True, "no": False, "true": True, "false": False}[text.casefold()]
    if kind == "whole":
        if len(text) > 24 or re.fullmatch(r"[+-]?[0-9]+(?:\.0+)?", text) is None:
            raise ValueError
        whole = int(text.split(".")[0])
        if not -_MOST_WHOLE <= whole < _MOST_WHOLE:
            raise ValueError
        return whole
    number = float(text)
    if not math.isfinite(number):
        raise ValueError
    return number


def columns_named(path: Path, names: list[str], kinds: dict[str, Kind] | None) -> tuple[Column, ...]:
    """Columns with these headings, as texts where no kind is known.

    Raises:
        ExchangeError: too many, two alike, or one without a name.
    """
    if len(names) > MAX_COLUMNS or len(set(names)) != len(names) or not all(names):
        raise refusal(path, f"needs 1 to {MAX_COLUMNS} different headings; found {shown(', '.join(names), 80)}")
    return tuple(Column(name, (kinds or {}).get(name, "text")) for name in names)


def refusal(path: Path, text: str) -> ExchangeError:
    """What is wrong with a file, behind its name."""
    return ExchangeError(f"{shown(path, 200)}: {text}")


def contents(path: Path, most_bytes: int = MAX_FILE_BYTES) -> bytes:
    """What a file holds.

    Raises:
        ExchangeError: missing, no file, empty, or too large.
    """
    try:
        if not path.is_file():
            what = "is a folder or a device" if path.exists() else "not found"
            raise refusal(path, f"{what}; check the name")
        with path.open("rb") as stream:
            data = stream.read(most_bytes + 1)
    except (OSError, ValueError) as problem:
        raise refusal(path, f"cannot be read ({shown(problem, 100)}); check the name and the disk") from problem
    if len(data) > most_bytes:
        raise refusal(path, f"holds more than {most_bytes / 1e6:.0f} MB; split it")
    if not data:
        raise refusal(path, "is empty (0 bytes); write it again")
    return data
