"""What else sets a ski apart from its group: mass, stiffness, the pattern of its damping, and all of it together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.screen.group import (
    Findings,
    against_centres,
    largest_residual,
    residual_chi_squares,
    standings_of,
)
from taptest.ski.record import Ski
from taptest.stats.robust import grubbs, robust, tolerance_factor
from taptest.stats.tests import Statistic
from taptest.stats.two_way import two_way

Real = NDArray[np.float64]

_TESTS_APART = 2


def screen_group(skis: Sequence[Ski], findings: Sequence[Findings], settings: Settings) -> list[Findings]:
    """The findings with more statistics: tolerance limits from ten skis up, Grubbs' test from five to nine, else none.

    A statistic here may ask for a recheck, none makes an outlier: a lot may hold several flexes on purpose, and the damping
    of a single mode is easily the room's. Together they ask for a fifth as many rechecks of good skis as outliers may be.

    Args:
        skis: of one kind.
        findings: as `judge_group` gives them.
        settings: false-alarm rate and limits.
    """
    if len(skis) < settings.limits.group.least_ranked:
        return list(findings)
    if len(skis) < settings.limits.group.least_skis:
        return _apart(findings, settings)
    rate = LIMITS.group.screen_share * settings.false_alarm_rate
    generations = [ski.facts.generation for ski in skis]
    group = LIMITS.group
    mass = _against_group([ski.evidence.mass for ski in skis], generations, group.least_mass_spread, rate, settings)
    stiffness = _against_group(
        [ski.evidence.stiffness for ski in skis], generations, group.least_stiffness_spread, rate, settings
    )
    more = [
        each.adding(mass=mass[i], stiffness=stiffness[i])
        for i, each in enumerate(_with_damping_pattern(skis, findings, rate, settings))
    ]
    together = _together(more, rate, settings)
    return [
        replace(each.adding(all_together=joint), statistics=_ordered(each.adding(all_together=joint)))
        for each, joint in zip(more, together, strict=True)
    ]


_ORDER = ("shift", "unevenness", "damping", "mass", "stiffness", "damping pattern", "all together")


def _ordered(found: Findings) -> dict[str, Statistic]:
    return {name: found.statistics[name] for name in _ORDER if name in found.statistics}


def _against_group(
    values: Sequence[float | None],
    generations: Sequence[str | None],
    least_spread: float,
    rate: float,
    settings: Settings,
) -> list[Statistic | None]:
    """A value of the table against the robust centre of its group, or of its generation where each has five skis."""
    found: list[Statistic | None] = [None] * len(values)
    known = [i for i, value in enumerate(values) if value is not None]
    if len(known) < settings.limits.group.least_skis:
        return found
    level = np.array([values[i] for i in known], dtype=float)
    off, limit = against_centres(level, [generations[i] for i in known], least_spread, rate, settings)
    for i, away in zip(known, off.tolist(), strict=True):
        found[i] = Statistic(away, limit)
    return found


def _with_damping_pattern(
    skis: Sequence[Ski], findings: Sequence[Findings], rate: float, settings: Settings
) -> list[Findings]:
    """Residual chi-square of the damping of a ski's modes about their level, and the mode that stands out."""
    found = list(findings)
    heard = [i for i, ski in enumerate(skis) if ski.evidence.damping.orders]
    if len(heard) < settings.limits.group.least_skis:
        return found
    table = two_way([skis[i].evidence.damping for i in heard])
    for row, statistic in enumerate(residual_chi_squares(table, rate, settings)):
        if statistic is not None:
            damped = largest_residual(standings_of(table, row))
            found[heard[row]] = replace(found[heard[row]].adding(damping_pattern=statistic), damped=damped)
    return found


def _together(findings: Sequence[Findings], rate: float, settings: Settings) -> list[Statistic | None]:
    """Mean square of a ski's statistics, each in units of its spread over the group.

    Good skis share one distribution of it, near enough that of chi-square, whose centre and spread are the group's own; a ski
    that is rather far out in several things at once is beyond its limit without being beyond any other.
    """
    least = settings.limits.group.least_skis
    table = np.array([_standardised(_column(findings, name), least) for name in _ORDER[:-1]]).T
    known = np.isfinite(table)
    count = known.sum(axis=1)
    judged = count >= LIMITS.group.least_together
    if judged.sum() < least:
        return [None] * len(findings)
    size = np.cbrt(np.where(known, table**2, 0.0).sum(axis=1) / np.maximum(count, 1))
    fit = robust(size[judged])
    # Cube roots of chi² over its degrees of freedom scatter by sqrt(2/(9 nu)) (Wilson and Hilferty).
    spread = max(fit.spread, sqrt(2 / (9 * float(np.median(count[judged])))))
    factor = tolerance_factor(fit.count, coverage=1 - rate, confidence=settings.limits.group.confidence)
    limit = fit.centre + factor * spread
    return [Statistic(float(size[i]) ** 3, limit**3) if judged[i] else None for i in range(len(findings))]


def _column(findings: Sequence[Findings], name: str) -> list[float | None]:
    """One statistic of every ski; of chi-squares the cube root, which is nearly normal."""
    values = [None if (statistic := each.get(name)) is None else statistic.value for each in findings]
    if name not in ("unevenness", "damping pattern"):
        return values
    return [None if value is None else float(np.cbrt(value)) for value in values]


def _standardised(column: Sequence[float | None], least: int) -> Real:
    values = np.array([np.nan if value is None else value for value in column], dtype=float)
    known = np.isfinite(values)
    if known.sum() < least:
        return np.full(len(values), np.nan)
    fit = robust(values[known])
    return np.asarray((values - fit.centre) / fit.spread if fit.spread > 0 else np.full(len(values), np.nan))


def _apart(findings: Sequence[Findings], settings: Settings) -> list[Findings]:
    """Five to nine skis: ranks, and whether the farthest in tone or damping is too far for chance (Grubbs).

    The test is over the whole group, so its significance is the share of good skis that may be flagged times their
    number, parted among the tests.
    """
    tone = _farthest(_column(findings, "shift"), settings)
    damping = _farthest([each.damping_level for each in findings], settings)
    return [each.adding(tone_apart=tone.get(i), damping_apart=damping.get(i)) for i, each in enumerate(findings)]


def _farthest(values: Sequence[float | None], settings: Settings) -> dict[int, Statistic]:
    """Grubbs' signed statistic of each, against the critical value of the farthest."""
    known = [i for i, value in enumerate(values) if value is not None]
    if len(known) < settings.limits.group.least_ranked:
        return {}
    data = np.array([values[i] for i in known], dtype=float)
    spread = float(np.std(data, ddof=1))
    if spread == 0.0:
        return {}
    critical = grubbs(data, significance=settings.false_alarm_rate * len(known) / _TESTS_APART).critical
    return {i: Statistic(float(off) / spread, critical) for i, off in zip(known, data - data.mean(), strict=True)}
