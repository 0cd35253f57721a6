"""What makes a good pair: how far two skis may differ, in two steps, and how well the differences are known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Literal, get_args

import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.config.limits import LIMITS
from taptest.core.documents import DocumentFormat, listed, within
from taptest.core.errors import LimitsError, UnitError, shown
from taptest.core.units import parse_number

Quantity = Literal["mass", "stiffness", "frequency", "damping", "balance"]
QUANTITIES: tuple[Quantity, ...] = get_args(Quantity)

ROUNDING_M = 1e-4  # a tenth of a millimetre, so that rounding of units does not matter
_HAIR = 1e-11
_USUAL = LIMITS.pairing


@dataclass(frozen=True)
class QuantityUnit:
    """How limits of a quantity are written: the end of its key, its symbol, and what one of it is in the base unit.

    The base unit is kg or m; of stiffness, frequency and damping, whose differences are logarithms, the mean of both skis.
    """

    suffix: str
    symbol: str
    base: float
    most: float


UNIT_OF: dict[Quantity, QuantityUnit] = {
    "mass": QuantityUnit("g", "g", 1e-3, 500.0),
    "stiffness": QuantityUnit("percent", "%", 1e-2, 90.0),
    "frequency": QuantityUnit("percent", "%", 1e-2, 90.0),
    "damping": QuantityUnit("percent", "%", 1e-2, 190.0),
    "balance": QuantityUnit("mm", "mm", 1e-3, 500.0),
}


def key_of(quantity: Quantity) -> str:
    """Name of its limit in files and documents, with the unit: "mass_g"."""
    return f"{quantity}_{UNIT_OF[quantity].suffix}"


def size_of(quantity: Quantity, difference: ArrayLike) -> NDArray[np.float64]:
    """Differences as the limits count them: where a logarithm is kept, as a share of the mean of both, 2 tanh(x/2)."""
    size = np.abs(np.asarray(difference, dtype=np.float64))
    return size if quantity in ("mass", "balance") else 2 * np.tanh(size / 2)


@dataclass(frozen=True)
class Limit:
    """A difference up to ``matched`` is as good as none, one beyond ``close`` is too much; both in the base unit.

    Both are a hair wider than written: 515 g less 505 g are 10 g, whatever binary fractions make of it.
    """

    matched: float
    close: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "matched", self.matched * (1 + _HAIR))
        object.__setattr__(self, "close", self.close * (1 + _HAIR))


def _usual_limits() -> dict[Quantity, Limit]:
    steps = {quantity: getattr(_USUAL, key_of(quantity)) for quantity in QUANTITIES}
    return {name: Limit(*(step * UNIT_OF[name].base for step in both)) for name, both in steps.items()}


@dataclass(frozen=True)
class PairLimits:
    """Limits by quantity, and what is needed to judge by them; a quantity that is not there is not compared.

    Attributes:
        limits: by quantity.
        length_m: skis farther apart in length are no pair.
        mass_u_kg, stiffness_u_rel, balance_u_m: how one measurement repeats on the same scale and rig, k = 1; what both
            skis share, such as a wrong span and the uncertainty of the rig that is in the settings, drops out.
    """

    limits: Mapping[Quantity, Limit] = field(default_factory=_usual_limits)
    length_m: float = _USUAL.length_mm / 1000
    mass_u_kg: float = _USUAL.mass_u_g / 1000
    stiffness_u_rel: float = _USUAL.stiffness_u_percent / 100
    balance_u_m: float = _USUAL.balance_u_mm / 1000

    def changed(self, quantity: Quantity, limit: Limit | None) -> PairLimits:
        """The same limits with one of them replaced, or taken away with None."""
        kept = {name: each for name, each in self.limits.items() if name != quantity}
        return replace(self, limits=kept if limit is None else {**kept, quantity: limit})


def parse_limit(quantity: Quantity, text: str) -> Limit | None:
    """A limit as it is typed: "5/10" (matched up to 5, close up to 10), "5" (close up to twice as far), or "off".

    Raises:
        LimitsError: anything else, or a second number below the first.
    """
    unit, found = UNIT_OF[quantity], f"found '{shown(text)}'"
    if text.strip().casefold() == "off":
        return None
    how = f"write such as 5/10 (matched up to 5 {unit.symbol}, close up to 10 {unit.symbol}), 5, or off"
    parts = text.split("/")
    if len(parts) > 2:
        raise LimitsError(f"{found}, which is no limit; {how}")
    values = []
    for part in parts:
        try:
            value, written = parse_number(part)
        except UnitError as problem:
            raise LimitsError(f"{found}, {problem.message.text}; {how}") from None
        if written not in ("", unit.symbol):
            raise LimitsError(f"{found}, in which '{shown(written)}' is not {unit.symbol}; {how}")
        values.append(value)
    return _limit(quantity, values[0], values[1] if len(values) == 2 else 2 * values[0], found)


class _Steps(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    mass_g: Annotated[float, within(0.0, UNIT_OF["mass"].most)] | None = None
    stiffness_percent: Annotated[float, within(0.0, UNIT_OF["stiffness"].most)] | None = None
    frequency_percent: Annotated[float, within(0.0, UNIT_OF["frequency"].most)] | None = None
    damping_percent: Annotated[float, within(0.0, UNIT_OF["damping"].most)] | None = None
    balance_mm: Annotated[float, within(0.0, UNIT_OF["balance"].most)] | None = None


class _Repeats(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    mass_g: Annotated[float, within(0.0, 100.0)] = _USUAL.mass_u_g
    stiffness_percent: Annotated[float, within(0.0, 100.0)] = _USUAL.stiffness_u_percent
    balance_mm: Annotated[float, within(0.0, 100.0)] = _USUAL.balance_u_mm


class _LimitsFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    schema: Literal["taptest.pairlimits/1"]
    length_mm: Annotated[float, within(0.0, 500.0)] = _USUAL.length_mm
    compared: Annotated[tuple[Quantity, ...], listed(1, len(QUANTITIES))] = QUANTITIES
    matched: _Steps = _Steps()
    close: _Steps = _Steps()
    repeats: _Repeats = _Repeats()


_FILES = DocumentFormat("file of limits", _LimitsFile, LimitsError, 64 * 1024)


def read_limits(path: str | Path) -> PairLimits:
    """Limits from a TOML file; what it does not mention keeps its default.

    Raises:
        LimitsError: the file cannot be read, has an unknown key or an impossible value.
    """
    given, limits = _FILES.read(Path(path)), {}
    for quantity in (each for each in QUANTITIES if each in given.compared):
        key = key_of(quantity)
        matched, close = getattr(_USUAL, key)
        if (own := getattr(given.matched, key)) is not None:
            matched, close = own, max(close, 2 * own)
        if (own := getattr(given.close, key)) is not None:
            close = own
        limits[quantity] = _limit(quantity, matched, close, f"{shown(path, 200)}: {key}")
    repeats = given.repeats
    return PairLimits(
        limits,
        given.length_mm / 1000,
        repeats.mass_g / 1000,
        repeats.stiffness_percent / 100,
        repeats.balance_mm / 1000,
    )


def _limit(quantity: Quantity, matched: float, close: float, where: str) -> Limit:
    unit = UNIT_OF[quantity]
    if not 0 < matched <= close <= unit.most:
        raise LimitsError(
            f"{where}: matched up to {matched:g} {unit.symbol} and close up to {close:g} {unit.symbol}; the first must be "
            f"above 0, the second not below it and at most {unit.most:g} {unit.symbol}"
        )
    return Limit(matched * unit.base, close * unit.base)
