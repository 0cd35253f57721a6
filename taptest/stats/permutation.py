"""Differences between two groups by permutation: exact p-values and intervals that hold for few skis too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb, prod, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.config.limits import LIMITS

Real = NDArray[np.float64]

MOST_ARRANGEMENTS = 20_000
_SAMPLED = 9_999
_SEED = 20_261_125
_TIES = 1e-10


@dataclass(frozen=True)
class Stratum:
    """Values of two groups that may be compared with each other: ``second`` against ``first``."""

    first: tuple[float, ...]
    second: tuple[float, ...]


@dataclass(frozen=True)
class Shift:
    """How much higher the second group lies, and what chance would do.

    ``low`` and ``high`` enclose the difference with the stated ``confidence``, which is 0.95 or what so few values can
    reach; None where that is below 0.8. ``p_value`` two-sided. ``exact``: every arrangement was tried, otherwise a
    seeded sample of them. ``least_p_value`` that these numbers of values can give. ``effect``: Hedges' g; None
    where nothing scatters. ``superiority``: share of all comparisons of two that the second group wins.
    """

    difference: float
    low: float | None
    high: float | None
    confidence: float | None
    p_value: float
    least_p_value: float
    exact: bool
    effect: float | None
    superiority: float
    count_first: int
    count_second: int


def shift(strata: Sequence[Stratum]) -> Shift | None:
    """Mean difference within strata, by rearranging the values within each stratum; None without a stratum of both.

    The difference is D = Σ w (mean second - mean first), w proportional to n1 n2/(n1 + n2). If only chance decided which
    values are in the second group, every arrangement π would be as likely as the one seen, and the share of them with
    D_π ≥ D is a one-sided p-value [1]; twice the smaller one is given. The interval holds every δ that the same test,
    with δ taken off the second group, would not refuse. With c_π the change of D_π per unit of δ, D_π - c_π δ ≥ D - δ
    holds from δ_π = (D - D_π)/(1 - c_π) on, so its ends are order statistics of the δ_π [2]. It takes the two groups
    to scatter alike, not to be normal.

    References:
        [1] E. S. Edgington, P. Onghena, Randomization Tests (2007), ch. 4 (from memory).
        [2] D. Tritchler, J. Am. Stat. Assoc. 79 (1984) 200-207 (from memory); re-derived above.
    """
    used = [each for each in strata if each.first and each.second]
    if not used:
        return None
    sizes = np.array([len(each.first) * len(each.second) / (len(each.first) + len(each.second)) for each in used])
    weights = sizes / sizes.sum()
    count = prod(comb(len(each.first) + len(each.second), len(each.second)) for each in used)
    exact = count <= MOST_ARRANGEMENTS
    moved, slope = _every(used, weights) if exact else _sampled(used, weights)
    seen = float(sum(w * (np.mean(each.second) - np.mean(each.first)) for w, each in zip(weights, used, strict=True)))
    # Equal values rearranged give the same sum but for rounding.
    near = _TIES * max(float(np.abs(moved).max()), abs(seen), 1e-300)
    above, below = np.mean(moved >= seen - near), np.mean(moved <= seen + near)
    low, high, confidence = _interval(seen, moved, slope)
    return Shift(
        difference=seen,
        low=low,
        high=high,
        confidence=confidence,
        p_value=min(1.0, 2 * float(min(above, below))),
        least_p_value=min(1.0, 2 / len(moved)),
        exact=exact,
        effect=_hedges_g(used, seen),
        superiority=_superiority(used),
        count_first=sum(len(each.first) for each in used),
        count_second=sum(len(each.second) for each in used),
    )


def holm(p_values: ArrayLike) -> Real:
    """p-values adjusted for there being several, by Holm's step-down procedure [1].

    References:
        [1] S. Holm, Scand. J. Statist. 6 (1979) 65-70 (from memory).
    """
    p = np.asarray(p_values, dtype=np.float64)
    order = np.argsort(p, kind="stable")
    steps = np.maximum.accumulate(p[order] * (len(p) - np.arange(len(p))))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(steps, 1.0)
    return adjusted


def _every(strata: Sequence[Stratum], weights: Real) -> tuple[Real, Real]:
    """D_π and c_π of all arrangements, the one seen among them."""
    moved, slope = np.zeros(1), np.zeros(1)
    for each, weight in zip(strata, weights, strict=True):
        pooled, second = np.array([*each.first, *each.second]), len(each.second)
        chosen = np.array(list(combinations(range(len(pooled)), second)))
        own_moved, own_slope = _statistics(pooled, chosen, len(each.first))
        moved = np.add.outer(moved, weight * own_moved).ravel()
        slope = np.add.outer(slope, weight * own_slope).ravel()
    return moved, slope


def _sampled(strata: Sequence[Stratum], weights: Real) -> tuple[Real, Real]:
    """D_π and c_π of the arrangement seen and of a random sample, the same in every run."""
    rng = np.random.default_rng(_SEED)
    moved, slope = np.zeros(_SAMPLED + 1), np.zeros(_SAMPLED + 1)
    for each, weight in zip(strata, weights, strict=True):
        pooled, first, second = np.array([*each.first, *each.second]), len(each.first), len(each.second)
        shuffled = rng.permuted(np.tile(np.arange(len(pooled)), (_SAMPLED, 1)), axis=1)[:, :second]
        chosen = np.vstack([np.arange(first, first + second), shuffled])
        own_moved, own_slope = _statistics(pooled, chosen, first)
        moved += weight * own_moved
        slope += weight * own_slope
    return moved, slope


def _statistics(pooled: Real, chosen: NDArray[np.int64], first: int) -> tuple[Real, Real]:
    second = len(pooled) - first
    taken = pooled[chosen].sum(axis=1)
    moved = taken / second - (pooled.sum() - taken) / first
    own = (chosen >= first).sum(axis=1)  # those of the second group that stay in it
    return moved, own / second - (second - own) / first


def _interval(seen: float, moved: Real, slope: Real) -> tuple[float | None, float | None, float | None]:
    changed = slope < 1 - 1e-12
    bounds = np.sort((seen - moved[changed]) / (1 - slope[changed]))
    count = len(moved)
    rank = max(1, int(np.floor(count * (1 - LIMITS.compare.confidence) / 2 + 1e-9)))
    confidence = 1 - 2 * rank / count
    if confidence < LIMITS.compare.least_confidence - 1e-9 or len(bounds) < 2 * rank:
        return None, None, None
    return float(bounds[rank - 1]), float(bounds[-rank]), min(confidence, LIMITS.compare.confidence)


def _hedges_g(strata: Sequence[Stratum], difference: float) -> float | None:
    """Difference over the pooled standard deviation, times 1 - 3/(4 nu - 1) (Hedges 1981, from memory)."""
    squares = nu = 0.0
    for each in strata:
        for values in (each.first, each.second):
            squares += float(np.sum((np.array(values) - np.mean(values)) ** 2))
            nu += len(values) - 1
    scale = max(abs(value) for each in strata for value in (*each.first, *each.second))
    if nu < 2 or squares <= (1e-9 * scale) ** 2:
        return None
    return difference / sqrt(squares / nu) * (1 - 3 / (4 * nu - 1))


def _superiority(strata: Sequence[Stratum]) -> float:
    wins = total = 0.0
    for each in strata:
        apart = np.subtract.outer(np.array(each.second), np.array(each.first))
        wins += float((apart > 0).sum() + 0.5 * (apart == 0).sum())
        total += apart.size
    return wins / total
