"""Time series as text: a heading with units, a time column or a sample rate, and one column for each pickup.

    time_s,acceleration_g            or     # sample_rate_hz: 2048        or     Time;Pickup 1
    0.0000,0.0012                           velocity_mm_per_s                    s;mm/s
    0.0005,0.0009                           0.12                                 0,000;0,12

Headings end with their unit, or a row of units follows; ``,`` ``;`` and tab separate; decimal commas are read where the
separator is another. Columns of other things are left out, which is said.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.io.series import (
    MAX_FRAMES,
    SI_UNITS,
    TIME_UNITS,
    UNITS,
    Reading,
    Series,
    even_rate_hz,
    in_si,
    known_time_unit,
    known_unit,
    refuse_not_finite,
    refuse_other_rate,
    series_of,
)
from taptest.io.source import Source, refusal

SUFFIXES = (".csv", ".tsv", ".txt")

_HEAD_LINES = 60
_LINE_CHARACTERS = 20_000
_SEPARATORS = (",", ";", "\t")
_EXAMPLE = "write a first line such as 'time_s,acceleration_g'"
_TIMES = ("time", "t", "elapsed", "elapsed_time")


@dataclass(frozen=True)
class _Head:
    """What stands before the numbers: names, their units ("" where none is known), and how the numbers are written."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    separator: str
    decimal_comma: bool
    lines: int
    sample_rate_hz: float | None


def begins(_: bytes, suffix: str) -> bool:
    """Whether a file is named like a text: nothing else tells one."""
    return suffix in SUFFIXES


def read(source: Source) -> Series:
    """The series in a text file.

    Raises:
        RecordingError: it is no such table, a value is not a number, units are missing or contradict each other, no sample
            rate can be had, or it is sampled unevenly.
    """
    name, data, reading = source.name, source.data(), source.reading
    encoding = _encoding(name, data)
    head = _head(name, data, encoding)
    times = [at for at, column in enumerate(head.names) if _is_time(column, head.units[at])]
    if len(times) > 1:
        raise refusal(name, f"has {len(times)} time columns; keep one")
    wanted = [at for at in range(len(head.names)) if at not in times and head.units[at]]
    if not wanted:
        raise refusal(
            name,
            f"is not a sound file, and no column is a motion or a voltage with its unit (found: {_listed(head.names)}); name one "
            f"acceleration_g, acceleration_m_per_s2, velocity_mm_per_s, displacement_um or voltage_v",
        )
    if len(wanted) > LIMITS.format.most_channels:
        raise refusal(
            name,
            f"has {len(wanted)} columns of motion, at most {LIMITS.format.most_channels} are read; export fewer",
        )
    numbers = _numbers(name, data, encoding, head, [*times, *wanted])
    refuse_not_finite(name, numbers, [head.names[at] for at in (*times, *wanted)], head.lines + 1)
    columns = [
        in_si(numbers[:, len(times) + index], head.names[at], head.units[at], reading.sensitivity)
        for index, at in enumerate(wanted)
    ]
    time_s = numbers[:, 0] * TIME_UNITS[_time_unit(head.names[times[0]], head.units[times[0]])] if times else None
    rate = _rate(name, time_s, head, reading)
    return series_of(columns, rate, others=len(head.names) > len(times) + len(wanted))


