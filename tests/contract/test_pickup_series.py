"""Time series of pickups pass the one gate: text and universal files, their units, their sampling and their faults."""

from __future__ import annotations

import subprocess
import sys
import warnings

import numpy as np
import pytest
import pyuff
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from taptest.core.errors import RecordingError
from taptest.io.recording import read_recording
from taptest.io.series import Reading, Sensitivity, clipped_at, known_unit
from taptest.io.universal import read_functions

RATE_HZ = 1024.0
TIME_S = np.arange(2048) / RATE_HZ
WAVE = np.exp(-3 * TIME_S) * np.sin(2 * np.pi * 30 * TIME_S)  # closed form; peak below 1


def text(tmp_path, content, name="p.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
    return path


def lines(values, *, time=True, mark=",", decimal="."):
    rows = (f"{t:.9f}{mark}{v:.9g}" if time else f"{v:.9g}" for t, v in zip(TIME_S, values, strict=False))
    return "\n".join(row.replace(".", decimal) for row in rows) + "\n"


def in_si(recording, channel=0):
    each = recording.pickup.channels[channel]
    return recording.samples[:, channel] * each.full_scale + each.offset


def refusal(path, reading=None):
    with pytest.raises(RecordingError) as refused:
        read_recording(path, reading)
    assert str(refused.value).isprintable()
    return str(refused.value)


# Factors: SI units (BIPM, SI brochure, 9th edition [from memory]); standard gravity 9.80665 m/s2 (3rd CGPM, 1901).
@pytest.mark.parametrize(
    ("heading", "quantity", "factor"),
    [
        ("acceleration_g", "acceleration", 9.80665),
        ("acceleration_m_per_s2", "acceleration", 1.0),
        ("Acceleration (m/s²)", "acceleration", 1.0),
        ("Acceleration [m/s^2]", "acceleration", 1.0),
        ("X (mg)", "acceleration", 9.80665e-3),
        ("velocity_mm_per_s", "velocity", 1e-3),
        ("Velocity (m/s)", "velocity", 1.0),
        ("voltage_v", "voltage", 1.0),
        ("Pickup 1 (mV)", "voltage", 1e-3),
    ],
)
def test_a_heading_says_the_unit(tmp_path, heading, quantity, factor):
    recording = read_recording(text(tmp_path, f"time_s,{heading}\n{lines(WAVE)}"))
    assert recording.pickup.channels[0].quantity == quantity
    assert recording.sample_rate_hz == 1024 and recording.flags == ()
    assert in_si(recording) == pytest.approx(WAVE * factor, rel=1e-6, abs=1e-8 * factor)
    assert np.abs(recording.samples).max() == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        ("Time;Pickup\ns;m/s²\n" + lines(WAVE, mark=";", decimal=","), "utf-8-sig"),
        ("Time\tPickup\ns\tm/s²\n" + lines(WAVE, mark="\t"), "utf-16"),
        ("time [s],accel (m/s²)\n" + lines(WAVE), "cp1252"),
        ("# made somewhere\n\ntime_s,acceleration_m_per_s2\n" + lines(WAVE).replace("\n", "\r\n"), "utf-8"),
        ('"time_s","acceleration_m_per_s2"\n' + lines(WAVE), "utf-8"),
        ("# sample_rate_hz: 1024\nacceleration_m/s2\n" + lines(WAVE, time=False), "utf-8"),
    ],
)
def test_text_as_several_programs_write_it(tmp_path, content, encoding):
    recording = read_recording(text(tmp_path, content, encoding=encoding))
    assert recording.pickup.sample_rate_hz == pytest.approx(1024, rel=1e-6)
    assert in_si(recording) == pytest.approx(WAVE, rel=1e-6, abs=1e-8)


def test_a_displacement_is_read_as_a_velocity(tmp_path):
    recording = read_recording(text(tmp_path, f"time_s,displacement_um\n{lines(WAVE)}"))
    assert (recording.pickup.channels[0].quantity, recording.pickup.channels[0].unit) == ("velocity", "m/s")
    # The derivative of the closed form, half a sample earlier.
    middle = TIME_S[1:] - 0.5 / RATE_HZ
    omega = 2 * np.pi * 30
    slope = np.exp(-3 * middle) * (omega * np.cos(omega * middle) - 3 * np.sin(omega * middle)) * 1e-6
    assert in_si(recording)[1:] == pytest.approx(slope, abs=2e-3 * np.abs(slope).max())


