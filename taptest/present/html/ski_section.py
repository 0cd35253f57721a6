"""The section of one ski in the report: what was judged, its pictures, and what it sounds like.

One at a time, from what was measured before and the recording, which is read once more: that keeps the memory flat, and
several processes can share the skis.
"""

from __future__ import annotations

import base64
import io
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log, pi
from typing import Any

from taptest.beam.construction import Construction
from taptest.beam.predict import hung_shapes
from taptest.config.settings import Settings
from taptest.core.errors import RecordingError, TaptestError
from taptest.identify.predicted import measurements_of
from taptest.io.recording import Recording, read_recording
from taptest.present.html.page import environment
from taptest.present.plots.picture import Picture, picture
from taptest.present.plots.recording import plot_fading, spectrum_drawing
from taptest.present.plots.ski import (
    plot_shapes,
    strongest,
)
from taptest.present.plots.style import style
from taptest.present.text.analysis_table import MODE_FLAGS
from taptest.present.text.tables import note
from taptest.signal.analysis import Analysis
from taptest.signal.pitch import note_name
from taptest.signal.resynthesis import resynthesise
from taptest.signal.traces import CLIP_PEAK_DBFS, MainTraces, clearest_tap, ring_down_trace, spectrum_trace, tap_clip
from taptest.ski.record import Ski

SIDES = {"L": "left", "R": "right"}
SOUND_RATE_HZ = 16_000  # carries five times the highest mode that is looked for
SOUND_S = 1.5
_MOST_SHAPES = 9
_RING_DOWNS = 3
_SAME = 0.01  # of frequency: where several recordings were combined, a mode is the nearest of one of them


@dataclass(frozen=True)
class SectionJob:
    """Everything a section is made of. ``document``: the ski as in ``check --json``, with its number ``at``."""

    document: dict[str, Any]
    ski: Ski
    construction: Construction | None
    settings: Settings
    by_group: bool
    audio: bool
    last: bool


@dataclass
class _Seen:
    """Pictures and sounds of one recording, as far as they could be made."""

    spectrum: Picture | None = None
    fading: Picture | None = None
    tap_sound: str | None = None
    modes_sound: str | None = None
    others: list[dict[str, Any]] = field(default_factory=list)
    trouble: str | None = None


def section(job: SectionJob) -> str:
    """The section as HTML. What cannot be read any more is said in it, never raised."""
    row, analysis = job.ski.facts, chosen(job.ski)
    with style():
        seen = _seen(job, analysis) if analysis is not None else _Seen()
        shapes = _shapes(job)
    modes = [_with_tone(mode) for mode in job.document["modes"]]
    refused = Counter(reason for each in job.ski.analyses for tap in each.taps for reason in tap.reasons[:1])
    flags = sorted({flag for mode in modes for flag in mode["flags"]})
    return (
        environment()
        .get_template("ski.html")
        .render(
            ski={**job.document, "modes": modes},
            by_group=job.by_group,
            side=SIDES.get(row.side or ""),
            length_mm=None if row.length_m is None else f"{1000 * row.length_m:.0f}",
            note=row.note,
            refused=", ".join(f"{reason} {count}" for reason, count in sorted(refused.items())),
            flags=[(flag, MODE_FLAGS.get(flag, flag)) for flag in flags],
            last=job.last,
            shapes=shapes,
            **vars(seen),
        )
    )


def chosen(ski: Ski) -> Analysis | None:
    """The recording that is shown: the one with most good taps."""
    heard = [each for each in ski.analyses if each.accepted and each.modes]
    return max(heard, key=lambda each: len(each.accepted), default=None)


def places_of(ski: Ski, analysis: Analysis) -> dict[int, str]:
    """Short names of the modes that have a place, by their index in the analysis: "B3", "T1"."""
    placed = [] if ski.placed is None or ski.placed.ambiguous else ski.placed.modes
    names: dict[int, str] = {}
    for mode in placed:
        distances = [abs(log(each.frequency_hz / mode.frequency_hz)) for each in analysis.modes]
        nearest = min(range(len(distances)), key=distances.__getitem__, default=None)
        if mode.order is not None and nearest is not None and distances[nearest] < _SAME:
            names[nearest] = f"{mode.family[0].upper()}{mode.order}"
    return names


