"""Calibrations and studies as pictures. Draw within `style`, as `taptest.present.plots.picture.save_picture` does."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from taptest.calibrate.bar import BarResult
from taptest.calibrate.room import RoomResult
from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.learn.construction import LearnedConstruction
from taptest.present.plots.picture import Drawing, KeyEntry, Layout
from taptest.present.plots.style import (
    BAND,
    FIT,
    GOOD,
    INK,
    NEAR,
    OUT,
    SOFT,
    VOID,
    Interval,
    dress,
    dress_rows,
    intervals,
    label,
    octaves,
    plain_ticks,
)
from taptest.present.text.tables import counted
from taptest.studies.drift import RULES, Chart, Drift
from taptest.studies.repeatability_table import StudyResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# How many decibels of a decay were fitted, by shape and colour.
_METHODS = {"T30": (GOOD, "o"), "T20": (NEAR, "^"), "T10": (OUT, "D")}
_ORDERS = 12
_FITNESS = {"good": (GOOD, "o"), "usable": (NEAR, "^"), "not fit": (OUT, "D")}


def _with_u(axes: Axes, x: float, y: float, u: float, colour: str, marker: str, *, hollow: bool = False) -> None:
    """A point and one standard uncertainty to either side."""
    axes.plot([x, x], [y - u, y + u], color=colour, lw=1.3, marker="_", ms=6, mew=1.1)
    axes.plot([x], [y], color=colour, marker=marker, mfc="none" if hollow else colour, ms=5, mew=1.1, ls="")


def room_drawing(result: RoomResult) -> Drawing:
    """Reverberation time of every octave band, and how far the claps stood above the silence."""
    known = [band for band in result.bands if band.reverberation_s is not None]
    layout = Layout(f"Room: {counted(result.decays, 'decay')} in {counted(len(result.recordings), 'recording')}")
    used = [name for name in _METHODS if any(band.method == name for band in known)]
    words = {name: f"{name}, fitted over {name[1:]} dB" for name in used}
    layout.key([KeyEntry(words[name], *_METHODS[name]) for name in used])
    (axes,) = layout.row(150)
    dress(axes, x="octave band, Hz", y="time to fall by 60 dB, s", title="Reverberation")
    axes.set_xscale("log")
    axes.plot([band.centre_hz for band in known], [band.reverberation_s or 0.0 for band in known], color=SOFT, lw=0.8)
    for band in known:
        time, u = band.reverberation_s or 0.0, band.reverberation_u_s or 0.0
        colour, marker = _METHODS[band.method]
        _with_u(axes, band.centre_hz, time, u, colour, marker, hollow=band.curved)
    axes.set_ylim(
        0, 1.15 * max([(band.reverberation_s or 0) + (band.reverberation_u_s or 0) for band in known], default=1.0)
    )
    (below,) = layout.row(110)
    dress(below, x="octave band, Hz", y="dB of full scale", title="Silence, and how far above it the decays start")
    below.set_xscale("log")
    for band in result.bands:
        ends = [band.noise_db, band.noise_db + (band.range_db or 0.0)]
        below.plot([band.centre_hz] * 2, ends, color=VOID, lw=5, solid_capstyle="butt")
        below.plot([band.centre_hz], [band.noise_db], color=INK, marker="_", ms=14, mew=1.6, ls="")
    centres = [band.centre_hz for band in result.bands]
    for each in (axes, below):
        each.set_xlim(centres[0] / 1.5, centres[-1] * 1.5)
        plain_ticks(each, "x", centres)
    lacking = [f"{band.centre_hz:.0f} Hz: {band.why_not}" for band in result.bands if band.why_not]
    note = (
        "± one standard uncertainty; hollow: the decay has more than one rate. A mode that decays no faster than this is the "
        "room's as much as the ski's."
    )
    layout.note(f"{note} {'; '.join(lacking)}" if lacking else note)
    told = ", ".join(f"{b.centre_hz:.0f} Hz {b.reverberation_s:.2f} s" for b in known)
    return layout.finish(f"Reverberation time of a room by octave bands: {told or 'none could be measured'}.")


def bar_drawing(result: BarResult) -> Drawing:
    """How far every mode lies off the ladder that size, mass and modulus predict, and how it is damped."""
    layout = Layout(shown(result.bar.name, 60))
    frequencies = [mode.frequency_hz for mode in result.modes]
    off = [mode.deviation_percent for mode in result.modes]
    shared = 100 * (result.common_factor - 1)
    (axes,) = layout.row(130)
    dress(
        axes, x="", y="off the prediction by, %", title="All modes against the prediction from size, mass and modulus"
    )
    reach = 100 * result.predicted_u_rel
    axes.axhspan(-reach, reach, color=BAND, lw=0)
    axes.axhline(0, color=SOFT, lw=0.9)
    axes.plot(frequencies, off, color=GOOD, marker="o", ms=5, mew=0, lw=0.8)
    axes.margins(y=0.15)
    layout.skip(-14)
    (rest,) = layout.row(110)
    dress(rest, x="", y="ppm", title=f"The same about what all share, {shared:+.3f} %")
    rest.axhline(0, color=SOFT, lw=0.9)
    for mode in result.modes:
        y = 1e6 * (mode.frequency_hz / mode.predicted_hz / result.common_factor - 1)
        u = 1e6 * mode.frequency_u_hz / mode.frequency_hz
        _with_u(rest, mode.frequency_hz, y, u, GOOD, "o")
    rest.margins(y=0.15)
    layout.skip(-14)
    (damping,) = layout.row(110)
    dress(damping, x="frequency, Hz", y="damping, %", title="Damping")
    for mode in result.modes:
        y, u = 100 * mode.damping_ratio, 100 * mode.damping_ratio_u
        _with_u(damping, mode.frequency_hz, y, u, FIT, "s")
    damping.set_ylim(0, 1.25 * max(100 * (mode.damping_ratio + mode.damping_ratio_u) for mode in result.modes))
    for each in (axes, rest, damping):
        each.set_xscale("log")
        each.set_xlim(0.85 * frequencies[0], 1.18 * frequencies[-1])
        plain_ticks(each, "x", octaves(0.85 * frequencies[0], 1.18 * frequencies[-1]))
    layout.note(
        "Band: one standard uncertainty of the prediction, which moves all modes alike, as an error of the clock does. ± one "
        "standard uncertainty of each mode."
    )
    told = ", ".join(
        f"{mode.order}: {mode.frequency_hz:.2f} Hz, {mode.deviation_percent:+.3f} %" for mode in result.modes
    )
    return layout.finish(f"{shown(result.bar.name, 100)}: bending modes off their prediction. {told}.")


def construction_drawing(result: LearnedConstruction) -> Drawing:
    """How far every bending order was moved, and how well it is predicted with and without what was learnt."""
    orders = result.orders[:_ORDERS]
    layout = Layout(f"{shown(result.construction.name, 60)}, learnt from {counted(result.skis, 'ski')}")
    (axes,) = layout.row(140)
    dress(axes, x="", y="moved by, %", title=f"Every mode against {shown(result.base, 40)}")
    axes.axhline(0, color=SOFT, lw=0.9)
    for each in orders:
        y, u = 100 * (each.factor - 1), 100 * each.factor_u_rel
        _with_u(axes, each.order, y, u, GOOD, "o", hollow=not each.skis)
    axes.margins(y=0.15)
    layout.skip(-10)
    entries = [KeyEntry("predicted from the base", OUT, "D"), KeyEntry("each ski from the others", GOOD, "o")]
    layout.key([*entries, KeyEntry("stated in the file", SOFT, "_")])
    (errors,) = layout.row(130)
    dress(errors, x="bending mode", y="error, %", title="Error of the prediction, root mean square")
    for each in orders:
        errors.plot([each.order - 0.3, each.order + 0.3], [each.u_percent] * 2, color=SOFT, lw=2.2)
        for value, colour, marker in ((each.base_error_percent, OUT, "D"), (each.error_percent, GOOD, "o")):
            if value is not None:
                errors.plot([each.order], [value], color=colour, marker=marker, ms=5, mew=0, ls="")
    errors.set_ylim(bottom=0)
    for axes_ in (axes, errors):
        axes_.set_xlim(0.4, len(orders) + 0.6)
        plain_ticks(axes_, "x", [float(each.order) for each in orders])
    layout.note(
        "± one standard uncertainty; hollow: heard in no ski, from the other modes. Stated: one standard uncertainty that the "
        "file claims for a new ski, rig and balance included."
    )
    told = ", ".join(f"{each.order}: {100 * (each.factor - 1):+.1f} %" for each in orders)
    return layout.finish(
        f"{shown(result.construction.name, 100)}: how far each bending mode was moved: {told}. Error "
        f"{result.error_percent:.2f} % where the base has {result.base_error_percent:.2f} %."
    )


def repeatability_drawing(result: StudyResult) -> Drawing:
    """What scatters how much, quantity by quantity, and its share of the whole."""
    layout = Layout(f"Repeatability: {shown(Path(result.path).name, 70)}")
    for gauge in result.gauges:
        size = f"{gauge.part_count} parts, {gauge.operator_count} operators, {gauge.trial_count} trials each"
        layout.heading(f"{gauge.quantity.capitalize()}: {size}, mean {gauge.mean:.5g} {gauge.unit}")
        left, right = layout.row(74, (1.5, 1), left_pt=130, gap_pt=40)
        rows = ("EV, hung anew", "AV, between people", "GRR, both together", "PV, between skis")
        dress_rows(left, rows, x=f"standard deviation, {gauge.unit}", title="What scatters")
        for row, component in enumerate((gauge.equipment, gauge.appraisers, gauge.gauge, gauge.parts)):
            colour, marker = (FIT, "s") if row == 3 else (GOOD, "o")
            place = Interval(row, component.value, component.low, component.high, True)
            intervals(left, [place], colour=colour, marker=marker)
        left.set_xlim(left=0)
        share = gauge.gauge_percent
        dress(right, x="% GRR of the total", y="", title=f"{gauge.fitness} by custom", grid="")
        right.axvspan(0, LIMITS.study.good_percent, color=BAND, lw=0)
        for limit in (LIMITS.study.good_percent, LIMITS.study.fit_percent):
            right.axvline(limit, color=SOFT, lw=0.9, ls=(0, (3, 2)))
        colour, marker = _FITNESS[gauge.fitness]
        intervals(right, [Interval(0, share.value, share.low, share.high, True)], colour=colour, marker=marker)
        label(right, max(share.value, share.low), 0, f"{share.value:.0f} %", colour=INK, dx=0, dy=7)
        right.set_yticks([])
        right.set_xlim(0, 100)
        right.set_xticks([0, LIMITS.study.good_percent, LIMITS.study.fit_percent, 50, 100])
        right.set_ylim(-1, 1)
    layout.note(
        f"Lines: 95 % intervals. By custom good below {LIMITS.study.good_percent:.0f} % and not fit above "
        f"{LIMITS.study.fit_percent:.0f} %, which depends on how different the skis of the study were."
    )
    told = "; ".join(
        f"{gauge.quantity} {gauge.gauge_percent.value:.0f} % GRR, {gauge.fitness}" for gauge in result.gauges
    )
    return layout.finish(f"Repeatability study of {shown(Path(result.path).name, 100)}: {told}.")


def drift_drawing(drift: Drift) -> Drawing:
    """Individuals and moving ranges of frequency and of damping, tapping by tapping."""
    layout = Layout(f"{shown(drift.reference, 60)}: {counted(len(drift.points), 'tapping')}, {drift.state} at the last")
    layout.key([KeyEntry("breaks no rule", GOOD, "o"), KeyEntry("breaks a rule", OUT, "D")])
    for name, chart in (("frequency", drift.frequency), ("damping", drift.damping)):
        (values,) = layout.row(100)
        dress(values, x="", y="%", title=f"{name.capitalize()} against the first tapping", grid="y")
        _chart(values, chart.values, chart, (chart.low, chart.centre, chart.high))
        layout.skip(-14)
        (ranges,) = layout.row(56)
        dress(ranges, x="tapping" if name == "damping" else "", y="%", title=f"Moving range of {name}", grid="y")
        moving = [abs(b - a) for a, b in zip(chart.values, chart.values[1:], strict=False)]
        _chart(ranges, moving, chart, (None, None, chart.range_limit), first=2)
        ranges.set_ylim(bottom=0)
    first, last = drift.points[0].at, drift.points[-1].at
    layout.note(
        f"From {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC. Band: limits of the first 20 tappings within them, mean ± "
        f"2.66 mean moving ranges; rules: {'; '.join(RULES)}. {' '.join(f'{note}.' for note in drift.notes)}"
    )
    told = ", ".join(f"{value:+.2f} %" for value in drift.frequency.values[-10:])
    return layout.finish(
        f"Control chart of {shown(drift.reference, 60)}, {drift.state} at the last of {counted(len(drift.points), 'tapping')}. "
        f"Frequency of the last ones against the first: {told}."
    )


def _chart(
    axes: Axes,
    values: Sequence[float],
    chart: Chart,
    limits: tuple[float | None, float | None, float | None],
    *,
    first: int = 1,
) -> None:
    """Points from number ``first`` on, out of rule by shape and colour, and the limits as a band."""
    low, centre, high = limits
    if high is not None:
        axes.axhspan(low or 0.0, high, color=BAND, lw=0)
    if centre is not None:
        axes.axhline(centre, color=SOFT, lw=0.9)
    numbers = range(first, first + len(values))
    axes.plot(numbers, values, color=SOFT, lw=0.8)
    for number, value in zip(numbers, values, strict=True):
        broken = bool(chart.broken[number - 1]) if first == 1 else high is not None and value > high
        colour, marker = (OUT, "D") if broken else (GOOD, "o")
        axes.plot([number], [value], color=colour, marker=marker, ms=5, mew=0, ls="", clip_on=False)
    axes.set_xlim(0.5, len(chart.values) + 0.5)
    axes.margins(y=0.15)
    axes.locator_params(axis="x", integer=True)
    axes.locator_params(axis="y", nbins=5)


DRAWINGS: dict[str, Callable[[Any], Drawing]] = {
    "room": room_drawing,
    "bar": bar_drawing,
    "construction": construction_drawing,
    "repeatability": repeatability_drawing,
    "drift": drift_drawing,
}
