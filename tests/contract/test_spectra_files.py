"""Spectra and decays as files: what they say agrees with closed forms, other readers read them, and nothing wrong is left."""

from __future__ import annotations

import io

import h5py
import numpy as np
import pytest
import pyuff
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.places import DEMO
from typer.testing import CliRunner

import taptest.export.spectra as module
from taptest.cli import app
from taptest.config.settings import Settings
from taptest.core.errors import ExchangeError
from taptest.export.spectra import Decay, TapSpectrum, read_spectra, tap_spectrum, write_spectra
from taptest.io.recording import from_samples, read_recording
from taptest.signal.analysis import analyse

RATE_HZ, F_HZ, ZETA, AMPLITUDE = 8000, 160.0, 0.01, 0.5


@pytest.fixture(scope="module")
def ringing():
    """Three taps of one damped cosine each, and a little noise."""
    rng = np.random.default_rng(2)
    time = np.arange(round(1.5 * RATE_HZ)) / RATE_HZ
    omega = 2 * np.pi * F_HZ
    ring = AMPLITUDE * np.exp(-ZETA * omega * time) * np.cos(omega * np.sqrt(1 - ZETA**2) * time)
    samples = np.concatenate([np.zeros(RATE_HZ // 2), ring, ring, ring]) + 1e-5 * rng.standard_normal(
        round(5 * RATE_HZ)
    )
    recording = from_samples(samples, RATE_HZ)
    return recording, analyse(recording)


def some(tag="a.flac", unit="FS"):
    time = np.linspace(0.01, 0.5, 20)
    decays = tuple(Decay(f, 0.01, 0.01, 1e-4, -3.0, 3, time, -20 * time * f / 30) for f in (27.7, 66.2))
    frequency = 15.0 + 0.34374 * np.arange(200)
    return TapSpectrum(tag, 48_000.0, "sound", unit, 1, 3, 2.9, frequency, 1e-6 / (1 + (frequency - 40) ** 2), decays)


def test_the_density_integrates_to_the_mean_square_and_peaks_as_the_closed_form(ringing):
    recording, analysis = ringing
    spectrum = tap_spectrum(recording, analysis, Settings(low_hz=5, high_hz=3500))
    step = spectrum.frequency_hz[1] - spectrum.frequency_hz[0]
    taps = analysis.accepted
    assert spectrum.taps == len(taps) == 3
    length = round(spectrum.record_s * RATE_HZ)
    mean_square = np.mean([np.mean(recording.samples[t.start : t.start + length, 0] ** 2) for t in taps])
    assert spectrum.power_density.sum() * step == pytest.approx(mean_square, rel=2e-3)  # Parseval's theorem
    # |X(f)| of a decaying cosine at its peak is A / (2 alpha), where it has died away within the record [derived].
    alpha = ZETA * 2 * np.pi * F_HZ
    start = np.exp(-alpha * (taps[0].start - taps[0].onset) / RATE_HZ)
    peak = 2 * (AMPLITUDE * start / (2 * alpha)) ** 2 / spectrum.record_s
    assert spectrum.power_density.max() == pytest.approx(peak, rel=0.1)  # the contact is found within a few samples
    (decay,) = spectrum.decays
    slope = np.polyfit(decay.time_s[:20], decay.decay_db[:20], 1)[0]
    assert slope == pytest.approx(-20 / np.log(10) * alpha, rel=0.02)


def test_universal_files_as_pyuff_reads_them(tmp_path):
    path = tmp_path / "s.uff"
    spectra = [some(), some("b.flac", "m/s²")]
    write_spectra(path, spectra)
    sets = pyuff.UFF(str(path)).read_sets()
    assert [each["func_type"] for each in sets] == [9, 0, 0, 9, 0, 0]
    assert sets[0]["data"] == pytest.approx(spectra[0].power_density, rel=1e-10)
    assert sets[0]["x"] == pytest.approx(spectra[0].frequency_hz, rel=1e-4)
    assert sets[3]["ordinate_axis_units_lab"].strip() == "(m/s^2)^2/Hz"
    assert "frequency_hz=27.7" in sets[1]["id2"] and "damping_ratio=0.01" in sets[1]["id3"]
    assert sets[1]["data"] == pytest.approx(spectra[0].decays[0].decay_db, rel=1e-10)


def test_hdf5_comes_back_to_the_last_bit(tmp_path):
    path = tmp_path / "s.h5"
    spectra = [some(f"{number}.flac") for number in range(12)]
    write_spectra(path, spectra)
    back = read_spectra(path)
    assert len(back) == 12
    for got, put in zip(back, spectra, strict=True):
        assert module._equal(got, put)
    with h5py.File(path, "r") as file:  # control, by the library itself
        group = file["recordings/00003"]
        assert group["power_density"].attrs["unit"].decode("utf-8") == "(FS)²/Hz"
        assert group["decays/002"].attrs["frequency_hz"] == 66.2


@pytest.mark.parametrize("suffix", [".uff", ".h5"])
def test_what_does_not_read_back_is_not_left_behind(tmp_path, monkeypatch, suffix):
    path = tmp_path / f"s{suffix}"
    write_spectra(path, [some()])
    kept = path.read_bytes()
    whole = {".uff": module._universal_bytes, ".h5": module._hdf_bytes}[suffix]
    name = whole.__name__
    for spoil in (
        lambda data: b"    -1\n",  # what pyuff leaves where it overwrites with a binary set
        lambda data: data[: len(data) // 2],
        lambda data: data.replace(b"27.7", b"27.8") if suffix == ".uff" else b"",
        lambda data: _one_digit_off(data),
    ):
        spoilt = spoil(whole(path, [some()]))
        if spoilt == whole(path, [some()]) or (suffix == ".uff" and b"27.8" in spoilt):
            continue  # a remark in the text is not compared
        monkeypatch.setattr(module, name, lambda *_, spoilt=spoilt: spoilt)
        with pytest.raises(ExchangeError, match="did not read back"):
            write_spectra(path, [some()])
        monkeypatch.undo()
        assert path.read_bytes() == kept
    write_spectra(path, [some()])


def _one_digit_off(data):
    value = np.asarray(some().power_density)[150]
    for old, new in ((f"{value:.11e}", f"{value * 1.001:.11e}"),):
        if old.encode() in data:
            return data.replace(old.encode(), new.encode())
    return data.replace(np.float64(value).tobytes(), np.float64(value * (1 + 1e-15)).tobytes())


def test_names_and_extras(tmp_path, monkeypatch):
    import sys

    with pytest.raises(ExchangeError, match="known suffix"):
        write_spectra(tmp_path / "s.mat", [some()])
    with pytest.raises(ExchangeError, match="no such folder"):
        write_spectra(tmp_path / "nowhere" / "s.uff", [some()])
    with pytest.raises(ExchangeError, match="nothing to write"):
        write_spectra(tmp_path / "s.uff", [])
    for name, suffix in (("pyuff", ".uff"), ("h5py", ".h5")):
        monkeypatch.setitem(sys.modules, name, None)
        with pytest.raises(ExchangeError, match=r"taptest\[exchange\]"):
            write_spectra(tmp_path / f"s{suffix}", [some()])


@pytest.mark.parametrize("suffix", [".uff", ".h5"])
def test_earlier_spectra_are_replaced_and_nothing_else(tmp_path, suffix):
    path = tmp_path / f"s{suffix}"
    write_spectra(path, [some()])
    write_spectra(path, [some(), some("b.flac")])
    mine = tmp_path / f"mine{suffix}"
    mine.write_bytes(b"    -1\n    58\n a time series of somebody\n    -1\n")
    with pytest.raises(ExchangeError, match="holds no spectra of taptest"):
        write_spectra(mine, [some()])
    assert b"somebody" in mine.read_bytes()


def hostile(tmp_path, change):
    stream = io.BytesIO(module._hdf_bytes(tmp_path / "x.h5", [some()]))
    with h5py.File(stream, "r+") as file:
        change(file, file["recordings/00001"])
    path = tmp_path / "x.h5"
    path.write_bytes(stream.getvalue())
    with pytest.raises(ExchangeError) as refused:
        read_spectra(path)
    assert str(refused.value).isprintable()
    return str(refused.value)


def test_hostile_hdf5(tmp_path):
    (tmp_path / "other.h5").write_bytes(module._hdf_bytes(tmp_path / "o.h5", [some()]))

    def replaced(make):
        def change(file, group):
            del group["power_density"]
            make(file, group)

        return change

    def bomb(file, group):
        group.create_dataset("power_density", (10**12,), "f8", chunks=(10**6,), compression="gzip")

    def sparse(file, group):
        group.create_dataset("power_density", (10**10,), "f8")

    def away(file, group):
        group["power_density"] = h5py.ExternalLink(str(tmp_path / "other.h5"), "/recordings/00001/power_density")

    def external(file, group):
        group.create_dataset("power_density", (10,), "f8", external=[("/etc/passwd", 0, 80)])

    assert "packed" in hostile(tmp_path, replaced(bomb))
    assert "more than it can hold" in hostile(tmp_path, replaced(sparse))
    assert "a link" in hostile(tmp_path, replaced(away))
    assert "stored elsewhere" in hostile(tmp_path, replaced(external))
    assert "no row" in hostile(tmp_path, replaced(lambda file, group: group.__setitem__("power_density", "text")))
    assert "missing" in hostile(tmp_path, replaced(lambda *_: None))
    assert "schema" in hostile(tmp_path, lambda file, group: file.attrs.__setitem__("schema", "other/1"))
    assert "no text of fixed length" in hostile(tmp_path, lambda file, group: group.attrs.__setitem__("taps", "many"))
    assert "damaged" in hostile(tmp_path, lambda file, group: group.attrs.__setitem__("taps", np.bytes_("many")))
    for data in (b"", b"\x89HDF\r\n\x1a\n", b"text\n", bytes(10_000)):
        (tmp_path / "x.h5").write_bytes(data)
        with pytest.raises(ExchangeError):
            read_spectra(tmp_path / "x.h5")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    places=st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 255)), min_size=1, max_size=8), cut=st.integers(0, 9)
)
def test_a_spoilt_hdf5_is_read_or_refused(tmp_path, places, cut):
    whole = bytearray(module._hdf_bytes(tmp_path / "f.h5", [some()]))
    for at, byte in places:
        whole[at] = byte
    (tmp_path / "f.h5").write_bytes(bytes(whole[: len(whole) - cut * 1000]))
    try:
        read_spectra(tmp_path / "f.h5")
    except ExchangeError as refused:
        assert str(refused).isprintable()


def test_from_the_command_line(tmp_path):
    import soundfile

    rng = np.random.default_rng(1)
    soundfile.write(tmp_path / "hiss.wav", 0.01 * rng.standard_normal(48_000), 48_000)
    demo = DEMO / "c01l.flac"
    for suffix in (".uff", ".h5"):
        path = tmp_path / f"good{suffix}"
        result = CliRunner().invoke(app, ["analyse", str(demo), "--spectra", str(path)])
        assert result.exit_code == 0 and path.stat().st_size > 10_000, result.stderr
    (back,) = read_spectra(tmp_path / "good.h5")
    assert (back.path, back.unit, len(back.decays)) == ("c01l.flac", "FS", len(analyse(read_recording(demo)).modes))
    result = CliRunner().invoke(app, ["analyse", str(tmp_path / "hiss.wav"), "--spectra", str(tmp_path / "s.uff")])
    assert result.exit_code == 4 and "no spectrum written" in result.stderr and not (tmp_path / "s.uff").exists()
    result = CliRunner().invoke(app, ["analyse", str(tmp_path / "hiss.wav"), "--spectra", str(tmp_path / "s.txt")])
    assert result.exit_code == 1 and "known suffix" in result.stderr
