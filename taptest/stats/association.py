"""Rank correlation within strata, with permutation p-values, Holm's correction, bootstrap intervals and least effect."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations, product
from math import factorial, prod, sqrt, tanh

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.config.limits import LIMITS

Real = NDArray[np.float64]
Index = NDArray[np.int64]

PERMUTATIONS = 9_999
RESAMPLES = 1_999
_MOST_EXACT = 10_000
_LEAST_SKIS = 4
_CHUNK = 2_000_000


@dataclass(frozen=True)
class Association:
    """Correlation of normal scores within strata, with 95 % bootstrap interval, and its permutation p-value.

    ``skis`` that count (those not alone in their stratum) in ``strata``. ``spearman``: Spearman's coefficient of the
    same aligned values. ``exact``: every permutation was tried.
    """

    skis: int
    strata: int
    correlation: float
    low: float
    high: float
    spearman: float
    p: float
    exact: bool


def associate(x: ArrayLike, y: ArrayLike, stratum: ArrayLike, rng: np.random.Generator) -> Association | None:
    """How far two properties of skis go together within strata; None where fewer than four skis can say anything.

    Both are aligned (less the mean of the stratum), ranked together and turned into normal scores
    z = Phi⁻¹(rank/(n+1)) [1]; the correlation is that of the scores about their means within strata. Under the null
    hypothesis every permutation of one of them within the strata is as likely, whatever the distributions [2]:
    p = (1 + number at least as far from 0)/(1 + permutations), or the plain share where all can be tried.

    Raises:
        ValueError: a value that is not finite, or lengths that differ.

    References:
        [1] van der Waerden scores; aligned: Hodges and Lehmann, Ann. Math. Statist. 33 (1962) 482 (from memory).
        [2] Good, Permutation, Parametric and Bootstrap Tests of Hypotheses (2005), 3 (from memory).
    """
    first, second, strata = np.asarray(x, float), np.asarray(y, float), np.asarray(stratum, np.int64)
    if not len(first) == len(second) == len(strata):
        raise ValueError(f"lengths differ: {len(first)}, {len(second)} and {len(strata)} values")
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise ValueError("every value must be a finite number")
    _, at, count = np.unique(strata, return_inverse=True, return_counts=True)
    kept = count[at] > 1
    first, second, at = _scaled(first[kept]), _scaled(second[kept]), np.unique(at[kept], return_inverse=True)[1]
    if len(first) < _LEAST_SKIS or _flat(first, at) or _flat(second, at):
        return None
    a, b = _scores(first[None], at)[0], _scores(second[None], at)[0]
    p, exact = _permutation_p(a, b, at, rng)
    low, high = _interval(first, second, at, rng)
    correlation = _correlation(a[None], b[None])[0]
    spearman = _correlation(*(_centred(_ranks(_centred(each[None], at)), at) for each in (first, second)))[0]
    return Association(len(first), int((count > 1).sum()), float(correlation), low, high, float(spearman), p, exact)


def least_correlation(skis: int, strata: int, tests: int, *, significance: float = 0.05) -> float | None:
    """The smallest correlation found with a probability of 80 % as the first of ``tests`` by Holm's procedure.

    Fisher: atanh(r) is about normal with variance 1/(n - strata - 2), so
    r = tanh((z(1 - significance/(2 tests)) + z(0.8)) / sqrt(n - strata - 2)) [1]. None where no correlation would do.

    References:
        [1] Cohen, Statistical Power Analysis (1988), 3 (from memory).
    """
    from scipy.special import ndtri

    free = skis - strata - 2
    if free < 1:
        return None
    return tanh(float(ndtri(1 - significance / (2 * tests)) + ndtri(LIMITS.snow.power)) / sqrt(free))


def _flat(values: Real, at: Index) -> bool:
    return float(np.abs(_centred(values[None], at)).max()) < 1e-11


def _scaled(values: Real) -> Real:
    """The same values with a largest of 1, so that what counts as equal does not depend on the unit."""
    return values / (float(np.abs(values).max(initial=0.0)) or 1.0)


def _centred(table: Real, at: Index) -> Real:
    """Rows less the mean of each stratum."""
    member = (at[:, None] == np.arange(at.max() + 1)).astype(float)
    return np.asarray(table - (table @ member / member.sum(axis=0)) @ member.T)


def _ranks(table: Real) -> Real:
    from scipy.stats import rankdata

    # Aligned values that are equal may differ in the last bit, which must not make two ranks of one.
    return np.asarray(rankdata(np.round(table, 12), axis=-1))


def _scores(table: Real, at: Index) -> Real:
    from scipy.special import ndtri

    return _centred(ndtri(_ranks(_centred(table, at)) / (table.shape[-1] + 1)), at)


def _correlation(a: Real, b: Real) -> Real:
    size = np.sqrt((a**2).sum(axis=-1) * (b**2).sum(axis=-1))
    return np.asarray(np.where(size > 0, (a * b).sum(axis=-1) / np.where(size > 0, size, 1.0), 0.0))


def _permutation_p(a: Real, b: Real, at: Index, rng: np.random.Generator) -> tuple[float, bool]:
    members = [np.flatnonzero(at == each) for each in range(at.max() + 1)]
    least = abs(float(a @ b)) * (1 - 1e-9)
    if prod(factorial(min(len(each), 12)) for each in members) <= _MOST_EXACT:
        far = total = 0
        for chosen in product(*(permutations(each) for each in members)):
            order = np.concatenate([np.array(part) for part in chosen])
            far += abs(float(a[order] @ b[np.concatenate(members)])) >= least
            total += 1
        return far / total, True
    by_stratum = np.argsort(at, kind="stable")
    x, y = a[by_stratum], b[by_stratum]
    far = 0
    rows = max(1, min(PERMUTATIONS, _CHUNK // len(a)))
    for start in range(0, PERMUTATIONS, rows):
        keys = rng.random((min(rows, PERMUTATIONS - start), len(a))) + at[by_stratum]
        far += int((np.abs(x[np.argsort(keys, axis=1)] @ y) >= least).sum())
    return (1 + far) / (1 + PERMUTATIONS), False


def _interval(first: Real, second: Real, at: Index, rng: np.random.Generator) -> tuple[float, float]:
    """95 % interval of the correlation: skis drawn anew within their strata (percentiles)."""
    members = [np.flatnonzero(at == each) for each in range(at.max() + 1)]
    order = np.concatenate(members)
    found: list[Real] = []
    rows = max(1, min(RESAMPLES, _CHUNK // len(at)))
    for start in range(0, RESAMPLES, rows):
        size = min(rows, RESAMPLES - start)
        drawn = np.hstack([each[rng.integers(len(each), size=(size, len(each)))] for each in members])
        found.append(_correlation(_scores(first[drawn], at[order]), _scores(second[drawn], at[order])))
    low, high = np.quantile(np.concatenate(found), [0.025, 0.975])
    return float(low), float(high)