def test_time_in_milliseconds(tmp_path):
    content = "time_ms,velocity_m_per_s\n" + "".join(f"{1000 * t:.6f},{v}\n" for t, v in zip(TIME_S, WAVE, strict=True))
    assert read_recording(text(tmp_path, content)).pickup.sample_rate_hz == pytest.approx(1024, rel=1e-6)


def test_sample_rate_and_sensitivity_can_be_given(tmp_path):
    path = text(tmp_path, "voltage_mv\n" + lines(1000 * WAVE, time=False))
    assert "--sample-rate" in refusal(path)
    recording = read_recording(path, Reading(1024.0, Sensitivity.parse("100 mV/g")))
    # 1 V at 100 mV/g is 10 g.
    assert in_si(recording) == pytest.approx(WAVE * 10 * 9.80665, rel=1e-6, abs=1e-6)
    assert (recording.pickup.channels[0].quantity, recording.pickup.channels[0].unit) == ("acceleration", "m/s²")
    assert Sensitivity.parse("4 V/(m/s)").volt_per_si == 4.0
    assert Sensitivity.parse("10.2mV/(m/s2)").volt_per_si == pytest.approx(0.0102)
    for wrong in ("100", "100 mV", "mV/g", "-1 mV/g", "0 mV/g", "100 g/mV", "1 V/V", "1 V/kg"):
        with pytest.raises(RecordingError, match="100 mV/g"):
            Sensitivity.parse(wrong)
    timed = text(tmp_path, f"time_s,voltage_v\n{lines(WAVE)}", "t.csv")
    assert read_recording(timed, Reading(1024.2)).sample_rate_hz == 1024
    assert "leave out the wrong one" in refusal(timed, Reading(2048.0))


def test_other_columns_are_left_out_and_it_is_said(tmp_path):
    content = "time_s,temperature_c,acceleration_g,remark\n" + "".join(
        f"{t:.9f},20,{v:.9g},fine\n" for t, v in zip(TIME_S, WAVE, strict=True)
    )
    assert read_recording(text(tmp_path, content)).flags == ("columns-left-out",)


def test_a_rate_that_is_no_whole_number_is_kept_and_the_samples_go_to_the_next(tmp_path):
    time_s = np.arange(4000) / 333.3
    wave = np.sin(2 * np.pi * 60 * time_s) * np.exp(-((time_s - 6) ** 2))
    content = "time_s,acceleration_g\n" + "".join(f"{t:.12f},{v:.12g}\n" for t, v in zip(time_s, wave, strict=True))
    recording = read_recording(text(tmp_path, content))
    assert recording.pickup.sample_rate_hz == pytest.approx(333.3, rel=1e-9)
    assert recording.sample_rate_hz == 334
    there = np.arange(len(recording.samples)) / 334
    exact = np.sin(2 * np.pi * 60 * there) * np.exp(-((there - 6) ** 2))
    assert in_si(recording) / 9.80665 == pytest.approx(exact, abs=1e-4)  # -80 dB


