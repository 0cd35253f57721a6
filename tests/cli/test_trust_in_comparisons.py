"""What calibrations do to pairs and to generations side by side, and that both cite them as a check does."""

import json
import math
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from support import command_line
from support.places import DEMO
from support.simulated_lots import measured_ski, ski_row

from taptest.beam.construction import load_construction
from taptest.calibrate.store import FOLDER_VARIABLE, Calibration, save_calibration
from taptest.comparison.compare import compare_measured
from taptest.config.corrections import Citation, Corrections, Repeatability, TemperatureLaw
from taptest.config.settings import Settings
from taptest.identify.measured_lot import MeasuredLot
from taptest.pairing.pairs import judge_pairs
from taptest.tables.lot import Lot

CLASSIC = load_construction("classic_generic")
MADE = datetime(2026, 1, 5, tzinfo=UTC)


def cited(kind, days=3.0):
    return Citation(kind, MADE, days, f"{kind}.json", "so it is")


def ski(ski_id, corrections, factor=1.0, **row):
    given = {"pair_id": "1", "side": ski_id[-1], **row}
    modes = {n: (30.0 * n**1.9 * factor, 0.0005, 0.01, 0.02) for n in (2, 3, 4, 5, 6)}
    return replace(measured_ski(ski_row(ski_id, **given), CLASSIC, modes), corrections=corrections)


def lot_of(skis, corrections, name="lot.csv", unread=()):
    rows = tuple(each.facts for each in skis)
    return MeasuredLot(
        Lot(Path(name), rows, ()), tuple(skis), {"classic_generic": CLASSIC}, unread, Settings(corrections=corrections)
    )


def pair_with(corrections):
    return judge_pairs(lot_of([ski("aL", corrections), ski("aR", corrections, 1.02)], corrections))


def test_no_pair_is_compared_more_finely_than_was_repeated():
    plain = pair_with(Corrections()).pairs[0]
    floor = Corrections(floor=Repeatability(frequency_u_rel=0.004, damping_u_rel=0.10, shift_u_rel=0.007))
    coarse = pair_with(floor).pairs[0]
    # Two skis, each repeated to 0.7 %: the difference of their shifts to the root of two times that (derived). The difference
    # itself is what it was.
    assert plain.difference("frequency").u < 0.002
    assert coarse.difference("frequency").u == pytest.approx(0.007 * math.sqrt(2))
    assert coarse.difference("frequency").value == pytest.approx(plain.difference("frequency").value)
    # Five modes of each, each known to 10 %, and 2 % a hanging.
    damping_u = math.hypot(math.sqrt(2 * (0.10**2 + 0.02**2) / 5), 0.02 * math.sqrt(2))
    assert coarse.difference("damping").u == pytest.approx(damping_u)
    assert plain.difference("damping").u < damping_u / 2
    # Modes alone: with 2 % in each of five, the shift is no better than that allows.
    modes = pair_with(Corrections(floor=Repeatability(frequency_u_rel=0.02))).pairs[0]
    least = math.hypot(math.sqrt(2 * (0.02**2 + 0.0005**2) / 5), 0.001 * math.sqrt(2))
    assert modes.difference("frequency").u == pytest.approx(least)


def test_a_pair_apart_in_temperature_is_no_longer_warned_of_once_that_is_corrected():
    law = TemperatureLaw(-0.001, 0.0002, 10.0, 0.0, 25.0)
    skis = [{"temperature_c": 2.0}, {"temperature_c": 20.0}]
    for corrections, kelvin in ((Corrections(), True), (Corrections(temperature=law), False)):
        left, right = (ski(f"a{side}", corrections, **row) for side, row in zip("LR", skis, strict=True))
        result = judge_pairs(lot_of([left, right], corrections))
        assert any("K apart" in str(reason) for reason in result.pairs[0].reasons) is kelvin
        (note,) = map(str, result.notes)
        assert "measured between 2 and 20 °C" in note
        assert ("compare skis of one temperature" in note) is kelvin and ("damping is not" in note) is not kelvin


def test_pairs_cite_what_was_used_and_pass_warnings_on():
    corrections = Corrections(citations=(cited("room"), cited("repeatability")), notes=("the reference was out",))
    result = pair_with(corrections)
    assert result.calibrations == corrections.citations and result.notes == corrections.messages
    assert pair_with(Corrections()).calibrations == ()


