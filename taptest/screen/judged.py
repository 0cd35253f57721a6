"""Findings of a group as figures that a person can follow: values, limits and ranks, in percent where they are ratios."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp

from taptest.screen.group import Findings, Statistic, percent
from taptest.screen.verdict import JudgedStatistic

# Those that are logarithms of ratios; the others are sizes without a unit.
_RATIOS = ("shift", "damping", "mass", "stiffness")
_RING = ("shift", "unevenness", "damping")


def judged_statistics(findings: Sequence[Findings]) -> list[tuple[JudgedStatistic, ...]]:
    """For every ski of a group the statistics it was judged by, each with its rank in the group."""
    named = [_named(each) for each in findings]
    told: list[tuple[JudgedStatistic, ...]] = []
    for own in named:
        figures = []
        for name, statistic in own.items():
            peers = sorted(other[name].value for other in named if name in other)
            value, limit, u = _shown_as(name, statistic)
            figures.append(
                JudgedStatistic(
                    name=name,
                    unit="%" if name in _RATIOS else "",
                    value=value,
                    limit=limit,
                    u=u,
                    score=statistic.score,
                    suspicious=statistic.out or statistic.near,
                    may_reject=name in _RING,
                    rank=1 + peers.index(statistic.value),
                    count=len(peers),
                )
            )
        told.append(tuple(figures))
    return told


def _shown_as(name: str, statistic: Statistic) -> tuple[float, float, float]:
    """Value, limit and standard uncertainty: ratios in percent, unevenness squared as in the table."""
    value, limit, u = statistic.value, statistic.limit, statistic.u
    if name in _RATIOS:
        return percent(value), percent(limit), 100 * exp(value) * u
    if name == "unevenness":
        return value**2, limit**2, 2 * value * u
    return value, limit, u


def _named(findings: Findings) -> dict[str, Statistic]:
    ring = zip(_RING, (findings.shift, findings.unevenness, findings.damping), strict=True)
    return {name: each for name, each in ring if each is not None} | findings.screen.statistics()