UNEVEN = TIME_S + 0.0
UNEVEN[1000:] += 0.3 / RATE_HZ
BAD_TEXT = [
    ("", "empty"),
    ("time_s,acceleration_g\n", "0 lines below"),
    ("time_s,acceleration_g\n0,1\n", "1 samples"),
    ("0,1\n0.1,2\n", "no heading"),
    ("time_s,acceleration\n0,1\n", "in which unit"),
    ("time_s,acceleration_kg\n0,1\n", "in which unit"),
    ("time_s,temperature_c\n0,1\n", "no column is a motion"),
    ("acceleration_g\n1\n2\n", "no time column"),
    ("time_s,time_ms,acceleration_g\n0,0,1\n", "2 time columns"),
    ("time,velocity\ns,m/s2\n0,1\n", "not a unit of velocity"),
    ("time,velocity\nh,m/s\n0,1\n", "its time is in 'h'"),
    ("time_s,acceleration_g\n0,1\n0.001,x\n", "line 3, column 'acceleration_g': found 'x'"),
    ("time_s,acceleration_g\n0,1\n0.001\n", "line 3, column 'acceleration_g': found nothing"),
    ("time_s,acceleration_g\n0,1\n0.001,nan\n0.002,1\n", "NaN at line 3"),
    ("time_s,acceleration_g\n0,1\n0.001,inf\n0.002,1\n", "infinite value at line 3"),
    ("time_s,acceleration_g\n0,1\n0.001,1e999\n0.002,1\n", "infinite value at line 3"),
    ("time_s,acceleration_g\n0,1\n0.002,1\n0.001,1\n", "does not increase at line 4"),
    ("time_s,acceleration_g\n0,1\n0.001,1\n0.001,1\n", "does not increase at line 4"),
    ("time_s,acceleration_g\n" + "".join(f"{t:.9f},{v}\n" for t, v in zip(UNEVEN, WAVE, strict=True)), "unevenly"),
    ("time_s,acceleration_g\n" + "".join(f"{i / 50},{i % 7}\n" for i in range(500)), "at least 200 Hz"),
    ("time_s,acceleration_g\n" + "".join(f"{i / 500},1\n" for i in range(500)), "is silent"),
    ("time_s,acceleration_g\n" + "".join(f"{i / 500},{i}\n" for i in range(9)), "shorter than a tap"),
    ('time_s,acceleration_g\n"0,1\n0.001,1\n', "line 2|its time"),
    ("time_s,acceleration_g\n0,1\n" + "9" * 50_000 + ",1\n", "line"),
    ("# sample_rate_hz: 1e99\nacceleration_g\n1\n", "sample rate"),
    (b"time_s,acceleration_g\n\0\0\0", "binary"),
    (b"fLaC" + bytes(100), "binary"),
    (b"\xff\xfeab", "no table|no heading|not say|motion"),
    ("\x1b[31mtime_s,acceleration_g", "no column|0 lines|holds"),
    ("time_s," + ",".join(f"x{i} (g)" for i in range(70)) + "\n0\n", "at most 64"),
]


@pytest.mark.parametrize(("content", "part"), BAD_TEXT, ids=[part for _, part in BAD_TEXT])
def test_a_text_with_a_fault_is_refused_in_words(tmp_path, content, part):
    import re

    assert re.search(part, refusal(text(tmp_path, content)))


def test_a_sound_file_takes_no_sample_rate(tmp_path):
    import soundfile

    soundfile.write(tmp_path / "a.wav", WAVE, 8000)
    assert "--sample-rate" in refusal(tmp_path / "a.wav", Reading(8000.0))


def test_units_however_they_are_spelt():
    for spelt in ("m/s²", "m/s^2", "M/S2", "m_per_s2", "(m/s2)", "m/s/s", "m/sec2", " m / s² "):
        assert known_unit(spelt) == "m/s²"
    assert known_unit("mV") == "mV" and known_unit("μm/s") == "µm/s"
    assert known_unit("kg") is None and known_unit("") is None


def test_flat_tops_are_clipping_and_rounded_tops_are_not():
    time = np.arange(20_000) / 10_000
    wave = np.exp(-2 * time) * np.sin(2 * np.pi * 28 * time)
    for step in (0.0, 1e-4, 2e-3, 0.02):  # resolutions, down to one of a few bits
        rounded = np.round(wave / step) * step if step else wave
        assert len(clipped_at(rounded)) == 0, step
        cut = np.clip(rounded, -0.6, 0.6)
        assert len(clipped_at(cut)) >= 2, step
    one_sided = np.minimum(wave, 0.5)
    assert len(clipped_at(one_sided)) >= 1
    assert len(clipped_at(np.zeros(100))) == 0


# --- universal files