def _seen(job: SectionJob, analysis: Analysis) -> _Seen:
    at = job.document["at"]
    places = places_of(job.ski, analysis)
    seen = _Seen(
        others=[
            {"at": index, "frequency_hz": mode.frequency_hz}
            for index, mode in enumerate(analysis.modes)
            if index not in places
        ]
    )
    if job.audio:
        own = [mode for index, mode in enumerate(analysis.modes) if index in places]
        if own:
            sung = resynthesise(own, sample_rate_hz=SOUND_RATE_HZ, seconds=SOUND_S, level_dbfs=CLIP_PEAK_DBFS)
            seen.modes_sound = sound_uri(sung, SOUND_RATE_HZ)
    try:
        recording = read_recording(analysis.path)
    except RecordingError as problem:
        seen.trouble = f"No pictures of the sound: {problem}"
        return seen
    traces = _traces(recording, analysis, places, job.settings)
    if traces is not None:
        seen.spectrum = picture(spectrum_drawing(traces, places, room_s=job.settings.room_s), f"s{at}")
        seen.fading = picture(plot_fading(traces.tap, traces.modes), f"f{at}")
    clip = tap_clip(recording, analysis, sample_rate_hz=SOUND_RATE_HZ) if job.audio else None
    if clip is not None:
        seen.tap_sound = sound_uri(clip, min(SOUND_RATE_HZ, analysis.sample_rate_hz))
    return seen


def _traces(
    recording: Recording, analysis: Analysis, places: Mapping[int, str], settings: Settings
) -> MainTraces | None:
    """What is drawn of a recording: decays of the placed bending modes that stand out most; None without a good tap."""
    trace = spectrum_trace(recording, analysis, low_hz=settings.low_hz, high_hz=analysis.high_hz(settings))
    tap = clearest_tap(recording, analysis)
    if trace is None or tap is None:
        return None
    best = strongest(trace, analysis.modes, places, _RING_DOWNS)
    found = [ring_down_trace(recording, analysis, analysis.modes[index]) for index in best]
    return MainTraces(trace, analysis.modes, tuple(each for each in found if each is not None), tap)


def _shapes(job: SectionJob) -> Picture | None:
    found = job.ski.placed
    if found is None or found.ambiguous or job.construction is None or job.ski.facts.length_m is None:
        return None
    heard = [mode.order for mode in found.bending() if mode.order is not None][:_MOST_SHAPES]
    if not heard:
        return None
    try:
        shapes = hung_shapes(job.construction, measurements_of(job.ski.facts), max(heard))
    except TaptestError:
        return None  # the reason stands with the ski: nothing could be predicted either
    return picture(plot_shapes(shapes, heard, length_m=job.ski.facts.length_m), f"m{job.document['at']}")


def sound_uri(samples: Any, sample_rate_hz: int) -> str:
    """A mono sound as a data: address, FLAC, 16 bit: what every browser plays, in half the size of a WAV."""
    import soundfile

    target = io.BytesIO()
    soundfile.write(target, samples, sample_rate_hz, format="FLAC", subtype="PCM_16")
    return "data:audio/flac;base64," + base64.b64encode(target.getvalue()).decode("ascii")


def _with_tone(mode: dict[str, Any]) -> dict[str, Any]:
    """A mode of the document with what follows from its frequency and damping."""
    frequency_hz, damping_ratio = mode["frequency_hz"], mode["damping_ratio"]
    return {
        **mode,
        "half_power_bandwidth_hz": 2 * damping_ratio * frequency_hz,
        "decay_time_s": 3 * log(10) / (damping_ratio * 2 * pi * frequency_hz) if damping_ratio else None,
        "tone": note(note_name(frequency_hz)),
    }