def _encoding(name: str, data: bytes) -> str:
    if data[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        return "utf-16"
    if b"\0" in data[:4096]:
        raise refusal(name, "is not text (binary contents), although its name says so; export it as CSV (UTF-8)")
    try:
        codecs.getincrementaldecoder("utf-8")().decode(data[:65_536])
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _lines(data: bytes, encoding: str) -> Iterator[str]:
    """Lines, one far too long in pieces; what cannot be decoded is replaced, and is then no number."""
    stream = io.TextIOWrapper(io.BytesIO(data), encoding=encoding, errors="replace", newline=None)
    while line := stream.readline(_LINE_CHARACTERS):
        yield line


def _head(name: str, data: bytes, encoding: str) -> _Head:
    rows: list[tuple[int, str]] = []
    rate: float | None = None
    for number, line in enumerate(_lines(data, encoding), 1):
        if number > _HEAD_LINES or len(rows) == 3:
            break
        declared = re.match(r"\s*#\s*sample[ _]rate(?:[ _]hz)?\s*[:=]?\s*([0-9.eE+]+)\s*(?:Hz)?\s*$", line)
        if declared:
            try:
                rate = Reading(float(declared[1])).sample_rate_hz
            except ValueError:
                raise refusal(name, f"line {number}: '{shown(line.strip())}' is no sample rate; write 2048") from None
        elif line.strip() and not line.lstrip().startswith("#"):
            rows.append((number, line.rstrip("\r\n")))
    if not rows:
        raise refusal(name, f"holds no table; {_EXAMPLE} and one line for each sample")
    separator = max(_SEPARATORS, key=lambda mark: rows[0][1].count(mark))
    cells = [next(csv.reader([line], delimiter=separator), []) for _, line in rows]
    decimal_comma = separator != ","
    if all(_is_number(cell, decimal_comma) for cell in cells[0]):
        raise refusal(name, f"has no heading, so it does not say what was measured in which unit; {_EXAMPLE}")
    names = tuple(cell.strip() for cell in cells[0])
    has_units = len(cells) > 1 and not any(_is_number(cell, decimal_comma) for cell in cells[1])
    row = [cell.strip() for cell in cells[1]] if has_units else []
    units = tuple(_unit(name, column, row[at] if at < len(row) else "") for at, column in enumerate(names))
    return _Head(names, units, separator, decimal_comma, rows[1 if has_units else 0][0], rate)


def _is_number(cell: str, decimal_comma: bool) -> bool:
    try:
        float(cell.replace(",", ".") if decimal_comma else cell)
    except ValueError:
        return False
    return True


def _heading(column: str) -> str:
    """ "Acceleration (m/s²)" is acceleration_m/s², "velocity_mm_per_s" velocity_mm/s."""
    return re.sub(r"[\s()\[\],]+", "_", column.strip().casefold().replace("_per_", "/")).strip("_")


def _is_time(column: str, unit: str) -> bool:
    heading = _heading(column)
    return heading in _TIMES or any(
        heading.startswith(f"{word}_") and known_time_unit(heading.rsplit("_", 1)[1]) for word in _TIMES
    )


def _time_unit(column: str, unit: str) -> str:
    return known_time_unit(unit or _heading(column).rsplit("_", 1)[-1]) or "s"


def _unit(name: str, column: str, below: str) -> str:
    """The unit of a column, from the row of units or the end of its heading; "" for columns of other things."""
    heading = _heading(column)
    if _is_time(column, below):
        if below and known_time_unit(below) is None:
            raise refusal(name, f"its time is in '{shown(below)}'; write it in s or ms")
        return below
    said = next((quantity for quantity in SI_UNITS if heading == quantity or heading.startswith(f"{quantity}_")), None)
    ending = heading.rsplit("_", 1)[-1] if "_" in heading else ""
    bracketed = re.search(r"[(\[]([^()\[\]]+(?:\([^()]*\))?)[)\]]\s*$", column)
    unit = (
        known_unit(below)
        if below
        else (known_unit(bracketed[1] if bracketed else ending) if said or bracketed else None)
    )
    if said in (None, "motion"):
        return unit or ""
    if unit is None:
        raise refusal(
            name,
            f"column '{shown(column)}' does not say in which unit it is ('{shown(below or ending)}'); end its name with it, "
            f"as {said}_{_suffix(said)}",
        )
    if UNITS[unit][0] != said and not (UNITS[unit][0] == "voltage"):
        raise refusal(
            name, f"column '{shown(column)}' is in {unit}, which is not a unit of {said}; correct one of the two"
        )
    return unit


def _suffix(quantity: str) -> str:
    return {"acceleration": "g", "velocity": "mm_per_s", "displacement": "um", "voltage": "v"}[quantity]


def _numbers(name: str, data: bytes, encoding: str, head: _Head, columns: list[int]) -> np.ndarray:
    if data.count(b"\n") + data.count(b"\r") > MAX_FRAMES:
        raise refusal(name, f"has more than {MAX_FRAMES} lines; cut out the part with the taps")

    def body() -> Iterator[str]:
        for number, line in enumerate(_lines(data, encoding), 1):
            if number > head.lines:
                yield line.replace(",", ".") if head.decimal_comma else line

    import warnings

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # an empty input, which is refused below
            numbers = np.loadtxt(
                body(),
                delimiter=head.separator,
                usecols=columns,
                ndmin=2,
                comments="#",
                quotechar='"',
                dtype=np.float64,
            )
    except (ValueError, IndexError):
        raise _bad_line(name, data, encoding, head, columns) from None
    if not len(numbers):
        raise refusal(name, "holds no samples (0 lines below the heading); export it again")
    return np.asarray(numbers, dtype=np.float64)


def _bad_line(name: str, data: bytes, encoding: str, head: _Head, columns: list[int]) -> Exception:
    """The first cell that is no number."""
    for number, line in enumerate(_lines(data, encoding), 1):
        if number <= head.lines or not line.strip() or line.lstrip().startswith("#"):
            continue
        try:
            cells = next(csv.reader([line.rstrip("\r\n")], delimiter=head.separator), [])
        except csv.Error:
            cells = []
        for column in columns:
            cell = cells[column] if column < len(cells) else ""
            if not _is_number(cell, head.decimal_comma):
                what = f"found '{shown(cell)}', which is not a number" if cell.strip() else "found nothing"
                return refusal(
                    name,
                    f"line {number}, column '{shown(head.names[column])}': {what}; export it again or delete that line",
                )
    return refusal(name, "is damaged (quotation marks that do not match?); export it again as CSV (UTF-8)")


def _rate(name: str, time_s: np.ndarray | None, head: _Head, reading: Reading) -> float:
    told = reading.sample_rate_hz or head.sample_rate_hz
    if time_s is None:
        if told is None:
            raise refusal(
                name,
                "has no time column; add one named time_s, or a line '# sample_rate_hz: 2048', or give --sample-rate",
            )
        return told
    rate = even_rate_hz(name, time_s, head.lines + 1)
    refuse_other_rate(name, rate, told)
    return rate


def _listed(names: tuple[str, ...]) -> str:
    text = ", ".join(shown(each, 24) for each in names[:6])
    return f"{text}, ..." if len(names) > 6 else text
