"""A private PulseAudio server without a sound card, which PortAudio reaches through Debian's libasound2-plugins."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from ctypes.util import find_library
from pathlib import Path

from support.system import missing

_STARTS_WITHIN_S = 10.0


def need_sound_server() -> None:
    """Skip the test, or fail it where everything is required, unless server, plugin and PortAudio are installed."""
    if not (shutil.which("pulseaudio") and shutil.which("pactl")):
        missing("no PulseAudio server (Debian packages pulseaudio and pulseaudio-utils)")
    if find_library("portaudio") is None:
        missing("no PortAudio (Debian package libportaudio2)")
    if not list(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")):
        missing("no way from PortAudio to PulseAudio (Debian package libasound2-plugins)")


class SoundServer:
    """The running server with one module loaded; ``environment`` is what a process needs to find it."""

    def __init__(self, folder: Path, module: str) -> None:
        self.environment = {
            "PULSE_SERVER": f"unix:{folder}/native",
            "PULSE_RUNTIME_PATH": str(folder),
            "XDG_RUNTIME_DIR": str(folder),
            "PULSE_COOKIE": str(folder / "cookie"),
        }
        self._log_path = folder / "log"
        self.log = self._log_path.open("wb")
        options = ("-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1", "--disable-shm=yes")
        protocol = f"module-native-protocol-unix auth-anonymous=1 socket={folder}/native"
        self.process = subprocess.Popen(
            ["pulseaudio", *options, "-L", protocol, "-L", module],
            env={**os.environ, **self.environment, "HOME": str(folder)},
            stdout=self.log,
            stderr=self.log,
            start_new_session=True,
        )

    def wait_until(self, ready: Callable[[], bool]) -> None:
        """Until it is, or the test is skipped or fails with what the server has to say."""
        until = time.monotonic() + _STARTS_WITHIN_S
        while time.monotonic() < until and self.process.poll() is None:
            if ready():
                return
            time.sleep(0.05)
        missing(f"the sound server did not start: {self._log_path.read_text(errors='replace')[-500:]!r}")

    def control(self, *words: str) -> str:
        return subprocess.run(
            ["pactl", *words],
            env={**os.environ, **self.environment},
            capture_output=True,
            text=True,
            timeout=10,
            check=False,
        ).stdout

    def stall(self) -> None:
        """It stops answering, as a hung driver does."""
        self.process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        self.process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        if self.process.poll() is None:
            self.process.kill()  # ends a stopped process too
        self.process.wait(10)

    def close(self) -> None:
        self.kill()
        self.log.close()
