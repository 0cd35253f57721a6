"""How much must be measured: power against published tables, another library and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from taptest.core.errors import CalibrationError
from taptest.studies.plan import Scatter, plan, power_of, skis_needed


# Cohen 1988, table 2.4: skis a group for 80 % power at 5 %, two-sided (from memory; the next test recomputes them).
@pytest.mark.parametrize(("effect", "skis"), [(0.2, 393), (0.5, 64), (0.8, 26), (1.0, 17)])
def test_the_numbers_of_the_published_table(effect: float, skis: int) -> None:
    # The table rounds 393.4 down; whole skis that suffice are one more.
    assert skis_needed(effect, power=0.8) in (skis, skis + 1)


@pytest.mark.parametrize("skis", [2, 5, 17, 40])
@pytest.mark.parametrize("effect", [0.1, 0.5, 1.0])
def test_power_is_that_of_another_library(skis: int, effect: float) -> None:
    other = TTestIndPower().power(effect_size=effect, nobs1=skis, alpha=0.05)
    # Both integrate the same distribution.
    assert power_of(skis, effect) == pytest.approx(other, abs=1e-6)
    # Control: a one-sided test would have more of it.
    assert abs(power_of(skis, effect) - TTestIndPower().power(effect, skis, 0.05, alternative="larger")) > 1e-3


def test_the_planned_study_finds_the_difference_as_often_as_it_says() -> None:
    scatter = Scatter(between=0.005, repeat=0.004)
    made = plan("frequency", 0.006, scatter, power=0.8)
    rng = np.random.default_rng(12)
    for effort in made.efforts[:2]:
        assert effort.skis is not None
        shape = (2, 4000, effort.skis)
        skis = rng.normal(0, scatter.between, shape)
        skis += rng.normal(0, scatter.repeat, (*shape, effort.repeats)).mean(axis=-1)
        skis[1] += 0.006
        found = stats.ttest_ind(skis[0], skis[1], axis=1).pvalue < 0.05
        # One ski fewer would miss 80 %, one more overshoots by some percent; 4000 trials are good to 1.3 % (two sd).
        assert 0.785 < found.mean() < 0.87
    tapped = rng.normal(0, scatter.repeat, (4000, made.pair_repeats, 2)).mean(axis=1)
    apart = np.abs(0.006 + tapped[:, 1] - tapped[:, 0]) > 1.96 * scatter.repeat * np.sqrt(2 / made.pair_repeats)
    assert apart.mean() > 0.785


def test_measuring_again_helps_only_against_what_repeats() -> None:
    skis = [each.skis for each in plan("frequency", 0.01, Scatter(0.01, 0.0001)).efforts]
    assert len(set(skis)) == 1
    noisy = [each.skis or 0 for each in plan("frequency", 0.01, Scatter(0.001, 0.01)).efforts]
    assert noisy == sorted(noisy, reverse=True) and noisy[0] > 2 * noisy[-1]
    snow = plan("result on snow", 0.01, Scatter(0.01, 0.009, 0.004), on_snow=True)
    assert (snow.efforts[0].days, snow.efforts[0].repeats) == (1, 2)
    assert snow.efforts[0].scatter == pytest.approx(np.sqrt(0.01**2 + 0.004**2 + 0.009**2 / 2), rel=1e-12)
    assert plan("frequency", 1e-5, Scatter(0.1, 0.01)).efforts[0].skis is None


@pytest.mark.parametrize(
    ("difference", "between", "repeat", "power"),
    [(0.0, 0.01, 0.01, 0.8), (0.01, 0.01, 0.0, 0.8), (0.01, -1.0, 0.01, 0.8), (0.01, 0.01, 0.01, 1.0)],
)
def test_nonsense_is_refused(difference: float, between: float, repeat: float, power: float) -> None:
    with pytest.raises(CalibrationError):
        plan("frequency", difference, Scatter(between, repeat), power=power)
