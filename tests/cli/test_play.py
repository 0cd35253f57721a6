"""Sounds side by side: what is taken from a recording, how loud, how high, and where it goes."""

import json
import math
import os
import shutil
import subprocess
import sys
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from support import command_line
from support.places import ROOT, demo_truth
from support.struck_sounds import SKI, struck

from taptest.core.errors import LotError, PlaybackError
from taptest.io.recording import from_samples, read_recording
from taptest.io.resampling import at_rate
from taptest.playback import player
from taptest.playback.playlist import Clip, PlayOptions, Source, compose, level_matched, save
from taptest.signal.analysis import Mode, analyse
from taptest.signal.loudness import exposure_db
from taptest.tables.lot import read_lot, select_skis

DEMO = ROOT / "recordings_demo"
RATE_HZ = 48_000
CAUTION = "Headphones low before it starts"


run = partial(command_line.run, "play")


def source(name):
    return Source(name, (str(DEMO / f"{name}.flac"),))


def clip(samples, name="one"):
    return Clip(name, f"{name}.wav", "tap", 0.5, (Mode(200.0, 0.1, 0.01, 0.001, 0.0, 3),), 0, np.asarray(samples))


def tone(frequency_hz, amplitude=0.5, seconds=1.0):
    """Swelling and fading, since what is switched clicks."""
    count = round(seconds * RATE_HZ)
    return amplitude * np.hanning(count) * np.sin(2 * np.pi * frequency_hz * np.arange(count) / RATE_HZ)


@pytest.fixture(scope="module")
def taps():
    return compose([source("c01l"), source("s01l")])


# --- what is heard -------------------------------------------------------------------------------------------------


