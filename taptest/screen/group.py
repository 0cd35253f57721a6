"""Skis of one kind against each other: what their modes share, how uneven they are, how damped, and the limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.stats.robust import NORMAL_PER_MAD, Robust, robust, tolerance_factor

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]

LEAST_GROUP = 10
COVERAGE, CONFIDENCE = 0.99, 0.95
PHYSICS_FACTOR = 2.576  # holds 99 % of a normal distribution
# However alike the skis, hanging one anew moves it this much (common practice, no source).
_LEAST_SHIFT_SPREAD = 0.001
_LEAST_MODE_SPREAD = 0.0005
_LEAST_DAMPING_SPREAD = 0.02
_LEAST_MODES = 3  # two deviations and their mean say nothing about evenness
_LEAST_GENERATION = 5
_PRIOR_SKIS = 8  # weight of the spread of all orders against that of a single one
STRANGE = 3.0
_CUT_VARIANCE = 0.973  # of a normal distribution cut at 3 standard deviations
_HUBER = 2.0
_ROUNDS = 8


@dataclass(frozen=True)
class Ladder:
    """One value per bending order of a ski, such as ln(measured/predicted), and its standard uncertainty."""

    orders: tuple[int, ...] = ()
    values: tuple[float, ...] = ()
    u: tuple[float, ...] = ()


@dataclass(frozen=True)
class Evidence:
    """What judges one ski. ``deviations`` ln(measured/predicted), ``damping`` ln(damping ratio), by bending order.

    ``scale_u`` is the relative standard uncertainty that all its predictions share (rig and scale), ``shape_u`` that of
    each order in ``deviations`` from its construction. ``generation`` as the table names it. ``mass``: ln of the bare
    ski's mass per length in kg/m, ``stiffness``: ln of its bending stiffness in the middle in N m²; None where unknown.
    ``least_shift_u``: what hanging and tapping anew was found to move the shift by.
    """

    deviations: Ladder
    damping: Ladder
    scale_u: float
    shape_u: tuple[float, ...]
    generation: str | None = None
    mass: float | None = None
    stiffness: float | None = None
    least_shift_u: float = 0.0


@dataclass(frozen=True)
class Statistic:
    """``value``, out when it is farther than ``limit`` from 0, and its standard uncertainty ``u``."""

    value: float
    limit: float
    u: float

    @property
    def score(self) -> float:
        """Size over limit: 1 = at the limit."""
        return abs(self.value) / self.limit

    @property
    def out(self) -> bool:
        """Beyond the limit by more than the standard uncertainty."""
        return abs(self.value) - self.u > self.limit

    @property
    def near(self) -> bool:
        """The limit lies within one standard uncertainty of the value."""
        return not self.out and abs(self.value) + self.u > self.limit


@dataclass(frozen=True)
class StrangestMode:
    """The bending order that stands out most, and by how much from the others: ln of the ratio."""

    order: int
    deviation: float


@dataclass(frozen=True)
class ModeStanding:
    """One bending order of a ski: ``deviation``, ln of the ratio to its other orders, in ``certain`` standard deviations."""

    order: int
    deviation: float
    certain: float


@dataclass(frozen=True)
class Screen:
    """What else sets a ski apart from its group; None where there is too little to say.

    ``mass``, ``stiffness``: ln over the group's. ``damping_pattern``: root of the chi-square per degree of freedom of the
    damping of its modes about their level, and ``damped``, the mode that stands out most. ``together``: root of the mean
    square of all in units of their usual spread. ``tone_apart``, ``damping_apart``: Grubbs' statistic, in small groups.
    """

    mass: Statistic | None = None
    stiffness: Statistic | None = None
    damping_pattern: Statistic | None = None
    damped: StrangestMode | None = None
    together: Statistic | None = None
    tone_apart: Statistic | None = None
    damping_apart: Statistic | None = None

    def statistics(self) -> dict[str, Statistic]:
        """Those there are, by name."""
        named = {
            "mass": self.mass,
            "stiffness": self.stiffness,
            "damping pattern": self.damping_pattern,
            "all together": self.together,
            "tone apart": self.tone_apart,
            "damping apart": self.damping_apart,
        }
        return {name: each for name, each in named.items() if each is not None}


@dataclass(frozen=True)
class Findings:
    """One ski's statistics; None where there is too little to say.

    ``shift``: ln of what all modes share over its group's (over the prediction, where only physics judges).
    ``unevenness``: root of the chi-square per degree of freedom about it. ``damping``: ln over the group's.
    ``damping_level``, ``damping_level_u``: ln of the mean damping ratio of its bending modes. ``ladder``: where each mode
    stands against the others. ``screen``: what else was looked at.
    """

    shift: Statistic | None
    unevenness: Statistic | None
    damping: Statistic | None
    strangest: StrangestMode | None
    damping_level: float | None
    damping_level_u: float | None
    ladder: tuple[ModeStanding, ...] = ()
    screen: Screen = Screen()

    def statistics(self) -> tuple[Statistic, ...]:
        """Those there are."""
        return tuple(each for each in (self.shift, self.unevenness, self.damping) if each is not None)


@dataclass(frozen=True)
class Limits:
    """The shift limits of a group: ``centre`` and ``limit`` as ln, ``spread`` None where only physics judges."""

    centre: float
    spread: float | None
    limit: float | None


def judge_group(skis: Sequence[Evidence], *, coverage: float = COVERAGE) -> tuple[list[Findings], Limits]:
    """Findings for skis of one kind: by the group's own limits from ten skis up, by physics alone below.

    ``coverage``: share of sound skis that the limit of each statistic is to hold.
    """
    if len(skis) >= LEAST_GROUP:
        table = two_way([ski.deviations for ski in skis])
        if table.usable.sum() >= LEAST_GROUP:
            return _judge_by_group(skis, table, coverage)
    return _judge_by_physics(skis, coverage)


def _judge_by_physics(skis: Sequence[Evidence], coverage: float) -> tuple[list[Findings], Limits]:
    """Every ski by the uncertainty of its own prediction; the share ``coverage`` of sound skis is within.

    An error of the construction's shape moves all modes of a ski about alike, so it counts fully in the shift; in the
    unevenness it counts as if the orders were independent, which is the cautious way round in both.
    """
    from scipy.special import chdtri, ndtri

    factor = float(ndtri((1 + coverage) / 2))
    findings: list[Findings] = []
    for ski in skis:
        ladder = ski.deviations
        if not ladder.orders:
            findings.append(Findings(None, None, None, None, *_mean_damping(ski.damping)))
            continue
        values, noise, shape = np.array(ladder.values), np.array(ladder.u), np.array(ski.shape_u)
        variance = noise**2 + shape**2 + _LEAST_MODE_SPREAD**2
        weight = 1 / variance / (1 / variance).sum()
        shift = float(weight @ values)
        shift_u = max(hypot(ski.scale_u, sqrt(float(weight**2 @ noise**2))), ski.least_shift_u)
        limit = factor * hypot(shift_u, float(weight @ shape), _LEAST_SHIFT_SPREAD)
        uneven, free = None, len(values) - 1
        if len(values) >= _LEAST_MODES:
            size = sqrt(float(((values - shift) ** 2 / variance).sum()) / free)
            most = sqrt(float(chdtri(free, 1 - coverage)) / free)
            uneven = Statistic(size, most, sqrt(float((noise**2 / variance).mean()) / free))
        standing = standings(ladder.orders, values, variance)
        findings.append(
            Findings(
                Statistic(shift, limit, shift_u),
                uneven,
                None,
                strangest(standing),
                *_mean_damping(ski.damping),
                ladder=standing,
            )
        )
    limits = [each.shift.limit for each in findings if each.shift is not None]
    return findings, Limits(0.0, None, float(np.median(limits)) if limits else None)


def _judge_by_group(skis: Sequence[Evidence], table: TwoWay, coverage: float) -> tuple[list[Findings], Limits]:
    """Every ski against the group: two-sided tolerance limits about its robust centre.

    The group's own spread holds build, rig, scale and tap together. A stated uncertainty larger than that is too
    cautious and is replaced by it.
    """
    fit = robust(table.level[table.usable])
    factor = _factor(fit, coverage)
    spread = max(fit.spread, _LEAST_SHIFT_SPREAD)
    uneven = unevenness(table, coverage=coverage)
    damping = _damping(skis, coverage)
    findings = []
    for i, ski in enumerate(skis):
        shift: Statistic | None = None
        standing: tuple[ModeStanding, ...] = ()
        if table.usable[i]:
            u = max(min(hypot(ski.scale_u, float(table.level_u[i])), spread), ski.least_shift_u)
            shift = Statistic(float(table.level[i]) - fit.centre, factor * spread, u)
            known = table.known[i]
            orders = tuple(np.array(table.orders)[known].tolist())
            standing = standings(orders, table.level[i] + table.residual[i][known], table.variance[i][known])
        findings.append(
            Findings(shift, uneven[i], damping[i][0], strangest(standing), *damping[i][1:], ladder=standing)
        )
    return findings, Limits(fit.centre, spread, factor * spread)


def _factor(fit: Robust, coverage: float) -> float:
    return tolerance_factor(fit.count, coverage=coverage, confidence=CONFIDENCE)


def unevenness(table: TwoWay, *, coverage: float) -> list[Statistic | None]:
    """Root of chi² per degree of freedom, with a tolerance limit from the group.

    The cube root of chi²/nu is nearly normal with mean 1 - 2/(9 nu) and variance 2/(9 nu) [1]. Standardised so, skis
    with different numbers of modes share one distribution, whose centre and spread (at least 1) are the group's.

    References:
        [1] Wilson and Hilferty, Proc. Natl. Acad. Sci. USA 17 (1931) 684 (from memory).
    """
    free = table.known.sum(axis=1) - 1
    judged = free >= _LEAST_MODES - 1
    if judged.sum() < LEAST_GROUP:
        return [None] * len(free)
    nu = np.maximum(free, 1)
    square = np.where(table.known, table.residual**2 / table.variance, 0.0).sum(axis=1) / nu
    mean, deviation = 1 - 2 / (9 * nu), np.sqrt(2 / (9 * nu))
    fit = robust(((np.cbrt(square) - mean) / deviation)[judged])
    limit = np.maximum(mean + deviation * (fit.centre + _factor(fit, coverage) * max(fit.spread, 1.0)), mean) ** 1.5
    share = np.minimum(np.where(table.known, table.noise**2 / table.variance, 0.0), 1.0).sum(axis=1) / (nu + 1)
    return [
        Statistic(sqrt(float(square[i])), float(limit[i]), sqrt(float(share[i]) / int(nu[i]))) if judged[i] else None
        for i in range(len(free))
    ]


def _damping(skis: Sequence[Evidence], coverage: float) -> list[tuple[Statistic | None, float | None, float | None]]:
    """Damping against the group, and the mean of each ski with its uncertainty, all as logarithms.

    Nothing predicts damping, and other materials damp otherwise, so every generation has its own centre where each
    holds at least five skis.
    """
    found: list[tuple[Statistic | None, float | None, float | None]] = [
        (None, *_mean_damping(ski.damping)) for ski in skis
    ]
    heard = [i for i, ski in enumerate(skis) if ski.damping.orders]
    if len(heard) < LEAST_GROUP:
        return found
    table = two_way([skis[i].damping for i in heard])
    rows = np.flatnonzero(table.usable)
    if len(rows) < LEAST_GROUP:
        return found
    level = table.level[rows]
    centre, generations = centres(level, [skis[heard[row]].generation for row in rows])
    # Each centre is fitted to the same levels and draws nearer to them.
    spread = robust(level - centre).spread * sqrt((len(rows) - 1) / (len(rows) - generations))
    factor = tolerance_factor(len(rows) - generations + 1, coverage=coverage, confidence=CONFIDENCE)
    for row, mean, normal in zip(rows, level, centre, strict=True):
        u = float(table.level_u[row])
        against = Statistic(float(mean - normal), factor * max(spread, _LEAST_DAMPING_SPREAD), u)
        found[heard[row]] = (against, float(mean), u)
    return found


def centres(level: Real, generations: Sequence[str | None]) -> tuple[Real, int]:
    """The centre that each level belongs to, and how many different ones there are."""
    names = np.array([generation or "" for generation in generations])
    kinds, counts = np.unique(names, return_counts=True)
    if counts.min() < _LEAST_GENERATION:
        return np.full(len(level), robust(level).centre), 1
    centre = np.zeros(len(level))
    for kind in kinds:
        centre[names == kind] = robust(level[names == kind]).centre
    return centre, len(kinds)


def _mean_damping(ladder: Ladder) -> tuple[float | None, float | None]:
    if not ladder.orders:
        return None, None
    weight = 1 / np.maximum(np.array(ladder.u), _LEAST_DAMPING_SPREAD) ** 2
    u = sqrt(float((weight**2 * np.array(ladder.u) ** 2).sum())) / float(weight.sum())
    return float(np.average(ladder.values, weights=weight)), u


def standings(orders: tuple[int, ...], values: Real, variance: Real) -> tuple[ModeStanding, ...]:
    """Every mode against the mean of the others."""
    if len(orders) < _LEAST_MODES:
        return ()
    weight = 1 / variance
    others = ((weight * values).sum() - weight * values) / (weight.sum() - weight)
    off = values - others
    certain = off / np.sqrt(variance + 1 / (weight.sum() - weight))
    return tuple(ModeStanding(*each) for each in zip(orders, off.tolist(), certain.tolist(), strict=True))


def strangest(standing: Sequence[ModeStanding]) -> StrangestMode | None:
    """The mode that stands out most.

    The largest among those that are surely off says most: where the group agrees closely, 1 % is sure but small.
    """
    sure = [each for each in standing if abs(each.certain) > STRANGE]
    if sure:
        most = max(sure, key=lambda each: abs(each.deviation))
    elif standing:
        most = max(standing, key=lambda each: abs(each.certain))
    else:
        return None
    return StrangestMode(most.order, most.deviation)


def percent(log_ratio: float) -> float:
    """100 (exp(x) - 1): a logarithm of a ratio in percent."""
    return 100 * (exp(log_ratio) - 1)


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


def two_way(ladders: Sequence[Ladder]) -> TwoWay:
    """Levels of skis and effects of orders in turn until they agree, strange values weighing less (Huber).

    value[i, n] = level[i] + effect[n] + residual[i, n]. The effects have a weighted mean of zero, so that the levels
    keep what the whole group shares. Orders that fewer than a third of the skis have are left out: they say little
    about what is normal for them.
    """
    orders, values, noise, known = _table(ladders)
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


def _table(ladders: Sequence[Ladder]) -> tuple[tuple[int, ...], Real, Real, Flags]:
    heard = sorted({order for ladder in ladders for order in ladder.orders})
    values, noise = np.zeros((len(ladders), len(heard))), np.zeros((len(ladders), len(heard)))
    known = np.zeros((len(ladders), len(heard)), dtype=bool)
    for i, ladder in enumerate(ladders):
        where = np.searchsorted(heard, ladder.orders)
        values[i, where], noise[i, where], known[i, where] = ladder.values, ladder.u, True
    often = known.sum(axis=0) >= max(2, len(ladders) // 3)
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
    bound = STRANGE * NORMAL_PER_MAD * _column_medians(np.abs(grown), known)
    kept = known & (np.abs(grown) <= bound)
    own = np.where(kept, grown, 0.0)
    own = (own**2).sum(axis=0) / np.maximum(kept.sum(axis=0), 1) / _CUT_VARIANCE
    pooled = float((count * own).sum() / max(count.sum(), 1))
    return np.asarray((count * own + _PRIOR_SKIS * pooled) / (count + _PRIOR_SKIS) + _LEAST_MODE_SPREAD**2)
