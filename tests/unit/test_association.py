"""Rank correlation, permutation p-values, Holm's correction and power, against scipy and closed forms."""

from math import factorial

import numpy as np
import pytest
from scipy import stats

from taptest.stats.association import associate, least_correlation
from taptest.stats.permutation import holm

ONE = np.zeros


def scores(values):
    """van der Waerden scores, by scipy."""
    return stats.norm.ppf(stats.rankdata(values) / (len(values) + 1))


def test_one_stratum_is_the_correlation_of_normal_scores():
    rng = np.random.default_rng(1)
    for _ in range(20):
        x = rng.normal(size=25)
        y = np.exp(x + 2 * rng.normal(size=25))
        found = associate(x, y, ONE(25), rng)
        assert found.correlation == pytest.approx(stats.pearsonr(scores(x), scores(y)).statistic, rel=1e-9)
        assert found.spearman == pytest.approx(stats.spearmanr(x, y).statistic, rel=1e-9)
        assert found.low < found.correlation < found.high


def test_ties_and_units_do_not_matter():
    rng = np.random.default_rng(2)
    x, y = rng.integers(0, 5, size=30).astype(float), rng.normal(size=30)
    plain = associate(x, y, ONE(30), np.random.default_rng(3))
    assert plain.spearman == pytest.approx(stats.spearmanr(x, y).statistic, rel=1e-9)
    scaled = associate(1000 * x + 7, 0.001 * y - 3, ONE(30), np.random.default_rng(3))
    assert (scaled.correlation, scaled.p) == pytest.approx((plain.correlation, plain.p), rel=1e-12)


def test_exact_p_values_of_few_skis():
    x, y = np.array([3.1, 1.2, 4.4, 2.0, 5.3, 0.4]), np.array([2.2, 1.9, 4.1, 3.0, 6.0, 1.0])
    found = associate(x, y, ONE(6), np.random.default_rng(0))
    assert found.exact

    oracle = stats.permutation_test(
        (scores(x),), lambda a: abs(a @ scores(y)), permutation_type="pairings", alternative="greater", vectorized=False
    )
    assert found.p == pytest.approx(oracle.pvalue, rel=1e-9)
    # derived: a perfect order and its reverse are 2 of the 5! orders
    perfect = associate(np.arange(5.0), np.arange(5.0) ** 3, ONE(5), np.random.default_rng(0))
    assert perfect.p == pytest.approx(2 / factorial(5), rel=1e-12)
    assert perfect.correlation == pytest.approx(1.0)


def test_random_permutations_agree_with_scipy():
    rng = np.random.default_rng(4)
    x = rng.normal(size=20)
    y = 0.5 * x + rng.normal(size=20)
    found = associate(x, y, ONE(20), rng)
    assert not found.exact
    # derived: Student's t for the correlation of normal scores is close for 20 values; 9999 permutations scatter by
    # sqrt(p (1-p)/9999) < 0.003 at p = 0.1
    assert found.p == pytest.approx(stats.pearsonr(scores(x), scores(y)).pvalue, abs=0.01)
    a, b = scores(x), scores(y)
    shuffled = [abs(rng.permutation(a) @ b) >= abs(a @ b) for _ in range(9_999)]
    assert found.p == pytest.approx(np.mean(shuffled), abs=0.015)


def test_strata_take_out_what_kinds_differ_in():
    rng = np.random.default_rng(5)
    kind = np.repeat([0, 1, 2], 10)
    x, y = 100.0 * kind + rng.normal(size=30), 50.0 * kind + rng.normal(size=30)
    within = associate(x, y, kind, rng)
    assert within.strata == 3 and abs(within.correlation) < 0.5 and within.p > 0.01
    assert associate(x, y, ONE(30), rng).correlation > 0.7  # control: without them the kinds are all there is


