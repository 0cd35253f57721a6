"""Inputs, and what a few seconds of listening to one of them told, for a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.capture.devices import InputDevice
from taptest.capture.input_check import InputCheck
from taptest.config.limits import LIMITS
from taptest.core.fields import Field
from taptest.present.text.tables import counted, fields_table, hanging, number

# Each warning about an input: what it means, what to do.
DEVICE_WARNINGS = {
    "wireless": ("sent by radio in a narrow band, and processed", "use the built-in microphone or one with a cable"),
    "low-sample-rate": (
        "sampled below 32 kHz, as over a wireless headset",
        "use another input, or set this one to 48 kHz in the system's sound settings",
    ),
    "playback": ("gives back what the computer plays", "use an input with a microphone"),
}
FINDINGS = {
    "processed": ("gain control or noise suppression seems to be on, which ruins a decay", "switch it off, see below"),
    "clipped": ("the sound was overdriven", "turn the input level down or move the microphone back"),
    "loud-noise": ("so loud a background hides most of a ring", "stop fans and music, or bring the microphone closer"),
    "hum": ("mains hum", "use another power supply or cable, or run the laptop on its battery"),
    "lost-samples": ("part of the sound was lost on its way", "close other programs, or use another socket"),
    "low-sample-rate": DEVICE_WARNINGS["low-sample-rate"],
}
# Where each system hides what it does to the sound; the names of pages and switches as the systems have them.
SWITCH_OFF = {
    "linux": "in the sound settings choose the plain input, not one called echo-cancelled or noise-suppressed; unload such "
    "filters from the sound server (pactl list short modules shows them), and in alsamixer (F4) set Auto Gain Control off",
    "darwin": "in the control centre, while the microphone is in use, choose the microphone mode Standard",
    "win32": "Settings, System, Sound, the microphone: Audio enhancements off; in the maker's own audio program, if there "
    "is one, switch noise cancelling and automatic level off",
}


def devices_view(inputs: Sequence[InputDevice], check: InputCheck | None, width: int, system: str) -> Group:
    """Inputs with what is known against them and, if one was listened to, what was heard; ``system`` as `sys.platform`."""
    warned = {warning for device in inputs for warning in device.warnings}
    parts: list[RenderableType] = [fields_table(_COLUMNS, inputs, width, keys=[each.key for each in _COLUMNS])]
    lines = [_line(word, *DEVICE_WARNINGS[word]) for word in DEVICE_WARNINGS if word in warned]
    if lines:
        parts += [Text(), hanging(lines)]
    if check is not None:
        parts += [Text(), hanging(_heard(check)), *_findings(check, system)]
    return Group(*parts)


def _line(word: str, what: str, remedy: str) -> tuple[str, str, str]:
    return word, "yellow", f"{what}: {remedy}."


def _used(device: InputDevice) -> Text:
    remark = Text(", ".join(device.warnings), "yellow")
    if not device.chosen:
        return remark
    return Text("used", "green") + (Text(", ") + remark if device.warnings else Text())


_COLUMNS: tuple[Field[InputDevice], ...] = (
    Field("number", lambda device: device.number, "integer", heading="no."),
    Field("name", lambda device: device.name, "text", heading="input", align="fold"),
    Field("sample_rate_hz", lambda device: device.sample_rate_hz, "integer", heading="Hz"),
    Field("channels", lambda device: device.channels, "integer", heading="channels"),
    Field("host", lambda device: device.host, "text", heading="by way of"),
    Field("used", _used, "text", align="fold"),
)


def _heard(check: InputCheck) -> list[tuple[str, str, str]]:
    sound = f"{number(check.duration_s, 1)} s at {check.sample_rate_hz} Hz, {counted(check.sounds, 'sharp sound')}"
    hum = check.hum
    heard = "none" if hum is None else f"{hum.fundamental_hz:.0f} Hz, {number(max(hum.levels_db), 0)} dB at its loudest"
    processing = {
        "suspected": "gain control or noise suppression suspected",
        "none heard": "neither gain control nor noise suppression heard",
        "not tested": "cannot be told without a sound: tap the ski or clap a few times while it listens",
    }[check.processing]
    noise = f"{number(check.noise_db, 0)} dB of full scale in the pauses"
    if check.noise_db < LIMITS.input.no_microphone_db:
        noise = "none at all in the pauses: quieter than any microphone"
    lost = f"; {check.lost_frames} samples lost" if check.lost_frames else ""
    return [
        ("heard", "bold", f"{sound}{lost}"),
        ("noise", "bold", noise),
        ("hum", "bold", heard),
        ("loudest", "bold", _loudest(check)),
        ("processing", "bold", processing),
    ]


def _loudest(check: InputCheck) -> str:
    if check.clipped > 1:
        return f"overdriven: {counted(check.clipped, 'sample')} at full scale"
    return f"{number(check.peak_db, 0)} dB of full scale, {number(check.headroom_db, 0)} dB below overdriving"


def _findings(check: InputCheck, system: str) -> list[RenderableType]:
    lines = [_line(word, *FINDINGS[word]) for word in check.findings]
    if "processed" in check.findings:
        how = next((text for key, text in SWITCH_OFF.items() if system.startswith(key)), SWITCH_OFF["linux"])
        lines.append(("switch off", "bold", f"{how}."))
    return [Text(), hanging(lines)] if lines else []
