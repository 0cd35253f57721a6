"""The slope of frequency over temperature against a general least-squares fit, and what a check makes of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from support.studies import TRUE_PER_K, write_study

from taptest.calibrate.store import Calibration, Calibrations
from taptest.calibrate.use import corrections_from
from taptest.config.corrections import Corrections, TemperatureLaw
from taptest.core.errors import CalibrationError
from taptest.studies.temperature import fit_temperature


def test_slope_and_its_uncertainty_are_those_of_least_squares_with_dummies(tmp_path: Path) -> None:
    write_study(tmp_path / "t.csv", 0)
    found = fit_temperature(tmp_path / "t.csv")
    rows = [line.split(",") for line in (tmp_path / "t.csv").read_text("utf-8").split()[1:]]
    design = np.array([[*(float(r[0] == f"S{p}") for p in range(4)), float(r[1])] for r in rows])
    y = np.log([float(r[2]) for r in rows])
    solved, rest = np.linalg.lstsq(design, y, rcond=None)[:2]
    assert found.slope_per_k == pytest.approx(solved[-1], rel=1e-9)
    variance = rest[0] / (16 - 5) * np.linalg.inv(design.T @ design)[-1, -1]
    # Student's t with 11 degrees of freedom at 97.725 % is 2.253 (derived: scipy.special.stdtrit), half of it 1.126.
    assert found.slope_u_per_k == pytest.approx(1.1264 * np.sqrt(variance), rel=1e-3)
    assert (found.low_c, found.high_c, found.reference_c) == (2, 22, 12)


def test_twice_the_uncertainty_holds_the_truth(tmp_path: Path) -> None:
    held = []
    for seed in range(200):
        write_study(tmp_path / "t.csv", seed, warm=(2, 22), parts=3)
        found = fit_temperature(tmp_path / "t.csv")
        held.append(abs(found.slope_per_k - TRUE_PER_K) < 2 * found.slope_u_per_k)
    # 95.45 % less three standard errors of 200; without Student's t, two degrees of freedom would hold 82 %.
    assert np.mean(held) > 0.91


def test_too_small_a_study_is_refused_and_bad_cells_are_named(tmp_path: Path) -> None:
    write_study(tmp_path / "narrow.csv", 1, warm=(18, 20, 22))
    with pytest.raises(CalibrationError, match=r"over 4\.0 K at most"):
        fit_temperature(tmp_path / "narrow.csv")
    write_study(tmp_path / "t.csv", 1)
    with (tmp_path / "t.csv").open("a", encoding="utf-8") as stream:
        stream.write("S9,warm,130\n,20,130\nS9,90,130\n")
    told = [str(problem) for problem in fit_temperature(tmp_path / "t.csv").problems]
    assert len(told) == 3
    assert "line 18" in told[0] and "warm" in told[0]
    (tmp_path / "no.csv").write_text("part,temp\nS1,3\n", encoding="utf-8")
    with pytest.raises(CalibrationError, match="has no column temperature_c, frequency_hz"):
        fit_temperature(tmp_path / "no.csv")


def test_a_check_corrects_inside_the_range_of_the_study_only() -> None:
    corrections = Corrections(clock_factor=1.001, temperature=TemperatureLaw(TRUE_PER_K, 1e-5, 12.0, 2.0, 22.0))
    # A ski 8 K warmer rings exp(-0.008) times as high; that is taken back.
    assert corrections.frequency_factor(20.0) == pytest.approx(1.001 * np.exp(0.008), rel=1e-12)
    assert (
        corrections.frequency_factor(12.0)
        == corrections.frequency_factor(None)
        == corrections.frequency_factor(25.0)
        == 1.001
    )
    assert replace(corrections, temperature=None).frequency_factor(20.0) == 1.001


def stored(**changes: object) -> Calibrations:
    values = {
        "percent_per_k": -0.1,
        "percent_per_k_u": 0.01,
        "reference_c": 12.0,
        "low_c": 2.0,
        "high_c": 22.0,
        **changes,
    }
    item = Calibration("temperature", datetime(2026, 11, 1, tzinfo=UTC), values, file="temperature-x.json")
    return Calibrations(Path("c"), (item,))


def test_a_stored_slope_is_cited_used_or_refused() -> None:
    now = datetime(2026, 11, 3, tzinfo=UTC)
    used = corrections_from(stored(), now)
    assert used.temperature == TemperatureLaw(-0.001, 0.0001, 12.0, 2.0, 22.0)
    assert "-0.10 % a kelvin" in used.citations[0].effect
    unsure = corrections_from(stored(percent_per_k_u=0.06), now)
    assert unsure.temperature is None
    assert "nothing is corrected" in unsure.citations[0].effect
    for bad in ({"percent_per_k": "x"}, {"low_c": 15.0}, {"percent_per_k": 50.0}):
        refused = corrections_from(stored(**bad), now)
        assert refused.temperature is None
        assert len(refused.problems) == 1
