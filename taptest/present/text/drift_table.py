"""A reference's control chart, for a terminal: drawn with plain characters."""

from pathlib import Path

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.calibrate.drift import RULES, Chart, Drift
from taptest.core.errors import shown
from taptest.present.text.room_table import kept
from taptest.present.text.tables import counted, hanging, number, pinned, prose, ruled_table

_MOST_ROWS = 40
_LEGEND = (
    "frequency, damping: against the first tapping, over the modes that both have; chart: frequency between its limits "
    "'|', its centre ':', a point 'o' or, where it breaks a rule, 'X'. Limits: mean +- 2.66 mean moving ranges of the "
    "first 20 tappings within them. Rules: "
)


def drift_view(drift: Drift, stored: Path | None, width: int) -> Group:
    """The tappings with their chart, the last at the bottom, and what they mean."""
    shift = max(len(drift.points) - _MOST_ROWS, 0)
    columns = [
        ("when\nUTC", "left"),
        ("room\n°C", "right"),
        ("frequency\n%", "right"),
        ("damping\n%", "right"),
        ("", "left"),
    ]
    table = ruled_table(width, columns)
    span = max(min(width - 48, 60), 15)
    scale = _scale(drift.frequency)
    for i, point in list(enumerate(drift.points))[shift:]:
        rules = {*drift.frequency.broken[i], *drift.damping.broken[i]}
        table.add_row(
            f"{point.at:%Y-%m-%d %H:%M}",
            number(point.temperature_c, 0),
            number(drift.frequency.values[i], 2, sign=True),
            number(drift.damping.values[i], 0, sign=True),
            Text(_line(drift.frequency, i, scale, span), "red" if rules else ""),
        )
    parts: list[RenderableType] = [
        Text.assemble((shown(drift.reference), "bold"), f"  {counted(len(drift.points), 'tapping')}"),
        pinned(table, width),
        Text(),
        prose(f"{_LEGEND}{'; '.join(RULES)}.", style="dim"),
        Text(),
    ]
    lines = [("state", "bold", _state(drift))]
    lines += [("note", "yellow", f"{note}.") for note in drift.notes]
    return Group(*parts, hanging(lines if stored is None else [*lines, kept(stored)]))


def _state(drift: Drift) -> str:
    broken = [f"frequency: {rule}" for rule in drift.frequency.broken[-1]]
    broken += [f"damping: {rule}" for rule in drift.damping.broken[-1]]
    if not broken:
        return "in: the last tapping breaks no rule."
    return f"out: {'; '.join(broken)}. Tap it again; then look for what changed: loops, microphone, room, temperature."


def _scale(chart: Chart) -> tuple[float, float]:
    marks = [*chart.values, *(mark for mark in (chart.low, chart.high) if mark is not None)]
    low, high = min(marks), max(marks)
    margin = max(0.05 * (high - low), 0.01)
    return low - margin, high + margin


def _line(chart: Chart, i: int, scale: tuple[float, float], span: int) -> str:
    def place(value: float) -> int:
        return round((value - scale[0]) / (scale[1] - scale[0]) * (span - 1))

    line = [" "] * span
    for mark, sign in ((chart.low, "|"), (chart.high, "|"), (chart.centre, ":")):
        if mark is not None:
            line[place(mark)] = sign
    line[place(chart.values[i])] = "X" if chart.broken[i] else "o"
    return "".join(line).rstrip()
