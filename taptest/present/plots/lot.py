"""Pictures of a whole lot and of its groups. Draw within `taptest.present.plots.plots.style`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from taptest.core.errors import shown
from taptest.identify.ladder import PlacedMode
from taptest.present.plots.plots import (
    BAND,
    FAINT,
    INK,
    LINES,
    NAME_CHARACTERS,
    SOFT,
    VERDICTS,
    Picture,
    dress,
    label,
    new_figure,
    octaves,
    plain_ticks,
    spread_labels,
    to_svg,
)
from taptest.present.text.tables import counted
from taptest.screen.group import PHYSICS_FACTOR
from taptest.screen.verdict import CheckResult, GroupSummary, SkiVerdict, Verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ORDER: tuple[Verdict, ...] = ("pass", "not judged", "recheck", "outlier")  # what matters is drawn on top
_MOST_NAMES = 12
_FADED = 0.55


def lot_picture(result: CheckResult) -> Picture | None:
    """First mode as heard against as predicted; None where no ski has both."""
    skis = [ski for ski in result.skis if ski.measured_hz is not None and ski.predicted_hz is not None]
    if not skis:
        return None
    figure = new_figure(280)
    axes = dress(figure.add_subplot(), x="first mode as predicted, Hz", y="first mode as heard, Hz")
    predicted = sorted(ski.predicted_hz or 0.0 for ski in skis)
    low, high = 0.97 * predicted[0], 1.03 * predicted[-1]
    share = max((ski.predicted_u_hz or 0.0) / (ski.predicted_hz or 1.0) for ski in skis) * PHYSICS_FACTOR
    ends = [low, high]
    axes.fill_between(ends, [x * (1 - share) for x in ends], [x * (1 + share) for x in ends], color=BAND, lw=0)
    axes.plot(ends, ends, color=SOFT, lw=0.9)
    for ski in skis:
        x, y, u = ski.predicted_hz or 0.0, ski.measured_hz or 0.0, ski.measured_u_hz or 0.0
        axes.plot([x, x], [y - u, y + u], color=VERDICTS[ski.verdict][0], lw=0.8, alpha=_FADED)
    _points(axes, skis, lambda ski: (ski.predicted_hz or 0.0, ski.measured_hz or 0.0), middle=lambda x: x)
    axes.set_xlim(low, high)
    _verdict_legend(axes, skis, "upper left")
    alt = (
        f"First bending mode as heard against as predicted, {counted(len(skis), 'ski')}; band: what stiffness, mass and "
        f"construction leave open, plus or minus {100 * share:.0f} percent. {_named(skis)}"
    )
    return Picture(to_svg(figure, alt, name="lot"), alt)


def shift_picture(result: CheckResult) -> Picture | None:
    """What all modes of a ski share against its group, every ski with its limit; None where nothing was judged."""
    skis = [ski for ski in result.skis if ski.shift_percent is not None and ski.shift_limit_percent is not None]
    if not skis:
        return None
    figure = new_figure(280)
    axes = dress(figure.add_subplot(), x="skis in the order of the table", y="all modes off by, %", grid="y")
    place = {id(ski): at for at, ski in enumerate(skis)}
    edges = [at - 0.5 for at in range(len(skis) + 1)]
    limits = [ski.shift_limit_percent or 0.0 for ski in skis]
    axes.stairs(limits, edges, baseline=[-limit for limit in limits], fill=True, color=BAND, lw=0)
    axes.axhline(0, color=SOFT, lw=0.9)
    for ski in skis:
        y, u = ski.shift_percent or 0.0, ski.shift_u_percent or 0.0
        axes.plot([place[id(ski)]] * 2, [y - u, y + u], color=VERDICTS[ski.verdict][0], lw=0.8, alpha=_FADED)
    _points(axes, skis, lambda ski: (place[id(ski)], ski.shift_percent or 0.0))
    axes.set_xlim(-1, len(skis))
    plain_ticks(axes, "x", [])
    _verdict_legend(axes, skis, "best")
    alt = (
        "What all modes of a ski are off by together, against its group, with the limits as a band; "
        f"{counted(len(skis), 'ski')}. A ski may lie within and still be set aside for unevenness or damping. {_named(skis)}"
    )
    return Picture(to_svg(figure, alt, name="shift"), alt)


def ladder_picture(group: GroupSummary, skis: Sequence[SkiVerdict], *, name: str) -> Picture | None:
    """Deviation of every bending mode from its prediction, a line a ski; None where no mode is placed."""
    lines = [(ski, _deviations(ski)) for ski in skis]
    lines = [(ski, line) for ski, line in lines if line]
    if not lines:
        return None
    figure = new_figure(250)
    axes = dress(figure.add_subplot(), x="bending mode", y="off its prediction by, %", grid="y")
    orders = sorted({order for _, line in lines for order, _ in line})
    ends = []
    for ski, line in sorted(lines, key=lambda each: _ORDER.index(each[0].verdict)):
        colour, marker = VERDICTS[ski.verdict]
        loud = ski.verdict in ("outlier", "recheck")
        x, y = zip(*line, strict=True)
        if loud:
            axes.plot(x, y, color=colour, marker=marker, ms=4, lw=1.4, zorder=4)
            ends.append((ski, x[-1], y[-1], colour))
        else:
            axes.plot(x, y, color=SOFT, lw=0.7, alpha=_FADED)
    middle = [(n, _median([dict(line)[n] for _, line in lines if n in dict(line)])) for n in orders]
    axes.plot(*zip(*middle, strict=True), color=INK, lw=1.8, zorder=3)
    axes.set_xlim(min(orders) - 0.4, max(orders) + (1.6 if ends else 0.4))
    plain_ticks(axes, "x", [float(n) for n in orders])
    low, high = axes.get_ylim()
    ends = ends[:_MOST_NAMES]
    heights = spread_labels([(x, y) for _, x, y, _ in ends], 0.055 * (high - low))
    for (ski, x, y, colour), height in zip(ends, heights, strict=True):
        axes.plot([x, max(orders) + 0.25], [y, height], color=colour, lw=0.5, alpha=_FADED)
        label(axes, max(orders) + 0.25, height, ski.ski_id, colour=colour, dx=2, dy=-3)
    alt = (
        f"Ladder of the group {_kind(group)}: how far each bending mode lies "
        f"from its prediction, a thin line for every ski of {len(lines)}, the middle of the group in bold. {_named(skis)}"
    )
    return Picture(to_svg(figure, alt, name=name), alt)


def damping_picture(group: GroupSummary, skis: Sequence[SkiVerdict], *, name: str) -> Picture | None:
    """Damping of every bending mode against its frequency, a shape for each generation; None without any mode."""
    every = [(ski, mode) for ski in skis for mode in _bending(ski)]
    if not every:
        return None
    figure = new_figure(250)
    axes = dress(figure.add_subplot(), x="frequency, Hz", y="damping, %")
    axes.set_xscale("log")
    axes.set_yscale("log")
    generations = sorted({ski.generation or "" for ski, _ in every})
    for at, generation in enumerate(generations):
        colour, marker = LINES[at % len(LINES)]
        quiet = [(m.frequency_hz, 100 * m.damping_ratio) for ski, m in every if (ski.generation or "") == generation]
        shape = {"color": colour, "marker": marker, "ls": "", "ms": 3.5, "mew": 0, "alpha": _FADED}
        axes.plot(
            *zip(*quiet, strict=True),
            label=f"generation {shown(generation, NAME_CHARACTERS)}" if generation else "skis",
            **shape,
        )
    loud = [ski for ski in skis if ski.verdict in ("outlier", "recheck") and _bending(ski)]
    for ski in loud[:_MOST_NAMES]:
        colour, marker = VERDICTS[ski.verdict]
        modes = _bending(ski)
        x, y = [m.frequency_hz for m in modes], [100 * m.damping_ratio for m in modes]
        axes.plot(x, y, color=colour, marker=marker, ms=4, lw=1.0, zorder=4)
        label(axes, x[-1], y[-1], ski.ski_id, colour=colour, dx=4, dy=-3)
    for which, (low, high) in (("x", axes.get_xlim()), ("y", axes.get_ylim())):
        plain_ticks(axes, which, octaves(low, high))
    if len(generations) > 1:
        _legend(axes, "best")
    alt = (
        f"Damping against frequency of {counted(len(every), 'bending mode')} in the group {_kind(group)}; "
        f"skis to set aside or to recheck joined by a line. {_named(skis)}"
    )
    return Picture(to_svg(figure, alt, name=name), alt)


def stiffness_picture(group: GroupSummary, skis: Sequence[SkiVerdict], *, name: str) -> Picture | None:
    """Mass against stiffness with lines of equal tone, f ~ sqrt(k/m); None with fewer than two skis to draw."""
    known = [ski for ski in skis if ski.mass_g and ski.stiffness_n_per_mm and ski.predicted_hz]
    if len(known) < 2:
        return None
    figure = new_figure(250)
    axes = dress(figure.add_subplot(), x="mass, g", y="stiffness, N/mm", grid="")
    _points(axes, known, lambda ski: (ski.mass_g or 0.0, ski.stiffness_n_per_mm or 0.0))
    x_low, x_high = _widened([ski.mass_g or 0.0 for ski in known])
    y_low, y_high = _widened([ski.stiffness_n_per_mm or 0.0 for ski in known])
    # f² m / k is the same for one length, span and binding; its middle serves the small differences within a group.
    factor = _median([(s.predicted_hz or 0.0) ** 2 * (s.mass_g or 0.0) / (s.stiffness_n_per_mm or 1.0) for s in known])
    lowest, highest = (factor * y_low / x_high) ** 0.5, (factor * y_high / x_low) ** 0.5
    step = next(step for step in (0.2, 0.5, 1, 2, 5, 10, 20, 50, 100) if (highest - lowest) / step < 9)
    tone = step * (lowest // step + 1)
    while tone < highest:
        slope = tone**2 / factor
        axes.plot([x_low, x_high], [slope * x_low, slope * x_high], color=FAINT, lw=0.9, zorder=0)
        x, y = (x_high, slope * x_high) if slope * x_high < y_high else (y_high / slope, y_high)
        if x > x_low + 0.15 * (x_high - x_low) and y > y_low:
            label(axes, x, y, f"{tone:g} Hz", colour=SOFT, dx=-4, dy=-8, ha="right", fontsize=7.5)
        tone += step
    axes.set_xlim(x_low, x_high)
    axes.set_ylim(y_low, y_high)
    alt = (
        f"Mass against stiffness of {counted(len(known), 'ski')} of the group {_kind(group)}, "
        f"with lines along which stiffness and mass predict the same first mode. {_named(known)}"
    )
    return Picture(to_svg(figure, alt, name=name), alt)


def _kind(group: GroupSummary) -> str:
    return f"{shown(group.construction)} {group.length_class} mm, {group.binding}"


def _bending(ski: SkiVerdict) -> list[PlacedMode]:
    return sorted((mode for mode in ski.modes if mode.family == "bending"), key=lambda mode: mode.frequency_hz)


def _deviations(ski: SkiVerdict) -> list[tuple[int, float]]:
    return [
        (mode.order, mode.deviation_percent)
        for mode in _bending(ski)
        if mode.order is not None and mode.deviation_percent is not None
    ]


def _points(
    axes: Axes,
    skis: Sequence[SkiVerdict],
    place: Callable[[SkiVerdict], tuple[float, float]],
    middle: Callable[[float], float] = lambda x: 0.0,
) -> None:
    """Every ski by the colour and shape of its verdict, and the names of those to act on, away from the middle line."""
    for verdict in _ORDER:
        colour, marker = VERDICTS[verdict]
        points = [place(ski) for ski in skis if ski.verdict == verdict]
        if points:
            size = 5.5 if verdict == "outlier" else 4.2
            edge = 1.4 if marker == "x" else 0
            axes.plot(*zip(*points, strict=True), color=colour, marker=marker, ls="", ms=size, mew=edge, label=verdict)
    for ski in [ski for ski in skis if ski.verdict in ("outlier", "recheck")][:_MOST_NAMES]:
        x, y = place(ski)
        above = y >= middle(x)
        colour = VERDICTS[ski.verdict][0]
        label(axes, x, y, ski.ski_id, colour=colour, dx=5, dy=5 if above else -11, fontweight="bold")


def _verdict_legend(axes: Axes, skis: Sequence[SkiVerdict], where: str) -> None:
    if len({ski.verdict for ski in skis}) > 1:
        _legend(axes, where)


def _legend(axes: Axes, where: str) -> None:
    axes.legend(loc=where, frameon=False, handletextpad=0.2, borderaxespad=0.2, labelcolor=INK)


def _named(skis: Sequence[SkiVerdict]) -> str:
    """The skis that are named in a picture, as words for its alternative text."""
    words = []
    for verdict, what in (("outlier", "Outliers"), ("recheck", "Recheck")):
        ids = [shown(ski.ski_id, 20) for ski in skis if ski.verdict == verdict]
        more = f" and {len(ids) - _MOST_NAMES} more" if len(ids) > _MOST_NAMES else ""
        if ids:
            words.append(f"{what}: {', '.join(ids[:_MOST_NAMES])}{more}.")
    return " ".join(words) or "No outlier."


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    return (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


def _widened(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = 0.12 * (high - low) or 0.03 * high
    return low - room, high + room
