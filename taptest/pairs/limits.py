"""What makes a good pair: how far two skis may differ, in two steps, and how well the differences are known."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from taptest.core.documents import DocumentFormat
from taptest.core.errors import LimitsError, shown

SCHEMA = "taptest.pairlimits/1"

Quantity = Literal["mass", "stiffness", "frequency", "damping", "balance"]
QUANTITIES: tuple[Quantity, ...] = ("mass", "stiffness", "frequency", "damping", "balance")

_HAIR = 1e-11
_FILES = DocumentFormat("file of limits", dict[str, Any], LimitsError, 64 * 1024)


@dataclass(frozen=True)
class QuantityUnit:
    """How limits of a quantity are written: the end of its key, its symbol, and what one of it is in the base unit.

    The base unit is kg or m; of stiffness, frequency and damping it is the mean of both skis.
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


@dataclass(frozen=True)
class PairLimits:
    """Limits by quantity, and what is needed to judge by them; a quantity that is not there is not compared.

    Mass within 5 to 10 g, two-support stiffness 3 to 5 % and frequency 1 to 3 % are common practice, no source; damping
    and balance are the project's own choice. ``length_m``: skis farther apart in length are no pair. ``mass_u_kg``,
    ``stiffness_u_rel`` and ``balance_u_m``: how one measurement repeats on the same scale and rig, k = 1; what
    both skis share, such as a wrong span and the uncertainty of the rig that is in the settings, drops out.
    """

    limits: Mapping[Quantity, Limit] = field(
        default_factory=lambda: {
            "mass": Limit(0.005, 0.010),
            "stiffness": Limit(0.03, 0.05),
            "frequency": Limit(0.01, 0.03),
            "damping": Limit(0.20, 0.40),
            "balance": Limit(0.005, 0.010),
        }
    )
    length_m: float = 0.005
    mass_u_kg: float = 0.001
    stiffness_u_rel: float = 0.01
    balance_u_m: float = 0.001

    def changed(self, quantity: Quantity, limit: Limit | None) -> PairLimits:
        """The same limits with one of them replaced, or taken away with None."""
        kept = {name: each for name, each in self.limits.items() if name != quantity}
        return replace(self, limits=kept if limit is None else {**kept, quantity: limit})


def parse_limit(quantity: Quantity, text: str) -> Limit | None:
    """A limit as it is typed: "5/10" (matched up to 5, close up to 10), "5" (close up to twice as far), or "off".

    Raises:
        LimitsError: anything else, or a second number below the first.
    """
    from taptest.core.errors import UnitError
    from taptest.core.units import parse_number

    unit = UNIT_OF[quantity]
    if text.strip().casefold() == "off":
        return None
    how = f"write such as 5/10 (matched up to 5 {unit.symbol}, close up to 10 {unit.symbol}), 5, or off"
    parts = text.split("/")
    if len(parts) > 2:
        raise LimitsError(f"found '{shown(text)}', which is no limit; {how}")
    values = []
    for part in parts:
        try:
            value, written = parse_number(part)
        except UnitError as problem:
            raise LimitsError(f"found '{shown(text)}', {problem.message.text}; {how}") from None
        if written not in ("", unit.symbol):
            raise LimitsError(f"found '{shown(text)}', in which '{shown(written)}' is not {unit.symbol}; {how}")
        values.append(value)
    return _limit(quantity, values if len(values) == 2 else [values[0], 2 * values[0]], f"found '{shown(text)}'")


def read_limits(path: str | Path) -> PairLimits:
    """Limits from a TOML file; what it does not mention keeps its default.

    Raises:
        LimitsError: the file cannot be read, has an unknown key or an impossible value.
    """
    return _Reader(shown(path, 200), _FILES.read(Path(path))).limits()


_KEYS = {
    "": ("schema", "length_mm", "matched", "close", "repeats", "compared"),
    "matched": tuple(f"{name}_{unit.suffix}" for name, unit in UNIT_OF.items()),
    "close": tuple(f"{name}_{unit.suffix}" for name, unit in UNIT_OF.items()),
    "repeats": ("mass_g", "stiffness_percent", "balance_mm"),
}


