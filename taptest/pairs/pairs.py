"""Pairs of skis: do those of the table belong together, and how is a pile best made into pairs?"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite

import numpy as np

from taptest.config.settings import Settings
from taptest.core.errors import LotError, shown
from taptest.core.messages import Message
from taptest.identify.measured_lot import MeasuredLot, Progress, measure_lot
from taptest.pairs.differences import (
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
from taptest.pairs.limits import QUANTITIES, PairLimits
from taptest.pairs.matching import best_pairing, natural_order, nearest_only
from taptest.pairs.reasons import (
    in_words,
    not_comparable,
    of_other_kinds,
    remarks_on,
    sentence_of,
    uneven,
    unknown,
    unlike_prediction,
)
from taptest.pairs.verdict import (
    VERDICTS,
    Difference,
    LeftOver,
    Pair,
    PairedSkis,
    PairsResult,
    PairVerdict,
    size_of,
    verdict_of,
)
from taptest.screen.check import warm_remarks
from taptest.ski.record import Ski
from taptest.tables.lot import Lot

MOST_IN_A_PILE = 3000
# Above so many pairs that are allowed, only the nearest partners of each ski are weighed against each other.
MOST_CANDIDATES = 150_000
PARTNERS = 40
_CHUNK = 40_000


def match_pairs(
    lot: Lot,
    *,
    limits: PairLimits | None = None,
    pile: bool = False,
    settings: Settings | None = None,
    progress: Progress | None = None,
    workers: int = 1,
) -> PairsResult:
    """Measure the skis of a lot, and compare the pairs of its table or find the best ones in a pile.

    Args:
        lot: the table.
        limits: what makes a good pair.
        pile: disregard the pairs of the table.
        settings, progress, workers: as in `measure_lot`.

    Raises:
        LotError: the table names no pairs, or a pile holds more than 3000 skis.
    """
    if not pile and lot.rows and all(row.pair_id is None for row in lot.rows):
        raise LotError(
            f"{shown(lot.path.name, 100)}: names no pairs; fill in pair_id, or let the best pairs be found (--pile)"
        )
    if pile:
        _check_size(len(lot.rows))
    measured = measure_lot(lot, settings, progress=progress, workers=workers)
    return judge_pairs(measured, limits=limits, pile=pile)


def judge_pairs(measured: MeasuredLot, *, limits: PairLimits | None = None, pile: bool = False) -> PairsResult:
    """What `match_pairs` does once the skis are measured. Needs no sound.

    Raises:
        LotError: a pile holds more than 3000 skis.
    """
    limits = limits or PairLimits()
    found = pair_up(measured.skis, limits) if pile else given_pairs(measured.skis, limits)
    corrections = measured.settings.corrections
    notes = [*map(str, measured.lot.notes), *corrections.notes, *map(str, _warm(measured))]
    if not found.every_partner:
        notes.append(
            f"of each ski only the {PARTNERS} nearest partners were weighed, as more than {MOST_CANDIDATES} pairs are "
            "allowed: the pairing may not be the very best; narrower limits make it so"
        )
    return PairsResult(
        pairs=found.pairs,
        left_over=found.left_over,
        pile=pile,
        limits=limits,
        problems=measured.lot.problems,
        unread=tuple(map(str, measured.unread)),
        notes=tuple(notes),
        calibrations=corrections.citations,
    )


def _check_size(skis: int) -> None:
    if skis > MOST_IN_A_PILE:
        raise LotError(
            f"{skis} skis are more than can be paired at once ({MOST_IN_A_PILE}); make a table of each length or kind"
        )


def given_pairs(skis: Sequence[Ski], limits: PairLimits) -> PairedSkis:
    """The pairs that the table names, in its order, and the skis that are in none."""
    members: dict[str, list[int]] = {}
    for i, ski in enumerate(skis):
        if ski.facts.pair_id is not None:
            members.setdefault(ski.facts.pair_id, []).append(i)
    pairs = [each for each in members.values() if len(each) == 2]
    found = _compared(skis, columns_of(skis), pairs, limits)
    left_over = []
    for ski in skis:
        pair_id = ski.facts.pair_id
        if pair_id is None:
            left_over.append(LeftOver(ski, "has no pair_id"))
        elif len(members[pair_id]) == 1:
            left_over.append(LeftOver(ski, f"the only usable ski of pair {shown(pair_id)}"))
        elif len(members[pair_id]) > 2:
            several = f"one of {len(members[pair_id])} skis of pair {shown(pair_id)}"
            left_over.append(LeftOver(ski, f"{several}: which two belong together is not clear"))
    return PairedSkis(found, tuple(left_over))


def pair_up(skis: Sequence[Ski], limits: PairLimits) -> PairedSkis:
    """The best pairs of a pile, whatever its order: as many as possible, then the least total cost.

    Two skis may become a pair when they share construction, binding state and length and are not of one side, when
    mass, stiffness or frequency of both is known, and when no difference as measured is beyond ``close``.

    Raises:
        LotError: more than 3000 skis.
    """
    _check_size(len(skis))
    skis = sorted(skis, key=lambda ski: natural_order(ski.facts.ski_id))
    columns = columns_of(skis)
    first, second, costs = _candidates(columns, limits)
    every_partner = len(costs) <= MOST_CANDIDATES
    if not every_partner:
        kept = nearest_only(len(skis), first, second, costs, PARTNERS)
        first, second, costs = first[kept], second[kept], costs[kept]
    pairs = best_pairing(len(skis), first, second, costs)
    found = _compared(skis, columns, pairs, limits)
    taken = {i for pair in pairs for i in pair}
    left_over = [LeftOver(ski, _why_alone(skis, columns, i, limits)) for i, ski in enumerate(skis) if i not in taken]
    return PairedSkis(found, tuple(left_over), every_partner)


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


def _why_alone(skis: Sequence[Ski], columns: Columns, i: int, limits: PairLimits) -> str:
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
    name = shown(skis[nearest].facts.ski_id)
    if not too_far:
        return f"would go with {name}, which makes a better pair or is needed elsewhere"
    worst = max(too_far, key=lambda each: size_of(each) / limits.limits[each.quantity].close)
    return f"nearest is {name}, but {sentence_of(worst, limits.limits[worst.quantity], pair.second, too_far=True)}"


def _compared(
    skis: Sequence[Ski], columns: Columns, pairs: Iterable[Sequence[int]], limits: PairLimits
) -> tuple[Pair, ...]:
    ordered = [(i, j) if columns.side[i] >= columns.side[j] else (j, i) for i, j in pairs]
    if not ordered:
        return ()
    first, second = (np.array(column, dtype=np.int64) for column in zip(*ordered, strict=True))
    found = differences(columns, first, second, limits)
    return tuple(_pair(skis[i], skis[j], found, at, limits) for at, (i, j) in enumerate(ordered))


def _pair(one: Ski, other: Ski, found: Differences, at: int, limits: PairLimits) -> Pair:
    obstacle = not_comparable(one, other)
    judged = [] if obstacle else _judged(found, at, limits)
    apart = of_other_kinds(one, other, limits)
    worst: PairVerdict = "not compared"
    if judged:
        words = [each.verdict for each in judged]
        worst = "mismatched" if apart else max(words, key=VERDICTS.index)
    reasons = [obstacle] if obstacle else [*apart, *in_words(judged, other, limits)]
    if not obstacle:
        reasons += [
            *unlike_prediction(found, at, other),
            *uneven(found, at),
            *unknown(one, other, judged, limits),
            *remarks_on(one, other),
        ]
    pair_id = one.facts.pair_id if one.facts.pair_id == other.facts.pair_id else None
    spread = float(found.mode_spread[at]) if not obstacle and isfinite(found.mode_spread[at]) else None
    return Pair(pair_id, one, other, tuple(judged), worst, tuple(reasons), pair_id is not None, spread)


def _judged(found: Differences, at: int, limits: PairLimits) -> list[Difference]:
    judged = []
    for quantity in QUANTITIES:
        value, u = float(found.value[quantity][at]), float(found.u[quantity][at])
        if quantity in limits.limits and isfinite(value):
            judged.append(Difference(quantity, value, u, verdict_of(quantity, value, u, limits.limits[quantity])))
    return judged


def _warm(measured: MeasuredLot) -> list[Message]:
    """A note where a pile was measured at different temperatures."""
    return warm_remarks(measured.skis, measured.settings, "these skis")