def test_tables_that_share_calibrations_cite_them_once():
    corrections = Corrections(
        citations=(cited("room"), cited("repeatability"), cited("bar")), notes=("the reference was out",)
    )
    # Read one after another, the ages differ by a moment.
    later = replace(
        corrections, citations=(cited("room", 3.0001), cited("repeatability", 3.0001), cited("bar", 3.0001))
    )
    problem = ("room.json: broken; make it anew",)
    old = lot_of(
        [ski("aL", corrections, generation="old"), ski("aR", corrections, generation="old")],
        corrections,
        "a.csv",
        problem,
    )
    new = lot_of([ski("bL", later, generation="new"), ski("bR", later, generation="new")], later, "b.csv", problem)
    result = compare_measured([old, new])
    # Intervals come from the scatter of the skis, so repeatability changes nothing there and is not claimed to.
    assert [each.kind for each in result.calibrations] == ["room", "bar"]
    assert result.notes == corrections.messages and result.unread == problem
    plain = compare_measured(
        [replace(old, settings=Settings(), unread=()), replace(new, settings=Settings(), unread=())]
    )
    assert plain.calibrations == () and plain.notes == ()


def test_generations_of_different_days_are_not_warned_of_once_temperature_is_corrected():
    law = TemperatureLaw(-0.001, 0.0002, 10.0, 0.0, 25.0)
    for corrections, warned in ((Corrections(), True), (Corrections(temperature=law), False)):
        skis = [
            ski(f"{name}{side}", corrections, generation=name, temperature_c=warm)
            for name, warm in (("old", 4.0), ("new", 20.0))
            for side in "LR"
        ]
        notes = compare_measured([lot_of(skis, corrections)]).notes
        assert any("16 K warmer" in str(note) for note in notes) is warned


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """A folder with one pair of the demonstration, said to be of two generations."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(FOLDER_VARIABLE, raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    lines = (DEMO / "lot.csv").read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if line.startswith(("ski_id", "S05L,", "S05R,"))]
    column = kept[0].split(",").index("generation")
    cells = kept[2].split(",")
    cells[column] = "another"
    (tmp_path / "lot.csv").write_text("\n".join([*kept[:2], ",".join(cells)]) + "\n", encoding="utf-8")
    for name in ("s05l", "s05r"):
        shutil.copy(DEMO / f"{name}.flac", tmp_path)
    return tmp_path


run = partial(command_line.run, status=0)


def test_as_it_is_typed(desk):
    plain = json.loads(run("pairs", "lot.csv", "--high", "500", "--json").stdout)
    assert plain["calibrations"] == []
    now = datetime.now(UTC) - timedelta(days=4)
    band = {"low_hz": 44.0, "high_hz": 2800.0, "reverberation_s": 20.0}
    stored = {
        "room": {"bands": [band]},  # so live that no damping can be believed
        "repeatability": {"shift_u_rel": 0.02},
        "bar": {"clock_factor": 1.002, "clock_u_rel": 1e-5},
        "drift": {"state": "out", "last": now.isoformat()},
    }
    for kind, values in stored.items():
        save_calibration("calibrations", Calibration(kind, now, values))
    done = run("pairs", "lot.csv", "--high", "500", "--json")
    document = json.loads(done.stdout)
    assert {each["kind"] for each in document["calibrations"]} == set(stored)
    assert all(each["age_days"] == pytest.approx(4, abs=0.01) for each in document["calibrations"])
    assert "outside its limits" in done.stderr
    (before,), (after,) = plain["pairs"], document["pairs"]
    assert before["damping_difference_percent"] is not None and after["damping_difference_percent"] is None
    assert after["frequency_difference_u_percent"] == pytest.approx(2 * math.sqrt(2), rel=0.01)
    table = run("pairs", "lot.csv", "--high", "500").stdout
    assert "Calibrations\n" in table and "4 days old" in table and max(map(len, table.splitlines())) <= 80
    done = run("compare", "lot.csv", "--high", "500", "--json")
    compared = json.loads(done.stdout)
    assert {each["kind"] for each in compared["calibrations"]} == {"room", "bar", "drift"}
    figures = [group["figures"] for group in compared["sections"][0]["groups"]]
    assert all(each["damping_ratio"] is None and each["first_mode_hz"] is not None for each in figures)
    assert done.stderr.count("outside its limits") == 1
    assert "there is no such folder" in run("pairs", "lot.csv", "--calibrations", "nowhere", status=1).stderr
    assert "there is no such folder" in run("compare", "lot.csv", "--calibrations", "nowhere", status=1).stderr