def test_permutations_stay_within_their_stratum():
    """Two kinds, one of which scatters a hundred times as much: shuffled across kinds, p would be another."""
    rng = np.random.default_rng(10)
    kind = np.repeat([0, 1], 12)
    size = np.where(kind == 0, 10.0, 0.1)
    x = size * rng.normal(size=24) + 40 * kind
    y = 0.5 * x + size * rng.normal(size=24) - 70 * kind
    found = associate(x, y, kind, rng)

    def aligned(values):
        return values - np.where(kind == 0, values[kind == 0].mean(), values[kind == 1].mean())

    a, b = (aligned(scores(aligned(each))) for each in (x, y))
    assert found.correlation == pytest.approx(a @ b / np.sqrt((a @ a) * (b @ b)), rel=1e-9)
    ranks = [aligned(stats.rankdata(aligned(each))) for each in (x, y)]
    assert found.spearman == pytest.approx(np.corrcoef(*ranks)[0, 1], rel=1e-9)
    within = [np.concatenate([rng.permutation(a[:12]), rng.permutation(a[12:])]) @ b for _ in range(9_999)]
    across = [rng.permutation(a) @ b for _ in range(9_999)]
    p_within, p_across = (np.mean(np.abs(each) >= abs(a @ b)) for each in (within, across))
    assert found.p == pytest.approx(p_within, abs=0.012)  # three standard deviations of two such shares
    assert abs(p_within - p_across) > 0.03, (p_within, p_across)  # control: there is a difference to be seen


def test_skis_alone_in_their_stratum_say_nothing():
    rng = np.random.default_rng(6)
    x, y = rng.normal(size=9), rng.normal(size=9)
    kind = np.array([0, 0, 0, 0, 0, 0, 1, 2, 3])
    found = associate(x, y, kind, np.random.default_rng(1))
    assert (found.skis, found.strata) == (6, 1)
    assert found == associate(x[:6], y[:6], kind[:6], np.random.default_rng(1))
    assert associate(x[:3], y[:3], kind[:3], rng) is None
    assert associate(np.full(8, 2.0), y[:8], ONE(8), rng) is None
    with pytest.raises(ValueError, match="finite"):
        associate([1.0, float("nan")], [1.0, 2.0], [0, 0], rng)


def test_the_seed_decides_everything():
    rng = np.random.default_rng(7)
    x, y = rng.normal(size=40), rng.normal(size=40)
    first, again, other = (associate(x, y, ONE(40), np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert first == again != other
    assert abs(first.p - other.p) < 0.03  # it does not decide what is said


def test_holms_procedure():
    # derived by hand from the definition: 4 tests, sorted .005 .01 .03 .04 times 4, 3, 2, 1, never falling. (Holm's own
    # paper of 1979 argues with such levels: the smallest against alpha/4, the next against alpha/3, and so on.)
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))
    assert holm([0.5, 0.9]).tolist() == [1.0, 1.0]
    assert holm([]).tolist() == []
    tools = pytest.importorskip("statsmodels.stats.multitest")
    rng = np.random.default_rng(8)
    for count in (1, 2, 5, 12):
        p = rng.random(count) ** 3
        assert holm(p.tolist()) == pytest.approx(tools.multipletests(p, method="holm")[1], rel=1e-12)


def test_the_smallest_correlation_is_that_of_power_tables():
    # Cohen, Statistical Power Analysis (1988), table 3.4.1: two-sided 5 %, power .80: n = 28 for r = .50, 84 or 85 for .30
    # (from memory); here one test, one stratum.
    assert least_correlation(29, 1, 1) == pytest.approx(0.50, abs=0.01)
    assert least_correlation(85, 1, 1) == pytest.approx(0.30, abs=0.005)
    assert least_correlation(30, 1, 4) > least_correlation(30, 1, 1)
    assert least_correlation(3, 1, 1) is None


@pytest.mark.slow
def test_intervals_cover_and_the_smallest_correlation_is_found_four_times_in_five(monkeypatch):
    monkeypatch.setattr("taptest.stats.association.PERMUTATIONS", 999)
    monkeypatch.setattr("taptest.stats.association.RESAMPLES", 499)
    rng = np.random.default_rng(9)
    rho = least_correlation(24, 2, 1)
    kind, covered, found = np.repeat([0, 1], 12), 0, 0
    for _ in range(400):
        x = rng.normal(size=24)
        y = rho * x + np.sqrt(1 - rho**2) * rng.normal(size=24)
        each = associate(x, y, kind, rng)
        covered += each.low <= rho <= each.high
        found += each.p <= 0.05
    assert 0.90 <= covered / 400 <= 0.99
    assert found / 400 == pytest.approx(0.8, abs=0.06)  # three binomial standard deviations of 2 %
