"""The gate for recordings, against files whose bytes are laid out here after the published formats."""

import math
import os
import stat
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from taptest.config.limits import LIMITS
from taptest.core.errors import RecordingError, TaptestError
from taptest.io.recording import from_samples, read_recording

RATE_HZ = 48_000


def tapped(seconds: float = 0.5, channels: int = 1, rate_hz: int = RATE_HZ) -> np.ndarray:
    """A decaying 160 Hz tone: closed form, so every format can be compared with it."""
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    ring = 0.5 * np.exp(-6.0 * time_s) * np.sin(2 * np.pi * 160.0 * time_s)
    return np.column_stack([ring * (1 - 0.25 * channel) for channel in range(channels)])


def wav_bytes(samples: np.ndarray, *, rate_hz: int = RATE_HZ, data_size: int | None = None, bits: int = 16) -> bytes:
    """A WAV of 16-bit PCM: chunk layout of IBM and Microsoft, Multimedia Programming Interface, 1991 (from memory)."""
    channels = samples.shape[1]
    data = np.round(samples * 32767).astype("<i2").tobytes()
    frame = channels * bits // 8
    body = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, channels, rate_hz, rate_hz * frame, frame, bits)
    body += struct.pack("<4sI", b"data", len(data) if data_size is None else data_size) + data
    return struct.pack("<4sI4s", b"RIFF", min(4 + len(body), 0xFFFFFFFF), b"WAVE") + body


def refusal(path: Path | str) -> str:
    with pytest.raises(RecordingError) as refused:
        read_recording(path)
    message = str(refused.value)
    assert message.isprintable(), "a message must not carry control characters to a terminal"
    return message


# Half a quantisation step of the format, in full scale; the float formats keep 24 and 53 bits.
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(
    ("container", "subtype", "step"),
    [
        ("WAV", "PCM_U8", 2**-7),
        ("WAV", "PCM_16", 2**-15),
        ("WAV", "PCM_24", 2**-23),
        ("WAV", "PCM_32", 2**-31),
        ("WAV", "FLOAT", 2**-24),
        ("WAV", "DOUBLE", 2**-53),
        ("WAVEX", "PCM_24", 2**-23),
        ("RF64", "PCM_16", 2**-15),
        ("RF64", "DOUBLE", 2**-53),
        ("FLAC", "PCM_16", 2**-15),
        ("FLAC", "PCM_24", 2**-23),
        ("AIFF", "PCM_16", 2**-15),
        ("AIFF", "FLOAT", 2**-24),
        ("CAF", "PCM_24", 2**-23),
        ("CAF", "ALAC_16", 2**-15),
    ],
)
def test_lossless_formats_give_the_samples_back(tmp_path, container, subtype, step, channels):
    path = tmp_path / "tap.bin"  # told by content, not by name
    sent = tapped(channels=channels)
    soundfile.write(path, sent, RATE_HZ, format=container, subtype=subtype)
    got = read_recording(path)
    assert got.samples.shape == sent.shape
    assert got.samples.dtype == np.float64
    assert np.abs(got.samples - sent).max() <= step
    # Control: the same bound fails one sample later, so it can tell.
    assert np.abs(got.samples[1:] - sent[:-1]).max() > 2**-7
    assert (got.sample_rate_hz, got.channels, got.duration_s) == (RATE_HZ, channels, 0.5)
    assert (got.peak_full_scale, got.flags, got.path) == (1.0, (), str(path))


@pytest.mark.parametrize(("container", "subtype"), [("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III")])
def test_lossy_formats_are_read_and_flagged(tmp_path, container, subtype):
    path = tmp_path / "tap"
    soundfile.write(path, tapped(2.0), RATE_HZ, format=container, subtype=subtype)
    got = read_recording(path)
    assert got.flags == ("lossy",)
    assert got.duration_s == pytest.approx(2.0, rel=0.05)  # an encoder may pad by a block or two
    spectrum = np.abs(np.fft.rfft(got.samples[:, 0]))
    assert np.fft.rfftfreq(len(got.samples), 1 / RATE_HZ)[spectrum.argmax()] == pytest.approx(160.0, abs=1.0)


def test_a_hand_made_wav_is_read_exactly(tmp_path):
    path = tmp_path / "tap.wav"
    sent = tapped(channels=2)
    path.write_bytes(wav_bytes(sent))
    got = read_recording(path)
    # 16-bit PCM is read as integer / 32768.
    assert np.array_equal(got.samples, np.round(sent * 32767) / 32768)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 32_000, 44_100, 96_000, 192_000])
