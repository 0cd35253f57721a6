"""Repeatability studies against published data, closed forms and the truth of simulated studies."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from support.studies import aiag

from taptest.core.errors import CalibrationError
from taptest.studies.repeatability import gauge_study
from taptest.studies.repeatability_table import enter, judge_study, plan_study, read_study


def test_the_published_study_to_all_its_digits() -> None:
    found = gauge_study(aiag(), quantity="shift", unit="%")
    assert found.pooled
    # The manual's own analysis of variance with the interaction pooled [page]; half a unit of its last digit.
    assert found.equipment.value == pytest.approx(0.199933, abs=5e-7)
    assert found.appraisers.value == pytest.approx(0.226838, abs=6e-7)
    assert found.gauge.value == pytest.approx(0.302373, abs=2e-6)
    assert found.parts.value == pytest.approx(1.042327, abs=6e-7)
    assert found.gauge_percent.value == pytest.approx(27.86, abs=0.005)
    assert found.categories == 4
    assert found.fitness == "usable"
    # Control: values shuffled within every part belong to no operator any more.
    rng = np.random.default_rng(1)
    shuffled = np.array([rng.permutation(part.ravel()).reshape(3, 3) for part in aiag()])
    mixed = gauge_study(shuffled, quantity="shift", unit="%")
    assert mixed.appraisers.value < 0.1
    assert mixed.equipment.value > 0.25


def test_mean_squares_are_those_of_a_general_linear_model() -> None:
    """Sums of squares as drops of the residual between nested least-squares fits with dummy columns."""
    data = aiag()
    n, k, r = data.shape
    part, operator, _ = (index.ravel() for index in np.indices(data.shape))
    y = data.ravel()

    def residual(*columns: NDArray[np.float64]) -> float:
        design = np.hstack(columns)
        return float(((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2).sum())

    one, parts, operators = np.ones((len(y), 1)), np.eye(n)[part], np.eye(k)[operator]
    cells = np.eye(n * k)[part * k + operator]
    inner = (residual(one, parts, operators) - residual(cells)) / ((n - 1) * (k - 1))
    repeats = residual(cells) / (n * k * (r - 1))
    p = stats.f.sf(inner / repeats, (n - 1) * (k - 1), n * k * (r - 1))
    found = gauge_study(data, quantity="shift", unit="%")
    assert found.interaction_p == pytest.approx(p, rel=1e-9)
    pooled = residual(one, parts, operators) / ((n - 1) * (k - 1) + n * k * (r - 1))
    assert found.equipment.value**2 == pytest.approx(pooled, rel=1e-9)
    between = (residual(one, parts) - residual(one, parts, operators)) / (k - 1)
    assert found.appraisers.value**2 == pytest.approx((between - pooled) / (n * r), rel=1e-9)


def test_the_interval_of_the_repeatability_is_the_exact_one() -> None:
    found = gauge_study(aiag(), quantity="shift", unit="%")
    # sigma² = SS/chi² with 18 + 60 degrees of freedom (any textbook); 100 000 draws fix a quantile to about 0.2 %.
    low, high = (found.equipment.value * np.sqrt(78 / stats.chi2.ppf(q, 78)) for q in (0.975, 0.025))
    assert (found.equipment.low, found.equipment.high) == pytest.approx((low, high), rel=0.005)


@pytest.mark.slow
def test_intervals_hold_the_truth_and_three_operators_say_little() -> None:
    held, ratios = [], []
    for seed in range(150):
        rng = np.random.default_rng([3, seed])
        parts, operators = rng.normal(0, 2.0, (10, 1, 1)), rng.normal(0, 0.5, (1, 3, 1))
        mixed = rng.normal(0, 0.4, (10, 3, 1))
        found = gauge_study(
            100 + parts + operators + mixed + rng.normal(0, 0.3, (10, 3, 3)), quantity="frequency", unit="Hz"
        )
        true = np.sqrt(0.3**2 + 0.5**2 + 0.4**2)
        held.append(found.gauge.low <= true <= found.gauge.high)
        ratios.append(found.appraisers.high / found.appraisers.value)
        assert found.few_operators
    # 95 % less three standard errors of 150 trials; such intervals are known to be a little wide, never narrow.
    assert np.mean(held) >= 0.90
    assert np.median(ratios) > 2


def test_a_mixed_in_interaction_is_found_and_kept_apart() -> None:
    rng = np.random.default_rng(5)
    mixed = rng.normal(0, 1.0, (10, 3, 1))
    values = 100 + rng.normal(0, 3.0, (10, 1, 1)) + mixed + rng.normal(0, 0.2, (10, 3, 3))
    found = gauge_study(values, quantity="frequency", unit="Hz")
    assert not found.pooled
    assert found.interaction_p < 1e-6
    assert found.equipment.value == pytest.approx(0.2, rel=0.3)
    assert found.u_rel == pytest.approx(np.sqrt(1.0 + 0.04) / 100, rel=0.4)


@pytest.mark.parametrize("shape", [(1, 3, 3), (10, 1, 3), (10, 3, 1)])
def test_too_small_a_study_is_refused(shape: tuple[int, int, int]) -> None:
    with pytest.raises(CalibrationError, match="at least two of each"):
        gauge_study(np.random.default_rng(1).normal(size=shape), quantity="frequency", unit="Hz")
    with pytest.raises(CalibrationError, match="equal to the last digit"):
        gauge_study(np.ones((3, 3, 3)), quantity="frequency", unit="Hz")


def test_bad_cells_are_named_and_what_is_missing_is_said(tmp_path: Path) -> None:
    rows = ["part,operator,trial,frequency_hz,damping_percent"]
    rows += [f"{p},{o},{t},{130 + p + 0.1 * t},{1 + 0.1 * p}" for p in (1, 2, 3) for o in "AB" for t in (1, 2)]
    rows[3] = "1,B,1,13o,1.1"
    rows += ["3,A,2,130,1", ",A,1,130,1", "4,A,1,1e9,1"]
    table = tmp_path / "study.csv"
    table.write_text("\n".join(rows), encoding="utf-8")
    study = read_study(table)
    told = [str(problem) for problem in study.problems]
    assert any("line 4" in t and "frequency_hz" in t and "13o" in t for t in told)
    assert any("line 14" in t and "same as line 11" in t for t in told)
    assert any("line 15" in t and "column part" in t for t in told)
    assert any("line 16" in t and "1e9" in t for t in told)
    with pytest.raises(CalibrationError, match="operator B measured part 1 1 times"):
        judge_study(study)
    (tmp_path / "none.csv").write_text("part,operator\n1,A\n", encoding="utf-8")
    with pytest.raises(CalibrationError, match="has no column trial and none of the columns frequency_hz"):
        read_study(tmp_path / "none.csv")


def test_a_planned_study_is_entered_in_steps_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "plan.csv"
    runs = plan_study(path, parts=["S1", "S2"], operators=["Ann", "Bo"], trials=2)
    assert sorted((r.part, r.operator, r.trial) for r in runs) == sorted(
        (p, o, t) for p in ("S1", "S2") for o in ("Ann", "Bo") for t in ("1", "2")
    )
    assert [run.trial for run in runs] == ["1"] * 4 + ["2"] * 4
    with pytest.raises(CalibrationError, match="exists already"):
        plan_study(path, parts=["S1", "S2"], operators=["Ann", "Bo"], trials=2)
    study = read_study(path)
    for number in range(len(runs)):
        study = enter(study, study.open_runs()[0], {"frequency": 130.0 + number, "damping": 0.8 + 0.01 * number})
        assert len(read_study(path).open_runs()) == 7 - number
    assert {gauge.quantity for gauge in judge_study(study).gauges} == {"frequency", "damping"}
    path.write_text(path.read_text("utf-8").replace("trial,", "trial,note,"), encoding="utf-8")
    with pytest.raises(CalibrationError):
        enter(study, study.runs[0], {"frequency": 1.0})
    assert "note" in path.read_text("utf-8")


def test_different_modes_are_no_spread_between_skis(tmp_path: Path) -> None:
    rows = ["part,operator,trial,frequency_hz,damping_percent,shift_percent"]
    for p, hz in enumerate((397.9, 421.7, 696.7)):
        rows += [f"{p},{o},{t},{hz + 0.1 * t},{1 + 0.1 * p + 0.01 * t},{p + 0.1 * t}" for o in "AB" for t in (1, 2)]
    (tmp_path / "mixed.csv").write_text("\n".join(rows), encoding="utf-8")
    result = judge_study(read_study(tmp_path / "mixed.csv"))
    assert [gauge.quantity for gauge in result.gauges] == ["shift"]
    assert (
        len(result.problems) == 2 and "398.0 Hz of part 0 and 696.9 Hz of part 2 are not the same" in result.problems[0]
    )
    (tmp_path / "like.csv").write_text("\n".join(rows[:9]), encoding="utf-8")
    assert len(judge_study(read_study(tmp_path / "like.csv")).gauges) == 3
