"""``taptest calibrate`` as it is typed, what it stores, and how check and analyse cite it."""

import json
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
import pytest
from support import command_line
from support.clapped_rooms import claps, impulse_response, write
from support.places import DEMO
from support.thick_bars import struck_bar

from taptest.calibrate.store import FOLDER_VARIABLE, Calibration, load_calibrations, save_calibration


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """A folder to work in, with a lot of three skis of the demonstration."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(FOLDER_VARIABLE, raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    lines = (DEMO / "lot.csv").read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if line.startswith(("ski_id", "S05L,", "S07L,"))]
    (tmp_path / "lot").mkdir()
    (tmp_path / "lot" / "lot.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    for name in ("s05l", "s07l"):
        shutil.copy(DEMO / f"{name}.flac", tmp_path / "lot")
    return tmp_path


run = partial(command_line.run, status=0)


@pytest.fixture
def clap(desk):
    rng = np.random.default_rng(21)
    return write(desk / "clap.wav", claps(rng, [impulse_response(rng, 0.4)] * 3))


@pytest.mark.slow
def test_room_is_measured_stored_and_used(desk, clap):
    table = run("calibrate", "room", clap, "--calibrations", "lot/calibrations").stdout
    assert "T30" in table and "stored" in table and max(map(len, table.splitlines())) <= 80
    (stored,) = load_calibrations(desk / "lot" / "calibrations").items
    assert stored.kind == "room" and len(stored.values["bands"]) == 6
    # The folder beside the table is found by itself, and cited under the table and in JSON.
    checked = run("check", "lot/lot.csv").stdout
    assert "Calibrations\nroom  damping is not judged of modes that ring less than 1.5 times" in checked
    assert "less than a day old" in checked and stored.file in " ".join(checked.split())
    document = json.loads(run("check", "lot/lot.csv", "--json").stdout)
    (cited,) = document["calibrations"]
    assert set(cited) == {"kind", "made", "age_days", "file", "effect"}
    assert (cited["kind"], cited["file"]) == ("room", stored.file) and 0 <= cited["age_days"] < 0.1
    flags = [flag for ski in document["skis"] for mode in ski["modes"] for flag in mode["flags"]]
    assert "room-limited" in flags
    # --room goes first, and then nothing is cited.
    own = json.loads(run("check", "lot/lot.csv", "--room", "0.05", "--json").stdout)
    assert own["calibrations"] == []
    assert "room-limited" not in [flag for ski in own["skis"] for mode in ski["modes"] for flag in mode["flags"]]


def test_check_works_without_any(desk):
    document = json.loads(run("check", "lot/lot.csv", "--json").stdout)
    assert document["calibrations"] == []
    assert "Calibrations" not in run("check", "lot/lot.csv").stdout


def test_analyse_uses_the_room_of_the_folder_it_is_in(desk, clap):
    plain = json.loads(run("analyse", "lot/s05l.flac", "--json").stdout)
    run("calibrate", "room", clap)
    known = json.loads(run("analyse", "lot/s05l.flac", "--json").stdout)
    assert plain["calibrations"] == [] and known["calibrations"][0]["kind"] == "room"
    assert "room-limited" in known["recordings"][0]["modes"][-1]["flags"]
    assert "room  " in run("analyse", "lot/s05l.flac").stdout


def test_floor_clock_and_drift_reach_the_verdicts(desk):
    plain = json.loads(run("check", "lot/lot.csv", "--json").stdout)
    now = datetime.now(UTC)
    values = {
        "repeatability": {"frequency_u_rel": 0.004, "damping_u_rel": 0.3, "shift_u_rel": 0.02},
        "bar": {"clock_factor": 1.002, "clock_u_rel": 1e-5},
        "drift": {"state": "out", "last": (now - timedelta(days=4)).isoformat()},
    }
    for kind, value in values.items():
        save_calibration("cal", Calibration(kind, now - timedelta(days=4), value))
    done = run("check", "lot/lot.csv", "--json", "--calibrations", "cal")
    checked = json.loads(done.stdout)
    assert {each["kind"] for each in checked["calibrations"]} == set(values)
    assert all(each["age_days"] == pytest.approx(4, abs=0.01) for each in checked["calibrations"])
    assert "outside its limits" in done.stderr and "4 days ago" in done.stderr
    for before, after in zip(plain["skis"], checked["skis"], strict=True):
        assert after["measured_hz"] > 1.0002 * before["measured_hz"]  # inferred, and partly from the prediction
        for old, new in zip(before["modes"], after["modes"], strict=True):
            assert new["frequency_hz"] / old["frequency_hz"] == pytest.approx(1.002, rel=1e-6)
        assert after["measured_u_hz"] >= 0.004 * after["measured_hz"] * 0.999
        for mode in after["modes"]:
            assert mode["frequency_u_hz"] >= 0.004 * mode["frequency_hz"] * 0.999
            assert mode["damping_ratio_u"] >= 0.3 * mode["damping_ratio"] * 0.999
        # Two skis are judged by physics: a shift that is uncertain by 2 % moves the limit and the score.
        assert after["score"] < before["score"]
    table = run("check", "lot/lot.csv", "--calibrations", "cal").stdout
    assert "4 days old" in table


def test_the_environment_names_the_folder(desk, clap, monkeypatch):
    monkeypatch.setenv(FOLDER_VARIABLE, str(desk / "shared"))
    run("calibrate", "room", clap)
    assert load_calibrations(desk / "shared").latest("room") is not None
    assert json.loads(run("check", "lot/lot.csv", "--json").stdout)["calibrations"]
    monkeypatch.setenv(FOLDER_VARIABLE, "nowhere")
    assert "there is no such folder" in run("check", "lot/lot.csv", status=1).stderr


def test_a_calibration_that_cannot_be_read_costs_only_itself(desk):
    folder = desk / "lot" / "calibrations"
    save_calibration(folder, Calibration("bar", datetime.now(UTC), {"clock_factor": None}))
    (folder / "room-20260101T000000Z.json").write_text('{"schema": "taptest.calibration/1", "kind": "ro')
    done = run("check", "lot/lot.csv", "--json", status=4)
    assert "room-20260101T000000Z.json: not valid JSON" in done.stderr and "Traceback" not in done.stderr
    document = json.loads(done.stdout)
    assert [each["kind"] for each in document["calibrations"]] == ["bar"] and len(document["skis"]) == 2
    assert any("room-2026" in line for line in document["unread"])


def test_room_as_json_without_storing(desk, clap):
    document = json.loads(run("calibrate", "room", clap, "missing.wav", "--json", "--no-store", status=4).stdout)
    assert document["schema"] == "taptest.room/1" and document["stored"] is None and len(document["unread"]) == 1
    assert [band["centre_hz"] for band in document["bands"]] == [63, 125, 250, 500, 1000, 2000]
    assert document["bands"][3]["reverberation_s"] == pytest.approx(0.4, rel=0.2)
    assert not (desk / "calibrations").exists()


def test_bar_as_it_is_typed(desk):
    path = struck_bar(desk / "bar.wav", np.random.default_rng(1))
    table = run("calibrate", "bar", "steel_bar", path).stdout
    words = " ".join(table.split())
    assert (
        "206.0" in words
        and "error cannot be determined from this bar: all modes read" in words
        and "linear: frequency and damping stay the same" in words
    )
    assert max(map(len, table.splitlines())) <= 80
    document = json.loads(run("calibrate", "bar", "steel_bar", path, "--json").stdout)
    assert document["schema"] == "taptest.bar_result/1" and document["clock_factor"] is None
    assert [mode["order"] for mode in document["modes"]] == [1, 2, 3, 4, 5, 6, 7]
    assert len(load_calibrations("calibrations").all("bar")) == 2
    assert "should ring at" in run("calibrate", "bar", "aluminium_bar", path, status=1).stderr
    assert "bars that are shipped are" in run("calibrate", "bar", "lead_bar", path, status=1).stderr


def test_suspension_as_it_is_typed(desk):
    table = run("calibrate", "suspension", "--length", "199 cm", "--balance", "985", "--first", "30.1").stdout
    assert "stands still" in table and max(map(len, table.splitlines())) <= 80
    more = ("--tail-loop", "400", "--tip-loop", "1.6 m", "--bounce", "2.4", "--bounce-damping", "0.05")
    document = json.loads(run("calibrate", "suspension", "--length", "1990", *more, "--json").stdout)
    assert document["schema"] == "taptest.suspension/1" and document["loops_mm"] == [400.0, 1600.0]
    assert document["bounce_hz"] == 2.4 and len(document["modes"]) == 6
    assert not (desk / "calibrations").exists()
    seen = run("calibrate", "suspension", "lot/s05l.flac")
    assert "no bounce is visible" in seen.stderr and "assumed" in seen.stdout


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("room",), 2, "Missing argument"),
        (("room", "missing.wav"), 1, "missing.wav"),
        (("room", "lot/lot.csv"), 1, "lot.csv"),
        (("room", "lot/s05l.flac"), 1, "rings in single tones"),
        (("room", "lot/s05l.flac", "--channel", "3"), 1, "channel 3"),
        (("bar", "steel_bar", "lot/s05l.flac"), 1, "should ring at"),
        (("bar", "lot/lot.csv", "lot/s05l.flac"), 1, "not valid TOML"),
        (("bar", "steel_bar", "lot/s05l.flac", "--low", "nan"), 2, "number of hertz"),
        (("suspension", "--length", "1.9"), 2, "looks like metres"),
        (("suspension", "--length", "1900", "--tail-loop", "400"), 2, "give both loops"),
        (("suspension", "--first", "nan"), 1, "3 to 1000 Hz"),
        (("suspension", "--construction", "clasic_generic"), 1, "did you mean"),
        (("suspension", "--bounce-damping", "2"), 1, "a ratio from 0"),
    ],
)
def test_bad_input_is_one_line_and_a_remedy(desk, arguments, status, said):
    done = run("calibrate", *arguments, status=status)
    assert said in done.stderr and "Traceback" not in done.stderr
    assert not (desk / "calibrations").exists()


def test_the_group_lists_its_commands():
    listed = run("calibrate", "--help").stdout
    positions = [listed.index(f"  {name} ") for name in ("room", "bar", "suspension")]
    assert positions == sorted(positions)
    assert "calibrate" in run("--help").stdout
    for name in ("room", "bar", "suspension"):
        assert run("calibrate", name, "--help").stdout.startswith("Usage:")


def test_help_loads_nothing_heavy():
    code = (
        "import sys\nfrom taptest.cli import app\n"
        "try:\n    app(['calibrate', '--help'])\nexcept SystemExit as end:\n    assert not end.code\n"
        "print('loaded', *sorted({'numpy', 'scipy', 'rich', 'soundfile'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.splitlines()[-1] == "loaded", done.stderr
