"""What a comparison of pairs says: results only, for tables, documents and reports."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, tanh
from typing import Any, Literal, get_args

from taptest.config.corrections import Citation
from taptest.core.fields import Field, by_key, document_of
from taptest.core.messages import Message, codes
from taptest.core.results import Result
from taptest.identify.measured_lot import MeasuredLot
from taptest.pairing.limits import UNIT_OF, Limit, PairLimits, Quantity, key_of, size_of
from taptest.ski.fields import SKI_FIELDS, sentences
from taptest.ski.record import Ski

PairVerdict = Literal["matched", "close", "mismatched", "not compared"]
VERDICTS: tuple[PairVerdict, ...] = get_args(PairVerdict)
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

    @property
    def in_unit(self) -> tuple[float, float]:
        """Value and standard uncertainty as tables have them: in g, mm or percent."""
        if self.quantity in ("mass", "balance"):
            return self.value / UNIT_OF[self.quantity].base, self.u / UNIT_OF[self.quantity].base
        return self.percent, self.percent_u


@dataclass(frozen=True)
class Pair:
    """Two skis, the left one first where the table says which that is, and what keeps them apart.

    Attributes:
        first, second: the skis.
        differences: second minus first, in what is known of both.
        verdict: the worst of the differences.
        reasons: the most telling first.
        mode_spread: standard deviation between modes of the log ratio of their frequencies, beyond what taps and hanging
            explain.
    """

    first: Ski
    second: Ski
    differences: tuple[Difference, ...]
    verdict: PairVerdict
    reasons: tuple[Message, ...]
    mode_spread: float | None = None

    @property
    def pair_id(self) -> str | None:
        """The pair id that both have in the table; None where they have none or two."""
        return self.first.pair_id if self.first.pair_id == self.second.pair_id else None

    @property
    def in_table(self) -> bool:
        """Whether the table has them under one pair id."""
        return self.pair_id is not None

    def difference(self, quantity: Quantity) -> Difference | None:
        """The one in a quantity; None where it is not known or not compared."""
        return next((each for each in self.differences if each.quantity == quantity), None)


@dataclass(frozen=True)
class LeftOver:
    """A ski that is in no pair, and why."""

    ski: Ski
    reason: Message


@dataclass(frozen=True)
class PairedSkis:
    """Pairs and the skis left over; ``every_partner``: all pairs that are allowed were weighed against each other."""

    pairs: tuple[Pair, ...]
    left_over: tuple[LeftOver, ...]
    every_partner: bool = True


@dataclass(frozen=True)
class PairsResult(Result):
    """Pairs and the skis left over.

    Attributes:
        measured: the lot, its skis and the settings.
        pairs: in the order of the table, or by ski id where a pile was paired.
        left_over: skis in no pair.
        pile: whether the pairs were looked for, or are those of the table.
        limits: what makes a good pair.
        remarks: what concerns all of them.
    """

    measured: MeasuredLot
    pairs: tuple[Pair, ...]
    left_over: tuple[LeftOver, ...]
    pile: bool
    limits: PairLimits
    remarks: tuple[Message, ...] = ()

    @property
    def problems(self) -> tuple[Message, ...]:
        """Bad cells of the table."""
        return self.measured.lot.problems

    @property
    def unread(self) -> tuple[Message, ...]:
        """Inputs that could not be read."""
        return self.measured.unread

    @property
    def notes(self) -> tuple[Message, ...]:
        """What is good to know: of the table, of calibrations and of all skis."""
        return (*self.measured.lot.notes, *self.measured.settings.corrections.messages, *self.remarks)

    @property
    def calibrations(self) -> tuple[Citation, ...]:
        """Those that the differences rest on."""
        return self.measured.settings.corrections.citations

    def count(self, verdict: PairVerdict) -> int:
        """Number of pairs with a verdict."""
        return sum(pair.verdict == verdict for pair in self.pairs)


def verdict_of(quantity: Quantity, value: float, u: float, limit: Limit) -> PairVerdict:
    """Mismatched only beyond ``close`` by more than u; matched only where u does not reach beyond ``close`` either."""
    size = float(size_of(quantity, value))
    if size - u > limit.close:
        return "mismatched"
    return "matched" if size <= limit.matched and size + u <= limit.close else "close"


_OF_SKIS = by_key(SKI_FIELDS)
PAIRED_SKI_FIELDS: tuple[Field[Ski], ...] = (
    *(_OF_SKIS[key] for key in ("ski_id", "pair_id", "line", "mass_g", "stiffness_n_per_mm")),
    Field("side", lambda ski: ski.facts.side, "text", "L or R"),
    Field("measured_hz", lambda ski: ski.placed and ski.placed.first_hz, help="first bending mode"),
)


def _apart(quantity: Quantity, heading: str, decimals: int) -> tuple[Field[Pair], Field[Pair]]:
    """A difference and its uncertainty."""
    name, _, unit = key_of(quantity).partition("_")
    key, key_u = f"{name}_difference_{unit}", f"{name}_difference_u_{unit}"

    def value(pair: Pair, at: int) -> float | None:
        found = pair.difference(quantity)
        return None if found is None else found.in_unit[at]

    of = "of their mean" if unit == "percent" else ""
    return (
        Field(
            key,
            lambda pair: value(pair, 0),
            help=f"{quantity}, second ski less first {of}".rstrip(),
            heading=heading,
            decimals=decimals,
            sign=True,
            u=key_u,
        ),
        Field(key_u, lambda pair: value(pair, 1), help="its standard uncertainty"),
    )


def _cents(pair: Pair, name: Literal["value", "u"]) -> float | None:
    found = pair.difference("frequency")
    return None if found is None else CENTS * float(getattr(found, name))


def _verdicts(pair: Pair) -> dict[str, PairVerdict]:
    return {each.quantity: each.verdict for each in pair.differences}


def _ski_document(ski: Ski) -> dict[str, Any]:
    return document_of(PAIRED_SKI_FIELDS, ski)


PAIR_FIELDS: tuple[Field[Pair], ...] = (
    Field("pair_id", lambda pair: pair.pair_id, "text", "as the table names it", heading="pair", align="fold"),
    Field("first_id", lambda pair: pair.first.ski_id, "text", "the first ski", heading="ski", align="fold"),
    Field("second_id", lambda pair: pair.second.ski_id, "text", "the second ski", heading="with", align="fold"),
    Field("in_table", lambda pair: pair.in_table, "boolean", "whether the table has them under one pair id"),
    Field(
        "first", lambda pair: _ski_document(pair.first), "object", "the left one, where the table says which that is"
    ),
    Field("second", lambda pair: _ski_document(pair.second), "object", "the other one"),
    *_apart("mass", "mass\ng", 0),
    *_apart("stiffness", "stiff\n%", 1),
    *_apart("frequency", "tone\n%", 1),
    Field(
        "frequency_difference_cents",
        lambda pair: _cents(pair, "value"),
        help="the same in hundredths of a semitone",
        heading="tone\ncents",
        decimals=0,
        sign=True,
    ),
    Field("frequency_difference_u_cents", lambda pair: _cents(pair, "u"), help="its standard uncertainty"),
    *_apart("damping", "damp\n%", 0),
    *_apart("balance", "balance\nmm", 0),
    Field(
        "mode_spread_percent",
        lambda pair: None if pair.mode_spread is None else 100 * pair.mode_spread,
        help="standard deviation of the difference between modes, beyond what taps and hanging explain",
    ),
    Field("verdict", lambda pair: pair.verdict, "text", "the worst of the differences", heading="verdict"),
    Field("verdicts", _verdicts, "object", "by quantity"),
    Field("reasons", lambda pair: sentences(pair.reasons), "list", "what keeps them apart, the most telling first"),
    Field("reason_codes", lambda pair: codes(pair.reasons), "list", "the same as codes"),
)
