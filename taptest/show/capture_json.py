"""Inputs and what was heard through them, as the documents of the ``--json`` contracts."""

from collections.abc import Iterable

from taptest.capture.devices import InputDevice
from taptest.capture.input_check import InputCheck
from taptest.show.as_json import Document, finite


def devices_document(inputs: Iterable[InputDevice], check: InputCheck | None, system: str) -> Document:
    """``taptest.devices/1``: inputs in the order of the system; ``check`` is null unless one was listened to."""
    return {
        "schema": "taptest.devices/1",
        "system": system,
        "inputs": [
            {
                "number": device.number,
                "name": device.name,
                "host": device.host,
                "channels": device.channels,
                "sample_rate_hz": device.sample_rate_hz,
                "used": device.chosen,
                "warnings": list(device.warnings),
            }
            for device in inputs
        ],
        "check": None if check is None else _check(check),
    }


def _check(check: InputCheck) -> Document:
    return {
        "name": check.device,
        "sample_rate_hz": check.sample_rate_hz,
        "channels": check.channels,
        "duration_s": finite(check.duration_s),
        "noise_db": finite(check.noise_db),
        "hum_hz": finite(check.hum.fundamental_hz) if check.hum else None,
        "hum_db": finite(max(check.hum.levels_db)) if check.hum else None,
        "peak_db": finite(check.peak_db),
        "headroom_db": finite(check.headroom_db),
        "clipped_samples": check.clipped,
        "zero_percent": finite(100 * check.zero_share),
        "lost_frames": check.lost_frames,
        "sounds": check.sounds,
        "processing": check.processing,
        "findings": list(check.findings),
    }
