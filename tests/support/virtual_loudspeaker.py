"""A loudspeaker without a sound card: a private PulseAudio server whose only output leads nowhere, but can be listened to.

``with virtual_loudspeaker() as ears: ... ears.heard()`` gives what has come out of it. PortAudio reaches it through Debian's
libasound2-plugins.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from support.virtual_sound import SoundServer, need_sound_server

RATE_HZ = 48_000
_STARTS_WITHIN_S = 10.0


class VirtualLoudspeaker:
    """The running server; ``environment`` is what a process needs to find it."""

    def __init__(self, folder: Path) -> None:
        self._heard = bytearray()
        self._recorder: subprocess.Popen[bytes] | None = None
        sink = f"sink_name=virtual format=s16le rate={RATE_HZ} channels=2"
        self._server = SoundServer(folder, f"module-null-sink {sink}")
        self.environment = self._server.environment
        self._reader = threading.Thread(target=self._read, daemon=True)
        try:
            self._server.wait_until(lambda: "virtual" in self._server.control("list", "short", "sinks"))
        except BaseException:
            self.close()
            raise
        self._listen()

    def heard(self) -> NDArray[np.float64]:
        """Everything that has arrived so far, (frames, 2), in full scale."""
        whole = len(self._heard) // 4 * 4
        return np.frombuffer(bytes(self._heard[:whole]), "<i2").reshape(-1, 2) / 32768.0

    def stall(self) -> None:
        """The server stops answering, as a hung driver does."""
        self._server.stall()

    def unplug(self) -> None:
        """The server and its devices are gone."""
        self._server.kill()

    def close(self) -> None:
        if self._recorder is not None and self._recorder.poll() is None:
            self._recorder.kill()
            self._recorder.wait(10)
        self._server.kill()
        if self._reader.is_alive():
            self._reader.join(5)
        if self._recorder is not None and self._recorder.stdout is not None:
            self._recorder.stdout.close()
        self._server.close()

    def _listen(self) -> None:
        self._recorder = subprocess.Popen(
            [
                "parec",
                "--device=virtual.monitor",
                "--format=s16le",
                f"--rate={RATE_HZ}",
                "--channels=2",
                "--latency-msec=20",
            ],
            env={**os.environ, **self.environment},
            stdout=subprocess.PIPE,
            stderr=self._server.log,
        )
        self._reader.start()
        until = time.monotonic() + _STARTS_WITHIN_S
        while not self._heard and time.monotonic() < until:  # silence comes first
            time.sleep(0.02)

    def _read(self) -> None:
        assert self._recorder is not None and self._recorder.stdout is not None
        while part := os.read(self._recorder.stdout.fileno(), 65_536):
            self._heard += part


@contextmanager
def virtual_loudspeaker() -> Iterator[VirtualLoudspeaker]:
    """Start it and clear everything away afterwards; only processes given its ``environment`` find it."""
    need_sound_server()
    folder = Path(tempfile.mkdtemp(prefix="ears-"))
    loudspeaker = None
    try:
        loudspeaker = VirtualLoudspeaker(folder)
        yield loudspeaker
    finally:
        if loudspeaker is not None:
            loudspeaker.close()
        shutil.rmtree(folder, ignore_errors=True)
