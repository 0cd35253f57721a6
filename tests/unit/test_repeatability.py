"""Repeatability studies against published data, closed forms and the truth of simulated studies."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from support.places import DEMO
from typer.testing import CliRunner

from taptest.calibrate.repeatability import gauge_study
from taptest.calibrate.study import enter, judge_study, plan_study, read_study, values_from_recording
from taptest.cli import app
from taptest.core.errors import CalibrationError

# AIAG, Measurement Systems Analysis, 4th ed.: ten parts, operators A | B | C, three trials each [page].
AIAG = """
 .29  .41  .64 |  .08  .25  .07 |  .04 -.11 -.15
-.56 -.68 -.58 | -.47 -1.22 -.68 | -1.38 -1.13 -.96
1.34 1.17 1.27 | 1.19  .94 1.34 |  .88 1.09  .67
 .47  .50  .64 |  .01 1.03  .20 |  .14  .20  .11
-.80 -.92 -.84 | -.56 -1.20 -1.28 | -1.46 -1.07 -1.45
 .02 -.11 -.21 | -.20  .22  .06 | -.29 -.67 -.49
 .59  .75  .66 |  .47  .55  .83 |  .02  .01  .21
-.31 -.20 -.17 | -.63  .08 -.34 | -.46 -.56 -.49
2.26 1.99 2.01 | 1.80 2.12 2.19 | 1.77 1.45 1.87
-1.36 -1.25 -1.31 | -1.68 -1.62 -1.50 | -1.49 -1.77 -2.16
"""


def aiag() -> NDArray[np.float64]:
    return np.array([[list(map(float, c.split())) for c in row.split("|")] for row in AIAG.strip().splitlines()])


def study_table(values: NDArray[np.float64], column: str) -> str:
    lines = [
        f"{i + 1},{'ABCDEFGH'[j]},{t + 1},{values[i, j, t]:.10g}"
        for i in range(values.shape[0])
        for j in range(values.shape[1])
        for t in range(values.shape[2])
    ]
    return "\n".join([f"part,operator,trial,{column}", *lines, ""])


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
    with pytest.raises(CalibrationError, match="has no column trial, one of frequency_hz"):
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


def test_one_mode_is_followed_on_all_skis(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fourth bending mode of truth.json, or without a word the loudest of the first; those of the three differ."""
    truth = json.loads((DEMO / "truth.json").read_text("utf-8"))["skis"]
    fourth = {ski["ski_id"]: ski["bending_hz"][3] for ski in truth if ski["ski_id"] in ("C05L", "C05R", "C06R")}
    monkeypatch.chdir(tmp_path)
    command = ["calibrate", "repeatability", "s.csv"]
    plan = ["--plan", "--parts", ",".join(fourth), "--operators", "Ada,Bo", "--trials", "2"]
    assert CliRunner().invoke(app, [*command, *plan]).exit_code == 0
    assert "nothing is measured yet" in CliRunner().invoke(app, command).output
    order = [run.part for run in read_study("s.csv").runs]
    answers = [f"{DEMO / name.lower()}.flac" for name in order]
    near = ["--near", f"{fourth[order[0]]:.0f}"]
    run = CliRunner().invoke(
        app, [*command, "--enter", *near, "--no-store"], input="\n".join(["nowhere.flac", *answers, ""])
    )
    assert "there is no such file" in run.output and run.output.count("entered: ") == len(order)
    for made in read_study("s.csv").runs:
        assert made.values["frequency"] == pytest.approx(fourth[made.part], rel=0.005)
    loudest = {name: values_from_recording(f"{DEMO / name.lower()}.flac", near_hz=None)["frequency"] for name in fourth}
    assert max(loudest.values()) > 1.5 * min(loudest.values())
    Path("s.csv").unlink()
    CliRunner().invoke(app, [*command, *plan])
    CliRunner().invoke(app, [*command, "--enter", "--no-store"], input="\n".join([*answers, ""]))
    for made in read_study("s.csv").runs:
        assert made.values["frequency"] == pytest.approx(loudest[order[0]], rel=0.1)


def test_the_command_stores_the_floor_and_asks_for_what_is_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("aiag.csv").write_text(study_table(aiag(), "shift_percent"), encoding="utf-8")
    run = CliRunner().invoke(app, ["calibrate", "repeatability", "aiag.csv"])
    assert run.exit_code == 0
    assert "27.9 %" in run.output
    assert "3 of them barely fix the spread" in run.output
    stored = next(Path("calibrations").glob("repeatability-*.json")).read_text("utf-8")
    assert '"shift_u_rel": 0.0030237' in stored
    plan = ["calibrate", "repeatability", "new.csv"]
    names = ["--parts", "S1,S2", "--operators", "Ann,Bo", "--trials", "2"]
    assert CliRunner().invoke(app, [*plan, "--plan", *names]).exit_code == 0
    run = CliRunner().invoke(app, [*plan, "--enter"], input="131.4 0.78\nx\n131.5\n\n")
    assert run.exit_code == 0
    assert "6 of 8 measurements are still to be made" in run.output
    assert len(read_study("new.csv").open_runs()) == 6
