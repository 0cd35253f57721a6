"""Robust statistics, outlier tests and tolerance factors against published values and against chance itself."""

from math import erf, exp, pi, sqrt

import numpy as np
import pytest

from taptest.stats.robust import algorithm_a, grubbs, robust, tolerance_factor

# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17 (page): mass-spectrometer data of Tietjen and Moore.
TIETJEN_MOORE = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)


@pytest.mark.parametrize(
    ("count", "published"),
    # NIST/SEMATECH e-Handbook 7.2.6.3 and ISO 16269-6, two-sided, 95 % confidence, 99 % coverage: 10, 20, 30 (page);
    # 50 and 100 derived elsewhere from the exact integral.
    [(10, 4.44), (20, 3.62), (30, 3.35), (50, 3.13), (100, 2.93)],
)
def test_tolerance_factor_agrees_with_the_published_table(count, published):
    assert tolerance_factor(count) == pytest.approx(published, abs=0.0056)  # two printed digits, some tables round up
    # Control: the plain normal quantile is what an endless group would give, and no small one does.
    assert tolerance_factor(count) > 2.576 * 1.1


def test_tolerance_factor_tends_to_the_normal_quantile():
    # derived: with the distribution known, 99 % lie within 2.5758 standard deviations; k - z ~ z 1.645 / sqrt(2 n)
    assert tolerance_factor(1_000_000) == pytest.approx(2.5758 * (1 + 1.645 / sqrt(2e6)), rel=1e-4)


def test_tolerance_interval_covers_as_often_as_it_says():
    rng = np.random.default_rng(20)
    samples = rng.normal(size=(20_000, 12))
    centre, spread = samples.mean(axis=1), samples.std(axis=1, ddof=1)

    def holds(factor):
        low, high = centre - factor * spread, centre + factor * spread
        inside = np.array([0.5 * (erf(h / sqrt(2)) - erf(low_ / sqrt(2))) for low_, h in zip(low, high, strict=True)])
        return float((inside >= 0.99).mean())

    # Binomial standard deviation of 0.95 in 20 000 samples: 0.0015.
    assert holds(tolerance_factor(12)) == pytest.approx(0.95, abs=0.005)
    assert holds(tolerance_factor(24)) < 0.9  # control: the factor of another sample size
    assert holds(2.576) < 0.5


def test_grubbs_on_tietjen_and_moore():
    found = grubbs(TIETJEN_MOORE, two_sided=False)
    # NIST/SEMATECH e-Handbook 1.3.5.17 (page): G = 2.4687, one-sided 5 % critical value 2.0317
    assert found.statistic == pytest.approx(2.4687, abs=1e-4)  # 2.46876, cut off rather than rounded there
    assert found.critical == pytest.approx(2.0317, abs=1e-4)
    assert found.outlier
    assert found.index == 7
    assert grubbs(TIETJEN_MOORE).critical > found.critical  # control: two-sided asks for more
    assert not grubbs(TIETJEN_MOORE[:-1]).outlier


def test_grubbs_false_alarms_are_as_many_as_asked_for():
    rng = np.random.default_rng(3)
    alarms = np.mean([grubbs(sample, significance=0.05).outlier for sample in rng.normal(size=(4000, 9))])
    assert alarms == pytest.approx(0.05, abs=0.011)  # three standard deviations of a binomial share


def test_algorithm_a_meets_its_defining_equations():
    data = np.array([4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9])
    found = algorithm_a(data)
    # derived: only 9.9 lies beyond the bound, so centre m and spread s solve 7 m = 30.6 + (m + 1.5 s) and
    # s = 1.134 sd of the six values and the bound; solved here by bisection on s.
    low, high = 0.1, 5.0
    for _ in range(100):
        s = (low + high) / 2
        m = (30.6 + 1.5 * s) / 6
        low, high = (s, high) if 1.134 * np.std(np.append(data[:-1], m + 1.5 * s), ddof=1) > s else (low, s)
    assert found.centre == pytest.approx(m, rel=1e-6)
    assert found.spread == pytest.approx(s, rel=1e-6)
    assert np.std(data, ddof=1) > 1.5 * found.spread  # control: the plain standard deviation follows the 9.9


def test_constants_of_the_robust_spread_are_those_of_a_normal_distribution():
    x = np.linspace(-10, 10, 400_001)
    density = np.exp(-(x**2) / 2) / sqrt(2 * pi)
    moved = np.trapezoid(np.clip(x, -1.5, 1.5) ** 2 * density, x)
    assert 1 / sqrt(moved) == pytest.approx(1.134, rel=1e-3)  # derived by integration: 1.1334
    # 60 000 normal values: the standard error of a standard deviation is 0.3 %.
    many = robust(np.random.default_rng(1).normal(10.0, 2.0, size=60_000))
    assert many.centre == pytest.approx(10.0, abs=0.03)
    assert many.spread == pytest.approx(2.0, rel=0.01)


@pytest.mark.slow
def test_robust_spread_of_small_groups_is_neither_small_nor_moved_by_strange_values():
    rng = np.random.default_rng(2)
    samples = rng.normal(size=(3000, 30))
    assert np.mean([robust(sample).spread for sample in samples]) == pytest.approx(1.0, abs=0.03)
    samples[:, :3] += 8.0
    assert np.mean([robust(sample).spread for sample in samples]) < 1.08
    assert abs(np.mean([robust(sample).centre for sample in samples])) < 0.03
    assert np.mean(np.std(samples, axis=1, ddof=1)) > 2.5  # control: the plain standard deviation


def test_robust_copes_with_ties_and_single_values():
    assert robust([3.0]).spread == 0.0
    assert robust([3.0, 3.0, 3.0, 3.0]).spread == 0.0
    assert robust([0.0, 0.0, 0.0, 0.0, 0.0, 0.1, -0.1]).spread > 0.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: robust([]), "at least 1"),
        (lambda: robust([1.0, float("nan")]), "finite"),
        (lambda: grubbs([1.0, 2.0]), "at least 3"),
        (lambda: grubbs([1.0, 2.0, 3.0], significance=1.5), "between 0 and 1"),
        (lambda: tolerance_factor(1), "at least 2"),
        (lambda: tolerance_factor(10, coverage=1.0), "between 0 and 1"),
    ],
)
def test_impossible_input_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_cut_normal_distribution_has_the_variance_that_undoes_the_cut():
    # derived: variance of a standard normal distribution cut at c is 1 - 2 c phi(c) / (2 Phi(c) - 1); c = 2.5 -> 0.955²
    c = 2.5
    assert sqrt(1 - 2 * c * exp(-(c**2) / 2) / sqrt(2 * pi) / erf(c / sqrt(2))) == pytest.approx(0.955, abs=1e-3)
    cut = np.random.default_rng(4).normal(size=200_000)
    assert np.std(cut[np.abs(cut) <= c]) == pytest.approx(0.955, abs=3e-3)
