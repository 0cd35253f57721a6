"""Sound that does not come from a microphone: a file replayed, blocks made elsewhere, a pipe."""

from __future__ import annotations

import os
import select
import stat
import threading
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Literal

import numpy as np

from taptest.capture.stream import Block, Samples
from taptest.core.errors import CaptureError, shown
from taptest.io.recording import read_sound

PipeFormat = Literal["s16", "s24", "f32"]

_BLOCK_S = 0.02
_BYTES: dict[PipeFormat, int] = {"s16": 2, "s24": 3, "f32": 4}
_LOOK_S = 0.1  # how often a pipe that says nothing is asked whether it has been closed


class FileSource:
    """A recording replayed: at its own speed (1.0), faster, or as fast as it is taken (None).

    Raises: RecordingError when the file cannot be read.
    """

    def __init__(self, path: str | Path, speed: float | None = 1.0) -> None:
        if speed is not None and not 0 < speed < 1e6:
            raise CaptureError(f"a speed of {speed:g}; give one above 0, such as 1, or None for as fast as possible")
        recording = read_sound(path)
        # More than full scale is kept: it says that the file does not clip there.
        self._samples = recording.samples.astype(np.float32)
        self._speed = speed
        self._closed = threading.Event()
        self.name = Path(path).name
        self.sample_rate_hz = recording.sample_rate_hz
        self.channels = recording.channels

    def blocks(self) -> Iterator[Block]:
        """Blocks of a fiftieth of a second, each when its last sample would have been heard."""
        size = round(_BLOCK_S * self.sample_rate_hz)
        started = time.monotonic()
        for begin in range(0, len(self._samples), size):
            block = self._samples[begin : begin + size]
            if self._speed is not None:
                due = started + (begin + len(block)) / self.sample_rate_hz / self._speed
                self._closed.wait(max(due - time.monotonic(), 0.0))
            if self._closed.is_set():
                return
            yield Block(block)

    def close(self) -> None:
        self._closed.set()


class BlocksSource:
    """Blocks made elsewhere, of (frames, channels) or (frames,) at a known rate: from a callback, a network, a test."""

    def __init__(
        self, blocks: Iterable[Block | Samples], sample_rate_hz: int, channels: int, *, name: str = "blocks"
    ) -> None:
        self._blocks = blocks
        self._closed = threading.Event()
        self.name = name
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels

    def blocks(self) -> Iterator[Block]:
        """Raises: CaptureError when a block has another number of channels."""
        for given in self._blocks:
            if self._closed.is_set():
                return
            block = given if isinstance(given, Block) else Block(np.asarray(given, dtype=np.float32))
            samples = block.samples if block.samples.ndim == 2 else block.samples.reshape(-1, 1)
            if samples.shape[1] != self.channels:
                raise CaptureError(
                    f"{self.name}: a block of {samples.shape[1]} channels; {self.channels} were announced"
                )
            yield Block(samples, block.lost_frames)

    def close(self) -> None:
        self._closed.set()


class PipeSource:
    """Raw little-endian samples from a named pipe, channels interleaved: ``s16``, packed ``s24`` or ``f32``.

    It waits for somebody to write, and ends when the last writer has gone.
    """

    def __init__(
        self, path: str | Path, *, sample_rate_hz: int, channels: int = 1, sample_format: PipeFormat = "s16"
    ) -> None:
        """Raises: CaptureError when there is no such pipe, or it cannot hold what is asked for."""
        self.name = Path(path).name
        if sample_format not in _BYTES:
            raise CaptureError(
                f"{self.name}: '{shown(sample_format)}' is no sample format; give one of {', '.join(_BYTES)}"
            )
        if not 8_000 <= sample_rate_hz <= 768_000 or not 1 <= channels <= 64:
            raise CaptureError(
                f"{self.name}: {channels} channels at {sample_rate_hz} Hz; 1 to 64 at 8000 to 768000 Hz are accepted"
            )
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self._format: PipeFormat = sample_format
        self._path = Path(path)
        self._closed = threading.Event()
        if os.name != "posix":
            raise CaptureError(f"{self.name}: named pipes are not read on this system; replay a file instead")
        try:
            mode = self._path.stat().st_mode
        except OSError as problem:
            raise CaptureError(
                f"{shown(self.name)}: no such pipe ({shown(problem.strerror)}); make it with mkfifo"
            ) from None
        if not stat.S_ISFIFO(mode):
            raise CaptureError(f"{shown(self.name)} is no named pipe; make one with mkfifo, or replay it as a file")

    def blocks(self) -> Iterator[Block]:
        """Raises: CaptureError when the pipe cannot be read or holds values that are no numbers."""
        frame_bytes = _BYTES[self._format] * self.channels
        size = round(_BLOCK_S * self.sample_rate_hz) * frame_bytes
        left = b""
        for data in self._data(size):
            whole = (len(left) + len(data)) // frame_bytes * frame_bytes
            data, left = (left + data)[:whole], (left + data)[whole:]
            if data:
                yield Block(self._decoded(data))
        if left:
            # The writer was cut off within a frame.
            yield Block(np.zeros((0, self.channels), np.float32), lost_frames=1)

    def close(self) -> None:
        self._closed.set()

    def _data(self, size: int) -> Iterator[bytes]:
        try:
            # Not waiting for a writer: nobody could close it then.
            pipe = os.open(self._path, os.O_RDONLY | os.O_NONBLOCK)
            try:
                begun = False
                while not self._closed.is_set():
                    ready = select.select([pipe], [], [], _LOOK_S)[0]
                    try:
                        data = os.read(pipe, size) if ready else None
                    except BlockingIOError:
                        continue
                    if data:
                        begun = True
                        yield data
                    elif data == b"":
                        if begun:
                            return
                        self._closed.wait(_LOOK_S / 5)  # nobody has opened the other end yet
            finally:
                os.close(pipe)
        except OSError as problem:
            raise CaptureError(
                f"{shown(self.name)} cannot be read ({shown(problem.strerror)}); check its permissions"
            ) from None

    def _decoded(self, data: bytes) -> Samples:
        if self._format == "f32":
            values = np.frombuffer(data, "<f4")
            if not np.isfinite(values).all():
                raise CaptureError(f"{shown(self.name)} holds values that are no numbers; is it really f32?")
        elif self._format == "s16":
            values = np.frombuffer(data, "<i2") * np.float32(2.0**-15)
        else:
            packed = np.frombuffer(data, np.uint8).reshape(-1, 3)
            # The three bytes become the upper ones of a 32-bit word, which keeps the sign.
            words = np.zeros((len(packed), 4), np.uint8)
            words[:, 1:] = packed
            values = words.view("<i4")[:, 0].astype(np.float64) * 2.0**-31
        return np.asarray(values, dtype=np.float32).reshape(-1, self.channels)
