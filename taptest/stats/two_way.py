"""A table of skis by orders, or of anything by anything, split robustly into rows, columns and residuals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.stats.robust import NORMAL_PER_MAD

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]

# However alike the rows, hanging a ski anew moves a mode this much (common practice, no source).
LEAST_SPREAD = 0.0005
_PRIOR_ROWS = 8  # weight of the spread of all orders against that of a single one
_FAR = 3.0
_CUT_VARIANCE = 0.973  # of a normal distribution cut at 3 standard deviations
_HUBER = 2.0
_ROUNDS = 8


@dataclass(frozen=True)
class Profile:
    """One value per bending order of a ski, such as ln(measured/predicted), and its standard uncertainty."""

    orders: tuple[int, ...] = ()
    values: tuple[float, ...] = ()
    u: tuple[float, ...] = ()

    def rows(self) -> Iterator[tuple[int, float, float]]:
        """Order, value and uncertainty of each."""
        return zip(self.orders, self.values, self.u, strict=True)


@dataclass(frozen=True)
class TwoWay:
    """A table of skis by orders split into a level for each ski, an ``effect`` of each order, and residuals.

    ``known`` marks the values there are; elsewhere the tables hold 0. ``usable`` marks skis with a level. ``level_u``
    is what ``noise``, the uncertainty of the values, makes of it; ``variance`` is that of a sound ski's residual.
    """

    orders: tuple[int, ...]
    level: Real
    level_u: Real
    residual: Real
    variance: Real
    noise: Real
    known: Flags
    usable: Flags
    effect: Real


def two_way(profiles: Sequence[Profile]) -> TwoWay:
    """Levels of skis and effects of orders in turn until they agree, strange values weighing less (Huber).

    value[i, n] = level[i] + effect[n] + residual[i, n]. The effects have a weighted mean of zero, so that the levels
    keep what the whole group shares. Orders that fewer than a third of the skis have are left out: they say little
    about what is normal for them.
    """
    orders, values, noise, known = _table(profiles)
    usable: Flags = np.asarray(known.any(axis=1))
    count = np.maximum(known.sum(axis=0), 1)
    usual = _column_medians(noise, known)
    extra = np.where(known, np.maximum(noise**2 - usual**2, 0.0), 0.0)
    level = _column_medians(values.T, known.T)
    effect = _column_medians(values - level[:, None], known)
    variance = weight = known.astype(float)
    for _ in range(_ROUNDS):
        residual = np.where(known, values - level[:, None] - effect, 0.0)
        variance = _variances(residual, known) * (1 + 1 / count) + extra
        size = np.abs(residual) / np.sqrt(variance)
        weight = known / variance * np.minimum(1.0, _HUBER / np.maximum(size, 1e-9))
        level = _mean(values - effect, weight, axis=1)
        effect = _mean(values - level[:, None], weight, axis=0)
        shared = float(_mean(effect, weight.sum(axis=0), axis=0))
        # What moves from one to the other must not be left over in between, where it would pass for scatter.
        effect, level = effect - shared, level + shared
    level = _mean(values - effect, weight, axis=1)
    total = np.where(usable, weight.sum(axis=1), 1.0)
    return TwoWay(
        orders=orders,
        level=level,
        # A stated uncertainty larger than what the order scatters by is too cautious.
        level_u=np.sqrt((weight**2 * np.minimum(noise**2, variance)).sum(axis=1)) / total,
        residual=np.where(known, values - level[:, None] - effect, 0.0),
        variance=variance,
        noise=noise,
        known=known,
        usable=usable,
        effect=effect,
    )


def _table(profiles: Sequence[Profile]) -> tuple[tuple[int, ...], Real, Real, Flags]:
    heard = sorted({order for profile in profiles for order in profile.orders})
    values, noise = np.zeros((len(profiles), len(heard))), np.zeros((len(profiles), len(heard)))
    known = np.zeros((len(profiles), len(heard)), dtype=bool)
    for i, profile in enumerate(profiles):
        where = np.searchsorted(heard, profile.orders)
        values[i, where], noise[i, where], known[i, where] = profile.values, profile.u, True
    often = known.sum(axis=0) >= max(2, len(profiles) // 3)
    orders = tuple(order for order, kept in zip(heard, often, strict=True) if kept)
    return orders, values[:, often], noise[:, often], known[:, often]


def _mean(values: Real, weight: Real, axis: int) -> Real:
    total = weight.sum(axis=axis)
    return np.asarray((values * weight).sum(axis=axis) / np.where(total > 0, total, 1.0))


def _column_medians(table: Real, known: Flags) -> Real:
    ordered = np.sort(np.where(known, table, np.inf), axis=0)
    count = known.sum(axis=0)
    column = np.arange(table.shape[1])
    low, high = ordered[np.maximum(count - 1, 0) // 2, column], ordered[np.minimum(count // 2, len(table) - 1), column]
    return np.where(count > 0, low / 2 + high / 2, 0.0)


def _variances(residual: Real, known: Flags) -> Real:
    """Variance of each order without its strange values, drawn towards that of all orders where few skis have it."""
    orders = known.sum(axis=1)
    # A ski's own level takes up one part in its number of orders.
    grown = residual * np.sqrt(orders / np.maximum(orders - 1, 1))[:, None]
    count = known.sum(axis=0)
    bound = _FAR * NORMAL_PER_MAD * _column_medians(np.abs(grown), known)
    kept = known & (np.abs(grown) <= bound)
    own = np.where(kept, grown, 0.0)
    own = (own**2).sum(axis=0) / np.maximum(kept.sum(axis=0), 1) / _CUT_VARIANCE
    pooled = float((count * own).sum() / max(count.sum(), 1))
    return np.asarray((count * own + _PRIOR_ROWS * pooled) / (count + _PRIOR_ROWS) + LEAST_SPREAD**2)
