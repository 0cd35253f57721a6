"""What else sets a ski apart from its kind: mass, stiffness, the pattern of its damping, and everything together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.screen.group import (
    CONFIDENCE,
    LEAST_GROUP,
    Evidence,
    Findings,
    Screen,
    Statistic,
    StrangestMode,
    centres,
    standings,
    strangest,
    two_way,
    unevenness,
)
from taptest.stats.robust import robust, tolerance_factor

Real = NDArray[np.float64]

LEAST_RANKED = 5
# Weighing and bending again move the logarithms of mass and stiffness by about this (common practice, no source).
_LEAST_SPREAD = {"mass": 0.003, "stiffness": 0.01}
# Rechecks asked for by any of these together may be as many as a fifth of the outliers that are budgeted for.
_SHARE = 0.2
_TESTS_APART = 2
_LEAST_Z = 3


def screen_group(skis: Sequence[Evidence], findings: Sequence[Findings], *, coverage: float) -> list[Findings]:
    """The findings with their ``screen``: tolerance limits from ten skis up, Grubbs' test from five to nine, else none.

    A statistic here may ask for a recheck, none makes an outlier: a lot may hold several flexes on purpose, and the damping
    of a single mode is easily the room's.

    Args:
        skis: of one kind.
        findings: as `judge_group` gives them.
        coverage: share of sound skis that the limit of each statistic of the ring holds; those here hold more.
    """
    if len(skis) < LEAST_RANKED:
        return list(findings)
    if len(skis) < LEAST_GROUP:
        return _apart(findings, 1 - coverage)
    inner = 1 - _SHARE * (1 - coverage)
    mass = _against_group(skis, "mass", inner)
    stiffness = _against_group(skis, "stiffness", inner)
    pattern = _damping_pattern(skis, inner)
    screens = [
        Screen(mass=mass[i], stiffness=stiffness[i], damping_pattern=pattern[i][0], damped=pattern[i][1])
        for i in range(len(skis))
    ]
    together = _together(findings, screens, inner)
    return [
        replace(each, screen=replace(screen, together=joint))
        for each, screen, joint in zip(findings, screens, together, strict=True)
    ]


def _against_group(skis: Sequence[Evidence], name: str, coverage: float) -> list[Statistic | None]:
    """A value of the table against the robust centre of its group, or of its generation where each has five skis."""
    found: list[Statistic | None] = [None] * len(skis)
    values = [skis[i].mass if name == "mass" else skis[i].stiffness for i in range(len(skis))]
    known = [i for i, value in enumerate(values) if value is not None]
    if len(known) < LEAST_GROUP:
        return found
    level = np.array([values[i] for i in known], dtype=float)
    centre, generations = centres(level, [skis[i].generation for i in known])
    spread = robust(level - centre).spread * sqrt((len(known) - 1) / (len(known) - generations))
    factor = tolerance_factor(len(known) - generations + 1, coverage=coverage, confidence=CONFIDENCE)
    limit = factor * max(spread, _LEAST_SPREAD[name])
    for i, off in zip(known, (level - centre).tolist(), strict=True):
        found[i] = Statistic(off, limit, 0.0)
    return found


def _damping_pattern(skis: Sequence[Evidence], coverage: float) -> list[tuple[Statistic | None, StrangestMode | None]]:
    """Unevenness of the damping of a ski's modes about their level, and the mode that stands out."""
    found: list[tuple[Statistic | None, StrangestMode | None]] = [(None, None)] * len(skis)
    heard = [i for i, ski in enumerate(skis) if ski.damping.orders]
    if len(heard) < LEAST_GROUP:
        return found
    table = two_way([skis[i].damping for i in heard])
    for row, statistic in enumerate(unevenness(table, coverage=coverage)):
        known = table.known[row]
        orders = tuple(np.array(table.orders)[known].tolist())
        values = table.level[row] + table.residual[row][known]
        mode = strangest(standings(orders, values, table.variance[row][known])) if statistic is not None else None
        found[heard[row]] = (statistic, mode)
    return found


def _together(findings: Sequence[Findings], screens: Sequence[Screen], coverage: float) -> list[Statistic | None]:
    """Root of the mean square of a ski's statistics, each in units of its spread over the group.

    Sound skis share one distribution of it, near enough that of chi, whose centre and spread are the group's own; a ski
    that is rather far out in several things at once is beyond its limit without being beyond any other.
    """
    columns = [
        [None if each.shift is None else each.shift.value for each in findings],
        [None if each.unevenness is None else np.cbrt(each.unevenness.value**2) for each in findings],
        [None if each.damping is None else each.damping.value for each in findings],
        [None if each.mass is None else each.mass.value for each in screens],
        [None if each.stiffness is None else each.stiffness.value for each in screens],
        [None if each.damping_pattern is None else np.cbrt(each.damping_pattern.value**2) for each in screens],
    ]
    table = np.array([_standardised(column) for column in columns]).T
    known = np.isfinite(table)
    count = known.sum(axis=1)
    judged = count >= _LEAST_Z
    if judged.sum() < LEAST_GROUP:
        return [None] * len(findings)
    size = np.cbrt(np.where(known, table**2, 0.0).sum(axis=1) / np.maximum(count, 1))
    fit = robust(size[judged])
    # Cube roots of chi² over its degrees of freedom scatter by sqrt(2/(9 nu)) (Wilson and Hilferty).
    spread = max(fit.spread, sqrt(2 / (9 * float(np.median(count[judged])))))
    limit = fit.centre + tolerance_factor(fit.count, coverage=coverage, confidence=CONFIDENCE) * spread
    return [Statistic(float(size[i]) ** 1.5, limit**1.5, 0.0) if judged[i] else None for i in range(len(findings))]


def _standardised(column: Sequence[float | None]) -> Real:
    values = np.array([np.nan if value is None else value for value in column], dtype=float)
    known = np.isfinite(values)
    if known.sum() < LEAST_GROUP:
        return np.full(len(values), np.nan)
    fit = robust(values[known])
    return np.asarray((values - fit.centre) / fit.spread if fit.spread > 0 else np.full(len(values), np.nan))


def _apart(findings: Sequence[Findings], share: float) -> list[Findings]:
    """Five to nine skis: ranks, and whether the farthest in tone or damping is too far for chance (Grubbs).

    The test is over the whole group, so its significance is the share of sound skis that may be called times their
    number, parted among the tests.
    """
    tone = _farthest([None if each.shift is None else each.shift.value for each in findings], share)
    damping = _farthest([each.damping_level for each in findings], share)
    return [
        replace(each, screen=Screen(tone_apart=tone.get(i), damping_apart=damping.get(i)))
        for i, each in enumerate(findings)
    ]


def _farthest(values: Sequence[float | None], share: float) -> dict[int, Statistic]:
    """Grubbs' signed statistic of each, against the critical value of the farthest."""
    from taptest.stats.robust import grubbs

    known = [i for i, value in enumerate(values) if value is not None]
    if len(known) < LEAST_RANKED:
        return {}
    data = np.array([values[i] for i in known], dtype=float)
    spread = float(np.std(data, ddof=1))
    if spread == 0.0:
        return {}
    critical = grubbs(data, significance=share * len(known) / _TESTS_APART).critical
    return {i: Statistic(float(off) / spread, critical, 0.0) for i, off in zip(known, data - data.mean(), strict=True)}
