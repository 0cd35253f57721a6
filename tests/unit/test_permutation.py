"""Permutation tests, intervals and Holm's procedure against scipy, brute force and worked examples."""

import numpy as np
import pytest
from scipy import stats

from taptest.stats import permutation
from taptest.stats.permutation import Stratum, holm, shift


def of(first, second):
    return Stratum(tuple(map(float, first)), tuple(map(float, second)))


def scipy_p(first, second):
    """Exact two-sided p-value by scipy, which knows nothing of this code."""
    found = stats.permutation_test(
        (np.asarray(first), np.asarray(second)),
        lambda a, b, axis: b.mean(axis=axis) - a.mean(axis=axis),
        vectorized=True,
        n_resamples=np.inf,
        alternative="two-sided",
    )
    return found.pvalue


def test_a_worked_example():
    # Four values against four that all lie higher: of the 70 arrangements only one is as extreme, p = 2/70 (by counting).
    found = shift([of([1, 2, 3, 4], [11, 12, 13, 14])])
    assert found.difference == 10 and found.p_value == pytest.approx(2 / 70) and found.superiority == 1
    assert found.least_p_value == pytest.approx(2 / 70)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("sizes", [(3, 3), (4, 6), (5, 5), (7, 2)])
def test_p_values_are_those_of_scipy(seed, sizes):
    rng = np.random.default_rng(seed)
    first, second = rng.normal(size=sizes[0]).round(1), rng.normal(0.8, 1, size=sizes[1]).round(1)  # rounded: with ties
    found = shift([of(first, second)])
    assert found.exact
    assert found.p_value == pytest.approx(scipy_p(first, second), rel=1e-9)
    assert found.superiority == pytest.approx(stats.mannwhitneyu(second, first).statistic / (sizes[0] * sizes[1]))


@pytest.mark.parametrize("seed", range(4))
def test_the_interval_holds_what_the_test_does_not_refuse(seed):
    rng = np.random.default_rng(seed)
    first, second = rng.normal(size=5), rng.normal(1, 1, size=6)
    found = shift([of(first, second)])
    width = found.high - found.low
    level = 0.05
    # Brute force: take δ off the second group and ask scipy, a hair inside and outside of either end.
    for inside, outside in (
        (found.low + 1e-6 * width, found.low - 1e-6 * width),
        (found.high - 1e-6 * width, found.high + 1e-6 * width),
    ):
        assert scipy_p(first, second - inside) > level >= scipy_p(first, second - outside)


def test_strata_are_rearranged_only_within_themselves():
    # Two strata far apart, each with its whole shift in one arrangement of three: 1 of 3 x 3 is as extreme (by counting).
    strata = [of([0, 1], [5]), of([100, 101], [105])]
    found = shift(strata)
    assert found.least_p_value == pytest.approx(2 / 9) and found.p_value == pytest.approx(2 / 9)
    assert found.difference == pytest.approx(4.5)
    pooled = shift([of([0, 1, 100, 101], [5, 105])])
    assert pooled.p_value > 0.3  # what would come out if the strata were forgotten
    # One stratum without the second group tells nothing.
    assert shift([*strata, of([7, 8], [])]) == found
    assert shift([of([1, 2], []), of([], [1])]) is None


def test_a_shift_of_all_values_moves_the_interval_and_nothing_else():
    rng = np.random.default_rng(1)
    first, second = rng.normal(size=4), rng.normal(size=5)
    plain, moved = shift([of(first, second)]), shift([of(first, second + 3)])
    assert (moved.low, moved.high) == (pytest.approx(plain.low + 3), pytest.approx(plain.high + 3))
    assert moved.confidence == plain.confidence


@pytest.mark.parametrize(
    ("first", "second", "confidence"),
    [(1, 1, None), (1, 5, None), (2, 2, None), (2, 3, 0.8), (3, 3, 0.9), (3, 4, 1 - 2 / 35), (4, 4, 0.95)],
)
def test_few_values_reach_only_so_much_confidence(first, second, confidence):
    # n1 n2 values have C arrangements; the widest interval misses one at each end, confidence 1 - 2/C (by counting).
    found = shift([of(range(first), np.arange(second) + 0.5)])
    assert found.confidence == (None if confidence is None else pytest.approx(confidence))
    assert (found.low is None) == (confidence is None)


@pytest.mark.parametrize(("sizes", "stated"), [((3, 3), 0.9), ((3, 4), 1 - 2 / 35), ((6, 6), 0.95)])
def test_intervals_hold_the_truth_as_often_as_they_say(sizes, stated):
    rng = np.random.default_rng(12)
    trials, hits = 600, 0
    for _ in range(trials):
        # Not normal on purpose.
        found = shift([of(rng.exponential(size=sizes[0]), 1 + rng.exponential(size=sizes[1]))])
        hits += found.low <= 1 <= found.high
    low, high = stats.binom.interval(0.999, trials, stated)
    assert low <= hits <= max(high, trials * (stated + 0.02))


def test_many_values_are_sampled_and_agree_with_student():
    rng = np.random.default_rng(5)
    first, second = rng.normal(size=60), rng.normal(0.5, 1, size=50)
    found = shift([of(first, second)])
    assert not found.exact and found.confidence == 0.95
    assert found == shift([of(first, second)])  # the same in every run
    # For many normal values the permutation interval is Student's (a theorem of Fisher's; checked to a tenth of its width).
    student = stats.ttest_ind(second, first).confidence_interval(0.95)
    width = student.high - student.low
    assert found.low == pytest.approx(student.low, abs=0.05 * width)
    assert found.high == pytest.approx(student.high, abs=0.05 * width)
    assert found.p_value == pytest.approx(stats.ttest_ind(second, first).pvalue, abs=0.01)


def test_sampling_and_trying_everything_agree(monkeypatch):
    rng = np.random.default_rng(6)
    strata = [of(rng.normal(size=5), rng.normal(1, 1, size=5)), of(rng.normal(size=3), rng.normal(1, 1, size=4))]
    every = shift(strata)
    monkeypatch.setattr(permutation, "MOST_ARRANGEMENTS", 10)
    sampled = shift(strata)
    assert every.exact and not sampled.exact
    width = every.high - every.low
    assert sampled.low == pytest.approx(every.low, abs=0.05 * width)
    assert sampled.high == pytest.approx(every.high, abs=0.05 * width)
    assert sampled.p_value == pytest.approx(every.p_value, abs=0.02)


def test_effect_is_hedges_g():
    # Means 2 and 4, both sd 1, so d = 2; J = 1 - 3/(4 x 4 - 1) = 0.8; g = 1.6 (derived by hand).
    assert shift([of([1, 2, 3], [3, 4, 5])]).effect == pytest.approx(1.6)
    assert shift([of([1, 1, 1], [3, 3, 3])]).effect is None
    assert shift([of([1], [3])]).effect is None


def test_holm():
    # Holm's procedure by hand: sorted 0.005, 0.01, 0.03, 0.04 times 4, 3, 2, 1 = 0.02, 0.03, 0.06, 0.04, made rising.
    assert holm([0.01, 0.04, 0.03, 0.005]).tolist() == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.6, 0.9]).tolist() == [1.0, 1.0]
    assert holm([]).tolist() == []