def test_every_rate_from_8_khz_is_read(tmp_path, rate_hz):
    path = tmp_path / "tap.wav"
    soundfile.write(path, tapped(rate_hz=rate_hz), rate_hz)
    got = read_recording(path)
    assert got.sample_rate_hz == rate_hz
    assert ("low-sample-rate" in got.flags) == (rate_hz < 32_000)


def test_a_float_file_above_full_scale_does_not_clip_at_one(tmp_path):
    path = tmp_path / "loud.wav"
    soundfile.write(path, 5 * tapped(), RATE_HZ, subtype="FLOAT")
    assert read_recording(path).peak_full_scale == math.inf
    soundfile.write(path, 5 * tapped(), RATE_HZ, subtype="PCM_16")
    assert read_recording(path).peak_full_scale == 1.0


def test_one_dead_channel_is_flagged_and_two_are_refused(tmp_path):
    path = tmp_path / "tap.wav"
    sound = tapped(channels=2)
    sound[:, 1] = 0.0
    soundfile.write(path, sound, RATE_HZ)
    assert read_recording(path).flags == ("silent-channel",)
    soundfile.write(path, 0 * sound, RATE_HZ)
    assert "every sample is zero; the microphone is muted" in refusal(path)


@pytest.mark.parametrize(
    ("container", "subtype"),
    [
        ("WAV", "PCM_16"),
        ("WAV", "PCM_24"),
        ("WAVEX", "FLOAT"),
        ("RF64", "PCM_16"),
        ("AIFF", "PCM_16"),
        ("CAF", "PCM_16"),
    ],
)
def test_truncation_is_found_at_every_kilobyte(tmp_path, container, subtype):
    whole = tmp_path / "whole"
    soundfile.write(whole, tapped(), RATE_HZ, format=container, subtype=subtype)
    data = whole.read_bytes()
    read_recording(whole)  # control: the whole file passes
    cut = tmp_path / "cut"
    for length in [*range(1, 64), *range(1024, len(data), 1024), len(data) - 2]:
        cut.write_bytes(data[:length])
        message = refusal(cut)
        assert "cut short" in message or (length < 16 and "not a sound file" in message), f"at {length}: {message}"


@pytest.mark.parametrize(
    ("container", "subtype"), [("FLAC", "PCM_16"), ("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", None)]
)
def test_truncation_of_compressed_sound_is_found_at_every_kilobyte(tmp_path, container, subtype):
    whole = tmp_path / "whole"
    sound = tapped(2.0) + np.random.default_rng(1).normal(0, 0.01, (2 * RATE_HZ, 1))
    soundfile.write(whole, sound, RATE_HZ, format=container, subtype=subtype)
    data = whole.read_bytes()
    read_recording(whole)
    cut = tmp_path / "cut"
    for length in range(1024, len(data) - 1, 1024):
        cut.write_bytes(data[:length])
        assert "cut short" in refusal(cut), f"at {length} of {len(data)}"


def test_an_ogg_that_ends_with_a_whole_page_but_not_the_last_one_is_cut_short(tmp_path):
    path = tmp_path / "tap.ogg"
    sound = tapped(3.0) + np.random.default_rng(1).normal(0, 0.05, (3 * RATE_HZ, 1))  # noise fills several pages
    soundfile.write(path, sound, RATE_HZ, format="OGG")
    data = path.read_bytes()
    path.write_bytes(data[: data.rfind(b"OggS")])
    assert soundfile.info(path).frames > 0  # the library takes it as complete
    assert "the last page of its sound is missing" in refusal(path)


def test_a_cut_mp3_is_named_with_its_bytes_and_a_short_delivery_is_never_accepted(tmp_path, monkeypatch):
    path = tmp_path / "tap.mp3"
    soundfile.write(path, tapped(2.0), RATE_HZ, format="MP3")
    data = path.read_bytes()
    path.write_bytes(data[:3000])
    assert f"3000 of {len(data)} bytes" in refusal(path)
    path.write_bytes(wav_bytes(tapped()))
    read_whole = soundfile.SoundFile.read
    monkeypatch.setattr(soundfile.SoundFile, "read", lambda sound, **how: read_whole(sound, **how)[:-1])
    assert "is cut short: it holds 0.500 s of the 0.500 s" in refusal(path)


