"""Skis of one kind against each other: what their modes share, how uneven they are, how damped, and the limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.ski.record import Ski
from taptest.stats.robust import robust, tolerance_factor
from taptest.stats.tests import Statistic
from taptest.stats.two_way import LEAST_SPREAD, Profile, TwoWay, two_way

Real = NDArray[np.float64]


@dataclass(frozen=True)
class ModeStanding:
    """One bending order of a ski: ``deviation``, ln of the ratio to its other orders, and that over its standard deviation."""

    order: int
    deviation: float
    z: float


@dataclass(frozen=True)
class Findings:
    """One ski's statistics by name; one that is not there could not be found.

    Attributes:
        statistics: "shift": ln of what all modes share over its group's (over the prediction, where only physics judges);
            "unevenness": residual chi-square per degree of freedom about it; "damping": ln over the group's; "mass" and
            "stiffness": ln over the group's; "damping pattern": residual chi-square of the damping of its modes; "all
            together": mean square of all in units of their usual spread; "tone apart", "damping apart": Grubbs' statistic,
            in small groups.
        damping_level: ln of the mean damping ratio of its bending modes, with its standard uncertainty ``damping_level_u``.
        standings: where each mode stands against the others.
        damped: the mode whose damping stands out most.
    """

    statistics: Mapping[str, Statistic] = field(default_factory=dict)
    damping_level: float | None = None
    damping_level_u: float | None = None
    standings: tuple[ModeStanding, ...] = ()
    damped: ModeStanding | None = None

    def get(self, name: str) -> Statistic | None:
        """The statistic of this name."""
        return self.statistics.get(name)

    def suspicious(self, name: str) -> bool:
        """Whether there is such a statistic and it is out or near its limit."""
        return name in self.statistics and self.statistics[name].suspicious

    def out(self, name: str) -> bool:
        """Whether there is such a statistic and it is out."""
        return name in self.statistics and self.statistics[name].out

    def adding(self, **statistics: Statistic | None) -> Findings:
        """The same with more statistics; underscores in names stand for blanks."""
        more = {name.replace("_", " "): each for name, each in statistics.items() if each is not None}
        return replace(self, statistics={**self.statistics, **more})


@dataclass(frozen=True)
class Limits:
    """The shift limits of a group: ``centre`` and ``limit`` as ln, ``spread`` None where only physics judges."""

    centre: float
    spread: float | None
    limit: float | None


def judge_group(skis: Sequence[Ski], settings: Settings) -> tuple[list[Findings], Limits]:
    """Findings for skis of one kind: by the group's own limits from ten skis up, by physics alone below.

    The limit of each statistic is to hold all but ``settings.false_alarm_rate`` of good skis.
    """
    if len(skis) >= settings.limits.group.least_skis:
        table = two_way([ski.evidence.deviations for ski in skis])
        if table.usable.sum() >= settings.limits.group.least_skis:
            return _judge_by_group(skis, table, settings)
    return _judge_by_physics(skis, settings)


def _judge_by_physics(skis: Sequence[Ski], settings: Settings) -> tuple[list[Findings], Limits]:
    """Every ski by the uncertainty of its own prediction.

    An error of the construction's shape moves all modes of a ski about alike, so it counts fully in the shift; in the
    residuals it counts as if the orders were independent, which is the cautious way round in both.
    """
    from scipy.special import chdtri, ndtri

    rate = settings.false_alarm_rate
    factor = float(ndtri(1 - rate / 2))
    findings: list[Findings] = []
    for ski in skis:
        profile = ski.evidence.deviations
        found = Findings({}, *_mean_damping(ski.evidence.damping))
        if profile.orders:
            values, noise, shape = (np.array(each) for each in (profile.values, profile.u, ski.evidence.shape_u))
            variance = noise**2 + shape**2 + LEAST_SPREAD**2
            weight = 1 / variance / (1 / variance).sum()
            shift = float(weight @ values)
            u = max(hypot(ski.evidence.scale_u, sqrt(float(weight**2 @ noise**2))), ski.evidence.least_shift_u)
            limit = factor * hypot(u, float(weight @ shape), LIMITS.group.least_shift_spread)
            uneven, dof = None, len(values) - 1
            if len(values) >= LIMITS.group.least_pattern_modes:
                chi_square = float(((values - shift) ** 2 / variance).sum()) / dof
                chi_square_u = 2 * sqrt(chi_square * float((noise**2 / variance).mean()) / dof)
                uneven = Statistic(chi_square, float(chdtri(dof, rate)) / dof, chi_square_u)
            found = replace(found, standings=standings(profile.orders, values, variance))
            found = found.adding(shift=Statistic(shift, limit, u), unevenness=uneven)
        findings.append(found)
    limits = [each.statistics["shift"].limit for each in findings if "shift" in each.statistics]
    return findings, Limits(0.0, None, float(np.median(limits)) if limits else None)


def _judge_by_group(skis: Sequence[Ski], table: TwoWay, settings: Settings) -> tuple[list[Findings], Limits]:
    """Every ski against the group: two-sided tolerance limits about its robust centre.

    The group's own spread holds build, rig, scale and tap together. A stated uncertainty larger than that is too
    cautious and is replaced by it.
    """
    rate = settings.false_alarm_rate
    fit = robust(table.level[table.usable])
    factor = _factor(fit.count, rate, settings)
    spread = max(fit.spread, LIMITS.group.least_shift_spread)
    uneven = residual_chi_squares(table, rate, settings)
    findings = []
    for i, (ski, found) in enumerate(zip(skis, _damping(skis, settings), strict=True)):
        if table.usable[i]:
            u = max(min(hypot(ski.evidence.scale_u, float(table.level_u[i])), spread), ski.evidence.least_shift_u)
            shift = Statistic(float(table.level[i]) - fit.centre, factor * spread, u)
            damping = found.get("damping")
            found = replace(found, statistics={}, standings=standings_of(table, i))
            found = found.adding(shift=shift, unevenness=uneven[i], damping=damping)
        findings.append(found)
    return findings, Limits(fit.centre, spread, factor * spread)


def _factor(count: int, false_alarm_rate: float, settings: Settings) -> float:
    return tolerance_factor(count, coverage=1 - false_alarm_rate, confidence=settings.limits.group.confidence)


def residual_chi_squares(table: TwoWay, false_alarm_rate: float, settings: Settings) -> list[Statistic | None]:
    """Residual chi-square per degree of freedom of each row, with a tolerance limit from the group.

    The cube root of chi²/nu is nearly normal with mean 1 - 2/(9 nu) and variance 2/(9 nu) [1]. Standardised so, skis
    with different numbers of modes share one distribution, whose centre and spread (at least 1) are the group's.

    References:
        [1] Wilson and Hilferty, Proc. Natl. Acad. Sci. USA 17 (1931) 684 (from memory).
    """
    dof = table.known.sum(axis=1) - 1
    judged = dof >= LIMITS.group.least_pattern_modes - 1
    if judged.sum() < settings.limits.group.least_skis:
        return [None] * len(dof)
    nu = np.maximum(dof, 1)
    chi_square = np.where(table.known, table.residual**2 / table.variance, 0.0).sum(axis=1) / nu
    mean, deviation = 1 - 2 / (9 * nu), np.sqrt(2 / (9 * nu))
    fit = robust(((np.cbrt(chi_square) - mean) / deviation)[judged])
    reach = fit.centre + _factor(fit.count, false_alarm_rate, settings) * max(fit.spread, 1.0)
    limit = np.maximum(mean + deviation * reach, mean) ** 3
    share = np.minimum(np.where(table.known, table.noise**2 / table.variance, 0.0), 1.0).sum(axis=1) / (nu + 1)
    u = 2 * np.sqrt(chi_square * share / nu)
    return [
        Statistic(float(chi_square[i]), float(limit[i]), float(u[i])) if judged[i] else None for i in range(len(dof))
    ]


def _damping(skis: Sequence[Ski], settings: Settings) -> list[Findings]:
    """Damping against the group, and the mean of each ski with its uncertainty, all as logarithms.

    Nothing predicts damping, and other materials damp otherwise, so every generation has its own centre where each
    holds at least five skis.
    """
    found = [Findings({}, *_mean_damping(ski.evidence.damping)) for ski in skis]
    least = settings.limits.group.least_skis
    heard = [i for i, ski in enumerate(skis) if ski.evidence.damping.orders]
    if len(heard) < least:
        return found
    table = two_way([skis[i].evidence.damping for i in heard])
    rows = np.flatnonzero(table.usable)
    if len(rows) < least:
        return found
    level = table.level[rows]
    generations = [skis[heard[row]].facts.generation for row in rows]
    off, limit = against_centres(
        level, generations, LIMITS.group.least_damping_spread, settings.false_alarm_rate, settings
    )
    for row, mean, away in zip(rows, level.tolist(), off.tolist(), strict=True):
        u = float(table.level_u[row])
        found[heard[row]] = Findings({"damping": Statistic(away, limit, u)}, mean, u)
    return found


def against_centres(
    level: Real, generations: Sequence[str | None], least_spread: float, false_alarm_rate: float, settings: Settings
) -> tuple[Real, float]:
    """Each level from the robust centre of its group, or of its generation where each has five skis; and the limit."""
    names = np.array([generation or "" for generation in generations])
    kinds, counts = np.unique(names, return_counts=True)
    if counts.min() < LIMITS.group.least_generation:
        names, kinds = np.zeros(len(level)), np.zeros(1)
    off = level.copy()
    for kind in kinds:
        off[names == kind] -= robust(level[names == kind]).centre
    # Each centre is fitted to the same levels and draws nearer to them.
    spread = robust(off).spread * sqrt((len(level) - 1) / (len(level) - len(kinds)))
    return off, _factor(len(level) - len(kinds) + 1, false_alarm_rate, settings) * max(spread, least_spread)


def _mean_damping(profile: Profile) -> tuple[float | None, float | None]:
    if not profile.orders:
        return None, None
    u = np.array(profile.u)
    weight = 1 / np.maximum(u, LIMITS.group.least_damping_spread) ** 2
    return float(np.average(profile.values, weights=weight)), sqrt(float((weight**2 * u**2).sum())) / float(
        weight.sum()
    )


def standings_of(table: TwoWay, row: int) -> tuple[ModeStanding, ...]:
    """`standings` of one row of a table."""
    known = table.known[row]
    orders = tuple(np.array(table.orders)[known].tolist())
    return standings(orders, table.level[row] + table.residual[row][known], table.variance[row][known])


def standings(orders: tuple[int, ...], values: Real, variance: Real) -> tuple[ModeStanding, ...]:
    """Every mode against the mean of the others."""
    if len(orders) < LIMITS.group.least_pattern_modes:
        return ()
    weight = 1 / variance
    others = ((weight * values).sum() - weight * values) / (weight.sum() - weight)
    off = values - others
    z = off / np.sqrt(variance + 1 / (weight.sum() - weight))
    return tuple(ModeStanding(*each) for each in zip(orders, off.tolist(), z.tolist(), strict=True))


def largest_residual(standing: Sequence[ModeStanding]) -> ModeStanding | None:
    """The mode that stands out most.

    The largest among those that are surely off says most: where the group agrees closely, 1 % is sure but small.
    """
    sure = [each for each in standing if abs(each.z) > LIMITS.verdict.far_mode]
    if sure:
        return max(sure, key=lambda each: abs(each.deviation))
    return max(standing, key=lambda each: abs(each.z), default=None)