def universal(path, *series, binary=0, kind=1, unit="m/s^2", quantity=12, even=1, x=TIME_S, label="tip"):
    """By pyuff, another reader and writer of the format."""
    for number, values in enumerate(series, 1):
        data = pyuff.prepare_58(
            binary=binary, func_type=kind, id1=label, rsp_ent_name="ski", rsp_node=number, rsp_dir=3, ref_ent_name="NONE",
            ref_node=0, ref_dir=0, ver_num=0, load_case_id=0, data=values, x=x, abscissa_spacing=even, abscissa_min=float(x[0]),
            abscissa_inc=float(x[1] - x[0]), abscissa_spec_data_type=17, ordinate_spec_data_type=quantity,
            ordinate_axis_units_lab=unit, orddenom_spec_data_type=0, z_axis_spec_data_type=0, z_axis_value=0.0,
        )  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # it leaves a file open where it writes binary values
            pyuff.UFF(str(path)).write_sets(data, mode="add")
    return path


@pytest.mark.parametrize("binary", [0, 1])
@pytest.mark.parametrize("unit", ["m/s^2", "g", "NONE"])
def test_what_another_writer_wrote_is_read(tmp_path, binary, unit):
    path = universal(tmp_path / "p.uff", WAVE, 0.5 * WAVE, binary=binary, unit=unit)
    recording = read_recording(path)
    assert recording.channels == 2 and recording.sample_rate_hz == 1024
    factor = 9.80665 if unit == "g" else 1.0
    assert in_si(recording, 1) == pytest.approx(0.5 * WAVE * factor, rel=1e-9, abs=1e-9)
    assert recording.pickup.channels[0].unit == ("" if unit == "NONE" else "m/s²")
    assert recording.pickup.channels[0].quantity == "acceleration"


def test_complex_and_uneven_values_as_pyuff_reads_them(tmp_path):
    x = np.geomspace(1, 2, 50)
    values = np.exp(1j * np.arange(50)) * 1e-3
    path = universal(tmp_path / "c.uff", values, kind=4, even=0, x=x)
    (mine,) = read_functions("c.uff", path.read_bytes())
    theirs = pyuff.UFF(str(path)).read_sets()
    theirs = theirs[0] if isinstance(theirs, list) else theirs
    assert mine.type_name == "frequency response function"
    assert mine.values == pytest.approx(theirs["data"], rel=1e-12)
    assert mine.abscissa == pytest.approx(x, rel=1e-4)


def test_the_other_byte_order_and_crlf(tmp_path):
    path = universal(tmp_path / "p.uff", WAVE, binary=1)
    data = path.read_bytes()
    start = data.index(b"\n", data.rindex(b"NONE")) + 1
    values = np.frombuffer(data[start : start + 8 * len(WAVE)], "<f8")
    assert values == pytest.approx(WAVE)
    big = (
        data[:start].replace(b"58b     1", b"58b     2", 1)
        + values.astype(">f8").tobytes()
        + data[start + 8 * len(WAVE) :]
    )
    path.write_bytes(big)
    assert in_si(read_recording(path)) == pytest.approx(WAVE, abs=1e-9)
    path.write_bytes(data.replace(b"58b     1", b"58b     2", 1))  # a lie about the order
    refusal(path)
    crlf = universal(tmp_path / "t.uff", WAVE)
    crlf.write_bytes(crlf.read_bytes().replace(b"\n", b"\r\n"))
    assert in_si(read_recording(crlf)) == pytest.approx(WAVE, abs=1e-9)


def test_what_is_no_time_response_of_a_motion_is_refused_in_words(tmp_path):
    assert "frequency response function" in refusal(universal(tmp_path / "a.uff", WAVE, kind=4))
    assert "forces only" in refusal(universal(tmp_path / "b.uff", WAVE, quantity=13, unit="N"))
    assert "acceleration by its type but in mm/s" in refusal(universal(tmp_path / "c.uff", WAVE, unit="mm/s"))
    assert "is in 'psi'" in refusal(universal(tmp_path / "d.uff", WAVE, unit="psi"))
    path = universal(tmp_path / "e.uff", WAVE)
    universal(path, WAVE[:1000], x=TIME_S[:1000])
    assert "different lengths" in refusal(path)
    path = universal(tmp_path / "f.uff", WAVE)
    universal(path, WAVE, kind=4)
    assert read_recording(path).flags == ("columns-left-out",)
    path = universal(tmp_path / "g.uff", WAVE)
    number = f"{WAVE[1]:20.11e}".encode()
    path.write_bytes(path.read_bytes().replace(number, b"nan".rjust(len(number)), 1))
    assert "NaN at sample 2" in refusal(path)
    assert "says 1024 Hz itself" in refusal(universal(tmp_path / "h.uff", WAVE), Reading(2000.0))
    (tmp_path / "i.uff").write_text("time_s,acceleration_g\n0,1\n", encoding="utf-8")
    assert "does not begin like a universal file" in refusal(tmp_path / "i.uff")
    (tmp_path / "j.uff").write_text("    -1\n   151\nmodel\n    -1\n", encoding="utf-8")
    assert "only other datasets" in refusal(tmp_path / "j.uff")
    # What pyuff leaves behind when it is asked to overwrite with a binary set.
    (tmp_path / "k.uff").write_bytes(b"    -1\n")
    assert "does not begin like" in refusal(tmp_path / "k.uff")


