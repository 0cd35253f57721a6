"""What a comparison of pairs says: results only, for tables, JSON and reports."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, tanh
from typing import Literal

from taptest.config.corrections import Citation
from taptest.core.messages import Message
from taptest.core.results import Result
from taptest.pairs.limits import Limit, PairLimits, Quantity
from taptest.ski.record import Ski

PairVerdict = Literal["matched", "close", "mismatched", "not compared"]
VERDICTS: tuple[PairVerdict, ...] = ("matched", "close", "mismatched", "not compared")
CENTS = 1200 / log(2)  # of a natural logarithm


@dataclass(frozen=True)
class Difference:
    """Second ski minus first in one quantity, with its standard uncertainty and what the limits make of it.

    Mass in kg, balance in m; of stiffness, frequency and damping the natural logarithm of the ratio.
    """

    quantity: Quantity
    value: float
    u: float
    verdict: PairVerdict

    @property
    def percent(self) -> float:
        """Difference in percent of the mean of both, 200 tanh(value/2): the other way round it only changes its sign."""
        return 200 * tanh(self.value / 2)

    @property
    def percent_u(self) -> float:
        """Standard uncertainty of `percent`."""
        return 100 * (1 - tanh(self.value / 2) ** 2) * self.u


@dataclass(frozen=True)
class Pair:
    """Two skis, the left one first where the table says which that is, and what keeps them apart.

    ``verdict`` is the worst of the differences. ``in_table``: the table has them under one pair id. ``mode_spread``:
    standard deviation between modes of the log ratio of their frequencies, beyond what taps and hanging explain.
    """

    pair_id: str | None
    first: Ski
    second: Ski
    differences: tuple[Difference, ...]
    verdict: PairVerdict
    reasons: tuple[str, ...]
    in_table: bool
    mode_spread: float | None = None

    def difference(self, quantity: Quantity) -> Difference | None:
        """The one in a quantity; None where it is not known or not compared."""
        return next((each for each in self.differences if each.quantity == quantity), None)


@dataclass(frozen=True)
class LeftOver:
    """A ski that is in no pair, and why."""

    ski: Ski
    reason: str


@dataclass(frozen=True)
class PairedSkis:
    """Pairs and the skis left over; ``every_partner``: all pairs that are allowed were weighed against each other."""

    pairs: tuple[Pair, ...]
    left_over: tuple[LeftOver, ...]
    every_partner: bool = True


@dataclass(frozen=True)
class PairsResult(Result):
    """Pairs and the skis left over; ``pile`` says whether the pairs were looked for or those of the table."""

    pairs: tuple[Pair, ...]
    left_over: tuple[LeftOver, ...]
    pile: bool
    limits: PairLimits
    problems: tuple[Message, ...] = ()
    unread: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    calibrations: tuple[Citation, ...] = ()

    def count(self, verdict: PairVerdict) -> int:
        """Number of pairs with a verdict."""
        return sum(pair.verdict == verdict for pair in self.pairs)


def verdict_of(quantity: Quantity, value: float, u: float, limit: Limit) -> PairVerdict:
    """Mismatched only beyond ``close`` by more than u; matched only where u does not reach beyond ``close`` either."""
    size = _size(quantity, value)
    if size - u > limit.close:
        return "mismatched"
    return "matched" if size <= limit.matched and size + u <= limit.close else "close"


def size_of(each: Difference) -> float:
    """Size of a difference as the limits count it: in the base unit, or as a share of the mean of both."""
    return _size(each.quantity, each.value)


def _size(quantity: Quantity, value: float) -> float:
    return abs(value) if quantity in ("mass", "balance") else 2 * tanh(abs(value) / 2)
