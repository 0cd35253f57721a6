"""Calibrations on disk: dated, readable, never overwritten; what cannot be read is named and costs nothing else."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from support.simulated_lots import CONSTRUCTION, measured_ski, moved, ski_row

from taptest.calibrate.store import (
    FOLDER_VARIABLE,
    KINDS,
    Calibration,
    calibration_folder,
    load_calibrations,
    save_calibration,
)
from taptest.calibrate.use import corrections_from, with_calibrations
from taptest.config.corrections import Corrections, Repeatability
from taptest.config.settings import Settings
from taptest.core.errors import CalibrationError, SettingsError
from taptest.screen.group import judge_group

NOON = datetime(2026, 11, 25, 12, 0, 0, tzinfo=UTC)
ROOM = {"bands": [{"low_hz": 177.0, "high_hz": 354.0, "reverberation_s": 0.5, "reverberation_u_s": 0.02}]}


def stored(folder, kind="room", made=NOON, values=ROOM, **more):
    return save_calibration(folder, Calibration(kind, made, values, **more))


def test_a_calibration_comes_back_as_it_was(tmp_path):
    path = stored(tmp_path / "new" / "folder", sources=("clap.flac",), note="after the curtain was hung")
    assert path.name == "room-20261125T120000Z.json"
    (found,) = load_calibrations(path.parent).items
    assert (found.kind, found.made, found.values, found.sources) == ("room", NOON, ROOM, ("clap.flac",))
    assert found.note == "after the curtain was hung" and found.software.startswith("taptest ")
    assert found.file == path.name and found.age_days(NOON + timedelta(hours=36)) == 1.5
    document = json.loads(path.read_text(encoding="utf-8"))
    assert document["schema"] == "taptest.calibration/1" and document["made"] == "2026-11-25T12:00:00Z"
    assert [each.name for each in path.parent.iterdir()] == [path.name]  # nothing temporary is left


def test_nothing_is_overwritten_and_the_newest_counts(tmp_path):
    for number in range(12):
        stored(tmp_path, values={"number": number})
    stored(tmp_path, made=NOON - timedelta(days=3), values={"number": -1})
    stored(tmp_path, "bar", made=NOON + timedelta(days=1))
    found = load_calibrations(tmp_path)
    assert [each.values["number"] for each in found.all("room")] == [-1, *range(12)]
    assert found.latest("room").values == {"number": 11} and found.latest("drift") is None
    assert len(list(tmp_path.iterdir())) == 14


def test_times_are_kept_in_utc(tmp_path):
    here = datetime(2026, 11, 25, 13, 0, tzinfo=timezone(timedelta(hours=1)))
    assert stored(tmp_path, made=here).name == "room-20261125T120000Z.json"
    with pytest.raises(CalibrationError, match="no time zone"):
        stored(tmp_path, made=datetime(2026, 11, 25))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), {1, 2}])
def test_what_json_does_not_have_is_refused_and_nothing_written(tmp_path, value):
    with pytest.raises(CalibrationError, match="cannot be stored"):
        stored(tmp_path, values={"x": value})
    assert not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(CalibrationError, match=r"cannot be written there.*--calibrations"):
        stored(tmp_path / "file")
    with pytest.raises(CalibrationError, match="cannot be read as a folder"):
        load_calibrations(tmp_path / "file")


def test_no_folder_is_no_calibration_unless_it_was_asked_for(tmp_path):
    assert load_calibrations(tmp_path / "none").items == ()
    with pytest.raises(CalibrationError, match="there is no such folder"):
        load_calibrations(tmp_path / "none", must_exist=True)


BAD = {
    "empty": (b"", "not valid JSON"),
    "cut": (b'{"schema": "taptest.calibration/1", "ki', "not valid JSON"),
    "list": (b"[]", "the document is []"),
    "other": (b'{"schema": "taptest.check/1"}', "schema is 'taptest.check/1'"),
    "kind": (b'{"schema": "taptest.calibration/1", "kind": "moon"}', "kind is 'moon'"),
    "values": (b'{"schema": "taptest.calibration/1", "kind": "bar", "values": 3}', "values is 3"),
    "made": (b'{"schema": "taptest.calibration/1", "kind": "bar", "values": {}, "made": "noon"}', "made is 'noon'"),
    "zone": (
        b'{"schema": "taptest.calibration/1", "kind": "bar", "values": {}, "made": "2026-11-25"}',
        "made is '2026",
    ),
    "nan": (b'{"schema": "taptest.calibration/1", "kind": "bar", "values": {"x": NaN}}', "not valid JSON"),
    "bytes": (b"\xff\xfe\x00\x01", "byte 0 is not UTF-8"),
    "deep": (b"[" * 100_000, "not valid JSON"),
    "sources": (
        b'{"schema": "taptest.calibration/1", "kind": "bar", "values": {}, "sources": [1]}',
        "sources, value 1, is 1",
    ),
}


def test_bad_files_are_named_and_the_good_one_beside_them_is_kept(tmp_path):
    good = stored(tmp_path)
    for name, (content, _) in BAD.items():
        (tmp_path / f"{name}.json").write_bytes(content)
    (tmp_path / "notes.txt").write_text("not a calibration, not looked at")
    (tmp_path / "folder.json").mkdir()
    found = load_calibrations(tmp_path)
    assert [each.file for each in found.items] == [good.name]
    assert len(found.problems) == len(BAD) + 1
    for name, (_, said) in BAD.items():
        (line,) = [problem for problem in found.problems if f"{name}.json:" in problem]
        assert said in line and "delete it or move it" in line and "\n" not in line


def test_where_calibrations_are_looked_for(tmp_path, monkeypatch):
    monkeypatch.delenv(FOLDER_VARIABLE, raising=False)
    assert str(calibration_folder(None)) == "calibrations"
    assert calibration_folder(None, beside=tmp_path / "lot.csv") == tmp_path / "calibrations"
    monkeypatch.setenv(FOLDER_VARIABLE, "elsewhere")
    assert str(calibration_folder(None, beside=tmp_path / "lot.csv")) == "elsewhere"
    assert str(calibration_folder("mine", beside=tmp_path / "lot.csv")) == "mine"


# --- what a check takes from them ----------------------------------------------------------------------------------


def trusted(tmp_path, *made, **more):
    for kind, values, days in made:
        stored(tmp_path, kind, NOON - timedelta(days=days), values)
    return corrections_from(load_calibrations(tmp_path), NOON, **more)


def test_the_newest_of_each_kind_is_used_and_cited(tmp_path):
    drift = {"state": "in", "last": "2026-11-25T11:00:00Z"}
    corrections = trusted(
        tmp_path,
        ("room", {"bands": []}, 9),
        ("room", ROOM, 2),
        ("repeatability", {"frequency_u_rel": 0.001, "damping_u_rel": 0.04, "shift_u_rel": None}, 30),
        ("bar", {"clock_factor": 1.0004, "clock_u_rel": 2e-5}, 1),
        ("drift", drift, 0.1),
    )
    assert corrections.problems == () and corrections.notes == ()
    assert corrections.room.at(60.0) == corrections.room.at(250.0) == 0.5  # a single band speaks for all
    assert (corrections.floor.frequency_u_rel, corrections.floor.damping_u_rel, corrections.floor.shift_u_rel) == (
        0.001,
        0.04,
        0.0,
    )
    assert (corrections.clock_factor, corrections.clock_u_rel) == (1.0004, 2e-5)
    assert {each.kind: each.age_days for each in corrections.citations} == {
        "room": 2.0,
        "repeatability": 30.0,
        "bar": 1.0,
        "drift": pytest.approx(0.1),
    }
    assert all(each.file.endswith("Z.json") and each.effect for each in corrections.citations)
    own = corrections_from(load_calibrations(tmp_path), NOON, room_given=True)
    assert own.room is None and "room" not in {each.kind for each in own.citations}


def test_settings_are_filled_from_the_folder_beside_the_table(tmp_path, monkeypatch):
    monkeypatch.delenv(FOLDER_VARIABLE, raising=False)
    stored(tmp_path / "calibrations", made=NOON)
    stored(tmp_path / "calibrations", "bar", made=NOON, values={"clock_factor": 1.0004, "clock_u_rel": 2e-5})
    table = tmp_path / "lot.csv"
    filled = with_calibrations(Settings(low_hz=20.0), beside=table, constructions=())
    assert filled.low_hz == 20.0 and filled.corrections.clock_factor == 1.0004
    assert filled.room_decay.at(250.0) == 0.5
    # A room that is given goes first, and then the stored one is not cited.
    given = with_calibrations(Settings(room_s=0.8), beside=table, constructions=())
    assert given.room_decay.at(250.0) == 0.8
    assert [each.kind for each in given.corrections.citations] == ["bar"]


def test_a_folder_that_was_asked_for_must_exist_unless_it_may_be_new(tmp_path):
    asked = Settings(calibrations=str(tmp_path / "none"))
    with pytest.raises(CalibrationError, match="there is no such folder"):
        with_calibrations(asked, beside=None, constructions=())
    assert with_calibrations(asked, beside=None, constructions=(), may_be_new=True).corrections == Corrections()


@pytest.mark.parametrize("seconds", [0.04, 21.0])
def test_what_is_no_reverberation_time_is_none_at_every_door(tmp_path, seconds):
    with pytest.raises(SettingsError, match="is no reverberation time"):
        Settings(room_s=seconds)
    (problem,) = trusted(tmp_path, ("room", {"bands": [{**ROOM["bands"][0], "reverberation_s": seconds}]}, 0)).problems
    assert f"reverberation_s is {seconds}; it must lie between 0.05 and 20" in problem


def test_a_clock_that_is_right_or_not_known_changes_nothing(tmp_path):
    sure = trusted(tmp_path, ("bar", {"clock_factor": 1.00003, "clock_u_rel": 2e-5}, 0))
    assert sure.clock_factor == 1.0 and sure.clock_u_rel == 2e-5 and "clock is right" in sure.citations[0].effect
    unknown = trusted(tmp_path, ("bar", {"clock_factor": None}, -1))
    assert unknown.clock_factor == 1.0 and "cannot separate" in unknown.citations[0].effect


def test_a_reference_that_is_out_or_old_is_warned_of(tmp_path):
    assert trusted(tmp_path, ("drift", {"state": "in", "last": "2026-11-25T08:00:00+00:00"}, 0)).notes == ()
    (note,) = trusted(tmp_path, ("drift", {"state": "in", "last": "2026-11-20T12:00:00Z"}, -1)).notes
    assert "5 days ago" in note
    (note,) = trusted(tmp_path, ("drift", {"state": "out", "last": "2026-11-25T11:00:00Z"}, -2)).notes
    assert "outside its limits" in note


@pytest.mark.parametrize(
    ("kind", "values", "said"),
    [
        ("room", {}, "no band has a reverberation time"),
        (
            "room",
            {"bands": [{"low_hz": 1, "high_hz": 2, "reverberation_s": 1e9}]},
            "bands, value 1, reverberation_s is 1000000000.0; it must lie",
        ),
        ("room", {"bands": ["loud"]}, "bands, value 1, is 'loud'; it must be an object"),
        ("room", {"bands": [*ROOM["bands"], *ROOM["bands"]]}, "same centre"),
        ("bar", {"clock_factor": 2.0, "clock_u_rel": 0.0}, "clock_factor is 2.0; it must lie between 0.99 and 1.01"),
        ("bar", {"clock_factor": 1.0}, "clock_factor has no clock_u_rel"),
        ("repeatability", {}, "none of frequency_u_rel"),
        ("repeatability", {"shift_u_rel": -1}, "shift_u_rel is -1; it must lie between 0 and 0.5"),
        ("drift", {"state": "lost", "last": "2026-11-25"}, 'state is \'lost\'; it must be one of "in", "out"'),
        ("bar", {"clock_factor": True, "clock_u_rel": 1e-5}, "clock_factor is True; it must be a finite number"),
        ("bar", {"clock_factor": "1", "clock_u_rel": 1e-5}, "clock_factor is '1'; it must be a finite number"),
        ("repeatability", {"shift_u_rel": 10**400}, "shift_u_rel is 1000"),
        ("drift", {"state": "in", "last": "soon"}, "last is 'soon'; it must be a time such as"),
    ],
)
def test_values_that_cannot_be_used_are_named(tmp_path, kind, values, said):
    corrections = trusted(tmp_path, (kind, values, 0))
    (problem,) = corrections.problems
    assert said in problem and f"{kind}-2026" in problem and corrections.citations == ()
    assert corrections.room is None and corrections.clock_factor == 1.0


def test_a_learnt_construction_is_cited_only_where_it_is_used(tmp_path):
    made = ("construction", {"construction": "ours/race.toml"}, 3)
    assert trusted(tmp_path, made).citations == ()
    (cited,) = corrections_from(
        load_calibrations(tmp_path), NOON, constructions=("race.toml", "skate_generic")
    ).citations
    assert cited.kind == "construction" and "ours/race.toml" in cited.effect


@pytest.mark.parametrize("count", [3, 12])
def test_what_was_repeated_is_the_least_uncertainty_of_the_shift(count):
    """By physics alone below ten skis, by the group from there on."""
    modes = {n: (60.0 * n, 1e-4, 0.01, 0.05) for n in (2, 3, 4, 5)}
    skis = [measured_ski(ski_row(f"{n}"), CONSTRUCTION, modes) for n in range(count)]
    skis = [moved(ski, 0.1 * n) for n, ski in enumerate(skis)]
    plain, _ = judge_group(skis, Settings())
    studied = Corrections(floor=Repeatability(shift_u_rel=0.03))
    repeated, _ = judge_group([replace(ski, corrections=studied) for ski in skis], Settings())
    assert all(each.statistics["shift"].u < 0.03 for each in plain)
    assert all(each.statistics["shift"].u == 0.03 for each in repeated)


def test_every_kind_can_be_stored(tmp_path):
    for kind in KINDS:
        stored(tmp_path, kind, values={})
    assert {each.kind for each in load_calibrations(tmp_path).items} == set(KINDS)