@pytest.mark.parametrize("binary", [0, 1])
def test_a_universal_file_cut_anywhere_is_refused(tmp_path, binary):
    whole = universal(tmp_path / "p.uff", WAVE[:300], binary=binary, x=TIME_S[:300]).read_bytes()
    read_recording(tmp_path / "p.uff")  # control: the whole file passes
    body = len(whole.rstrip().removesuffix(b"-1").rstrip(b" "))
    for length in range(1, body, 97):
        (tmp_path / "p.uff").write_bytes(whole[:length])
        assert "p.uff" in refusal(tmp_path / "p.uff")


AXIS = f"{17:10d}    0    0    0 NONE                 s\n"
LENGTH_BOMB = (
    f"    -1\n    58\n{'NONE' * 5}\n"
    + "NONE\n" * 4
    + f"    1{' ' * 70}\n{4:10d}{2_000_000_000:10d}{1:10d}{0.0:13.5e}{0.001:13.5e}{0.0:13.5e}\n{AXIS * 4}1.0 2.0\n    -1\n"
)


@pytest.mark.parametrize("kind", ["uff", "csv", "long-line", "no-line-end"])
def test_a_claimed_length_takes_no_memory(tmp_path, kind):
    path = tmp_path / ("b.uff" if kind == "uff" else "b.csv")
    if kind == "uff":
        path.write_text(LENGTH_BOMB, encoding="utf-8")
    elif kind == "csv":
        path.write_bytes(b"time_s,acceleration_g\n" + b"\n" * 100_000_000)
    elif kind == "long-line":
        path.write_bytes(b"time_s,acceleration_g\n0,1\n" + b"1" * 100_000_000)
    else:
        path.write_bytes(b"a" * 130_000_000)
    code = (
        "import resource\nresource.setrlimit(resource.RLIMIT_AS, (1_000_000_000, 1_000_000_000))\n"
        "from taptest.core.errors import RecordingError\nfrom taptest.io.recording import read_recording\n"
        f"try:\n    read_recording({str(path)!r})\nexcept RecordingError as refused:\n    print(refused)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0 and done.stdout.count("\n") == 1, done.stderr
    assert "memory" not in done.stdout


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_spoilt_file_is_a_recording_or_an_error_of_ours(tmp_path, data):
    suffix = data.draw(st.sampled_from((".csv", ".uff")))
    path = tmp_path / f"any{suffix}"
    if suffix == ".csv":
        whole = ("time_s,acceleration_g\n" + lines(WAVE[:300])).encode()
    else:
        whole = _universal_sample(tmp_path, data.draw(st.integers(0, 1)))
    spoilt = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, min(len(spoilt) - 1, 1200)))
        what = data.draw(st.sampled_from((b"", b"-", b"\0", b"9", b"e", b"\n", b" ", b",", b'"', b"\xff", b"nan")))
        spoilt[at : at + data.draw(st.integers(0, 3))] = what
    path.write_bytes(bytes(spoilt) or b" ")
    try:
        assert np.isfinite(read_recording(path).samples).all()
    except RecordingError as refused:
        assert str(refused).isprintable()


_SAMPLES: dict[int, bytes] = {}


def _universal_sample(tmp_path, binary):
    if binary not in _SAMPLES:
        _SAMPLES[binary] = universal(
            tmp_path / f"sample{binary}.uff", WAVE[:300], binary=binary, x=TIME_S[:300]
        ).read_bytes()
    return _SAMPLES[binary]
