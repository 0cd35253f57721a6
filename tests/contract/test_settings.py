"""Settings and limits: what is remembered in taptest.toml, which of several says goes first, and what is refused."""

import json
from dataclasses import fields, replace

import pytest
from support.command_line import run

import taptest
from taptest.config.file import not_default, read_settings
from taptest.config.limits import LIMITS, named_limits
from taptest.config.settings import Settings
from taptest.core.errors import LimitsError, SettingsError


@pytest.fixture
def places(tmp_path, monkeypatch):
    """A user's own folder, and a lot with a folder around it."""
    monkeypatch.setenv("TAPTEST_CONFIG", str(tmp_path / "own"))
    for name in ("own", "lot"):
        (tmp_path / name).mkdir()
    table = tmp_path / "lot" / "lot.csv"
    table.write_text("ski_id,mass_g\n01,500\n")
    return tmp_path / "own" / "taptest.toml", tmp_path / "lot" / "taptest.toml", table


def test_what_is_given_goes_before_the_lots_file_and_that_before_the_users(places):
    own, beside, table = places
    assert read_settings(table) == Settings()
    own.write_text("[settings]\nroom_s = 0.5\nlow_hz = 20\n[limits.group]\nleast_skis = 20\n")
    beside.write_text("[settings]\nroom_s = 0.4\n[limits.verdict]\nleast_taps = 2\n")
    found = read_settings(table, {"low_hz": 25.0, "high_hz": None})
    assert (found.room_s, found.low_hz, found.high_hz) == (0.4, 25.0, 1500.0)
    assert (found.limits.group.least_skis, found.limits.verdict.least_taps) == (20, 2)
    assert read_settings(None).room_s == 0.5  # without a lot the user's own alone
    assert not_default(found) == [
        "low_hz 25.0", "room_s 0.4", "group.least_skis 20", "verdict.least_taps 2"
    ]  # fmt: skip
    assert not_default(Settings()) == []


def test_the_range_of_two_files_and_an_option_is_judged_as_a_whole(places):
    own, beside, table = places
    own.write_text("[settings]\nhigh_hz = 5000\n")
    beside.write_text("[settings]\nlow_hz = 2000\n")
    found = read_settings(table)
    assert (found.low_hz, found.high_hz) == (2000.0, 5000.0)
    own.write_text("")
    with pytest.raises(LimitsError, match=r"lot.taptest\.toml: frequency range 2000-1500 Hz"):
        read_settings(table)
    assert read_settings(table, {"high_hz": 6000.0}).high_hz == 6000.0
    with pytest.raises(SettingsError):  # both ends were given: no file is at fault
        read_settings(table, {"low_hz": 900.0, "high_hz": 100.0})


def test_a_folder_of_calibrations_lies_where_the_file_says_it(places, tmp_path, monkeypatch):
    _, beside, table = places
    beside.write_text("[settings]\ncalibrations = 'room'\n")
    monkeypatch.chdir(tmp_path)
    assert read_settings(table).calibrations == str(tmp_path / "lot" / "room")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[settings]\nroom = 1\n", "settings.room is no setting; there are low_hz"),
        ("[settings]\nlow_hz = 'deep'\n", "settings.low_hz is deep; it must be a number"),
        ("[settings]\nchannel = true\n", "settings.channel is True; it must be a whole number"),
        ("[settings]\nlow_hz = 900\nhigh_hz = 100\n", "frequency range 900-100 Hz"),
        ("[settings]\nfalse_alarm_rate = 0.5\n", "give 0.001 to 0.1"),
        ("[settings]\nchannel = -3\n", "channels count from 1"),
        ("[settings]\nlow_hz = 1" + 400 * "0" + "\n", "it must be a number of usual size"),
        ("[settings]\nroom_s = nan\n", "it must be a number of usual size"),
        ("[limits.group]\nleast_skis = 9" + 400 * "9" + "\n", "it must be a number of usual size"),
        ("[limits.group]\nleast_skis = 3\n", "limits.group.least_skis is 3; 8 to 100 are accepted"),
        ("[limits.group]\nphysics_factor = 3.0\n", "limits.group.physics_factor cannot be set; there are "),
        ("[limits]\ngroup = 3\n", "group is 3; it must be a section"),
        ("[colours]\n", "'colours' is no section; there are settings and limits"),
        ("[settings\n", "not valid TOML"),
    ],
)
def test_a_bad_file_is_one_line_with_its_name(places, text, words):
    _, beside, table = places
    beside.write_text(text)
    with pytest.raises(LimitsError) as refused:
        read_settings(table)
    assert words in str(refused.value) and "taptest.toml" in str(refused.value) and str(refused.value).isprintable()
    done = run("check", str(table))
    assert done.exit_code in (1, 2) and words in " ".join(done.stderr.split())


