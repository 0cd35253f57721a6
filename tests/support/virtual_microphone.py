"""A microphone without a sound card: a private PulseAudio server whose only input is fed by the test, sample for sample.

``with virtual_microphone() as mic: mic.play(samples)`` — PortAudio lists the input as ``pulse`` (``mic.device``) through
Debian's libasound2-plugins. Between what is played it hisses by one bit, as a real one does at least.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from support.virtual_sound import SoundServer, need_sound_server

_CHUNK_S = 0.01
_ENVIRONMENT = ("PULSE_SERVER", "PULSE_RUNTIME_PATH", "XDG_RUNTIME_DIR", "PULSE_COOKIE")


class VirtualMicrophone:
    """The running server; ``environment`` is what a process needs to find it (this one has it already)."""

    device = "pulse"

    def __init__(self, folder: Path, sample_rate_hz: int, hiss: bool) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._hiss = hiss
        self._random = np.random.default_rng(20)
        self._waiting: list[NDArray[np.int16]] = []
        self._turn = threading.Condition()
        self._over = False
        self._fifo = folder / "fifo"
        source = f"source_name=virtual file={self._fifo} format=s16le rate={sample_rate_hz} channels=1"
        self._server = SoundServer(folder, f"module-pipe-source {source}")
        self.environment = self._server.environment
        self._feeder = threading.Thread(target=self._feed, daemon=True)
        try:
            self._server.wait_until(lambda: self._fifo.exists() and "virtual" in self._sources())
        except BaseException:
            self.close()
            raise
        self._feeder.start()

    def play(self, samples: ArrayLike, *, wait: bool = True) -> None:
        """Sound the microphone hears from now on, (frames,): int16 as it is, floating point times 2**15.

        ``wait`` until the last sample has been handed to the server: in real time, and only while somebody listens.
        """
        given = np.asarray(samples)
        if given.dtype != np.int16:
            given = np.clip(np.round(given * 32768.0), -32768, 32767).astype(np.int16)
        with self._turn:
            self._waiting.append(np.ascontiguousarray(given))
            while wait and self._waiting and not self._over:
                self._turn.wait(0.1)

    def stall(self) -> None:
        """The server stops answering, as a hung driver does."""
        self._server.stall()

    def resume(self) -> None:
        self._server.resume()

    def unplug(self) -> None:
        """The microphone is gone; the server goes on."""
        self._server.control("unload-module", "module-pipe-source")

    def close(self) -> None:
        self._over = True
        self._server.kill()
        if self._feeder.is_alive():
            self._feeder.join(5)
        self._server.close()

    def _sources(self) -> str:
        return self._server.control("list", "short", "sources")

    def _next_chunk(self, frames: int) -> NDArray[np.int16]:
        with self._turn:
            if not self._waiting:
                if self._hiss:
                    return self._random.integers(-1, 2, frames, dtype=np.int16)
                return np.zeros(frames, np.int16)
            head = self._waiting[0]
            chunk, rest = head[:frames], head[frames:]
            if len(rest):
                self._waiting[0] = rest
            else:
                self._waiting.pop(0)
                self._turn.notify_all()
            return chunk

    def _feed(self) -> None:
        """Hand over as many samples as time has passed, late ones at once. Where nobody takes them, time stands still."""
        # Opened for reading too, so that neither opening nor writing ends when the server lets go of its end.
        pipe = os.open(self._fifo, os.O_RDWR | os.O_NONBLOCK)
        try:
            started, given = time.monotonic(), 0
            while not self._over:
                due = round((time.monotonic() - started + _CHUNK_S) * self.sample_rate_hz)
                while given < due and not self._over:
                    chunk = self._next_chunk(round(_CHUNK_S * self.sample_rate_hz))
                    given += len(chunk)
                    if self._write(pipe, chunk.tobytes()):
                        started = time.monotonic() - given / self.sample_rate_hz
                        break
                time.sleep(_CHUNK_S / 2)
        finally:
            os.close(pipe)

    def _write(self, pipe: int, data: bytes) -> bool:
        """Whether it had to wait."""
        waited = False
        while data and not self._over:
            try:
                data = data[os.write(pipe, data) :]
            except BlockingIOError:
                waited = True
                time.sleep(0.002)
        return waited


@contextmanager
def virtual_microphone(*, sample_rate_hz: int = 48_000, hiss: bool = True) -> Iterator[VirtualMicrophone]:
    """Start it, let this process and those it starts find it, and clear everything away afterwards.

    ``hiss`` off: exact zeros between what is played, as from a microphone that may not be used.
    """
    need_sound_server()
    folder = Path(tempfile.mkdtemp(prefix="vmic-"))
    before = {name: os.environ.get(name) for name in _ENVIRONMENT}
    microphone = None
    try:
        microphone = VirtualMicrophone(folder, sample_rate_hz, hiss)
        os.environ.update(microphone.environment)
        _look_again()
        yield microphone
    finally:
        if microphone is not None:
            microphone.close()
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
        shutil.rmtree(folder, ignore_errors=True)


def _look_again() -> None:
    """PortAudio lists its devices once, when it is loaded; a process that has done so already must do it again."""
    sounddevice = sys.modules.get("sounddevice")
    if sounddevice is not None:
        sounddevice._terminate()
        sounddevice._initialize()
