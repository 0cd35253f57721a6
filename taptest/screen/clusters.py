"""Whether a group is itself two: two builds under one label show as two heaps in tone, mass, stiffness or damping."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp

import numpy as np
from numpy.typing import ArrayLike, NDArray

Real = NDArray[np.float64]

LEAST_SKIS = 12
_LEAST_SHARE = 0.2  # fewer than that are not a build but outliers
_LEAST_HEAP = 4
_TRIALS = 4_000
_EVEN = 0.1
_SEED = 20_250_611


@dataclass(frozen=True)
class Heaps:
    """Two heaps of values: ``low`` and ``high`` are indices, ``gap`` the difference of their means.

    ``separation``: share of the sum of squares that lies between them; ``critical``: what one heap seldom reaches.
    """

    low: tuple[int, ...]
    high: tuple[int, ...]
    gap: float
    separation: float
    critical: float

    @property
    def two(self) -> bool:
        """Whether one heap is an unlikely explanation."""
        return self.separation > self.critical


@dataclass(frozen=True)
class Populations:
    """A group that looks like two: in ``quantity``, ``apart_percent`` apart, the skis of the smaller heap named."""

    quantity: str
    apart_percent: float
    smaller: tuple[str, ...]
    larger: int
    smaller_is_lower: bool


def two_heaps(values: ArrayLike, *, significance: float = 0.01) -> Heaps | None:
    """The best split of values into two heaps, with the share of the sum of squares between them.

    Neither heap may hold less than a fifth of the values, or fewer than four. The share (of many normal values 2/pi = 0.64,
    of evenly spread ones 3/4) must exceed what normal values reach with probability ``significance``, and what evenly
    spread ones, which no dip divides either, reach once in ten times; both by simulation with a fixed seed. None below
    twelve values, or where all are the same.
    """
    data = np.asarray(values, float)
    if len(data) < LEAST_SKIS or np.ptp(data) <= 1e-12 * float(np.abs(data).max()):
        return None
    order = np.argsort(data, kind="stable")
    share, first = _best_split(data[order][None])
    cut = int(first[0])
    low, high = order[:cut], order[cut:]
    return Heaps(
        low=tuple(sorted(low.tolist())),
        high=tuple(sorted(high.tolist())),
        gap=float(data[high].mean() - data[low].mean()),
        separation=float(share[0]),
        critical=_critical(len(data), significance),
    )


@dataclass(frozen=True)
class Member:
    """A ski of a group as far as heaps go: logarithms by quantity, None where unknown."""

    ski_id: str
    pair_id: str | None
    generation: str | None
    values: Mapping[str, float | None]


def populations(members: Sequence[Member], *, significance: float = 0.05) -> Populations | None:
    """The quantity in which a group looks most like two populations, None where in none of them.

    The two of a pair are chosen to be alike, so a pair is one value. Generations that the table names are expected to
    differ: where each has five or more, values are taken about the median of their own. The significance, the probability
    of seeing two where there is one, is shared among the quantities.
    """
    quantities = list(members[0].values) if members else []
    found = [
        (excess, told)
        for quantity in quantities
        if (both := _looked_at(members, quantity, significance / len(quantities))) is not None
        for excess, told in [both]
    ]
    return max(found, key=lambda each: each[0])[1] if found else None


def _looked_at(members: Sequence[Member], quantity: str, significance: float) -> tuple[float, Populations] | None:
    pairs: dict[tuple[str, str | None], list[Member]] = {}
    for i, member in enumerate(members):
        if member.values[quantity] is not None:
            alone = member.pair_id is None
            pairs.setdefault((f"ski {i}" if alone else f"pair {member.pair_id}", member.generation), []).append(member)
    units = list(pairs.values())
    values = np.array([np.mean([member.values[quantity] for member in unit]) for unit in units], dtype=float)
    if not len(values):
        return None
    heaps = two_heaps(
        _about_generation(values, [unit[0].generation or "" for unit in units]), significance=significance
    )
    if heaps is None or not heaps.two:
        return None
    lower = sum(len(units[i]) for i in heaps.low) <= sum(len(units[i]) for i in heaps.high)
    smaller = [member.ski_id for i in (heaps.low if lower else heaps.high) for member in units[i]]
    larger = sum(map(len, units)) - len(smaller)
    return heaps.separation - heaps.critical, Populations(
        quantity, 100 * (exp(heaps.gap) - 1), tuple(smaller), larger, lower
    )


def _about_generation(values: Real, generations: Sequence[str]) -> Real:
    names = np.array(generations)
    kinds, counts = np.unique(names, return_counts=True)
    if len(kinds) < 2 or counts.min() < 5:
        return values
    about = values.copy()
    for kind in kinds:
        about[names == kind] -= np.median(about[names == kind])
    return about


def _best_split(ordered: Real) -> tuple[Real, NDArray[np.int64]]:
    """For rows of ascending values: the largest share of squares between two heaps, and the size of the lower one."""
    count = ordered.shape[1]
    least = max(_LEAST_HEAP, int(np.ceil(_LEAST_SHARE * count)))
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
