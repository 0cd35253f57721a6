"""Which inputs there are, which one would be used, and what is known against each."""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from typing import Any

from taptest.capture.deadline import anything_hangs, within
from taptest.core.errors import CaptureError, shown
from taptest.io.recording import LOW_SAMPLE_RATE_HZ

WARNINGS = ("wireless", "low-sample-rate", "playback")

_WIRELESS = re.compile(r"bluetooth|bluez|hands.?free|\bhfp\b|\bhsp\b|wireless", re.IGNORECASE)
_PLAYBACK = re.compile(r"\bmonitor\b|stereo mix|what u hear|loopback", re.IGNORECASE)
_RESTART = "unplug the microphone and plug it in again, or restart the sound server or the computer"


@dataclass(frozen=True)
class InputDevice:
    """One input: ``sample_rate_hz`` is its own; ``chosen`` if it would be used; ``warnings`` are words from ``WARNINGS``."""

    number: int
    name: str
    host: str
    channels: int
    sample_rate_hz: int
    chosen: bool
    warnings: tuple[str, ...] = ()


def sound_library() -> Any:
    """PortAudio's binding, loaded late: it looks for every device of the computer.

    Raises: CaptureError when PortAudio is missing or hangs.
    """

    def load() -> Any:
        import sounddevice

        return sounddevice

    try:
        return within(load, what="the sound system", remedy=_RESTART)
    except (ImportError, OSError) as problem:
        missing = "libportaudio2 (Debian and Ubuntu: apt install libportaudio2)"
        raise CaptureError(
            f"no microphone can be used: the library PortAudio is missing or broken ({shown(problem, 100)}); install "
            + (missing if sys.platform.startswith("linux") else "taptest again, which brings it")
        ) from None


def list_inputs(wanted: str | int | None = None, *, afresh: bool = False) -> tuple[InputDevice, ...]:
    """All inputs; ``wanted`` (a number, or part of a name) is the one marked as chosen, otherwise the system's own choice.

    ``afresh``: look for devices again, which ends everything that this process plays or records.

    Raises: CaptureError when there is no input, none that is wanted, or PortAudio is missing or hangs.
    """
    library = sound_library()

    def ask() -> tuple[list[dict[str, Any]], list[dict[str, Any]], int]:
        if afresh and not anything_hangs():
            library._terminate()
            library._initialize()
        return list(library.query_devices()), list(library.query_hostapis()), int(library.default.device[0])

    try:
        devices, hosts, usual = within(ask, what="the sound system", remedy=_RESTART)
    except library.PortAudioError as problem:
        raise CaptureError(
            f"the sound system refuses to list its devices ({shown(problem, 100)}); {_RESTART}"
        ) from None
    inputs = [(number, device) for number, device in enumerate(devices) if device["max_input_channels"] > 0]
    if not inputs:
        raise CaptureError(
            "no microphone found; plug one in, check that the system's sound settings list it as an input, and try again"
        )
    chosen = _chosen(inputs, usual, wanted)
    return tuple(
        InputDevice(
            number=number,
            name=str(device["name"]),
            host=str(hosts[int(device["hostapi"])]["name"]),
            channels=int(device["max_input_channels"]),
            sample_rate_hz=_own_rate(device, str(hosts[int(device["hostapi"])]["name"])),
            chosen=number == chosen,
            warnings=_warnings(str(device["name"]), _own_rate(device, str(hosts[int(device["hostapi"])]["name"]))),
        )
        for number, device in inputs
    )


def _chosen(inputs: list[tuple[int, dict[str, Any]]], usual: int, wanted: str | int | None) -> int:
    numbers = [number for number, _ in inputs]
    if wanted is None:
        return usual if usual in numbers else numbers[0]
    text = str(wanted).strip()
    if text.isdecimal():
        if int(text) in numbers:
            return int(text)
        raise CaptureError(f"no input has the number {shown(text)}; there are {', '.join(map(str, numbers))}")
    exact = [number for number, device in inputs if str(device["name"]).casefold() == text.casefold()]
    found = exact or [number for number, device in inputs if text.casefold() in str(device["name"]).casefold()]
    if len(found) == 1 or exact:
        return found[0]
    if found:
        several = ", ".join(f"{n} {shown(d['name'])}" for n, d in inputs if n in found)
        raise CaptureError(f"several inputs are named like '{shown(text)}': {several}; give the number")
    names = ", ".join(f"{number} {shown(device['name'])}" for number, device in inputs[:8])
    raise CaptureError(f"no input is named like '{shown(text)}'; there are {names}")


def _own_rate(device: dict[str, Any], host: str) -> int:
    """The rate at which a device works best. ALSA names 44.1 kHz for all that can be resampled; most is built for 48 kHz."""
    rate_hz = round(float(device["default_samplerate"]))
    return 48_000 if host == "ALSA" and rate_hz == 44_100 else rate_hz


def _warnings(name: str, sample_rate_hz: int) -> tuple[str, ...]:
    found = []
    if _WIRELESS.search(name):
        found.append("wireless")
    if sample_rate_hz < LOW_SAMPLE_RATE_HZ:
        found.append("low-sample-rate")
    if _PLAYBACK.search(name):
        found.append("playback")
    return tuple(found)