def test_an_aiff_that_was_never_closed_is_refused(tmp_path):
    path = tmp_path / "open.aiff"
    soundfile.write(path, tapped(), RATE_HZ, format="AIFF")
    data = bytearray(path.read_bytes())
    # AIFF 1.3: the COMM chunk holds channels (2 bytes), then the number of frames (4 bytes), big-endian.
    at = data.index(b"COMM") + 8
    assert struct.unpack(">hI", data[at : at + 6]) == (1, 24_000)
    data[at + 2 : at + 6] = bytes(4)
    path.write_bytes(data)
    assert "says 0 frames although 48000 bytes of data follow" in refusal(path)


def test_the_naive_way_misses_a_truncated_wav(tmp_path):
    """Why the gate compares sizes: the library reads half a file and says nothing."""
    path = tmp_path / "cut.wav"
    data = wav_bytes(tapped())
    path.write_bytes(data[: len(data) // 2])
    assert 0 < len(soundfile.read(path)[0]) < 0.6 * 0.5 * RATE_HZ
    message = refusal(path)
    assert "cut.wav" in message and "of the 0.500 s its header announces" in message


def test_a_wav_that_was_never_closed_is_refused_with_the_bytes_that_follow(tmp_path):
    path = tmp_path / "open.wav"
    for size in (0, 0xFFFFFFFF):
        path.write_bytes(wav_bytes(tapped(), data_size=size))
        message = refusal(path)
        assert "48000 bytes of data follow" in message and "did not close the file" in message
    path.write_bytes(wav_bytes(tapped(), data_size=0)[:44])
    assert "holds no sound (0 frames)" in refusal(path)


def test_chunks_before_and_after_the_sound_do_not_matter_but_unexplained_bytes_are_flagged(tmp_path):
    path = tmp_path / "tap.wav"
    data = wav_bytes(tapped())
    note = b"LIST" + struct.pack("<I", 5) + b"hello\0"  # an odd length is padded
    path.write_bytes(data[:12] + note + data[12:] + note)
    assert read_recording(path).flags == ()
    assert len(read_recording(path).samples) == 24_000
    path.write_bytes(data + bytes(range(128, 256)) * 100)
    assert read_recording(path).flags == ("bytes-after-sound",)


@pytest.mark.parametrize("claim", [0xFFFFFFFE, 0x7FFFFFFE, 0x10000000])
def test_a_header_that_claims_gigabytes_allocates_nothing(tmp_path, claim):
    path = tmp_path / "huge.wav"
    path.write_bytes(wav_bytes(tapped(), data_size=claim))
    assert str(claim) in refusal(path)


def test_compressed_claims_are_refused_before_decoding(tmp_path):
    path = tmp_path / "huge.flac"
    soundfile.write(path, tapped(), RATE_HZ, format="FLAC")
    data = bytearray(path.read_bytes())
    # RFC 9639, section 8.2: the last 36 of the 64 bits from byte 18 on count the frames.
    data[21] |= 0x0F
    data[22:26] = b"\xff\xff\xff\xff"
    path.write_bytes(data)
    message = refusal(path)
    assert str(2**36 - 1) in message and f"{LIMITS.format.most_decoded_bytes / 1e6:.0f} MB" in message
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    path.write_bytes(data)
    assert "does not say how long" in refusal(path)


def test_a_long_recording_is_refused_with_the_numbers_before_decoding(tmp_path):
    path = tmp_path / "night.wav"
    with path.open("wb") as stream:
        header = wav_bytes(tapped()[:1], rate_hz=8_000, data_size=8_000 * 2 * 7_300)[:44]
        stream.write(header)
        stream.truncate(44 + 8_000 * 2 * 7_300)  # sparse: no disk is used
    message = refusal(path)
    assert "121.7 min" in message and "at most 120 min" in message and "cut out the part" in message


def test_absurd_channels_and_rates_are_refused(tmp_path):
    path = tmp_path / "odd.wav"
    path.write_bytes(wav_bytes(np.full((8_000, 65), 0.1)))
    assert "65 channels" in refusal(path)
    path.write_bytes(wav_bytes(tapped(), rate_hz=4_000))
    assert "4000 Hz; at least 8000 Hz" in refusal(path)
    path.write_bytes(wav_bytes(tapped(), rate_hz=2_000_000_000))
    refusal(path)


@pytest.mark.parametrize(("value", "word"), [(math.nan, "NaN"), (math.inf, "infinite"), (-math.inf, "infinite")])
def test_values_that_are_no_numbers_are_named_by_channel_and_frame(tmp_path, value, word):
    path = tmp_path / "bad.wav"
    sound = tapped(channels=2)
    sound[4_800:, 1] = value
    soundfile.write(path, sound, RATE_HZ, subtype="FLOAT")
    message = refusal(path)
    assert word in message and "channel 2" in message and "frame 4800 (0.100 s)" in message


PHONE = b"\0\0\0\x20ftypM4A \0\0\0\0M4A mp42isom" + bytes(2_000)
FOREIGN = [
    ("empty.wav", b"", ["empty (0 bytes)", "record or copy it again"]),
    ("text.wav", b"ski_id,mass_g\n01,520\n", ["not a sound file", "ski_id,mass_g", "WAV, RF64, FLAC"]),
    ("escape.wav", b"\x1b]0;owned\x07" * 9, ["not a sound file"]),
    ("zeros.wav", bytes(5_000), ["not a sound file"]),
    ("phone.m4a", PHONE, ["damaged phone recording", "copy it again"]),
    ("phone.3gp", PHONE.replace(b"M4A ", b"3gp4"), ["damaged phone recording", "copy it again"]),
    ("phone.amr", b"#!AMR\n" + bytes(200), ["damaged phone recording", "copy it again"]),
    ("stream.aac", b"\xff\xf1\x50\x80" + bytes(500), ["damaged phone recording", "copy it again"]),
    ("head.wav", b"RIFF", ["cut short inside its header"]),
    ("nodata.wav", wav_bytes(tapped())[:36], ["cut short inside its header"]),
    ("avi.wav", b"RIFF\x10\0\0\0AVI LIST" + bytes(500), ["not a sound file"]),
    ("id3.mp3", b"ID3\x04\0\0\x7f\x7f\x7f\x7f" + bytes(50), ["cut short"]),
    ("noise.mp3", b"\xff\xfb\x90\x64" + bytes(range(256)) * 20, []),
    ("short.wav", wav_bytes(tapped(0.05)), ["lasts 0.0500 s (2400 frames)", "at least 0.1 s"]),
    ("one.wav", wav_bytes(tapped()[:1]), ["shorter than a tap"]),
    ("same.wav", wav_bytes(np.full((9_600, 1), 0.25)), ["silent", "the same value"]),
    ("zip.flac", b"PK\x03\x04" + bytes(100), ["not a sound file"]),
]


@pytest.mark.parametrize(("name", "data", "parts"), FOREIGN, ids=[case[0] for case in FOREIGN])
def test_files_that_are_no_recording_are_named_with_a_remedy(tmp_path, name, data, parts):
    path = tmp_path / name
    path.write_bytes(data)
    message = refusal(path)
    assert name in message
    for part in parts:
        assert part in message


def test_missing_files_folders_and_devices(tmp_path):
    (tmp_path / "tap_17.wav").write_bytes(wav_bytes(tapped()))
    message = refusal(tmp_path / "tap_71.wav")
    assert str(tmp_path) in message and "tap_71.wav: not found" in message and "did you mean tap_17.wav?" in message
    assert "there is no folder" in refusal(tmp_path / "nowhere" / "tap.wav")
    assert "is a folder" in refusal(tmp_path)
    assert "cannot be read" in refusal("tap\0.wav")
    assert "cannot be read" in refusal("x" * 5_000 + ".wav")
    assert "\x1b" not in refusal("\x1b[31mred.wav")
    if os.name == "posix":
        os.mkfifo(tmp_path / "pipe.wav")
        assert "a pipe or a device" in refusal(tmp_path / "pipe.wav")
        (tmp_path / "loop.wav").symlink_to(tmp_path / "loop.wav")
        assert "cannot be read" in refusal(tmp_path / "loop.wav")


def test_a_file_called_minus_is_read_from_disk_not_from_standard_input(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("-").write_bytes(wav_bytes(tapped()))
    assert read_recording("-").duration_s == 0.5
    Path("tap.raw").write_bytes(wav_bytes(tapped()))
    assert "rename it" in refusal("tap.raw")


def test_permission_and_memory_failures_are_errors_of_our_own(tmp_path, monkeypatch):
    path = tmp_path / "tap.wav"
    path.write_bytes(wav_bytes(tapped()))
    for failure, part in (
        (PermissionError(13, "Permission denied"), "permission denied"),
        (OSError(5, "Input/output error"), "Input/output error"),
        (MemoryError(), "memory"),
    ):

        def fail(*_: object, failure: BaseException = failure, **__: object) -> None:
            raise failure

        with monkeypatch.context() as patch:
            patch.setattr(Path, "open", fail)
            assert part in refusal(path)
    with monkeypatch.context() as patch:
        patch.setattr(
            soundfile.SoundFile, "read", lambda *_, **__: (_ for _ in ()).throw(RuntimeError("decoder: lost"))
        )
        assert "damaged" in refusal(path)


def test_arrays_pass_the_same_gate():
    ring = tapped()
    assert from_samples(ring[:, 0], RATE_HZ).samples.shape == (24_000, 1)
    assert from_samples(tapped(channels=2), RATE_HZ, name="bench").path == "bench"
    integer = np.round(ring * 32767).astype(np.int16)
    assert np.array_equal(from_samples(integer, RATE_HZ).samples, integer / 32768)
    wide = (integer.astype(np.int32) << 16)[:, 0]
    assert np.array_equal(from_samples(wide, RATE_HZ).samples, integer / 32768)
    assert from_samples(5 * ring, RATE_HZ).peak_full_scale == math.inf
    ring32 = ring.astype(np.float32)
    kept = from_samples(ring32, RATE_HZ)
    ring32[:] = np.nan
    assert np.isfinite(kept.samples).all(), "the validated copy must not change with the caller's array"


@pytest.mark.parametrize(
    ("samples", "rate", "part"),
    [
        (np.zeros(48_000), 48_000, "silent"),
        (np.zeros((0, 1)), 48_000, "0 frames"),
        (np.ones((2, 2, 2)), 48_000, "shape (2, 2, 2)"),
        (np.ones((2, 48_000)), 48_000, "48000 channels"),
        (np.float64(3.0), 48_000, "shape ()"),
        (np.ones(48_000, dtype=complex), 48_000, "complex128"),
        (np.ones(48_000, dtype=np.uint8), 48_000, "uint8"),
        (["a"], 48_000, "give floating-point"),
        ([[1.0], [1.0, 2.0]], 48_000, "regular array"),
        (np.ones(48_000), 48_000.5, "whole number of hertz"),
        (np.ones(48_000), True, "whole number of hertz"),
        (np.ones(48_000), 0, "at least 8000 Hz"),
        (np.ones(100), 48_000, "shorter than a tap"),
        (np.append(np.ones(48_000), np.nan), 48_000, "frame 48000"),
        (np.linspace(-1, 1, 48_000) * 1e200, 48_000, "1e+200 times full scale"),
        (np.linspace(-1, 1, 48_000) * 1e-200, 48_000, "every sample is zero"),
    ],
)
def test_arrays_that_are_no_recording(samples, rate, part):
    with pytest.raises(RecordingError, match="samples: ") as refused:
        from_samples(samples, rate)
    assert part in str(refused.value)


HEADS = [b"RIFF\x24\xbb\0\0WAVEfmt ", b"RF64\xff\xff\xff\xffWAVEds64", b"FORM\0\0\1\0AIFFCOMM", b"caff\0\1\0\0desc"]
HEADS += [b"fLaC\0\0\0\x22", b"OggS\0\2", b"ID3\4\0\0\0\0\0\0", b"\xff\xfb\x90\x64", b"", wav_bytes(tapped())[:44]]


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(head=st.sampled_from(HEADS), body=st.binary(max_size=400))
def test_any_bytes_are_a_recording_or_a_clear_refusal(tmp_path, head, body):
    path = tmp_path / "any"
    path.write_bytes(head + body)
    try:
        assert np.isfinite(read_recording(path).samples).all()
    except TaptestError as refused:
        assert str(refused).isprintable()


@settings(deadline=None, max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    container=st.sampled_from(["WAV", "RF64", "FLAC", "OGG", "MP3", "AIFF", "CAF"]),
    at=st.floats(0, 1),
    byte=st.binary(min_size=1, max_size=4),
    near_start=st.booleans(),
)
def test_any_damage_to_a_good_file_is_a_recording_or_a_clear_refusal(tmp_path, container, at, byte, near_start):
    whole = tmp_path / f"whole.{container}"
    if not whole.exists():
        soundfile.write(whole, tapped(0.2), RATE_HZ, format=container)
    data = bytearray(whole.read_bytes())
    start = int(at * (min(len(data), 200) if near_start else len(data) - 1))
    data[start : start + len(byte)] = byte
    path = tmp_path / "damaged"
    path.write_bytes(data)
    try:
        assert read_recording(path).samples.size * 8 <= LIMITS.format.most_decoded_bytes
    except TaptestError as refused:
        assert str(refused).isprintable()


def test_importing_the_gate_loads_no_sound_library():
    code = "import sys, taptest.io.recording; sys.exit('soundfile' in sys.modules or 'scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_reading_leaves_the_file_alone(tmp_path):
    path = tmp_path / "tap.wav"
    path.write_bytes(wav_bytes(tapped()))
    path.chmod(stat.S_IRUSR)
    before = path.read_bytes()
    read_recording(path)
    assert path.read_bytes() == before
