"""Recording sessions as ``taptest.session/1``, and inputs as ``taptest.devices/1``; every key is a `Field`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from taptest.capture.devices import InputDevice
from taptest.capture.events import Ended, SessionEvent, SkiDone, TapRefused, Told
from taptest.capture.input_check import InputCheck
from taptest.config.corrections import Citation
from taptest.core.fields import Field, document_of
from taptest.core.messages import codes
from taptest.present.json.analysis import CITATION_FIELDS, MODE_FIELDS, Document


def _judged(name: str) -> Any:
    """A figure of the first verdict; None where there is none."""
    return lambda counted: counted[0].verdict and getattr(counted[0].verdict, name)


# A finished ski, and how many of its taps were refused.
DONE_FIELDS: tuple[Field[tuple[SkiDone, int]], ...] = (
    Field("ski_id", lambda counted: counted[0].ski_id, "text"),
    Field("recordings", lambda counted: [path.name for path in counted[0].recordings], "list"),
    Field("taps_good", lambda counted: counted[0].taps, "integer"),
    Field("taps_refused", lambda counted: counted[1], "integer"),
    Field("modes", lambda counted: [document_of(MODE_FIELDS, mode) for mode in counted[0].modes], "list"),
    Field("predicted_hz", _judged("predicted_hz")),
    Field("measured_hz", _judged("first_mode_hz")),
    Field("measured_u_hz", _judged("first_mode_u_hz")),
    Field("deviation_percent", _judged("deviation_percent")),
    Field("verdict", lambda counted: counted[0].verdict and counted[0].verdict.verdict, "text"),
    Field("reasons", lambda counted: map(str, counted[0].verdict.reasons) if counted[0].verdict else (), "list"),
)

INPUT_FIELDS: tuple[Field[InputDevice], ...] = (
    Field("number", lambda device: device.number, "integer"),
    Field("name", lambda device: device.name, "text"),
    Field("host", lambda device: device.host, "text"),
    Field("channels", lambda device: device.channels, "integer"),
    Field("sample_rate_hz", lambda device: device.sample_rate_hz, "integer", help="its own"),
    Field("used", lambda device: device.chosen, "boolean", help="whether this input would be used"),
    Field("warnings", lambda device: device.warnings, "list", help="what is known against it"),
)

INPUT_CHECK_FIELDS: tuple[Field[InputCheck], ...] = (
    Field("name", lambda check: check.device, "text"),
    Field("sample_rate_hz", lambda check: check.sample_rate_hz, "integer"),
    Field("channels", lambda check: check.channels, "integer"),
    Field("duration_s", lambda check: check.duration_s),
    Field("noise_db", lambda check: check.noise_db, help="root mean square in the pauses, dB of full scale"),
    Field("hum_hz", lambda check: check.hum and check.hum.fundamental_hz),
    Field("hum_db", lambda check: check.hum and max(check.hum.levels_db), help="of its loudest line, dB of full scale"),
    Field("peak_db", lambda check: check.peak_db, help="loudest sample, dB of full scale"),
    Field("headroom_db", lambda check: check.headroom_db),
    Field("clipped_samples", lambda check: check.clipped, "integer"),
    Field("zero_percent", lambda check: 100 * check.zero_share, help="share of the time in runs of exact zeros"),
    Field("lost_frames", lambda check: check.lost_frames, "integer"),
    Field("sounds", lambda check: check.sounds, "integer", help="sharp ones, such as taps and claps"),
    Field("processing", lambda check: check.processing, "text", help="gain control or noise suppression"),
    Field("findings", lambda check: check.findings, "list"),
)


def session_document(events: Iterable[SessionEvent], calibrations: Iterable[Citation] = ()) -> Document:
    """``taptest.session/1``: skis in the order in which they were done, and the calibrations that first verdicts rest on."""
    events = list(events)
    refused = Counter(each.ski_id for each in events if isinstance(each, TapRefused))
    ended = [each for each in events if isinstance(each, Ended)]
    troubles = [each.message for each in events if isinstance(each, Told) and each.trouble]
    return {
        "schema": "taptest.session/1",
        "skis": [
            document_of(DONE_FIELDS, (each, refused[each.ski_id])) for each in events if isinstance(each, SkiDone)
        ],
        "unfinished": [{"ski_id": ski_id, "taps_good": taps} for each in ended for ski_id, taps in each.unfinished],
        "troubles": [str(each) for each in troubles],
        "trouble_codes": codes(troubles),
        "calibrations": [document_of(CITATION_FIELDS, each) for each in calibrations],
    }


def devices_document(inputs: Iterable[InputDevice], check: InputCheck | None, system: str) -> Document:
    """``taptest.devices/1``: inputs in the order of the system; ``check`` is null unless one was listened to."""
    return {
        "schema": "taptest.devices/1",
        "system": system,
        "inputs": [document_of(INPUT_FIELDS, device) for device in inputs],
        "check": None if check is None else document_of(INPUT_CHECK_FIELDS, check),
    }
