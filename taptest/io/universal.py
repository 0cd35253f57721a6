"""Universal files: the functions in datasets of type 58, text or binary, as far as time series and spectra need them.

Layout: "Universal Dataset Number: 58, Function at Nodal DOF" (Structural Dynamics Research Corporation; published by the
University of Cincinnati's Structural Dynamics Research Laboratory). A dataset lies between two lines ``    -1``; its
number stands in the first six columns of the next, and "b" behind it announces binary values. Nothing is taken at its word:
a length is compared with what is there before anything of that size is made.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.core.errors import shown
from taptest.io.series import (
    MAX_FRAMES,
    UNITS,
    Column,
    Reading,
    Series,
    SeriesChannel,
    even_rate_hz,
    in_si,
    known_unit,
    refuse_not_finite,
    refuse_other_rate,
    series_of,
)
from taptest.io.source import Source, refusal

FUNCTION_TYPES = {
    0: "general",
    1: "time response",
    2: "auto spectrum",
    3: "cross spectrum",
    4: "frequency response function",
    5: "transmissibility",
    6: "coherence",
    7: "auto correlation",
    8: "cross correlation",
    9: "power spectral density",
    10: "energy spectral density",
    11: "probability density",
    12: "spectrum",
}
TIME_RESPONSE = 1
# Specific data types of an axis, and the quantity that a time series of it has.
_TIME, _MOTIONS = 17, {8: "displacement", 11: "velocity", 12: "acceleration"}
_FORCES = (9, 13, 14, 16)
_DTYPES = {2: ("f4", False), 4: ("f8", False), 5: ("f4", True), 6: ("f8", True)}
SUFFIXES = (".uff", ".unv", ".uf", ".bunv")
_FIRST = re.compile(rb"\s*-1 *\r?\n *[0-9]+")
_BEGIN = re.compile(rb"[ \r\n]*-1 *\r?\n")
_END = re.compile(rb"\n *-1 *(?:\r?\n|\Z)")
_AFTER_BINARY = re.compile(rb"[ \r\n]*-1 *(?:\r?\n|\Z)")
_HEADER_LINES = 12
_EXPORT = "export it again, best as text (dataset 58)"


@dataclass(frozen=True, eq=False)
class Axis:
    """Specific data type, label and unit of one axis."""

    data_type: int
    label: str
    unit: str


@dataclass(frozen=True, eq=False)
class UniversalFunction:
    """One dataset of type 58: ``values`` (points,) over ``abscissa`` (points,), which is even where ``increment`` is not 0."""

    ids: tuple[str, ...]
    function_type: int
    start: float
    increment: float
    abscissa_axis: Axis
    ordinate_axis: Axis
    abscissa: NDArray[np.float64]
    values: NDArray[np.float64] | NDArray[np.complex128]

    @property
    def type_name(self) -> str:
        return FUNCTION_TYPES.get(self.function_type, f"function type {self.function_type}")


def begins(head: bytes, suffix: str) -> bool:
    """Whether a file begins as a universal file does, or is named like one."""
    return suffix in SUFFIXES or _FIRST.match(head) is not None


def read_functions(name: str, data: bytes) -> list[UniversalFunction]:
    """Every function of type 58 in the bytes of a universal file; datasets of other types are passed over.

    Raises:
        RecordingError: it is no universal file, is cut short, or a dataset contradicts itself.
    """
    if not _FIRST.match(data):
        raise refusal(name, f"does not begin like a universal file; {_EXPORT}")
    functions = []
    total = 0
    for at in _datasets(name, data):
        function, total = _function(name, data, at, total)
        functions.append(function)
    return functions


def read(source: Source) -> Series:
    """The time responses of a motion or a voltage in a universal file, one channel each.

    Raises:
        RecordingError: as `read_functions`, or none is there, they are not sampled alike, or units contradict each other.
    """
    name, reading = source.name, source.reading
    functions = read_functions(name, source.data())
    if not functions:
        raise refusal(
            name, "holds no function (dataset 58), only other datasets; export the time histories of the pickups"
        )
    series = [each for each in functions if each.function_type == TIME_RESPONSE]
    if not series:
        kinds = ", ".join(dict.fromkeys(each.type_name for each in functions))
        raise refusal(
            name,
            f"holds no time response but: {shown(kinds, 120)}; export the time histories, from which modes are fitted",
        )
    moving = [each for each in series if each.ordinate_axis.data_type not in _FORCES]
    if not moving:
        raise refusal(
            name, "holds the time histories of forces only; export those of an accelerometer or another pickup"
        )
    rates = [_rate_hz(name, each, reading) for each in moving]
    if len({len(each.values) for each in moving}) > 1 or max(rates) > min(rates) * (1 + 1e-6):
        raise refusal(
            name, "holds time responses of different lengths or sample rates; export each to a file of its own"
        )
    columns = []
    for number, each in enumerate(moving, 1):
        if np.iscomplexobj(each.values):
            raise refusal(name, f"its time response {number} is complex; {_EXPORT}")
        columns.append(_in_si(name, each, number, reading))
    found = series_of(columns, rates[0], others=len(moving) < len(functions))
    refuse_not_finite(name, found.values, [each.name for each in found.channels])
    return found


def _rate_hz(name: str, function: UniversalFunction, reading: Reading) -> float:
    if function.abscissa_axis.data_type not in (0, _TIME):
        raise refusal(
            name, f"holds a time response over data type {function.abscissa_axis.data_type}, which is not time"
        )
    if function.increment == 0.0:
        rate = even_rate_hz(name, function.abscissa)
    elif np.isfinite(function.increment) and 1e-7 < function.increment <= 1.0:
        rate = 1.0 / function.increment
    else:
        raise refusal(
            name, f"has a time step of {function.increment:g} s; between 1e-07 and 1 s are accepted; {_EXPORT}"
        )
    refuse_other_rate(name, rate, reading.sample_rate_hz)
    return reading.sample_rate_hz or rate  # a step is written with six digits


def _in_si(name: str, function: UniversalFunction, number: int, reading: Reading) -> Column:
    axis = function.ordinate_axis
    called = next(
        (text for text in function.ids if text.strip().upper() not in ("", "NONE")), f"function {number}"
    ).strip()
    values = np.asarray(function.values, dtype=np.float64)
    quantity = _MOTIONS.get(axis.data_type)
    if axis.unit.upper() in ("", "NONE"):
        # The standard leaves units to another dataset, which few programs write: how large it is remains unknown.
        return Column(values, SeriesChannel(called, quantity or "motion", ""))
    unit = known_unit(axis.unit)
    if unit is None:
        raise refusal(
            name,
            f"time response {number} is in '{shown(axis.unit)}'; known are {', '.join(UNITS)}; or leave the unit NONE",
        )
    if quantity is not None and UNITS[unit][0] not in (quantity, "voltage"):
        raise refusal(name, f"time response {number} is {quantity} by its type but in {unit}; correct one of the two")
    return in_si(values, called, unit, reading.sensitivity)


def _datasets(name: str, data: bytes) -> Iterator[int]:
    """Where the header line of each dataset 58 begins. Binary values are stepped over by their announced length."""
    at = 0
    while (mark := _BEGIN.match(data, at)) is not None:
        begin = mark.end()
        header = data[begin : begin + 80].split(b"\n", 1)[0]
        number = header[:6].strip()
        if not header.strip():
            return
        if not number.isdigit():
            raise refusal(name, f"byte {begin}: a dataset without a number; {_EXPORT}")
        if number == b"58":
            yield begin
        if header[6:7] == b"b":
            _, count = _binary_bytes(name, data, begin)
            end = _AFTER_BINARY.match(data, _header(name, data, begin)[1] + count)
        else:
            end = _END.search(data, begin)
        if end is None:
            raise refusal(name, f"is cut short: the dataset at byte {begin} does not end; copy or {_EXPORT}")
        at = end.end()
    if data[at:].strip():
        raise refusal(name, f"byte {at}: something that is no dataset; {_EXPORT}")


def _binary_bytes(name: str, data: bytes, begin: int) -> tuple[str, int]:
    """Byte order and number of bytes of the values of a binary dataset.

    Record: I6 "58", A1 "b", I6 byte order (1 little, 2 big endian), I6 floating point format (2: IEEE 754), I12 lines of
    text, I12 bytes of values [layout as quoted by pyuff from the laboratory's page].
    """
    line = data[begin : begin + 80]
    try:
        order, form, lines, count = int(line[7:13]), int(line[13:19]), int(line[19:31]), int(line[31:43])
    except ValueError:
        raise refusal(name, f"byte {begin}: the header of a binary dataset is damaged; {_EXPORT}") from None
    if order not in (1, 2) or form != 2 or lines != 11:
        raise refusal(
            name,
            f"byte {begin}: binary values in byte order {order}, number format {form}, after {lines} lines; read are orders "
            f"1 and 2, format 2 (IEEE 754) and 11 lines; {_EXPORT}",
        )
    if not 0 <= count <= len(data) - begin:
        raise refusal(
            name, f"is cut short: {count} bytes of values announced, {len(data) - begin} bytes are left; copy it again"
        )
    return "<" if order == 1 else ">", count


def _header(name: str, data: bytes, begin: int) -> tuple[list[str], int]:
    """The lines before the values of a dataset 58, and where the values begin."""
    lines, at = [], begin
    for _ in range(_HEADER_LINES):
        stop = data.find(b"\n", at, at + 400)
        if stop < 0:
            raise refusal(name, f"is cut short inside the header of the dataset at byte {begin}; copy it again")
        lines.append(data[at:stop].decode("ascii", "replace").rstrip("\r"))
        at = stop + 1
    return lines, at


def _function(name: str, data: bytes, begin: int, total: int) -> tuple[UniversalFunction, int]:
    lines, at = _header(name, data, begin)
    try:
        function_type = int(lines[6][:5])
        kind, count, even = int(lines[7][:10]), int(lines[7][10:20]), int(lines[7][20:30])
        start, increment = float(lines[7][30:43]), float(lines[7][43:56])
        axes = [_axis(line) for line in lines[8:10]]
    except ValueError:
        raise refusal(name, f"the header of the dataset at byte {begin} is damaged; {_EXPORT}") from None
    if kind not in _DTYPES or even not in (0, 1):
        raise refusal(
            name, f"byte {begin}: values of type {kind}, spacing {even}; types 2, 4, 5, 6 are read; {_EXPORT}"
        )
    letter, is_complex = _DTYPES[kind]
    numbers = count * (1 + is_complex) + (0 if even else count)
    total += max(count, 0)
    if not 1 <= count <= MAX_FRAMES or total > MAX_FRAMES:
        raise refusal(
            name, f"claims {total} values; 1 to {MAX_FRAMES} are read: damaged header? cut out the part with the taps"
        )
    if lines[0][6:7] == "b":
        order, available = _binary_bytes(name, data, begin)
        flat = _binary_numbers(name, data[at : at + available], order, letter, count, is_complex, bool(even))
    else:
        # No number takes less than two characters.
        if numbers * 2 > len(data) - at:
            raise refusal(
                name, f"is cut short: {count} values announced, {len(data) - at} bytes are left; copy it again"
            )
        flat = _text_numbers(name, data, at, numbers)
    abscissa, values = _arranged(flat, count, is_complex, bool(even), start, increment)
    return (
        UniversalFunction(
            tuple(line[:80].strip() for line in lines[1:6]),
            function_type,
            start,
            increment if even else 0.0,
            axes[0],
            axes[1],
            abscissa,
            values,
        ),
        total,
    )


def _axis(line: str) -> Axis:
    """Format I10, 3I5, 2(1X, 20A1)."""
    return Axis(int(line[:10]), line[26:46].strip(), line[47:67].strip())


def _binary_numbers(
    name: str, part: bytes, order: str, letter: str, count: int, is_complex: bool, even: bool
) -> NDArray[np.float64]:
    per_point = 1 + is_complex
    if even:
        needed = count * per_point * int(letter[1])
        layout = np.dtype([("y", f"{order}{letter}", (per_point,))])
    else:  # the abscissa is always in single precision
        needed = count * (4 + per_point * int(letter[1]))
        layout = np.dtype([("x", f"{order}f4"), ("y", f"{order}{letter}", (per_point,))])
    if len(part) != needed:
        raise refusal(name, f"announces {len(part)} bytes of values, where its {count} values take {needed}; {_EXPORT}")
    table = np.frombuffer(part, layout)
    y = table["y"].astype(np.float64)
    if even:
        return y.reshape(-1)
    return np.column_stack([table["x"].astype(np.float64), y]).reshape(-1)


def _text_numbers(name: str, data: bytes, at: int, numbers: int) -> NDArray[np.float64]:
    end = _END.search(data, at - 1)
    text = data[at : end.start() if end else len(data)]
    try:
        # Fortran writes no blank before a negative number that fills its field, and D for the exponent.
        spaced = re.sub(rb"(?<=[0-9])-(?=[0-9]*\.)", rb" -", text.replace(b"D", b"E").replace(b"d", b"e"))
        flat = np.array(spaced.split(), dtype=np.float64)
    except ValueError:
        raise refusal(name, f"holds text where numbers are expected (after byte {at}); {_EXPORT}") from None
    if len(flat) != numbers:
        raise refusal(
            name, f"is cut short or damaged: {len(flat)} of {numbers} numbers (after byte {at}); copy it again"
        )
    return flat


def _arranged(
    flat: NDArray[np.float64], count: int, is_complex: bool, even: bool, start: float, increment: float
) -> tuple[NDArray[np.float64], NDArray[np.float64] | NDArray[np.complex128]]:
    table = flat.reshape(count, -1)
    abscissa = start + increment * np.arange(count) if even else table[:, 0]
    y = table if even else table[:, 1:]
    return np.asarray(abscissa), np.asarray(y[:, 0] + 1j * y[:, 1] if is_complex else y[:, 0])
