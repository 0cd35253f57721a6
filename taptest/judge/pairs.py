"""Pairs of skis: do those of the table belong together, and how is a pile best made into pairs?"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import expm1, isfinite, log
from typing import Literal

import numpy as np

from taptest.errors import LotError, shown
from taptest.judge.lot_table import CellProblem
from taptest.judge.measure import MeasuredSki
from taptest.judge.measured_lot import MeasuredLot
from taptest.judge.pair_differences import (
    Columns,
    Differences,
    Flags,
    Index,
    Real,
    beyond_close,
    columns_of,
    cost,
    differences,
    known,
)
from taptest.judge.pair_limits import QUANTITIES, Limit, PairLimits, Quantity
from taptest.judge.pairing import best_pairing, natural_order

PairVerdict = Literal["matched", "close", "mismatched", "not compared"]
VERDICTS: tuple[PairVerdict, ...] = ("matched", "close", "mismatched", "not compared")

MOST_IN_A_PILE = 3000
CENTS = 1200 / log(2)
_CHUNK = 40_000
_WARM_K = 5.0
# Sound skis of one kind differ by 0.3 to 0.5 % from mode to mode (assumed, as in the figures of the README).
_UNEVEN = 0.01
_WORDS: dict[Quantity, tuple[str, str]] = {
    "mass": ("heavier", "lighter"),
    "stiffness": ("stiffer", "softer"),
    "frequency": ("higher in tone", "lower in tone"),
    "damping": ("more damped", "less damped"),
}


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
        """100 (ratio - 1), of a quantity kept as a logarithm."""
        return 100 * expm1(self.value)

    @property
    def percent_u(self) -> float:
        """Standard uncertainty of `percent`."""
        return (100 + self.percent) * self.u


@dataclass(frozen=True)
class Pair:
    """Two skis, the left one first where the table says which that is, and what keeps them apart.

    ``verdict`` is the worst of the differences. ``in_table``: the table has them under one pair id. ``mode_spread``:
    standard deviation between modes of the log ratio of their frequencies, beyond what taps and hanging explain.
    """

    pair_id: str | None
    first: MeasuredSki
    second: MeasuredSki
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

    ski: MeasuredSki
    reason: str


@dataclass(frozen=True)
class PairsResult:
    """Pairs and the skis left over; ``pile`` says whether the pairs were looked for or those of the table."""

    pairs: tuple[Pair, ...]
    left_over: tuple[LeftOver, ...]
    pile: bool
    limits: PairLimits
    problems: tuple[CellProblem, ...] = ()
    unread: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def count(self, verdict: PairVerdict) -> int:
        """Number of pairs with a verdict."""
        return sum(pair.verdict == verdict for pair in self.pairs)


def match_pairs(measured: MeasuredLot, *, limits: PairLimits | None = None, pile: bool = False) -> PairsResult:
    """Compare the pairs of a table, or find the best ones in a pile.

    Raises:
        LotError: the table names no pairs, or a pile holds more than 3000 skis.
    """
    limits = limits or PairLimits()
    pairs, left_over = pair_up(measured.skis, limits) if pile else given_pairs(measured.skis, limits)
    if not pile and not pairs and measured.skis and all(ski.row.pair_id is None for ski in measured.skis):
        raise LotError(
            f"{shown(measured.lot.path.name, 100)}: names no pairs; fill in pair_id, or let the best pairs be found (--pile)"
        )
    return PairsResult(
        pairs,
        left_over,
        pile,
        limits,
        measured.lot.problems,
        measured.unread,
        (*measured.lot.notes, *_warm(measured.skis)),
    )


def given_pairs(skis: Sequence[MeasuredSki], limits: PairLimits) -> tuple[tuple[Pair, ...], tuple[LeftOver, ...]]:
    """The pairs that the table names, in its order, and the skis that are in none."""
    members: dict[str, list[int]] = {}
    for i, ski in enumerate(skis):
        if ski.row.pair_id is not None:
            members.setdefault(ski.row.pair_id, []).append(i)
    pairs = [each for each in members.values() if len(each) == 2]
    found = _compared(skis, columns_of(skis), pairs, limits)
    left_over = []
    for ski in skis:
        pair_id = ski.row.pair_id
        if pair_id is None:
            left_over.append(LeftOver(ski, "has no pair_id"))
        elif len(members[pair_id]) == 1:
            left_over.append(LeftOver(ski, f"the only ski of pair {shown(pair_id)}"))
        elif len(members[pair_id]) > 2:
            several = f"one of {len(members[pair_id])} skis of pair {shown(pair_id)}"
            left_over.append(LeftOver(ski, f"{several}: which two belong together is not clear"))
    return found, tuple(left_over)


def pair_up(skis: Sequence[MeasuredSki], limits: PairLimits) -> tuple[tuple[Pair, ...], tuple[LeftOver, ...]]:
    """The best pairs of a pile, whatever its order: as many as possible, then the least total cost.

    Two skis may become a pair when they share construction, binding state and length and are not of one side, when
    mass, stiffness or frequency of both is known, and when no difference as measured is beyond ``close``.

    Raises:
        LotError: more than 3000 skis.
    """
    if len(skis) > MOST_IN_A_PILE:
        raise LotError(
            f"{len(skis)} skis are more than can be paired at once ({MOST_IN_A_PILE}); make a table of each length or kind"
        )
    skis = sorted(skis, key=lambda ski: natural_order(ski.row.ski_id))
    columns = columns_of(skis)
    pairs = best_pairing(len(skis), *_candidates(columns, limits))
    found = _compared(skis, columns, pairs, limits)
    taken = {i for pair in pairs for i in pair}
    left_over = [LeftOver(ski, _why_alone(skis, columns, i, limits)) for i, ski in enumerate(skis) if i not in taken]
    return found, tuple(left_over)


def _candidates(columns: Columns, limits: PairLimits) -> tuple[Index, Index, Real]:
    """Both ends and cost of every pair that is allowed."""
    count = len(columns.kind)
    step = max(1, _CHUNK // max(count, 1))
    kept = [(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0))]
    for low in range(0, count, step):
        i, j = np.meshgrid(np.arange(low, min(low + step, count)), np.arange(count), indexing="ij")
        possible = (j > i) & _same_kind(columns, i, j, limits)
        first, second = i[possible], j[possible]
        found = differences(columns, first, second, limits)
        allowed = known(found, limits) & ~beyond_close(found, limits)
        kept.append((first[allowed], second[allowed], cost(found, limits)[allowed]))
    first, second, costs = (np.concatenate(column) for column in zip(*kept, strict=True))
    return first, second, costs


def _same_kind(columns: Columns, i: Index, j: Index, limits: PairLimits) -> Flags:
    """Of one construction, binding state and length as far as known, and not both left or both right."""
    apart = np.abs(columns.length_m[i] - columns.length_m[j])
    # A tenth of a millimetre, so that rounding of units does not matter.
    near = ~(apart > limits.length_m + 1e-4)
    return np.asarray((columns.kind[i] == columns.kind[j]) & near & (columns.side[i] * columns.side[j] <= 0))


def _why_alone(skis: Sequence[MeasuredSki], columns: Columns, i: int, limits: PairLimits) -> str:
    """What stands between a ski and the one that is nearest to it of all."""
    others = np.array([j for j in range(len(skis)) if j != i], dtype=np.int64)
    here = np.full(len(others), i, dtype=np.int64)
    found = differences(columns, here, others, limits)
    possible = _same_kind(columns, here, others, limits) & known(found, limits)
    if not possible.any():
        return "no other ski of its construction, binding state and length, and of the other side, to compare it with"
    nearest = int(others[np.argmin(np.where(possible, cost(found, limits), np.inf))])
    (pair,) = _compared(skis, columns, [(i, nearest)], limits)
    too_far = [each for each in pair.differences if size_of(each) > limits.limits[each.quantity].close]
    name = shown(skis[nearest].row.ski_id)
    if not too_far:
        return f"would go with {name}, which makes a better pair or is needed elsewhere"
    worst = max(too_far, key=lambda each: size_of(each) / limits.limits[each.quantity].close)
    return f"nearest is {name}, but {_sentence(worst, limits.limits[worst.quantity], pair.second, too_far=True)}"


def _compared(
    skis: Sequence[MeasuredSki], columns: Columns, pairs: Iterable[Sequence[int]], limits: PairLimits
) -> tuple[Pair, ...]:
    ordered = [(i, j) if columns.side[i] >= columns.side[j] else (j, i) for i, j in pairs]
    if not ordered:
        return ()
    first, second = (np.array(column, dtype=np.int64) for column in zip(*ordered, strict=True))
    found = differences(columns, first, second, limits)
    return tuple(_pair(skis[i], skis[j], found, at, limits) for at, (i, j) in enumerate(ordered))


def _pair(one: MeasuredSki, other: MeasuredSki, found: Differences, at: int, limits: PairLimits) -> Pair:
    obstacle = _not_comparable(one, other)
    judged = [] if obstacle else _judged(found, at, limits)
    apart = _kind_reasons(one, other, limits)
    worst: PairVerdict = "not compared"
    if judged:
        words = [each.verdict for each in judged]
        worst = "mismatched" if apart else max(words, key=VERDICTS.index)
    reasons = [obstacle] if obstacle else [*apart, *_in_words(judged, other, limits)]
    if not obstacle:
        reasons += [
            *_unlike_prediction(found, at, other),
            *_uneven(found, at),
            *_unknown(one, other, judged, limits),
            *_remarks(one, other),
        ]
    pair_id = one.row.pair_id if one.row.pair_id == other.row.pair_id else None
    spread = float(found.mode_spread[at]) if not obstacle and isfinite(found.mode_spread[at]) else None
    return Pair(pair_id, one, other, tuple(judged), worst, tuple(reasons), pair_id is not None, spread)


def _judged(found: Differences, at: int, limits: PairLimits) -> list[Difference]:
    judged = []
    for quantity in QUANTITIES:
        value, u = float(found.value[quantity][at]), float(found.u[quantity][at])
        if quantity in limits.limits and isfinite(value):
            judged.append(Difference(quantity, value, u, verdict_of(quantity, value, u, limits.limits[quantity])))
    return judged


def verdict_of(quantity: Quantity, value: float, u: float, limit: Limit) -> PairVerdict:
    """Mismatched only beyond ``close`` by more than u; matched only where u does not reach beyond ``close`` either."""
    size = _size(quantity, value)
    if size - u > limit.close:
        return "mismatched"
    return "matched" if size <= limit.matched and size + u <= limit.close else "close"


def size_of(each: Difference) -> float:
    """Size of a difference as the limits count it: of a ratio how much the larger is above the smaller."""
    return _size(each.quantity, each.value)


def _size(quantity: Quantity, value: float) -> float:
    return abs(value) if quantity in ("mass", "balance") else expm1(abs(value))


def _not_comparable(one: MeasuredSki, other: MeasuredSki) -> str | None:
    if (one.row.binding_mass_kg > 0) != (other.row.binding_mass_kg > 0):
        bound = one if one.row.binding_mass_kg > 0 else other
        return f"{shown(bound.row.ski_id)} carries a binding and the other does not: nothing can be compared"
    return None


def _kind_reasons(one: MeasuredSki, other: MeasuredSki, limits: PairLimits) -> list[str]:
    """What no measurement can make good: other construction, length, or the same side."""
    a, b = one.row, other.row
    reasons = []
    if a.construction != b.construction:
        reasons.append(f"of different construction: {shown(a.construction) or '?'} and {shown(b.construction) or '?'}")
    if a.length_m is not None and b.length_m is not None and abs(b.length_m - a.length_m) > limits.length_m + 1e-4:
        apart, most = 1000 * abs(b.length_m - a.length_m), 1000 * limits.length_m
        reasons.append(f"{apart:.0f} mm apart in length (limit {most:g} mm)")
    if a.side is not None and a.side == b.side:
        reasons.append(f"both are marked {a.side}")
    return reasons


def _in_words(judged: Sequence[Difference], other: MeasuredSki, limits: PairLimits) -> list[str]:
    """One sentence for each difference that is not matched, the one farthest over its limit first."""
    said = []
    for each in judged:
        if each.verdict == "matched":
            continue
        limit = limits.limits[each.quantity]
        words = _sentence(each, limit, other, too_far=each.verdict == "mismatched")
        said.append((size_of(each) / limit.close, words))
    return [sentence for _, sentence in sorted(said, key=lambda each: -each[0])]


def _sentence(each: Difference, limit: Limit, other: MeasuredSki, *, too_far: bool) -> str:
    name = shown(other.row.ski_id)
    word, bound = ("close", limit.close) if too_far else ("matched", limit.matched)
    if each.quantity == "balance":
        way = "nearer the tip" if each.value > 0 else "nearer the tail"
        return f"{name} balances {1000 * abs(each.value):.0f} mm {way} ({word} up to {1000 * bound:g} mm)"
    way = _WORDS[each.quantity][0 if each.value > 0 else 1]
    if each.quantity == "mass":
        return f"{name} is {1000 * abs(each.value):.0f} g {way} ({word} up to {1000 * bound:g} g)"
    size = f"{abs(each.percent):.1f} %"
    if each.quantity == "frequency":
        size += f" ({CENTS * abs(each.value):.0f} cents)"
    return f"{name} is {size} {way} ({word} up to {100 * bound:g} %)"


def _unlike_prediction(found: Differences, at: int, other: MeasuredSki) -> list[str]:
    """Where two skis ring as their masses and stiffnesses do not say, one of these is wrong or the skis are unlike."""
    beyond = float(found.unexpected[at])
    if not isfinite(beyond):
        return []
    name = shown(other.row.ski_id)
    should, does = (100 * expm1(value) for value in (float(found.expected[at]), float(found.value["frequency"][at])))
    return [
        f"by mass and stiffness {name} should ring {_higher(should)}, but it rings {_higher(does)}: weigh and bend both "
        "again; if the numbers hold, the two are not built alike"
    ]


def _uneven(found: Differences, at: int) -> list[str]:
    spread = float(found.mode_spread[at])
    if not spread > _UNEVEN:
        return []
    return [
        f"their modes lie unevenly apart, by {100 * spread:.1f} % between modes: one may have a soft spot; check the lot"
    ]


def _higher(percent: float) -> str:
    return f"{abs(percent):.1f} % {'higher' if percent > 0 else 'lower'}"


def _unknown(one: MeasuredSki, other: MeasuredSki, judged: Sequence[Difference], limits: PairLimits) -> list[str]:
    """What the verdict does not rest on, although it was to be compared."""
    there = {each.quantity for each in judged}
    absent = [name for name in ("mass", "stiffness", "frequency") if name in limits.limits and name not in there]
    if not absent:
        return []
    why = ""
    if "frequency" in absent:
        silent = [ski for ski in (one, other) if ski.identification is None or ski.identification.ambiguous]
        causes = list(dict.fromkeys(_silence(ski) for ski in silent))
        if len(silent) == 2 and not any(ski.row.recordings for ski in silent):
            causes = ["neither has a recording"]
        why = f": {'; '.join(causes)}" if causes else ": no mode was heard in both"
    based = " and ".join(name for name in ("mass", "stiffness", "frequency") if name in there)
    if not based:
        return [f"no {', '.join(absent)} to compare{why}"]
    return [f"on {based} alone, {' and '.join(absent)} not known{why}"]


def _silence(ski: MeasuredSki) -> str:
    if not ski.row.recordings:
        return f"{shown(ski.row.ski_id)} has no recording"
    return f"{shown(ski.row.ski_id)}: {ski.obstacles[0] if ski.obstacles else 'not heard'}"


def _remarks(one: MeasuredSki, other: MeasuredSki) -> list[str]:
    a, b = one.row, other.row
    remarks = []
    if a.generation != b.generation:
        remarks.append(f"of different generations: {shown(a.generation or '?')} and {shown(b.generation or '?')}")
    if a.temperature_c is not None and b.temperature_c is not None and abs(a.temperature_c - b.temperature_c) > _WARM_K:
        apart = abs(a.temperature_c - b.temperature_c)
        remarks.append(f"measured {apart:.0f} K apart, which moves the tone by about {0.1 * apart:.1f} %")
    return remarks


def _warm(skis: Sequence[MeasuredSki]) -> list[str]:
    """A note where a pile was measured at different temperatures."""
    warm = [ski.row.temperature_c for ski in skis if ski.row.temperature_c is not None]
    if warm and max(warm) - min(warm) > _WARM_K:
        return [
            f"measured between {min(warm):.0f} and {max(warm):.0f} °C; frequencies move about 0.1 % a kelvin, so "
            "compare skis of one temperature"
        ]
    return []