class _Reader:
    """Takes a parsed file of limits apart; every message begins with the file's name."""

    def __init__(self, name: str, document: dict[str, Any]) -> None:
        self.name = name
        self.document = document

    def limits(self) -> PairLimits:
        if self.document.get("schema") != SCHEMA:
            raise LimitsError(
                f'{self.name}: schema is {shown(repr(self.document.get("schema")))}; it must be "{SCHEMA}"'
            )
        self._known("", self.document)
        matched, close = self._table("matched"), self._table("close")
        found = PairLimits()
        compared = self._compared()
        for quantity in QUANTITIES:
            key, unit = f"{quantity}_{UNIT_OF[quantity].suffix}", UNIT_OF[quantity]
            usual = found.limits[quantity]
            if quantity not in compared:
                found = found.changed(quantity, None)
            elif key in matched or key in close:
                low = self._number(matched.get(key, usual.matched / unit.base), f"matched.{key}")
                high = self._number(close.get(key, max(usual.close / unit.base, 2 * low)), f"close.{key}")
                found = found.changed(quantity, _limit(quantity, [low, high], f"{self.name}: {key}"))
        if "length_mm" in self.document:
            found = replace(found, length_m=self._number(self.document["length_mm"], "length_mm", most=500.0) / 1000)
        return self._repeats(found)

    def _repeats(self, found: PairLimits) -> PairLimits:
        table = self._table("repeats")
        mass, stiffness, balance = (
            None if key not in table else self._number(table[key], f"repeats.{key}", most=100.0)
            for key in ("mass_g", "stiffness_percent", "balance_mm")
        )
        return replace(
            found,
            mass_u_kg=found.mass_u_kg if mass is None else mass / 1000,
            stiffness_u_rel=found.stiffness_u_rel if stiffness is None else stiffness / 100,
            balance_u_m=found.balance_u_m if balance is None else balance / 1000,
        )

    def _compared(self) -> set[str]:
        names = self.document.get("compared", list(QUANTITIES))
        if not isinstance(names, list) or not names or any(name not in QUANTITIES for name in names):
            raise LimitsError(
                f"{self.name}: compared is {shown(repr(names))}; it must be a list of some of {', '.join(QUANTITIES)}"
            )
        return set(names)

    def _table(self, name: str) -> dict[str, Any]:
        table = self.document.get(name, {})
        if not isinstance(table, dict):
            raise LimitsError(f"{self.name}: {name} is {shown(repr(table))}; it must be a table, written [{name}]")
        self._known(name, table)
        return table

    def _known(self, table: str, entries: dict[str, Any]) -> None:
        for key in entries:
            if key not in _KEYS[table]:
                close = difflib.get_close_matches(key, _KEYS[table], n=1)
                hint = f" (is {close[0]} meant?)" if close else ""
                where = f" in [{table}]" if table else ""
                known = ", ".join(_KEYS[table])
                raise LimitsError(f"{self.name}: unknown key '{shown(key)}'{where}{hint}; known are {known}")

    def _number(self, value: object, where: str, *, most: float = math.inf) -> float:
        # Comparing never overflows; turning a whole number of four hundred digits into a float does.
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= min(most, 1e6):
            limit = f"between 0 and {min(most, 1e6):g}"
            raise LimitsError(f"{self.name}: {where} is {shown(repr(value))}; it must be a number {limit}")
        return float(value)


def _limit(quantity: Quantity, values: list[float], where: str) -> Limit:
    matched, close = values
    unit = UNIT_OF[quantity]
    if not 0 < matched <= close <= unit.most:
        raise LimitsError(
            f"{where}: matched up to {matched:g} {unit.symbol} and close up to {close:g} {unit.symbol}; the first must be "
            f"above 0, the second not below it and at most {unit.most:g} {unit.symbol}"
        )
    return Limit(matched * unit.base, close * unit.base)