def test_a_tap_is_cut_out_of_its_recording_where_somebody_really_tapped(taps):
    # truth.json holds the times at which the hammer of the simulation struck; the sound needs a millisecond to arrive.
    truth = demo_truth()
    for each, ski_id in zip(taps.clips, ("C01L", "S01L"), strict=True):
        struck_s = [tap["start_s"] for tap in truth[ski_id]["taps"]]
        assert min(abs(each.onset_s - at) for at in struck_s) < 0.005
        samples, rate = soundfile.read(each.path)
        start = round(each.onset_s * rate)
        original = samples[start : start + rate // 2]
        # A hundredth of a second lies before the contact; only gain and offset were changed.
        played = each.samples[480 : 480 + rate // 2]
        assert np.corrcoef(original, played)[0, 1] > 0.999999
        assert np.corrcoef(samples[start + 24 : start + 24 + rate // 2], played)[0, 1] < 0.99  # control: half a ms off


def test_all_sound_equally_loud_and_none_is_too_loud(taps):
    loudness = [exposure_db(each.samples, RATE_HZ) for each in taps.clips]
    assert loudness[0] == pytest.approx(loudness[1], abs=1e-6)
    assert taps.peak_dbfs == pytest.approx(-12.0, abs=1e-6)


def test_matching_undoes_a_difference_of_level():
    quiet, loud = level_matched([clip(tone(1000, 0.05)), clip(tone(1000, 0.5))], RATE_HZ)
    np.testing.assert_allclose(quiet.samples, loud.samples, atol=1e-12)
    assert quiet.gain_db - loud.gain_db == pytest.approx(20)
    assert max(np.abs(quiet.samples).max(), np.abs(loud.samples).max()) == pytest.approx(10 ** (-12 / 20))


def test_a_low_tone_is_raised_by_what_the_ear_lacks():
    # IEC 61672-1: weighting A is -16.1 dB at 125 Hz (exactly 125.89 Hz) and 0 at 1 kHz (table, from memory).
    low, middle = level_matched([clip(tone(125.89)), clip(tone(1000))], RATE_HZ)
    assert low.gain_db - middle.gain_db == pytest.approx(16.1, abs=0.1)
    assert 20 * math.log10(np.abs(low.samples).max()) == pytest.approx(-12, abs=0.01)


def test_one_that_would_be_too_loud_at_its_peak_stays_quieter_and_says_so():
    # 31.6 Hz is weighted by -39.4 dB (same table): the others are lowered by 12 dB only, so it stays 27.4 dB below.
    low, *others = level_matched([clip(tone(31.62)), *[clip(tone(1000))] * 4], RATE_HZ)
    assert low.quieter_db == pytest.approx(39.4 - 12, abs=0.1)
    assert 20 * math.log10(np.abs(low.samples).max()) == pytest.approx(-12)
    assert 20 * math.log10(np.abs(others[0].samples).max()) == pytest.approx(-24)
    assert others[0].quieter_db == 0


def test_the_same_may_come_twice_and_nothing_is_analysed_twice(monkeypatch):
    read = []
    real = read_recording
    monkeypatch.setattr("taptest.playback.playlist.read_recording", lambda path: read.append(path) or real(path))
    playlist = compose([source("c01l"), source("c01r"), source("c01l")])
    assert [each.name for each in playlist.clips] == ["c01l", "c01r", "c01l"]
    assert len(read) == 2
    np.testing.assert_array_equal(playlist.clips[0].samples, playlist.clips[2].samples)


def test_of_several_recordings_the_first_good_one_is_taken():
    both = Source("ski", (str(DEMO / "s04r.flac"), str(DEMO / "c01l.flac")))
    assert compose([both]).clips[0].path.endswith("c01l.flac")
    neither = compose([Source("ski", (str(DEMO / "s04r.flac"), str(DEMO / "none.flac"))), Source("bare", ())])
    assert neither.clips == ()
    assert "none of its taps can be used (double-hit, noisy)" in neither.refused[0]
    assert "bare: has no recording" in neither.refused[1]


# --- higher --------------------------------------------------------------------------------------------------------


@pytest.fixture
def recorded(tmp_path):
    """A struck sound with known modes (closed form), written at another sample rate than is played."""
    path = tmp_path / "struck.wav"
    sound = struck(np.random.default_rng(3), [0.6, 2.6], seconds=4.6, rate_hz=44_100, snr_db=70)
    soundfile.write(path, sound, 44_100, "PCM_24")
    return path


def modes_in(samples, noise):
    """What an analysis hears, in noise that goes on in the pauses, where a playlist is as silent as a recorder's gate."""
    hiss = noise * np.random.default_rng(1).standard_normal(len(samples))
    return analyse(from_samples(samples + hiss, RATE_HZ)).modes


@pytest.mark.parametrize("octaves", [0, 1, 2])
def test_a_shifted_tap_has_every_frequency_multiplied_and_every_damping_ratio_kept(recorded, octaves):
    playlist = compose([Source("one", (str(recorded),))] * 3, PlayOptions(octaves_up=octaves))
    heard = modes_in(np.concatenate([block for _, block in playlist.blocks()]), 5e-4)
    for frequency_hz, damping_ratio, level in SKI:
        if 2**octaves * frequency_hz < 1400 and level >= 0.5:
            nearest = min(heard, key=lambda m: abs(m.frequency_hz - 2**octaves * frequency_hz))
            assert nearest.frequency_hz == pytest.approx(2**octaves * frequency_hz, rel=1e-3)
            assert nearest.damping_ratio == pytest.approx(damping_ratio, rel=0.03)


def test_the_modes_of_a_recording_can_be_heard_and_measured_again(tmp_path, recorded):
    path = tmp_path / "modes.wav"
    assert run(*[recorded] * 3, "--modes", "--octaves", "1", "--keep-decay", "--save", path).exit_code == 0
    heard = modes_in(soundfile.read(path)[0], 1e-4)
    for frequency_hz, damping_ratio, level in SKI:
        if 2 * frequency_hz < 1400 and level >= 0.5:
            nearest = min(heard, key=lambda m: abs(m.frequency_hz - 2 * frequency_hz))
            assert nearest.frequency_hz == pytest.approx(2 * frequency_hz, rel=1e-3)
            assert nearest.damping_ratio == pytest.approx(damping_ratio / 2, rel=0.03)


@pytest.mark.parametrize(
    ("from_hz", "to_hz"), [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (192_000, 44_100)]
)
def test_another_sample_rate_is_the_same_sound(from_hz, to_hz):
    # A burst of known form, sampled at both rates by its formula.
    def burst(rate_hz):
        time = np.arange(round(0.5 * rate_hz)) / rate_hz
        return np.exp(-(((time - 0.25) / 0.03) ** 2)) * np.sin(2 * np.pi * 977 * time)

    converted = at_rate(burst(from_hz), from_hz, to_hz)
    expected = burst(to_hz)
    np.testing.assert_allclose(converted[: len(expected)], expected[: len(converted)], atol=1e-6)


def test_modes_beyond_the_sample_rate_are_counted():
    playlist = compose([source("c01l")], PlayOptions(modes=True, octaves_up=5))
    (one,) = playlist.clips
    assert one.left_out > 0 and max(mode.frequency_hz for mode in one.heard) * 32 < 0.45 * RATE_HZ
    refused = compose([source("c01l")], PlayOptions(modes=True, octaves_up=6), sample_rate_hz=8_000).refused
    assert "no mode heard that could be played 6 octaves up" in refused[0]


# --- the command ---------------------------------------------------------------------------------------------------


def test_ids_of_a_table_in_the_order_of_the_names(tmp_path):
    path = tmp_path / "out.flac"
    result = run("C05R", "c01l", "C05R", "--lot", DEMO / "lot.csv", "--save", path, "--json")
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    assert document["schema"] == "taptest.play/1" and document["saved"] == str(path)
    assert [each["name"] for each in document["sounds"]] == ["C05R", "C01L", "C05R"]
    assert document["peak_dbfs"] == pytest.approx(-12, abs=1e-6)
    samples, rate = soundfile.read(path)
    assert rate == document["sample_rate_hz"] == RATE_HZ
    assert 20 * math.log10(np.abs(samples).max()) == pytest.approx(-12, abs=1e-3)
    for each in document["sounds"]:
        # Before a sound begins it is quiet; a hundredth of a second after its beginning comes the contact.
        begin = round(each["begins_s"] * rate)
        assert not samples[begin - 1000 : begin].any()
        assert np.abs(samples[begin + 480 : begin + 4800]).max() > 0.05
        assert set(each) >= {"recording", "kind", "onset_s", "duration_s", "lowest_hz", "strongest_hz", "modes"}
        assert each["kind"] == "tap" and each["gain_db"] is not None


def test_the_screen_says_what_was_shifted_how_loud_and_to_take_care(tmp_path):
    plain = " ".join(run(DEMO / "c01l.flac", "--save", tmp_path / "a.wav").stdout.split())
    assert CAUTION in plain and "--octaves 2" in plain and "equally loud" in plain and "saved as" in plain
    shifted = run("C01R", "--lot", DEMO / "lot.csv", "--modes", "--octaves", "2", "--save", tmp_path / "b.wav").stdout
    words = " ".join(shifted.split())
    assert "Shifted up by 2 octaves: every frequency is 4 times the ski's own." in words
    assert "over in a quarter of the time" in words and "--octaves 2 shifts" not in words
    lowest, as_heard = (float(word) for word in shifted.splitlines()[3].split()[4:6])
    assert as_heard == pytest.approx(4 * lowest, abs=0.3)
    # truth.json: the second bending mode of C01R rings at 65.46 Hz, the first is lost in the noise.
    assert 60 < lowest < 70
    kept = run(DEMO / "c01l.flac", "--modes", "--octaves", "1", "--keep-decay", "--save", tmp_path / "c.wav").stdout
    assert "decay times are kept" in " ".join(kept.split())
    assert max(len(line) for line in (plain, shifted, kept)[1].splitlines() if "saved as" not in line) <= 80


def test_a_name_in_another_script_does_not_stop_it_on_a_narrow_console(tmp_path):
    path = Path(shutil.copy(DEMO / "c01l.flac", tmp_path / "лыжа ½.flac"))
    command = [sys.executable, "-m", "taptest", "play", str(path), "--save", str(tmp_path / "звук.wav")]
    environment = {**os.environ, "PYTHONIOENCODING": "cp1252"}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, b"")
    assert rb"\u0437\u0432\u0443\u043a.wav" in done.stdout and "½".encode("cp1252") in done.stdout


def test_files_go_by_their_names_and_by_their_paths_where_those_are_the_same(tmp_path):
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        shutil.copy(DEMO / "c01l.flac", tmp_path / folder / "tap.flac")
    names = [tmp_path / "a" / "tap.flac", tmp_path / "b" / "tap.flac", DEMO / "c01r.flac", DEMO / "c01r.flac"]
    document = json.loads(run(*names, "--save", tmp_path / "out.wav", "--json").stdout)
    assert [each["name"] for each in document["sounds"]] == [str(names[0]), str(names[1]), "c01r.flac", "c01r.flac"]
    assert [each["recording"] for each in document["sounds"]] == list(map(str, names))


def test_what_cannot_be_played_is_named_and_the_rest_is(tmp_path):
    path = tmp_path / "out.wav"
    result = run("C01L", "S04R", "--lot", DEMO / "lot.csv", "--save", path)
    assert result.exit_code == 4 and path.exists()
    assert result.stderr.count("\n") == 1 and "s04r.flac: none of its taps can be used" in result.stderr
    nothing = run("S04R", "--lot", DEMO / "lot.csv", "--save", tmp_path / "none.wav")
    assert nothing.exit_code == 1 and nothing.stdout == "" and not (tmp_path / "none.wav").exists()
    missing = run(tmp_path / "no.wav", "--save", tmp_path / "none.wav")
    assert missing.exit_code == 1 and "no.wav: not found" in missing.stderr


def test_a_recording_is_never_overwritten(tmp_path):
    recording = Path(shutil.copy(DEMO / "c01l.flac", tmp_path / "tap.flac"))
    before = recording.read_bytes()
    result = run(recording, "--save", recording)
    assert (result.exit_code, result.stdout) == (1, "")
    assert "exists already and is not overwritten; choose another name" in result.stderr
    assert recording.read_bytes() == before


def test_a_file_that_cannot_be_finished_is_taken_away(tmp_path, taps, monkeypatch):
    def fail(self, block):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(soundfile.SoundFile, "write", fail)
    with pytest.raises(PlaybackError, match=r"out\.wav: cannot be written \(.*No space left on device"):
        save(taps, tmp_path / "out.wav")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "status", "part"),
    [
        ((), 2, "name recordings, or a table with --lot LOT"),
        (("a.wav", "--octaves", "7"), 2, "--octaves"),
        (("a.wav", "--octaves", "-1"), 2, "--octaves"),
        (("a.wav", "--octaves", "1", "--keep-decay"), 2, "goes with --modes only"),
        (("a.wav", "--seconds", "60"), 2, "0.2 to 10 s"),
        (("a.wav", "--seconds", "nan"), 2, "0.2 to 10 s"),
        (("a.wav", "--low", "900", "--high", "100"), 2, "below the upper"),
        (("--lot", "no.csv"), 1, "no.csv: not found"),
        (
            ("X", "--lot", str(DEMO / "lot.csv")),
            1,
            "lot.csv: no ski 'X'; its ids are C01L, C01R, C02L, C02R, C03L, C03R, ...",
        ),
        (("no.wav", "--save", "out.mp3"), 1, "out.mp3: sound is saved as .wav or .flac"),
        (("C01", "Q", "--lot", str(DEMO / "lot.csv")), 1, "no ski 'C01' (did you mean C01"),
        ((str(DEMO / "c01l.flac"), "--save", "out.mp3"), 1, "out.mp3: sound is saved as .wav or .flac"),
        ((str(DEMO / "c01l.flac"), "--save", "nowhere/out.wav"), 1, "there is no folder nowhere"),
        ((str(DEMO / "c01l.flac"), "--save", "a\x1b[2J.mp3"), 1, "a\\x1b[2J.mp3"),
    ],
)
def test_wrong_usage_and_bad_names_say_what_is_accepted(arguments, status, part, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert result.exit_code == status
    assert part in " ".join(result.stderr.split()) and "Traceback" not in result.output
    assert status == 2 or result.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_skis_are_chosen_by_id():
    lot = read_lot(DEMO / "lot.csv")
    assert select_skis(lot, []) == lot.rows
    assert [row.ski_id for row in select_skis(lot, ["s01r", "C01L"])] == ["S01R", "C01L"]
    twins = SimpleNamespace(path=lot.path, rows=tuple(SimpleNamespace(ski_id=each) for each in ("a1", "A1", "b")))
    assert select_skis(twins, ["A1", "B"]) == (twins.rows[1], twins.rows[2])
    with pytest.raises(LotError, match="no ski 'B2', 'zz'"):
        select_skis(twins, ["B2", "a1", "zz"])


# --- without a sound system ----------------------------------------------------------------------------------------


class _PortAudioError(Exception):
    pass


def pretend(monkeypatch, devices, *, refuse=None):
    """A sound library that lists these devices and opens none; as the real one answers (sounddevice 0.5)."""

    def query_devices(device=None, kind=None):
        if kind is None:
            return devices
        fitting = [d for d in devices if device in (None, d["index"]) or str(device) in d["name"]]
        if device is None and not fitting:
            raise _PortAudioError("Error querying device -1")
        if len(fitting) != 1 and device is not None:
            raise ValueError(f"No output device matching {device!r}")
        return fitting[0]

    def check_output_settings(device, channels, samplerate):
        if refuse is not None and samplerate in refuse:
            raise _PortAudioError("Invalid sample rate")

    fake = SimpleNamespace(
        PortAudioError=_PortAudioError, query_devices=query_devices, check_output_settings=check_output_settings
    )
    monkeypatch.setitem(sys.modules, "sounddevice", fake)


CARD = {"index": 0, "name": "Card \x1b[2J", "max_output_channels": 8, "default_samplerate": 44100.0}
MICROPHONE = {"index": 1, "name": "Microphone", "max_output_channels": 0, "default_samplerate": 48000.0}


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere the sound library comes with its wheel")
def test_without_portaudio_the_package_and_a_way_out_are_named(monkeypatch):
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr("ctypes.util.find_library", lambda name: None)
    result = run(DEMO / "c01l.flac")
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (1, "", 1)
    assert "install libportaudio2" in result.stderr and "--save NAME.wav" in result.stderr


def test_without_a_loudspeaker_a_way_out_is_named(monkeypatch):
    pretend(monkeypatch, [])
    result = run(DEMO / "c01l.flac")
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (1, "", 1)
    assert "no loudspeaker or headphones found" in result.stderr and "--save NAME.wav" in result.stderr


def test_a_device_that_is_not_there_is_answered_with_those_that_are(monkeypatch):
    pretend(monkeypatch, [CARD, MICROPHONE])
    result = run(DEMO / "c01l.flac", "--device", "Hall")
    assert result.exit_code == 1 and "--device Hall: no such loudspeaker" in result.stderr
    assert "Card \\x1b[2J" in result.stderr and "Microphone" not in result.stderr


def test_the_sample_rate_is_one_that_the_device_takes(monkeypatch):
    pretend(monkeypatch, [CARD])
    assert player.find_output("0").sample_rate_hz == 48_000
    assert player.find_output().channels == 2
    pretend(monkeypatch, [CARD], refuse={48_000})
    assert player.find_output().sample_rate_hz == 44_100
    pretend(monkeypatch, [CARD], refuse={48_000, 44_100})
    with pytest.raises(PlaybackError, match="takes no sound at 48000 or 44100 Hz"):
        player.find_output()


def test_help_needs_no_sound_system(monkeypatch):
    pretend(monkeypatch, [])
    result = run("--help")
    assert result.exit_code == 0 and "--keep-decay" in result.stdout and "Headphones low" in result.stdout
