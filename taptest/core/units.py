"""Units written in column names and cells, and numbers as people in several countries write them.

A number is taken only when it can be read in one way. A single comma before exactly three digits ("1,234") may be a
decimal comma or a thousands separator and is refused, unless the caller knows that the table uses decimal commas; a
point is a decimal point, except that in a table with decimal commas "1.234" is the ambiguous one.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from taptest.core.errors import UnitError, shown
from taptest.core.messages import message

Dimension = Literal["length", "mass", "stiffness", "temperature", "duration", "speed", "frequency", "percent"]

_NUMBER = re.compile(
    r"(?P<sign>[+-]?)(?P<digits>[0-9][0-9 ',.]*|[.,][0-9]+)(?:[eE](?P<exponent>[+-]?[0-9]+))?(?P<unit>[^0-9].*)?",
    re.DOTALL,
)
_SHAPES = tuple(
    re.compile(shape)
    for shape in (
        r"(?P<whole>[0-9]+)",
        r"(?P<whole>[0-9]*)(?P<mark>[.,])(?P<fraction>[0-9]+)",
        r"(?P<whole>[0-9]{1,3}(?: [0-9]{3})+|[0-9]{1,3}(?:'[0-9]{3})+)(?:(?P<mark>[.,])(?P<fraction>[0-9]+))?",
        r"(?P<whole>[0-9]{1,3}(?:,[0-9]{3})+)(?P<mark>\.)(?P<fraction>[0-9]+)",
        r"(?P<whole>[0-9]{1,3}(?:\.[0-9]{3})+)(?P<mark>,)(?P<fraction>[0-9]+)",
        r"(?P<whole>[0-9]{1,3}(?:,[0-9]{3}){2,}|[0-9]{1,3}(?:\.[0-9]{3}){2,})",
    )
)
_AMBIGUOUS = re.compile(r"[1-9][0-9]{0,2}[.,][0-9]{3}")
_GLYPHS = str.maketrans({"\u2212": "-", "\u00a0": " ", "\u2009": " ", "\u202f": " ", "\u2007": " ", "\u2019": "'"})
_NOT_FINITE = ("nan", "inf", "infinity", "∞")


@dataclass(frozen=True)
class Unit:
    """A unit as it ends a column name: base value = (value − zero) · numerator / denominator."""

    suffix: str
    symbol: str
    numerator: float = 1.0
    denominator: float = 1.0
    zero: float = 0.0
    plural: str = ""

    def to_base(self, value: float) -> float:
        """The value in the base unit of its dimension: m, kg, N/m, °C, s, m/s, Hz or %."""
        return (value - self.zero) * self.numerator / self.denominator

    def from_base(self, value: float) -> float:
        """The reverse of `to_base`."""
        return value * self.denominator / self.numerator + self.zero


# The first of each is the one that the table format uses by default.
UNITS: dict[Dimension, tuple[Unit, ...]] = {
    "length": (
        Unit("mm", "mm", 1, 1000, plural="millimetres"),
        Unit("cm", "cm", 1, 100, plural="centimetres"),
        Unit("m", "m", plural="metres"),
    ),
    "mass": (Unit("g", "g", 1, 1000, plural="grams"), Unit("kg", "kg", plural="kilograms")),
    "stiffness": (
        Unit("n_per_mm", "N/mm", 1000),
        Unit("n_per_m", "N/m"),
        Unit("kn_per_m", "kN/m", 1000),
    ),
    "temperature": (Unit("c", "°C"), Unit("k", "K", zero=273.15), Unit("f", "°F", 5, 9, zero=32.0)),
    "duration": (Unit("s", "s", plural="seconds"), Unit("min", "min", 60, plural="minutes")),
    "speed": (Unit("km_per_h", "km/h", 1, 3.6), Unit("m_per_s", "m/s")),
    "frequency": (Unit("hz", "Hz"), Unit("khz", "kHz", 1000)),
    "percent": (Unit("percent", "%"),),
}

_SPELLINGS: dict[str, str] = {
    **{unit.symbol.casefold(): unit.symbol for units in UNITS.values() for unit in units},
    "c": "°C",
    "f": "°F",
}


def parse_number(text: str, *, decimal_comma: bool = False) -> tuple[float, str]:
    """A number and the unit written behind it ("" where none is).

    Args:
        text: "520", "0,52", "1 900.5", "1.900,5", "1e3", "520 g"; no-break and thin spaces are spaces.
        decimal_comma: the table is known to write decimal commas, so that "1,234" is 1.234.

    Raises:
        UnitError: no number, not finite, or readable in two ways.
    """
    parts = _parts(text)
    digits = parts["digits"].rstrip()
    if _AMBIGUOUS.fullmatch(digits) and ("." in digits) == decimal_comma:
        whole, fraction = re.split("[.,]", digits)
        decimal = f"{whole}{',' if decimal_comma else '.'}{fraction}"
        raise UnitError(message("number-ambiguous", decimal=decimal, whole=f"{whole}{fraction}"))
    shape = _shape(digits)
    if shape is None:
        raise UnitError(message("not-a-number"))
    whole, fraction = re.sub("[^0-9]", "", shape["whole"]) or "0", shape.get("fraction") or "0"
    value = float(f"{parts['sign']}{whole}.{fraction}e{parts['exponent'] or 0}")
    if math.isinf(value):
        raise UnitError(message("number-too-large"))
    return value, (parts["unit"] or "").strip()


def parse_with_unit(text: str, units: Sequence[Unit]) -> tuple[float, Unit]:
    """A number and which of these units is written behind it, the first where none is.

    Raises:
        UnitError: as `parse_number`, or another unit is written.
    """
    value, written = parse_number(text)
    symbol = "".join(written.split()).casefold() or units[0].symbol.casefold()
    unit = next((unit for unit in units if unit.symbol.casefold() == symbol), None)
    if unit is None:
        accepted = ", ".join(unit.symbol for unit in units)
        raise UnitError(message("unit-not-accepted", written=shown(written), accepted=accepted))
    return value, unit


def decimal_mark(text: str) -> str:
    """The decimal mark that a number certainly has, "," or "."; "" where it has none, may have one, or is no number."""
    try:
        digits = _parts(text)["digits"].rstrip()
    except UnitError:
        return ""
    shape = None if _AMBIGUOUS.fullmatch(digits) else _shape(digits)
    return (shape or {}).get("mark") or ""


def parse_quantity(text: str, unit: Unit, *, decimal_comma: bool = False) -> float:
    """A number in the unit of its column, converted to the base unit (m, kg, N/m, °C, s, m/s, Hz, %).

    The same unit may stand in the cell too ("520 g"); a different one is refused, not converted, because one of the
    two is a mistake.

    Raises:
        UnitError: as `parse_number`, or the cell names another unit than the column.
    """
    value, written = parse_number(text, decimal_comma=decimal_comma)
    if written:
        _refuse_other_unit(value, written, unit)
    return unit.to_base(value)


def _parts(text: str) -> dict[str, str | Any]:
    cleaned = text.translate(_GLYPHS).strip()
    if cleaned.lstrip("+-").casefold() in _NOT_FINITE:
        raise UnitError(message("number-not-finite"))
    match = _NUMBER.fullmatch(cleaned)
    if match is None:
        raise UnitError(message("not-a-number"))
    return match.groupdict()


def _shape(digits: str) -> dict[str, str | Any] | None:
    matches = (shape.fullmatch(digits) for shape in _SHAPES)
    return next((match.groupdict() for match in matches if match is not None), None)


def _refuse_other_unit(value: float, written: str, unit: Unit) -> None:
    symbol = _SPELLINGS.get(re.sub(r"\s+", "", written).casefold())
    if symbol is None:
        raise UnitError(message("unit-unknown", written=shown(written), symbol=unit.symbol))
    if symbol == unit.symbol:
        return
    siblings = next(units for units in UNITS.values() if unit in units)
    other = next((candidate for candidate in siblings if candidate.symbol == symbol), None)
    instead = f"write the value in {unit.symbol}"
    if other is not None:
        instead = f"write {unit.from_base(other.to_base(value)):.6g}, or end the column's name with _{other.suffix}"
    raise UnitError(message("unit-not-of-column", written=symbol, symbol=unit.symbol, instead=instead))
