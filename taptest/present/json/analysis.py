"""What is heard in recordings as ``taptest.analysis/1``; every key is a `Field`, from which schemas and frames are made too."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from taptest.config.corrections import Citation
from taptest.core.errors import shown
from taptest.core.fields import Field, document_of, number_of
from taptest.io.recording import PickupChannel
from taptest.signal.analysis import Analysis, Mode
from taptest.signal.taps import Tap

Document = dict[str, Any]

MODE_FIELDS: tuple[Field[Mode], ...] = (
    Field("frequency_hz", lambda mode: mode.frequency_hz, help="undamped natural frequency"),
    Field("frequency_u_hz", lambda mode: mode.frequency_u_hz, help="its standard uncertainty"),
    Field("damping_ratio", lambda mode: mode.damping_ratio, help="share of critical damping"),
    Field("damping_ratio_u", lambda mode: mode.damping_ratio_u, help="its standard uncertainty"),
    Field(
        "damping_ratio_limit",
        lambda mode: mode.damping_ratio_limit,
        help="upper limit of the damping of a mode that the room limits (one-sided, 95 %)",
    ),
    Field("half_power_bandwidth_hz", lambda mode: mode.half_power_bandwidth_hz, help="width 3 dB below the peak"),
    Field("quality_factor", lambda mode: mode.quality_factor, help="1 / (2 damping ratio)"),
    Field("decay_time_s", lambda mode: mode.decay_time_s, help="time to fall by 60 dB"),
    Field("level_db", lambda mode: mode.level_db, help="initial amplitude against the strongest mode"),
    Field("taps", lambda mode: mode.taps, "integer", help="number of accepted taps in which it is heard"),
    Field("note", lambda mode: mode.tone[0], "text", help="nearest note, A4 = 440 Hz"),
    Field("cents", lambda mode: mode.tone[1], help="how far the tone lies above that note"),
    Field("flags", lambda mode: mode.flags, "list", help="what makes it doubtful"),
)

# A tap counts in samples, so its times need the sample rate [Hz].
TAP_FIELDS: tuple[Field[tuple[Tap, float]], ...] = (
    Field("onset_s", lambda at: at[0].onset / at[1], help="first contact, from the start of the recording"),
    Field("accepted", lambda at: at[0].accepted, "boolean", help="whether it is used"),
    Field("reasons", lambda at: at[0].reasons, "list", help="why it is not used"),
    Field("snr_db", lambda at: at[0].snr_db, help="level above the noise"),
    Field("ring_s", lambda at: at[0].ring_s, help="time until the ring has sunk into the noise"),
)

PICKUP_FIELDS: tuple[Field[PickupChannel], ...] = (
    Field("name", lambda channel: shown(channel.name, 80), "text", help="of the column or function"),
    Field("quantity", lambda channel: channel.quantity, "text", help="what was recorded"),
    Field("unit", lambda channel: channel.unit or None, "text", help="of full scale and offset"),
    Field("full_scale", lambda channel: channel.full_scale, help="largest deviation from the offset"),
    Field("offset", lambda channel: channel.offset, help="mean, which was taken out"),
)

RECORDING_FIELDS: tuple[Field[Analysis], ...] = (
    Field("path", lambda analysis: analysis.path, "text"),
    Field(
        "sample_rate_hz",
        lambda analysis: (
            analysis.sample_rate_hz if analysis.pickup is None else number_of(analysis.pickup.sample_rate_hz)
        ),
        "object",  # whole for sound, any number for a pickup
        items={"type": "number"},
    ),
    Field("duration_s", lambda analysis: analysis.duration_s),
    Field("channel", lambda analysis: analysis.channel, "integer", help="used, from 1"),
    Field("channels", lambda analysis: analysis.channels, "integer", help="in the recording"),
    Field(
        "hum_hz",
        lambda analysis: (
            [] if analysis.noise is None or analysis.noise.hum is None else map(number_of, analysis.noise.hum.lines_hz)
        ),
        "list",
        help="lines of the mains hum",
        items={"type": "number"},
    ),
    Field(
        "taps",
        lambda analysis: [document_of(TAP_FIELDS, (tap, analysis.sample_rate_hz)) for tap in analysis.taps],
        "list",
        help="in order of time",
        items={"type": "object"},
    ),
    Field(
        "modes",
        lambda analysis: [
            document_of(MODE_FIELDS, mode) for mode in sorted(analysis.modes, key=lambda mode: mode.frequency_hz)
        ],
        "list",
        help="in order of frequency",
        items={"type": "object"},
    ),
    Field("flags", lambda analysis: analysis.flags, "list", help="remarks about the recording"),
    Field(
        "pickup",
        lambda analysis: analysis.pickup and document_of(PICKUP_FIELDS, analysis.pickup.channels[analysis.channel - 1]),
        "object",
        help="the channel used, where no microphone was",
    ),
)

CITATION_FIELDS: tuple[Field[Citation], ...] = (
    Field("kind", lambda citation: citation.kind, "text"),
    Field("made", lambda citation: citation.made.isoformat(timespec="seconds").replace("+00:00", "Z"), "text"),
    Field("age_days", lambda citation: citation.age_days),
    Field("file", lambda citation: citation.file, "text"),
    Field("effect", lambda citation: citation.effect, "text"),
)


def analysis_document(analyses: Iterable[Analysis], calibrations: Iterable[Citation] = ()) -> Document:
    """``taptest.analysis/1``: taps in order of time, modes in order of frequency, and the calibrations that were used."""
    return analyses_document([recording_document(analysis) for analysis in analyses], calibrations)


def face_document(analysis: Analysis) -> dict[str, object]:
    """The same of one recording."""
    return analysis_document([analysis])


def analyses_document(recordings: list[Document], calibrations: Iterable[Citation] = ()) -> Document:
    """The same of recordings whose documents are there already: an analysis is a hundred times as large."""
    return {
        "schema": "taptest.analysis/1",
        "recordings": recordings,
        "calibrations": [document_of(CITATION_FIELDS, citation) for citation in calibrations],
    }


def recording_document(analysis: Analysis) -> Document:
    """One recording, as in ``taptest.analysis/1``."""
    return document_of(RECORDING_FIELDS, analysis)
