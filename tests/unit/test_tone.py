"""Note names against librosa's, and the spectrogram of a decaying tone against its closed form."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from librosa.core.convert import hz_to_midi, midi_to_note

from taptest.present.plots.recording import spectrogram_panel
from taptest.present.plots.style import new_figure, style
from taptest.signal.analysis import Mode
from taptest.signal.pitch import note_name
from taptest.signal.spectrogram import _let_numba_cache, spectrogram

RATE_HZ = 48_000


def test_notes_are_those_of_librosa():
    for frequency_hz in np.geomspace(8.0, 20_000.0, 5_000):
        name, cents = note_name(float(frequency_hz))
        midi = float(hz_to_midi(frequency_hz))
        assert name == midi_to_note(round(midi), unicode=False)
        assert cents == pytest.approx(100 * (midi - round(midi)), abs=0.05 + 1e-9)
    # ISO 16: A4 is 440 Hz; 12 tones of equal steps make the octave.
    assert note_name(440.0) == ("A4", 0.0) and note_name(440.0 * 2 ** (1 / 12)) == ("A#4", 0.0)
    assert note_name(220.0 * 2 ** (0.25 / 12)) == ("A3", 25.0)


def test_librosa_is_not_loaded_for_a_note():
    code = (
        "import sys; from taptest.signal.pitch import note_name; note_name(100.0); sys.exit('librosa' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
@pytest.mark.parametrize("frequency_hz", [60.0, 700.0])
def test_a_decaying_tone_falls_at_its_own_pitch_as_fast_as_it_decays(rate_hz, frequency_hz):
    # exp(-a t) falls by 20 log10(e) a = 8.686 a dB a second; any window leaves the slope of an exponential as it is.
    decay_per_s = 5.0
    time_s = np.arange(int(1.2 * rate_hz)) / rate_hz
    found = spectrogram(
        np.exp(-decay_per_s * time_s) * np.sin(2 * np.pi * frequency_hz * time_s), rate_hz, low_hz=20, high_hz=2_000
    )
    row = int(np.argmax(found.level_db.max(axis=1)))
    assert found.frequencies_hz[row] == pytest.approx(frequency_hz, abs=4.0)
    inside = (found.time_s > 0.15) & (found.time_s < 0.95)
    slope = np.polyfit(found.time_s[inside], found.level_db[row, inside], 1)[0]
    assert slope == pytest.approx(-20 * np.log10(np.e) * decay_per_s, rel=0.01)
    assert found.level_db.max() == 0 and found.level_db.min() >= -50
    assert found.frequencies_hz[0] >= 20 and found.frequencies_hz[-1] <= 2_000


def test_a_panel_marks_every_mode_for_as_long_as_it_rings():
    time_s = np.arange(RATE_HZ) / RATE_HZ - 0.1
    sound = np.where(time_s > 0, np.exp(-20 * time_s) * np.sin(2 * np.pi * 200 * time_s), 0.0)
    modes = [Mode(200.0, 0.1, 20 / (2 * np.pi * 200), 1e-4, 0.0, 5), Mode(90.0, 0.1, 1e-4, 1e-5, -10.0, 5)]
    with style():
        axes = spectrogram_panel(new_figure(200).add_subplot(), sound, RATE_HZ, modes, contact_s=0.1)
        lines = {float(line.get_ydata()[0]): line.get_xdata() for line in axes.lines if len(line.get_xdata()) == 2}
        # 60 dB take ln(1000)/20 = 0.345 s; the other one rings beyond the end.
        assert lines[200.0][1] == pytest.approx(np.log(1000) / 20) and lines[90.0][1] == pytest.approx(0.9, abs=0.01)
        assert "2 fitted modes" in axes.get_label()
        # Little sound, no mode, one as low as can be asked for, and a slow pickup.
        spectrogram_panel(new_figure(200).add_subplot(), sound[:100], RATE_HZ, [])
        spectrogram_panel(new_figure(200).add_subplot(), sound, RATE_HZ, [Mode(5.0, 0.1, 0.01, 1e-4, 0.0, 5)])
        spectrogram_panel(new_figure(200).add_subplot(), sound[::240], 200, [Mode(28.0, 0.1, 0.01, 1e-4, 0.0, 5)])


@pytest.fixture
def fresh(monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    return _let_numba_cache.__wrapped__


def test_numba_gets_a_folder_of_its_own_where_nothing_may_be_written(fresh, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: False)
    fresh()
    folder = Path(os.environ["NUMBA_CACHE_DIR"])
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_otherwise_it_keeps_the_usual_one(fresh, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: True)
    fresh()
    assert "NUMBA_CACHE_DIR" not in os.environ
