"""A pickup's series given to the commands."""

from __future__ import annotations

import json

import numpy as np
import pytest
from support.command_line import run
from support.pickups import pickup, truth, written
from support.places import DEMO


def test_analyse_and_check_from_the_command_line(tmp_path):
    values = pickup(sample_rate_hz=2048.0)
    written(tmp_path / "tip.csv", values / 9.80665, 2048.0, "acceleration_g")
    document = json.loads(run("analyse", tmp_path / "tip.csv", "--json").stdout)["recordings"][0]
    assert document["sample_rate_hz"] == pytest.approx(2048.0)
    assert document["pickup"]["quantity"] == "acceleration" and document["pickup"]["unit"] == "m/s²"
    assert document["pickup"]["offset"] == pytest.approx(9.80665, abs=0.2)
    assert document["pickup"]["full_scale"] == pytest.approx(np.abs(values - np.median(values)).max(), rel=1e-3)
    assert [tap["onset_s"] for tap in document["taps"]] == pytest.approx([0.85, 3.82, 6.83, 9.88], abs=0.02)
    shown = run("analyse", tmp_path / "tip.csv").stdout
    assert "acceleration of 'acceleration_g'" in shown and "m/s²" in shown and "between 15 and 800 Hz" in shown
    head, row = (DEMO / "lot.csv").read_text(encoding="utf-8").splitlines()[:2]
    (tmp_path / "lot.csv").write_text(f"{head}\n{row.replace('c01l.flac', 'tip.csv')}\n", encoding="utf-8")
    (ski,) = json.loads(run("check", tmp_path / "lot.csv", "--json").stdout)["skis"]
    assert ski["verdict"] == "pass"
    assert ski["measured_hz"] == pytest.approx(truth()["bending_hz"][0], abs=0.002)
    first = ski["modes"][0]
    assert (first["family"], first["order"]) == ("bending", 1)


def test_options_that_say_how_to_read_a_file(tmp_path):
    values = pickup("velocity", sample_rate_hz=1000.0, taps=2)
    (tmp_path / "v.csv").write_text("voltage_v\n" + "".join(f"{4 * v:.7g}\n" for v in values), encoding="utf-8")
    result = run("analyse", tmp_path / "v.csv")
    assert result.exit_code == 1 and "--sample-rate" in result.stderr
    result = run("analyse", tmp_path / "v.csv", "--sample-rate", 1000, "--sensitivity", "4 V/(m/s)", "--json")
    document = json.loads(result.stdout)["recordings"][0]
    assert document["pickup"]["quantity"] == "velocity"
    assert document["pickup"]["full_scale"] == pytest.approx(np.abs(values - np.median(values)).max(), rel=1e-3)
    for wrong in (("--sensitivity", "4 kg"), ("--sample-rate", "0")):
        assert run("analyse", tmp_path / "v.csv", *wrong).exit_code == 2


def test_what_needs_a_microphone_refuses_a_pickup_in_words(tmp_path):
    path = written(tmp_path / "tip.csv", pickup(sample_rate_hz=400.0), 400.0)
    (tmp_path / "lot.csv").write_bytes((DEMO / "lot.csv").read_bytes())
    for command in (("calibrate", "room", path, "--no-store"), ("record", tmp_path / "lot.csv", "--from", path)):
        result = run(*command)
        assert result.exit_code == 1 and "a pickup's series" in result.stderr, result.stderr


def test_a_report_and_a_tone_can_be_made_of_a_pickup(tmp_path):
    written(tmp_path / "tip.csv", pickup(sample_rate_hz=400.0), 400.0)
    head, row = (DEMO / "lot.csv").read_text(encoding="utf-8").splitlines()[:2]
    (tmp_path / "lot.csv").write_text(f"{head}\n{row.replace('c01l.flac', 'tip.csv')}\n", encoding="utf-8")
    result = run("report", tmp_path / "lot.csv", "-o", tmp_path / "r.html")
    assert result.exit_code == 0, result.stderr
    assert "C01L" in (tmp_path / "r.html").read_text(encoding="utf-8")
    result = run("analyse", tmp_path / "tip.csv", "--plot", "--picture", tmp_path / "p.svg")
    assert result.exit_code == 0, result.stderr
