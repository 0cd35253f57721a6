"""Which inputs there are, which one would be used, and what is known against each."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from taptest.config.limits import LIMITS
from taptest.core.errors import CaptureError, shown
from taptest.core.sound_system import WITHIN_S, anything_hangs, portaudio, within

WARNINGS = ("wireless", "low-sample-rate", "playback")

_WIRELESS = re.compile(r"bluetooth|bluez|hands.?free|\bhfp\b|\bhsp\b|wireless", re.IGNORECASE)
_PLAYBACK = re.compile(r"\bmonitor\b|stereo mix|what u hear|loopback", re.IGNORECASE)
RESTART = "unplug the microphone and plug it in again, or restart the sound server or the computer"

T = TypeVar("T")


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
    """PortAudio's binding.

    Raises:
        CaptureError: PortAudio is missing or hangs.
    """
    return ask(lambda: portaudio("no microphone can be used", "", CaptureError))


def ask(call: Callable[[], T], what: str = "the sound system", remedy: str = RESTART, seconds: float = WITHIN_S) -> T:
    """The answer of the sound system.

    Raises:
        CaptureError: it does not come in time; whatever the call raises.
    """
    return within(call, what=what, remedy=remedy, refusal=CaptureError, seconds=seconds)


def list_inputs(wanted: str | int | None = None, *, afresh: bool = False) -> tuple[InputDevice, ...]:
    """All inputs; ``wanted`` (a number, or part of a name) is the one marked as chosen, otherwise the system's own choice.

    ``afresh``: look for devices again, which ends everything that this process plays or records.

    Raises: CaptureError when there is no input, none that is wanted, or PortAudio is missing or hangs.
    """
    library = sound_library()

    def listed() -> tuple[list[dict[str, Any]], list[dict[str, Any]], int]:
        if afresh and not anything_hangs():
            library._terminate()
            library._initialize()
        return list(library.query_devices()), list(library.query_hostapis()), int(library.default.device[0])

    try:
        devices, hosts, usual = ask(listed)
    except library.PortAudioError as problem:
        raise CaptureError(f"the sound system refuses to list its devices ({shown(problem, 100)}); {RESTART}") from None
    inputs = [(number, device) for number, device in enumerate(devices) if device["max_input_channels"] > 0]
    if not inputs:
        raise CaptureError(
            "no microphone found; plug one in, check that the system's sound settings list it as an input, and try again"
        )
    chosen = _chosen(inputs, usual, wanted)
    found = []
    for number, device in inputs:
        name, host = str(device["name"]), str(hosts[int(device["hostapi"])]["name"])
        rate_hz, channels = _own_rate(device, host), int(device["max_input_channels"])
        found.append(InputDevice(number, name, host, channels, rate_hz, number == chosen, _warnings(name, rate_hz)))
    return tuple(found)


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
    known = (_WIRELESS.search(name), sample_rate_hz < LIMITS.format.low_sample_rate_hz, _PLAYBACK.search(name))
    return tuple(word for word, applies in zip(WARNINGS, known, strict=True) if applies)