def test_every_limit_says_what_it_is_where_it_comes_from_and_what_it_does():
    found = list(named_limits())
    assert len(found) > 100 and len({each.name for each in found}) == len(found)
    for each in found:
        assert each.source and each.effect, each.name
        assert getattr(getattr(LIMITS, each.name.split(".")[0]), each.name.split(".")[1]) == each.default
        if each.settable and each.least is not None:
            assert each.least <= each.default <= each.most, each.name


def test_the_command_lists_them(places):
    _, beside, table = places
    beside.write_text("[limits.group]\nleast_skis = 20\n")
    document = json.loads(run("limits", str(table), "--json").stdout)
    named = {each["name"]: each for each in document["limits"]}
    assert named["group.least_skis"]["value"] == 20 and named["group.least_skis"]["default"] == 10
    assert document["files"] == [str(beside)] and set(named) == {each.name for each in named_limits()}
    text = " ".join(run("limits", str(table), "--settable").stdout.split())
    assert "20 skis (default 10), 8 to 100" in text and "physics_factor" not in text


def test_a_limit_that_is_set_judges(sound_lot_of_nine):
    """With ten skis asked for, nine are judged by physics; with eight, by their group."""
    from taptest.screen.check import judge

    usual = judge(sound_lot_of_nine, Settings())
    group = replace(LIMITS.group, least_skis=8)
    lower = judge(sound_lot_of_nine, Settings(limits=replace(LIMITS, group=group)))
    assert usual.groups[0].spread_percent is None and lower.groups[0].spread_percent is not None


@pytest.fixture(scope="module")
def sound_lot_of_nine():
    from support.simulated_lots import measured_ski, ski_row

    from taptest.beam.construction import load_construction

    base = load_construction("classic_generic")
    hz = measured_ski(ski_row("0"), base, {1: (27.0, 0.001, 0.01, 0.05)}).prediction.bending_hz
    return [
        measured_ski(ski_row(f"{n}"), base, {k: (hz[k - 1] * (1 + 0.001 * n), 0.001, 0.01, 0.05) for k in range(2, 8)})
        for n in range(9)
    ]


@pytest.mark.parametrize(("text", "rate"), [("1/100", 0.01), ("0.5%", 0.005), ("0.02", 0.02), (" 1/1000 ", 0.001)])
def test_a_rate_as_it_is_typed(text, rate):
    from taptest.cli.options import GivenSettings

    assert GivenSettings(false_alarm_rate=text).settings().false_alarm_rate == pytest.approx(rate)


@pytest.mark.parametrize("text", ["often", "1/0", "1/2", "0", "nan"])
def test_what_is_no_rate_is_wrong_usage(places, text):
    _, _, table = places
    done = run("check", str(table), "--false-alarm-rate", text)
    assert done.exit_code == 2 and "--false-alarm-rate" in done.stderr


def test_the_rig_widens_the_predictions(places):
    """GUM: relative uncertainties of f are half those of k and m (f goes as the root of k/m)."""
    common = {"length_m": 1.9, "mass_kg": 0.52, "stiffness_n_per_m": 3100.0, "span_m": 1.4}
    rig = taptest.RigUncertainty(stiffness_u_rel=0.04, mass_u_rel=0.01)
    wide = taptest.predict("uniform_bar", **common, settings=taptest.Settings(rig=rig)).prediction
    assert wide.scale_u_rel == pytest.approx(0.5 * (0.04**2 + 0.01**2) ** 0.5)


def test_settings_name_the_field_that_is_wrong():
    known = {each.name for each in fields(Settings)} | {"stiffness_u_rel", "mass_u_rel"}
    for change in ({"low_hz": 1.0}, {"room_s": 30.0}, {"false_alarm_rate": 0.0}, {"rig": taptest.RigUncertainty(0.5)}):
        with pytest.raises(SettingsError) as refused:
            Settings(**change)
        assert refused.value.setting in known
