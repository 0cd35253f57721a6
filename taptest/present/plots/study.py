"""Repeatability and drift as pictures. Draw within `style`, as `taptest.present.plots.picture.save_picture` does."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.calibrate.drift import RULES, Chart, Drift
from taptest.calibrate.repeatability import FIT_PERCENT, GOOD_PERCENT
from taptest.calibrate.study import StudyResult
from taptest.core.errors import shown
from taptest.present.plots.picture import Drawing, Interval, KeyEntry, Layout, dress_rows, intervals
from taptest.present.plots.plots import BAND, FIT, GOOD, INK, NEAR, OUT, SOFT, dress, label
from taptest.present.text.tables import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_FITNESS = {"good": (GOOD, "o"), "usable": (NEAR, "^"), "not fit": (OUT, "D")}


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
        right.axvspan(0, GOOD_PERCENT, color=BAND, lw=0)
        for limit in (GOOD_PERCENT, FIT_PERCENT):
            right.axvline(limit, color=SOFT, lw=0.9, ls=(0, (3, 2)))
        colour, marker = _FITNESS[gauge.fitness]
        intervals(right, [Interval(0, share.value, share.low, share.high, True)], colour=colour, marker=marker)
        label(right, max(share.value, share.low), 0, f"{share.value:.0f} %", colour=INK, dx=0, dy=7)
        right.set_yticks([])
        right.set_xlim(0, 100)
        right.set_xticks([0, GOOD_PERCENT, FIT_PERCENT, 50, 100])
        right.set_ylim(-1, 1)
    layout.note(
        f"Lines: 95 % intervals. By custom good below {GOOD_PERCENT:.0f} % and not fit above {FIT_PERCENT:.0f} %, which depends "
        "on how different the skis of the study were."
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
