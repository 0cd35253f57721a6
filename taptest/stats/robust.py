"""Robust centre and scale, outlier tests and tolerance limits: the statistics that a lot is judged by."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import erf, exp, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Real = NDArray[np.float64]

NORMAL_PER_MAD = 1.482602  # standard deviation over median absolute deviation of a normal distribution
_WINSOR = 1.5
# Standard deviation of a normal distribution after values beyond 1.5 sd are moved to 1.5 sd, inverted.
_WINSOR_SCALE = 1.134
_STRANGE = 2.5


@dataclass(frozen=True)
class Robust:
    """Centre and standard deviation of the bulk of ``count`` values, hardly moved by a tenth of strange ones."""

    centre: float
    spread: float
    count: int


def algorithm_a(values: ArrayLike) -> Robust:
    """Robust mean and standard deviation by Algorithm A.

    Start from the median and 1.483 MAD; move values beyond ``centre ± 1.5 spread`` to that bound; take the mean and
    1.134 times the standard deviation; repeat until nothing moves [1].

    Raises:
        ValueError: no values, or one that is not finite.

    References:
        [1] ISO 13528:2015, C.3.1 (from memory); Analytical Methods Committee, Analyst 114 (1989) 1693.
    """
    data = _checked(values, 1)
    centre = float(np.median(data))
    spread = NORMAL_PER_MAD * float(np.median(np.abs(data - centre)))
    if len(data) < 2:
        return Robust(centre, 0.0, len(data))
    if spread == 0.0:
        spread = _WINSOR_SCALE * float(np.std(data, ddof=1))  # many ties: the median absolute deviation says nothing
    for _ in range(200):
        before = centre, spread
        kept = np.clip(data, centre - _WINSOR * spread, centre + _WINSOR * spread)
        centre = float(kept.mean())
        spread = _WINSOR_SCALE * float(np.std(kept, ddof=1))
        if abs(centre - before[0]) + abs(spread - before[1]) <= 1e-9 * spread:
            break
    return Robust(centre, spread, len(data))


def robust(values: ArrayLike) -> Robust:
    """Mean and standard deviation of the values within 2.5 spreads, from `algorithm_a` on until they stay the same.

    The standard deviation is divided by that of a normal distribution cut at c = ± 2.5,
    sqrt(1 - 2 c phi(c) / (2 Phi(c) - 1)) = 0.955. These steps keep the safety of Algorithm A and do away with most of
    what moderately strange values still add to its spread [1].

    Raises:
        ValueError: no values, or one that is not finite.

    References:
        [1] Rousseeuw and Leroy, Robust Regression and Outlier Detection (1987), 1.2 and 4.1 (from memory).
    """
    data = _checked(values, 1)
    fit = algorithm_a(data)
    density = exp(-(_STRANGE**2) / 2) / sqrt(2 * pi)
    cut = sqrt(1 - 2 * _STRANGE * density / erf(_STRANGE / sqrt(2)))
    for _ in range(10):
        kept = data[np.abs(data - fit.centre) <= _STRANGE * fit.spread]
        if len(kept) < 2 or np.ptp(kept) == 0.0:
            break
        before, fit = fit, Robust(float(kept.mean()), float(np.std(kept, ddof=1)) / cut, len(data))
        if fit == before:
            break
    return fit


@dataclass(frozen=True)
class Grubbs:
    """Grubbs' test: ``index`` of the value farthest out, its ``statistic`` |x - mean|/s and the ``critical`` value."""

    index: int
    statistic: float
    critical: float

    @property
    def outlier(self) -> bool:
        return self.statistic > self.critical


def grubbs(values: ArrayLike, *, significance: float = 0.05, two_sided: bool = True) -> Grubbs:
    """Grubbs' test for one outlier among normal values; one-sided, it looks for a high one only.

    G_crit = (n-1)/sqrt(n) sqrt(t²/(n-2+t²)), t the upper ``significance``/n point of Student's t with n-2 degrees of
    freedom, or ``significance``/(2 n) when two-sided [1].

    Raises:
        ValueError: fewer than three values, one that is not finite, or a significance outside 0 to 1.

    References:
        [1] NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1.
    """
    from scipy.special import stdtrit

    data = _checked(values, 3)
    _check_share("significance", significance)
    count = len(data)
    off = data - data.mean()
    size = np.abs(off) if two_sided else off
    index = int(np.argmax(size))
    spread = float(np.std(data, ddof=1))
    t = float(stdtrit(count - 2, 1 - significance / (2 * count if two_sided else count)))
    critical = (count - 1) / sqrt(count) * sqrt(t**2 / (count - 2 + t**2))
    return Grubbs(index, float(size[index]) / spread if spread else 0.0, critical)


@lru_cache(maxsize=512)
def tolerance_factor(count: int, *, coverage: float = 0.99, confidence: float = 0.95) -> float:
    """Factor k of the two-sided normal tolerance interval mean ± k s of ``count`` values.

    With ``confidence`` the interval holds at least the share ``coverage`` of the population. Exact: the root of
    sqrt(2 n/pi) ∫ P(chi²_{n-1} > (n-1) q(z)/k²) exp(-n z²/2) dz over z > 0 = confidence, where q(z) is the
    ``coverage`` point of the non-central chi-square distribution with one degree of freedom and non-centrality z² [1].

    Raises:
        ValueError: fewer than two values, or a share outside 0 to 1.

    References:
        [1] Krishnamoorthy and Mathew, Statistical Tolerance Regions (2009), 2.3.1; ISO 16269-6:2014, annex F.
    """
    from scipy.special import chdtrc, chndtrix

    if count < 2:
        raise ValueError(f"{count} values: a tolerance interval needs at least 2")
    _check_share("coverage", coverage)
    _check_share("confidence", confidence)
    node, weight = np.polynomial.legendre.leggauss(80)
    z = 4.5 / sqrt(count) * (node + 1)  # beyond z = 9/sqrt(n) the weight exp(-n z²/2) is below 1e-17
    density = 4.5 / sqrt(count) * weight * sqrt(2 * count / pi) * np.exp(-count * z**2 / 2)
    square = chndtrix(coverage, 1.0, z**2)

    low, high = 1e-3, 1e6
    for _ in range(200):
        middle = sqrt(low * high)
        if float(density @ chdtrc(count - 1, (count - 1) * square / middle**2)) < confidence:
            low = middle
        else:
            high = middle
        if high / low < 1 + 1e-12:
            break
    return sqrt(low * high)


def _check_share(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise ValueError(f"{name} is {value:g}: it must lie between 0 and 1")


def _checked(values: ArrayLike, least: int) -> Real:
    data = np.asarray(values, dtype=np.float64).ravel()
    if len(data) < least:
        raise ValueError(f"{len(data)} values: at least {least} are needed")
    if not np.isfinite(data).all():
        raise ValueError("every value must be a finite number")
    return data
