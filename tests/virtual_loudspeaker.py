"""A loudspeaker without a sound card: a private PulseAudio server whose only output leads nowhere, but can be listened to.

``with virtual_loudspeaker() as ears: ... ears.heard()`` gives what has come out of it. PortAudio reaches it through Debian's
libasound2-plugins.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from ctypes.util import find_library
from pathlib import Path

import numpy as np
from conftest import missing
from numpy.typing import NDArray

RATE_HZ = 48_000
_STARTS_WITHIN_S = 10.0


def need_sound_server() -> None:
    """Skip the test, or fail it where everything is required, unless server, plugin and PortAudio are installed."""
    if not (shutil.which("pulseaudio") and shutil.which("pactl")):
        missing("no PulseAudio server (Debian packages pulseaudio and pulseaudio-utils)")
    if find_library("portaudio") is None:
        missing("no PortAudio (Debian package libportaudio2)")
    if not list(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")):
        missing("no way from PortAudio to PulseAudio (Debian package libasound2-plugins)")


class VirtualLoudspeaker:
    """The running server; ``environment`` is what a process needs to find it."""

    def __init__(self, folder: Path) -> None:
        self.environment = {
            "PULSE_SERVER": f"unix:{folder}/native",
            "PULSE_RUNTIME_PATH": str(folder),
            "XDG_RUNTIME_DIR": str(folder),
            "PULSE_COOKIE": str(folder / "cookie"),
        }
        self._heard = bytearray()
        self._recorder: subprocess.Popen[bytes] | None = None
        self._log = (folder / "log").open("wb")
        sink = f"module-null-sink sink_name=virtual format=s16le rate={RATE_HZ} channels=2"
        self.server = subprocess.Popen(
            [
                *(
                    "pulseaudio",
                    "-n",
                    "--daemonize=no",
                    "--use-pid-file=no",
                    "--exit-idle-time=-1",
                    "--disable-shm=yes",
                ),
                *("-L", f"module-native-protocol-unix auth-anonymous=1 socket={folder}/native", "-L", sink),
            ],
            env={**os.environ, **self.environment, "HOME": str(folder)},
            stdout=self._log,
            stderr=self._log,
            start_new_session=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        until = time.monotonic() + _STARTS_WITHIN_S
        while time.monotonic() < until and self.server.poll() is None:
            if "virtual" in self._control("list", "short", "sinks"):
                self._listen()
                return
            time.sleep(0.05)
        self.close()
        missing(f"the sound server did not start: {(folder / 'log').read_text(errors='replace')[-500:]!r}")

    def heard(self) -> NDArray[np.float64]:
        """Everything that has arrived so far, (frames, 2), in full scale."""
        whole = len(self._heard) // 4 * 4
        return np.frombuffer(bytes(self._heard[:whole]), "<i2").reshape(-1, 2) / 32768.0

    def stall(self) -> None:
        """The server stops answering, as a hung driver does."""
        self.server.send_signal(signal.SIGSTOP)

    def unplug(self) -> None:
        """The server and its devices are gone."""
        self.server.kill()

    def close(self) -> None:
        for process in (self._recorder, self.server):
            if process is not None and process.poll() is None:
                process.kill()  # ends a stopped process too
                process.wait(10)
        if self._reader.is_alive():
            self._reader.join(5)
        if self._recorder is not None and self._recorder.stdout is not None:
            self._recorder.stdout.close()
        self._log.close()

    def _control(self, *words: str) -> str:
        return subprocess.run(
            ["pactl", *words],
            env={**os.environ, **self.environment},
            capture_output=True,
            text=True,
            timeout=10,
            check=False,
        ).stdout

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
            stderr=self._log,
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
