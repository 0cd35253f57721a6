"""``taptest calibrate repeatability``, ``temperature`` and ``drift``, and ``taptest plan``, as they are typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from support.command_line import run as invoke
from support.places import DEMO, demo_truth
from support.studies import aiag, study_table, write_study

from taptest.studies.repeatability_table import read_study, values_from_recording


def test_one_mode_is_followed_on_all_skis(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fourth bending mode of truth.json, or without a word the loudest of the first; those of the three differ."""
    truth = demo_truth().values()
    fourth = {ski["ski_id"]: ski["bending_hz"][3] for ski in truth if ski["ski_id"] in ("C05L", "C05R", "C06R")}
    monkeypatch.chdir(tmp_path)
    command = ["calibrate", "repeatability", "s.csv"]
    plan = ["--plan", "--parts", ",".join(fourth), "--operators", "Ada,Bo", "--trials", "2"]
    assert invoke(*command, *plan).exit_code == 0
    assert "nothing is measured yet" in invoke(*command).output
    order = [run.part for run in read_study("s.csv").runs]
    answers = [f"{DEMO / name.lower()}.flac" for name in order]
    near = ["--near", f"{fourth[order[0]]:.0f}"]
    run = invoke(*command, "--enter", *near, "--no-store", input="\n".join(["nowhere.flac", *answers, ""]))
    assert "there is no such file" in run.output and run.output.count("entered: ") == len(order)
    for made in read_study("s.csv").runs:
        assert made.values["frequency"] == pytest.approx(fourth[made.part], rel=0.005)
    loudest = {name: values_from_recording(f"{DEMO / name.lower()}.flac", near_hz=None)["frequency"] for name in fourth}
    assert max(loudest.values()) > 1.5 * min(loudest.values())
    Path("s.csv").unlink()
    invoke(*command, *plan)
    invoke(*command, "--enter", "--no-store", input="\n".join([*answers, ""]))
    for made in read_study("s.csv").runs:
        assert made.values["frequency"] == pytest.approx(loudest[order[0]], rel=0.1)


def test_the_command_stores_the_floor_and_asks_for_what_is_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("aiag.csv").write_text(study_table(aiag(), "shift_percent"), encoding="utf-8")
    run = invoke("calibrate", "repeatability", "aiag.csv")
    assert run.exit_code == 0
    assert "27.9 %" in run.output
    assert "3 of them barely fix the spread" in run.output
    stored = next(Path("calibrations").glob("repeatability-*.json")).read_text("utf-8")
    assert '"shift_u_rel": 0.0030237' in stored
    plan = ["calibrate", "repeatability", "new.csv"]
    names = ["--parts", "S1,S2", "--operators", "Ann,Bo", "--trials", "2"]
    assert invoke(*plan, "--plan", *names).exit_code == 0
    run = invoke(*plan, "--enter", input="131.4 0.78\nx\n131.5\n\n")
    assert run.exit_code == 0
    assert "6 of 8 measurements are still to be made" in run.output
    assert len(read_study("new.csv").open_runs()) == 6


def test_a_temperature_study_is_stored_unless_asked_not_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_study(Path("t.csv"), 3)
    run = invoke("calibrate", "temperature", "t.csv")
    assert run.exit_code == 0
    assert "% a kelvin" in run.output
    assert len(list(Path("calibrations").glob("temperature-*.json"))) == 1
    run = invoke("calibrate", "temperature", "t.csv", "--no-store", "--json")
    assert '"schema": "taptest.temperature/1"' in run.output
    assert len(list(Path("calibrations").glob("temperature-*.json"))) == 1


def test_plan_takes_the_study(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    ask = ["plan", "--difference", "1", "--between", "0.5"]
    refused = invoke(*ask)
    assert refused.exit_code == 2
    assert invoke("calibrate", "repeatability", str(DEMO / "repeatability.csv")).exit_code == 0
    run = invoke(*ask)
    assert run.exit_code == 0
    assert "a hanging scatters by 0.13 % (repeatability-" in run.output
    document = json.loads(invoke(*ask, "--of", "damping", "--json").output)
    assert document["schema"] == "taptest.plan/1"
    assert document["repeat_percent"] == pytest.approx(4.33, abs=0.01)  # 0.0378 of 0.8725 %, as the study prints them
    assert invoke(*ask, "--of", "shift").exit_code == 1
    snow = invoke("plan", "--difference", "1.5", "--between", "1.3", "--runs", "0.9", "--days", "0.4")
    assert snow.exit_code == 0 and "runs of each" in snow.output
    assert invoke(*ask, "--runs", "1", "--repeat", "1").exit_code == 2


def test_tappings_are_added_kept_and_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    sound = str(DEMO / "c05l.flac")
    add = ["calibrate", "drift", "add", sound, "--reference", "old bar"]
    assert invoke(*add, "--at", "2026-11-02T08:00+00:00").exit_code == 0
    again = invoke(*add, "--at", "2026-11-02T07:00+00:00")
    assert again.exit_code != 0
    run = invoke(*add, "--at", "2026-11-02T09:00+00:00", "--temperature", "21", "--json")
    assert run.exit_code == 0
    document = json.loads(run.output)
    assert document["schema"] == "taptest.drift/1"
    # The same recording twice: nothing moves at all.
    assert [each["frequency_percent"] for each in document["points"]] == [0.0, 0.0]
    shown = invoke("calibrate", "drift", "show")
    assert "2 of 8 tappings" in shown.output
    assert len(list(Path("calibrations").glob("drift-*.json"))) == 2
    assert invoke("calibrate", "drift", "show", "--reference", "nobody").exit_code != 0
    assert invoke(*add, "--at", "noon").exit_code == 2
