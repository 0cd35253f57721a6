"""What a recording and groups look like, in characters: spectrum, decay, ladder of modes, tone against mass."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from rich.console import Group, RenderableType
from rich.text import Text

from taptest.core.errors import shown
from taptest.present.text.characters import Axis, CharacterPicture, Point, even_axis, frequency_axis
from taptest.present.text.tables import heading, prose
from taptest.screen.result import CheckResult, GroupSummary
from taptest.signal.analysis import Mode
from taptest.signal.traces import MainTraces, RingDownTrace, SpectrumTrace
from taptest.ski.record import Ski

_HEIGHT = 16
_WIDEST = 120
_DEEPEST_DB = -70.0
_ROOM_DB = 8.0  # above the highest point, for the words
_NOISE_EVERY = 3  # columns
_FIT_EVERY = 4
_MARKS = "ABCDEFGHJKLMNPQRSTUVWXYZ"


def traces_view(traces: MainTraces, width: int, *, dots: bool) -> Group:
    """Spectrum, and the decay of the strongest mode."""
    parts: list[RenderableType] = [spectrum_view(traces.spectrum, traces.modes, width, dots=dots), Text()]
    if traces.decays:
        parts += [decay_view(traces.decays[0], width, dots=dots), Text()]
    return Group(*parts)


def spectrum_view(trace: SpectrumTrace, modes: Sequence[Mode], width: int, *, dots: bool) -> Group:
    """Level against frequency, the noise under it, and every mode with its frequency where there is room."""
    low, high = float(trace.frequencies_hz[0]), float(trace.frequencies_hz[-1])
    top = max([0.0, *trace.peak_db])
    floor = max(_DEEPEST_DB, float(np.median(trace.noise_db)) - 10)
    picture = CharacterPicture(
        frequency_axis(low, high),
        even_axis(floor, top + _ROOM_DB, "dB"),
        width=min(width, _WIDEST),
        height=_HEIGHT,
        dots=dots,
    )
    per_column = 2 if dots else 1
    frequencies, levels = trace.thinned(picture.columns * per_column)
    picture.line(zip(frequencies.tolist(), levels.tolist(), strict=True))
    for frequency_hz in np.geomspace(low, high, picture.columns // _NOISE_EVERY):
        picture.mark(
            frequency_hz, float(np.interp(frequency_hz, trace.frequencies_hz, trace.noise_db)), "_", under=True
        )
    placed = sorted(zip(trace.peak_db, modes, strict=True), key=lambda each: -each[0])
    for peak_db, mode in placed:
        picture.mark(mode.frequency_hz, peak_db, "o")
    for peak_db, mode in placed:
        picture.word(mode.frequency_hz, peak_db, f"{mode.frequency_hz:.0f}")
    legend = "o: top of a fitted resonance, had its ring not been cut; _: noise in the pauses; 0 dB: highest point."
    return _framed("Spectrum of the good taps", picture, legend)


def decay_view(trace: RingDownTrace, width: int, *, dots: bool) -> Group:
    """Level around one mode against time, beside the decay that was fitted."""
    end = float(trace.time_s[-1])
    floor = max(_DEEPEST_DB, min(trace.floor_db, -20.0) - 5)
    picture = CharacterPicture(
        even_axis(0.0, end, "s", 8),
        even_axis(floor, 5.0, "dB"),
        width=min(width, _WIDEST),
        height=_HEIGHT - 2,
        dots=dots,
    )
    picture.line(zip(trace.time_s.tolist(), trace.level_db.tolist(), strict=True))
    for time_s in np.linspace(0, end, picture.columns // _FIT_EVERY):
        picture.mark(time_s, trace.slope_db_per_s * float(time_s), "o")
    for time_s in np.linspace(0, end, picture.columns // _NOISE_EVERY):
        picture.mark(time_s, trace.floor_db, "_", under=True)
    mode = trace.mode
    title = f"Decay of the strongest mode, {mode.frequency_hz:.1f} Hz"
    legend = (
        f"o: as fitted, 60 dB in {mode.decay_time_s:.2f} s (damping {100 * mode.damping_ratio:.2f} %); _: noise. Where the "
        "line leaves the fit, neighbours, the room or the noise take over."
    )
    return _framed(title, picture, legend)


def ladders_view(result: CheckResult, width: int, *, dots: bool) -> Group:
    """For every group how far each bending mode of each ski lies from its prediction."""
    parts: list[RenderableType] = []
    for at, group in enumerate(result.groups):
        skis = [ski for ski in result.skis if ski.group == at and deviations(ski)]
        if skis:
            parts += [Text(), _ladder(group, skis, width, dots)]
    return Group(*parts, Text())


def deviations(ski: Ski) -> list[tuple[int, float]]:
    """Order and deviation from the prediction [%] of the placed bending modes."""
    return sorted(
        (mode.order, mode.deviation_percent)
        for mode in ski.modes
        if mode.family == "bending" and mode.order is not None and mode.deviation_percent is not None
    )


def _ladder(group: GroupSummary, skis: Sequence[Ski], width: int, dots: bool) -> Group:
    ladders = {id(ski): deviations(ski) for ski in skis}
    every = [point for ladder in ladders.values() for point in ladder]
    values = [value for _, value in every]
    orders = sorted({order for order, _ in every})
    room = 0.1 * (max(values) - min(values)) or 1.0
    x = even_axis(orders[0] - 0.5, orders[-1] + 0.5, "", len(orders) + 1)
    picture = CharacterPicture(
        x, even_axis(min(values) - room, max(values) + room, "%"), width=min(width, _WIDEST), height=_HEIGHT, dots=dots
    )
    middle = [(n, float(np.median([value for order, value in every if order == n]))) for n in orders]
    picture.line(middle)
    named = [ski for ski in skis if ski.verdict in ("outlier", "recheck")][: len(_MARKS)]
    for ski in skis:
        for order, value in ladders[id(ski)]:
            picture.mark(order, value, "o")
    for mark, ski in zip(_MARKS, named, strict=False):
        for order, value in ladders[id(ski)]:
            picture.mark(order, value, mark)
    who = "".join(f" {mark}: {shown(ski.ski_id, 30)}, {ski.verdict};" for mark, ski in zip(_MARKS, named, strict=False))
    title = f"{shown(group.construction)}  {shown(group.length_class)} mm, {group.binding}: bending modes against prediction"
    return _framed(
        title,
        picture,
        f"Across: number of the mode. Line: middle of the group; o: a ski that passes;{who}".rstrip(";") + ".",
    )


def tones_view(groups: Mapping[str, Sequence[Point]], width: int) -> Group | None:
    """Mass [g] and first mode [Hz] of every ski by the letter of its group; None where there are fewer than two points."""
    every = [point for points in groups.values() for point in points]
    if len(every) < 2:
        return None
    x, y = (_around([point[at] for point in every], unit) for at, unit in enumerate(("g", "Hz")))
    picture = CharacterPicture(x, y, width=min(width, _WIDEST), height=_HEIGHT - 2, dots=False)
    marks = marks_for(list(groups))
    for name, mark in marks.items():
        for mass_g, first_hz in groups[name]:
            picture.mark(mass_g, first_hz, mark)
    legend = ", ".join(f"{mark}: {each}" for each, mark in marks.items())
    return _framed("First mode at one length against mass", picture, f"{legend}.")


def marks_for(names: Sequence[str]) -> dict[str, str]:
    """A letter for each group: the first of its name where that tells them all apart, otherwise A, B, C."""
    first = [name[:1] for name in names]
    plain = all(letter.isascii() and letter.isalnum() for letter in first)
    if not plain or len({letter.casefold() for letter in first}) < len(names):
        first = [chr(ord("A") + at % 26) for at in range(len(names))]
    return dict(zip(names, first, strict=True))


def _around(values: Sequence[float], unit: str) -> Axis:
    low, high = min(values), max(values)
    room = 0.08 * (high - low) or 0.01 * abs(high) or 1.0
    return even_axis(low - room, high + room, unit)


def _framed(title: str, picture: CharacterPicture, legend: str) -> Group:
    return Group(heading(title), Text(picture.text(), no_wrap=True, overflow="ignore"), prose(legend, style="dim"))
