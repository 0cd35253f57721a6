"""Sources that are no microphone: their samples as they are, at their pace, ended from outside, and bad input named."""

import os
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from taptest.capture.sources import BlocksSource, FileSource, PipeSource
from taptest.capture.stream import Block
from taptest.core.errors import CaptureError, RecordingError

RATE_HZ = 8_000


def samples(count: int = 8_000, channels: int = 1) -> np.ndarray:
    return np.random.default_rng(1).uniform(-0.9, 0.9, (count, channels))


def collected(source) -> np.ndarray:
    return np.concatenate([block.samples for block in source.blocks()])


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_a_file_is_replayed_bit_for_bit(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "taps.flac"
    soundfile.write(path, samples(channels=2), RATE_HZ, subtype=subtype)
    source = FileSource(path, None)
    assert (source.name, source.sample_rate_hz, source.channels) == ("taps.flac", RATE_HZ, 2)
    np.testing.assert_array_equal(collected(source), soundfile.read(path)[0])


def test_a_file_is_replayed_at_its_pace(tmp_path: Path) -> None:
    path = tmp_path / "taps.wav"
    soundfile.write(path, samples(), RATE_HZ)
    started, first = time.monotonic(), []
    for block in FileSource(path, speed=4.0).blocks():
        first.append(time.monotonic() - started)
        assert len(block.samples) == 160
    # A second of sound at four times its speed: no block before its time.
    due = np.arange(1, 51) * 0.02 / 4
    assert np.all(np.array(first) >= due - 1e-3)


def test_a_source_is_ended_from_another_thread(tmp_path: Path) -> None:
    path = tmp_path / "taps.wav"
    soundfile.write(path, samples(60 * RATE_HZ), RATE_HZ)
    source = FileSource(path, 1.0)
    threading.Timer(0.2, source.close).start()
    count = sum(1 for _ in source.blocks())
    source.close()
    assert 0 < count < 3000


def test_bad_files_are_refused_as_everywhere(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="not found"):
        FileSource(tmp_path / "none.wav")
    (tmp_path / "text.wav").write_text("no sound")
    with pytest.raises(RecordingError):
        FileSource(tmp_path / "text.wav")
    soundfile.write(tmp_path / "taps.wav", samples(), RATE_HZ)
    for speed in (0.0, -1.0, float("nan")):
        with pytest.raises(CaptureError, match="speed"):
            FileSource(tmp_path / "taps.wav", speed)


def test_blocks_made_elsewhere() -> None:
    given = [np.zeros(10, np.float32), np.ones((5, 1), np.float32), Block(np.ones((2, 1), np.float32), lost_frames=7)]
    blocks = list(BlocksSource(given, RATE_HZ, 1).blocks())
    assert [block.samples.shape for block in blocks] == [(10, 1), (5, 1), (2, 1)]
    assert [block.lost_frames for block in blocks] == [0, 0, 7]
    with pytest.raises(CaptureError, match="2 channels; 1 were announced"):
        list(BlocksSource([np.zeros((3, 2), np.float32)], RATE_HZ, 1).blocks())


posix = pytest.mark.skipif(os.name != "posix", reason="named pipes are POSIX")


def written(path: Path, data: bytes, piece: int = 1001) -> threading.Thread:
    """Write from another thread, in pieces that do not end where frames do."""

    def write() -> None:
        with path.open("wb", buffering=0) as pipe:
            for start in range(0, len(data), piece):
                pipe.write(data[start : start + piece])

    thread = threading.Thread(target=write, daemon=True)
    thread.start()
    return thread


@posix
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("kind", ["s16", "s24", "f32"])
def test_a_pipe_is_read_bit_for_bit(tmp_path: Path, kind: str, channels: int) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    values = samples(5_000, channels)
    # What each format is, without the code under test: integers of 16 and 24 bits, least significant byte first.
    if kind == "s16":
        whole = np.round(values * 2**15).astype("<i2")
        data, expected = whole.tobytes(), whole / 2**15
    elif kind == "s24":
        integers = np.round(values * 2**23).astype(int)
        data = b"".join(int(i).to_bytes(3, "little", signed=True) for i in integers.ravel())
        expected = integers / 2**23
    else:
        data, expected = values.astype("<f4").tobytes(), values.astype(np.float32)
    written(path, data)
    source = PipeSource(path, sample_rate_hz=RATE_HZ, channels=channels, sample_format=kind)
    np.testing.assert_array_equal(collected(source), expected)


@posix
def test_a_pipe_cut_off_within_a_frame_says_that_something_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    written(path, b"\x01\x02\x03\x04\x05")
    blocks = list(PipeSource(path, sample_rate_hz=RATE_HZ).blocks())
    assert sum(len(block.samples) for block in blocks) == 2
    assert blocks[-1].lost_frames == 1


@posix
def test_a_pipe_to_which_nobody_writes_can_be_closed(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    source = PipeSource(path, sample_rate_hz=RATE_HZ)
    threading.Timer(0.3, source.close).start()
    assert list(source.blocks()) == []


@posix
def test_bad_pipes_are_named(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="no such pipe"):
        PipeSource(tmp_path / "none", sample_rate_hz=RATE_HZ)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(CaptureError, match="is no named pipe"):
        PipeSource(tmp_path / "file", sample_rate_hz=RATE_HZ)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(CaptureError, match="no sample format"):
        PipeSource(tmp_path / "pipe", sample_rate_hz=RATE_HZ, sample_format="u8")  # type: ignore[arg-type]
    with pytest.raises(CaptureError, match="at 100 Hz"):
        PipeSource(tmp_path / "pipe", sample_rate_hz=100)
    written(tmp_path / "pipe", np.array([0.1, np.nan], "<f4").tobytes())
    with pytest.raises(CaptureError, match="no numbers"):
        list(PipeSource(tmp_path / "pipe", sample_rate_hz=RATE_HZ, sample_format="f32").blocks())
