"""One ski: its spectrum, close-ups and ring-downs of single modes, and the shapes of its modes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from taptest.beam.model import Modes
from taptest.present.plots.style import (
    BAND,
    FAINT,
    FIT,
    GOOD,
    INK,
    OUT,
    SOFT,
    VOID,
    Margins,
    axes_of,
    dress,
    label,
    nothing,
    octaves,
    plain_ticks,
)
from taptest.signal.analysis import Mode
from taptest.signal.traces import RingDownTrace, SpectrumTrace

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_FLOOR_DB = -62.0
_COLUMNS = 340
_SHAPE_POINTS = 80
_TAP_WITHIN = (0.15, 0.85)  # the ends are soft and whip (common practice, no source)

Places = Mapping[int, str]
"""Name of a mode ("B3", "T1") by its index in the analysis; others are strangers."""


def draw_spectrum(axes: Axes, trace: SpectrumTrace, modes: Sequence[Mode], places: Places, title: str = "") -> None:
    """Level against frequency, the noise below it, and the top of every fitted resonance with its name."""
    dress(axes, x="frequency, Hz", y="level, dB", title=title)
    axes.set_xscale("log")
    low, high = float(trace.frequencies_hz[0]), float(trace.frequencies_hz[-1])
    floor = min(_FLOOR_DB, float(np.median(trace.noise_db)) - 6)
    grid_hz = np.geomspace(low, high, _COLUMNS // 5)
    noise = np.interp(grid_hz, trace.frequencies_hz, trace.noise_db)
    axes.fill_between(grid_hz, floor, np.maximum(noise, floor), color=BAND, lw=0)
    frequencies, level = trace.thinned(_COLUMNS)
    axes.plot(frequencies, np.maximum(level, floor), color=SOFT, lw=0.7)
    for at, (mode, peak) in enumerate(zip(modes, trace.peak_db, strict=True)):
        # Ten points to either side, closer together towards the top.
        width = mode.half_power_bandwidth_hz
        reach = min(2.0, float(np.arcsinh(0.05 * mode.frequency_hz / width)))
        around = mode.frequency_hz + width * np.sinh(np.linspace(-reach, reach, 21))
        curve = trace.resonance_db(mode, peak, around, cut=False)
        colour = FIT if at in places else VOID
        shown = curve > max(peak - 16, floor)
        axes.plot(around[shown], curve[shown], color=colour, lw=1.3)
        if at in places:
            label(axes, mode.frequency_hz, peak, places[at], colour=INK, dx=0, dy=3, ha="center", fontsize=7.5)
    axes.set_xlim(low, high)
    axes.set_ylim(floor, max(12.0, *(peak + 9 for peak in trace.peak_db)) if trace.peak_db else 6)
    plain_ticks(axes, "x", octaves(low, high))


def strongest(trace: SpectrumTrace, modes: Sequence[Mode], places: Places, count: int) -> list[int]:
    """Indices of the placed bending modes that stand out most, in order of frequency."""
    bending = [at for at in range(len(modes)) if places.get(at, "").startswith("B")]
    return sorted(sorted(bending, key=lambda at: -trace.peak_db[at])[:count])


def draw_close_up(axes: Axes, trace: SpectrumTrace, mode: Mode, peak_db: float, place: str, *, first: bool) -> None:
    """A few bandwidths around one resonance: measured, the cut model through it, the resonance, and 3 dB below its top."""
    width = mode.half_power_bandwidth_hz
    reach = max(3.5 * width, 4 / trace.record_s)
    dress(axes, x="Hz", y="dB" if first else "", title=f"{place}", grid="y")
    fine: np.ndarray = mode.frequency_hz + np.linspace(-reach, reach, 81)
    near = np.abs(trace.frequencies_hz - mode.frequency_hz) <= reach
    axes.plot(fine, trace.resonance_db(mode, 0, fine, cut=False), color=FIT, lw=1.4)
    axes.plot(fine, trace.resonance_db(mode, 0, fine, cut=True), color=FIT, lw=0.9, ls=(0, (3, 2)))
    axes.plot(trace.frequencies_hz[near], trace.level_db[near] - peak_db, color=INK, marker="o", ms=2.6, mew=0, ls="")
    half = -10 * np.log10(2)
    left, right = mode.frequency_hz - width / 2, mode.frequency_hz + width / 2
    axes.plot([left, right], [half, half], color=OUT, lw=1.6, marker="|", ms=7, mew=1.4)
    label(axes, right, half, f"{width:.2f} Hz", colour=OUT, dx=4, dy=-2, fontsize=8)
    axes.set_ylim(-19, 4)
    axes.set_xlim(mode.frequency_hz - reach, mode.frequency_hz + reach)
    step = next(each for each in (0.5, 1, 2, 5, 10, 20, 50, 100, 200) if 2 * reach / each < 4)
    ticks = np.arange(np.ceil((mode.frequency_hz - reach) / step), (mode.frequency_hz + reach) / step) * step
    plain_ticks(axes, "x", [float(each) for each in ticks])
    plain_ticks(axes, "y", [-15.0, -10.0, -5.0, 0.0] if first else [])
    if not first:
        axes.set_yticks([-15, -10, -5, 0], labels=[])


def draw_ring_down(axes: Axes, place: str, trace: RingDownTrace, room_s: float | None, *, first: bool) -> None:
    """Level against time around one mode, with the fitted decay, the noise, and the room's decay where it is known."""
    dress(axes, x="s", y="level, dB" if first else "", title=place)
    end = float(trace.time_s[-1]) * 1.03
    axes.axhspan(_FLOOR_DB, max(trace.floor_db, _FLOOR_DB), color=BAND, lw=0)
    axes.plot(trace.time_s, np.maximum(trace.level_db, _FLOOR_DB), color=INK, lw=0.9)
    reach = min(end, -_FLOOR_DB / -trace.slope_db_per_s)
    axes.plot([0, reach], [0, trace.slope_db_per_s * reach], color=FIT, lw=1.6, ls=(0, (4, 2)))
    if room_s is not None:
        until = min(end, room_s)
        axes.plot([0, until], [0, -60 / room_s * until], color=OUT, lw=1.0, ls=":")
    label(axes, end, 0, f"60 dB: {trace.mode.decay_time_s:.2f} s", colour=FIT, dx=-2, dy=-2, ha="right", fontsize=7.5)
    axes.set_xlim(0, end)
    axes.set_ylim(_FLOOR_DB, 5)
    step = next(each for each in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10) if end / each < 4)
    plain_ticks(axes, "x", [float(each) for each in np.round(np.arange(0, end, step), 2)])


