"""Whether a group is itself two: two builds under one label show as two clusters in tone, mass, stiffness or damping."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.config.limits import LIMITS
from taptest.screen.group import Findings
from taptest.ski.record import Ski

Real = NDArray[np.float64]

_TRIALS = 4_000
_EVEN = 0.1
_SEED = 20_250_611


@dataclass(frozen=True)
class Clusters:
    """Two clusters of values: ``low`` and ``high`` are indices, ``gap`` the difference of their means.

    ``separation``: share of the sum of squares that lies between them; ``critical``: what one cluster seldom reaches.
    """

    low: tuple[int, ...]
    high: tuple[int, ...]
    gap: float
    separation: float
    critical: float

    @property
    def two(self) -> bool:
        """Whether one cluster is an unlikely explanation."""
        return self.separation > self.critical


@dataclass(frozen=True)
class Populations:
    """A group that looks like two: in ``quantity``, ``apart_percent`` apart, the skis of the smaller cluster named."""

    quantity: str
    apart_percent: float
    smaller: tuple[str, ...]
    larger: int
    smaller_is_lower: bool


def two_clusters(values: ArrayLike, *, significance: float = 0.01) -> Clusters | None:
    """The best split of values into two clusters, with the share of the sum of squares between them.

    Neither cluster may hold less than a fifth of the values, or fewer than four. The share (of many normal values 2/pi = 0.64,
    of evenly spread ones 3/4) must exceed what normal values reach with probability ``significance``, and what evenly
    spread ones, which no dip divides either, reach once in ten times; both by simulation with a fixed seed. None below
    twelve values, or where all are the same.
    """
    data = np.asarray(values, float)
    if len(data) < LIMITS.clusters.least_skis or np.ptp(data) <= 1e-12 * float(np.abs(data).max()):
        return None
    order = np.argsort(data, kind="stable")
    share, first = _best_split(data[order][None])
    cut = int(first[0])
    low, high = order[:cut], order[cut:]
    return Clusters(
        low=tuple(sorted(low.tolist())),
        high=tuple(sorted(high.tolist())),
        gap=float(data[high].mean() - data[low].mean()),
        separation=float(share[0]),
        critical=_critical(len(data), significance),
    )


QUANTITIES = ("tone", "damping", "mass", "stiffness")


def populations(
    skis: Sequence[Ski], findings: Sequence[Findings], *, significance: float = LIMITS.clusters.significance
) -> Populations | None:
    """The quantity in which a group looks most like two populations, None where in none of them.

    The two of a pair are chosen to be alike, so a pair is one value. Generations that the table names are expected to
    differ: where each has five or more, values are taken about the median of their own. The significance, the probability
    of seeing two where there is one, is shared among the quantities.
    """
    found = [
        both
        for quantity in QUANTITIES
        if (both := _split(skis, _values(skis, findings, quantity), quantity, significance / len(QUANTITIES)))
        is not None
    ]
    return max(found, key=lambda each: each[0])[1] if found else None


def _values(skis: Sequence[Ski], findings: Sequence[Findings], quantity: str) -> list[float | None]:
    if quantity == "tone":
        return [None if (shift := each.get("shift")) is None else shift.value for each in findings]
    if quantity == "damping":
        return [each.damping_level for each in findings]
    return [ski.evidence.mass if quantity == "mass" else ski.evidence.stiffness for ski in skis]


def _split(
    skis: Sequence[Ski], values: Sequence[float | None], quantity: str, significance: float
) -> tuple[float, Populations] | None:
    pairs: dict[tuple[str, str | None], list[int]] = {}
    for i, (ski, value) in enumerate(zip(skis, values, strict=True)):
        if value is not None:
            alone = ski.pair_id is None
            pairs.setdefault((f"ski {i}" if alone else f"pair {ski.pair_id}", ski.facts.generation), []).append(i)
    units = list(pairs.values())
    means = np.array([np.mean([values[i] for i in unit]) for unit in units], dtype=float)
    if not len(means):
        return None
    found = two_clusters(
        _about_generation(means, [skis[unit[0]].facts.generation or "" for unit in units]), significance=significance
    )
    if found is None or not found.two:
        return None
    lower = sum(len(units[i]) for i in found.low) <= sum(len(units[i]) for i in found.high)
    smaller = [skis[i].ski_id for unit in (found.low if lower else found.high) for i in units[unit]]
    larger = sum(map(len, units)) - len(smaller)
    return found.separation - found.critical, Populations(
        quantity, 100 * (exp(found.gap) - 1), tuple(smaller), larger, lower
    )


def _about_generation(values: Real, generations: Sequence[str]) -> Real:
    names = np.array(generations)
    kinds, counts = np.unique(names, return_counts=True)
    if len(kinds) < 2 or counts.min() < LIMITS.group.least_generation:
        return values
    about = values.copy()
    for kind in kinds:
        about[names == kind] -= np.median(about[names == kind])
    return about


def _best_split(ordered: Real) -> tuple[Real, NDArray[np.int64]]:
    """For rows of ascending values: the largest share of squares between two clusters, and the size of the lower one."""
    count = ordered.shape[1]
    least = max(LIMITS.clusters.least_cluster, int(np.ceil(LIMITS.clusters.least_share * count)))
    centred = ordered - ordered.mean(axis=1, keepdims=True)
    total = (centred**2).sum(axis=1)
    cuts = np.arange(least, count - least + 1)
    sums = np.cumsum(centred, axis=1)[:, cuts - 1]
    between = sums**2 * (1 / cuts + 1 / (count - cuts))
    at = np.argmax(between, axis=1)
    return between[np.arange(len(ordered)), at] / total, cuts[at]


@lru_cache(maxsize=64)
def _critical(count: int, significance: float) -> float:
    rng = np.random.default_rng(_SEED)
    size = (min(_TRIALS, max(400, 4_000_000 // count)), count)
    normal, _ = _best_split(np.sort(rng.normal(size=size), axis=1))
    even, _ = _best_split(np.sort(rng.random(size), axis=1))
    return float(max(np.quantile(normal, 1 - significance), np.quantile(even, 1 - _EVEN)))
