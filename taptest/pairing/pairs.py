"""Pairs of skis: do those of the table belong together, and how is a pile best made into pairs?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isfinite

import numpy as np

from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import LotError, shown
from taptest.core.messages import Message, message
from taptest.identify.measured_lot import MeasuredLot, Progress, measure_lot
from taptest.pairing.differences import Columns, Differences, Flags, Index, Real, columns_of, differences, weighed
from taptest.pairing.limits import QUANTITIES, ROUNDING_M, PairLimits
from taptest.pairing.matching import best_pairing, natural_order, nearest_only
from taptest.pairing.reasons import (
    apart,
    not_comparable,
    of_other_kinds,
    over_limits,
    remarks_on,
    share_of_limit,
    unknown,
    unlike_what_was_expected,
)
from taptest.pairing.verdict import (
    VERDICTS,
    Difference,
    LeftOver,
    Pair,
    PairedSkis,
    PairsResult,
    PairVerdict,
    verdict_of,
)
from taptest.screen.check import warm_remarks
from taptest.ski.record import Ski
from taptest.tables.lot import Lot

# Above so many pairs that are allowed, only the nearest partners of each ski are weighed against each other; set so that
# the pairing of the largest pile takes well under a minute.
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
    remarks = warm_remarks(measured.skis, measured.settings, "these skis")
    if not found.every_partner:
        remarks.append(message("pairing-approximate", partners=PARTNERS, most=MOST_CANDIDATES))
    return PairsResult(measured, found.pairs, found.left_over, pile, limits, tuple(remarks))


def _check_size(skis: int) -> None:
    most = LIMITS.pairing.most_skis
    if skis > most:
        raise LotError(f"{skis} skis are more than can be paired at once ({most}); make a table of each length or kind")


def given_pairs(skis: Sequence[Ski], limits: PairLimits) -> PairedSkis:
    """The pairs that the table names, in its order, and the skis that are in none."""
    members: dict[str, list[int]] = {}
    for i, ski in enumerate(skis):
        if ski.facts.pair_id is not None:
            members.setdefault(ski.facts.pair_id, []).append(i)
    pairs = [each for each in members.values() if len(each) == 2]
    found = _compared(skis, columns_of(skis), pairs, limits)
    counts = {pair_id: len(each) for pair_id, each in members.items()}
    alone = [ski for ski in skis if ski.pair_id is None or counts[ski.pair_id] != 2]
    return PairedSkis(found, tuple(LeftOver(ski, _why_unpaired(ski.pair_id, counts)) for ski in alone))


def _why_unpaired(pair_id: str | None, counts: Mapping[str, int]) -> Message:
    if pair_id is None:
        return message("left-no-pair-id")
    if counts[pair_id] == 1:
        return message("left-alone", pair=shown(pair_id))
    return message("left-several", skis=counts[pair_id], pair=shown(pair_id))


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
        cost, _, allowed = weighed(found, limits)
        kept.append((first[allowed], second[allowed], cost[allowed]))
    first, second, costs = (np.concatenate(column) for column in zip(*kept, strict=True))
    return first, second, costs


def _same_kind(columns: Columns, i: Index, j: Index, limits: PairLimits) -> Flags:
    """Of one construction, binding state and length as far as known, and not both left or both right."""
    length_m = columns.known["length"]
    near = ~(np.abs(length_m[i] - length_m[j]) > limits.length_m + ROUNDING_M)
    return np.asarray((columns.kind[i] == columns.kind[j]) & near & (columns.side[i] * columns.side[j] <= 0))


def _why_alone(skis: Sequence[Ski], columns: Columns, i: int, limits: PairLimits) -> Message:
    """What stands between a ski and the one that is nearest to it of all."""
    others = np.array([j for j in range(len(skis)) if j != i], dtype=np.int64)
    here = np.full(len(others), i, dtype=np.int64)
    cost, known, _ = weighed(differences(columns, here, others, limits), limits)
    possible = _same_kind(columns, here, others, limits) & known
    if not possible.any():
        return message("left-nothing-like-it")
    nearest = int(others[np.argmin(np.where(possible, cost, np.inf))])
    (pair,) = _compared(skis, columns, [(i, nearest)], limits)
    name = shown(skis[nearest].ski_id)
    worst = max(pair.differences, key=lambda each: share_of_limit(each, limits))
    if share_of_limit(worst, limits) <= 1:
        return message("left-better-pairs", nearest=name)
    why = apart(worst, limits.limits[worst.quantity], pair.second, too_far=True)
    return message("left-too-far", nearest=name, difference=why.text)


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
    if obstacle is not None:
        return Pair(one, other, (), "not compared", (obstacle,))
    judged = _judged(found, at, limits)
    unlike = of_other_kinds(one, other, limits)
    worst: PairVerdict = "not compared"
    if judged:
        worst = "mismatched" if unlike else max((each.verdict for each in judged), key=VERDICTS.index)
    reasons = (
        *unlike,
        *over_limits(judged, other, limits),
        *unlike_what_was_expected(found, at, other),
        *unknown(one, other, judged, limits),
        *remarks_on(one, other),
    )
    spread = float(found.mode_spread[at])
    return Pair(one, other, judged, worst, reasons, spread if isfinite(spread) else None)


def _judged(found: Differences, at: int, limits: PairLimits) -> tuple[Difference, ...]:
    judged = []
    for quantity in QUANTITIES:
        value, u = float(found.value[quantity][at]), float(found.u[quantity][at])
        if quantity in limits.limits and isfinite(value):
            judged.append(Difference(quantity, value, u, verdict_of(quantity, value, u, limits.limits[quantity])))
    return tuple(judged)