def best_tap(shapes: Modes, orders: Sequence[int]) -> float:
    """Place, as a share of the length from the tail, at which the least moved of these modes moves most."""
    inside = (shapes.station_m >= _TAP_WITHIN[0]) & (shapes.station_m <= _TAP_WITHIN[1])
    least = np.min([np.abs(shapes.shapes[order - 1]) for order in orders], axis=0)
    return float(shapes.station_m[inside][np.argmax(least[inside])])


def plot_shapes(shapes: Modes, heard: Sequence[int], *, length_m: float, ax: Axes | None = None) -> Axes:
    """The bending modes that were heard, on a sketched ski: dots where each stands still, a dashed line where to tap."""
    # Many modes move closer together, so that the sections of all skis are about as high.
    axes = axes_of(ax, 64 + min(24, 170 / max(len(heard), 1)) * len(heard), Margins(left=26, top=2))
    if not heard:
        return nothing(axes, "No bending mode was heard.")
    fine = slice(None, None, max(len(shapes.station_m) // _SHAPE_POINTS, 1))
    x = 100 * length_m * shapes.station_m[fine]
    for row, order in enumerate(heard):
        base = -row
        shape = shapes.shapes[order - 1][fine]
        axes.plot([0, 100 * length_m], [base, base], color=FAINT, lw=0.7)
        axes.plot(x, base + 0.4 * shape, color=GOOD, lw=1.3)
        nodes = 100 * length_m * shapes.nodes_m(order)
        axes.plot(nodes, [base] * len(nodes), color=OUT, marker="o", ms=3.4, mew=0, ls="")
    lowest = -len(heard) - 0.1
    tap = 100 * length_m * best_tap(shapes, heard)
    axes.plot([tap, tap], [lowest, 0.55], color=FIT, lw=1.0, ls=(0, (3, 2)), zorder=0)
    _sketch(axes, 100 * length_m, lowest)
    label(axes, tap, 0.55, f"tap {tap:.0f} cm", colour=FIT, dx=0, dy=1, ha="center", fontweight="bold")
    dress(axes, x="from the tail, cm", y="", grid="")
    axes.set_yticks([-row for row in range(len(heard))], labels=[f"B{order}" for order in heard])
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(lowest - 0.4, 1.1)
    axes.set_xlim(-2, 100 * length_m + 2)
    axes.set_label(
        f"Shapes of the bending modes {', '.join(str(order) for order in heard)} that were heard, as the construction has them; "
        f"dots where each stands still and a tap there leaves it dead. All of them move at {tap:.0f} cm from the tail."
    )
    return axes


def _sketch(axes: Axes, length_cm: float, height: float) -> None:
    """A ski from the side: flat tail, a little camber, upturned tip."""
    s = np.linspace(0, 1, 60)
    line = 0.12 * np.sin(np.pi * np.clip(s / 0.88, 0, 1)) + 0.55 * np.clip((s - 0.9) / 0.1, 0, 1) ** 2
    thick = 0.04 + 0.14 * np.sin(np.pi * s) ** 1.5
    axes.fill_between(length_cm * s, height + line - 0.1, height + line - 0.1 + thick, color=SOFT, lw=0)
