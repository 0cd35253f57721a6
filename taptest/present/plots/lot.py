"""A checked lot and its groups as pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.present.plots.style import (
    BAND,
    FAINT,
    INK,
    LINES,
    NAME_CHARACTERS,
    SOFT,
    VERDICTS,
    axes_of,
    dress,
    label,
    nothing,
    octaves,
    plain_ticks,
    spread_labels,
)
from taptest.present.text.character_pictures import deviations
from taptest.present.text.tables import counted
from taptest.screen.result import CheckResult, GroupSummary
from taptest.ski.modes import PlacedMode
from taptest.ski.record import Ski, Verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ORDER: tuple[Verdict, ...] = ("pass", "not judged", "recheck", "outlier")  # what matters is drawn on top
_MOST_NAMES = 12
_FADED = 0.55


class _Place(NamedTuple):
    """Where a ski is marked, with the uncertainty of its height; hollow where the value was inferred."""

    ski: Ski
    x: float
    y: float
    u: float = 0.0
    filled: bool = True


def plot_tones(result: CheckResult, ax: Axes | None = None) -> Axes:
    """First mode of every ski against its prediction: filled where it was heard, hollow where inferred from the others."""
    axes = axes_of(ax, 280)
    places = [
        _Place(ski, ski.predicted_hz, ski.first_mode_hz, ski.first_mode_u_hz or 0.0, ski.first_mode_source == "heard")
        for ski in result.skis
        if ski.predicted_hz and ski.first_mode_hz
    ]
    if not places:
        return nothing(axes, "No ski has a first mode, predicted and heard or inferred.")
    dress(axes, x="first mode as predicted, Hz", y="first mode, Hz")
    ends = [0.97 * min(place.x for place in places), 1.03 * max(place.x for place in places)]
    share = max((place.ski.predicted_u_hz or 0.0) / place.x for place in places) * LIMITS.group.physics_factor
    axes.fill_between(ends, [x * (1 - share) for x in ends], [x * (1 + share) for x in ends], color=BAND, lw=0)
    axes.plot(ends, ends, color=SOFT, lw=0.9)
    _mark(axes, places, middle=lambda x: x)
    axes.set_xlim(*ends)
    _legend(axes, "upper left", {place.ski.verdict for place in places})
    heard = sum(place.filled for place in places)
    axes.set_label(
        f"First bending mode against its prediction, {counted(len(places), 'ski')}: {heard} heard (filled), "
        f"{len(places) - heard} inferred from the higher modes (hollow); band: what stiffness, mass and construction leave "
        f"open, plus or minus {100 * share:.0f} percent. {_named(result.skis)}"
    )
    return axes


def plot_shifts(result: CheckResult, ax: Axes | None = None) -> Axes:
    """What all modes of a ski share against its group, every ski with its limit."""
    axes = axes_of(ax, 280)
    skis = [ski for ski in result.skis if ski.shift_percent is not None and ski.shift_limit_percent is not None]
    if not skis:
        return nothing(axes, "No ski was judged.")
    dress(axes, x="skis in the order of the table", y="all modes off by, %", grid="y")
    limits = [ski.shift_limit_percent or 0.0 for ski in skis]
    edges = [at - 0.5 for at in range(len(skis) + 1)]
    axes.stairs(limits, edges, baseline=[-limit for limit in limits], fill=True, color=BAND, lw=0)
    axes.axhline(0, color=SOFT, lw=0.9)
    _mark(axes, [_Place(ski, at, ski.shift_percent or 0.0, ski.shift_u_percent or 0.0) for at, ski in enumerate(skis)])
    axes.set_xlim(-1, len(skis))
    plain_ticks(axes, "x", [])
    _legend(axes, "best", {ski.verdict for ski in skis})
    axes.set_label(
        "What all modes of a ski are off by together, against its group, with the limits as a band; "
        f"{counted(len(skis), 'ski')}. A ski within its limit may still be flagged for unevenness or damping. {_named(skis)}"
    )
    return axes


def plot_ladder(group: GroupSummary, skis: Sequence[Ski], ax: Axes | None = None) -> Axes:
    """Deviation of every bending mode of a group's skis from its prediction, a line a ski."""
    axes = axes_of(ax, 250)
    ladders = [(ski, deviations(ski)) for ski in sorted(skis, key=lambda ski: _ORDER.index(ski.verdict))]
    ladders = [(ski, ladder) for ski, ladder in ladders if ladder]
    if not ladders:
        return nothing(axes, "No mode is placed.")
    dress(axes, x="bending mode", y="off its prediction by, %", grid="y")
    for ski, ladder in ladders:
        colour, marker = VERDICTS[ski.verdict]
        loud = {"color": colour, "marker": marker, "ms": 4, "lw": 1.4, "zorder": 4}
        axes.plot(
            *zip(*ladder, strict=True), **(loud if _flagged(ski) else {"color": SOFT, "lw": 0.7, "alpha": _FADED})
        )
    orders = sorted({order for _, ladder in ladders for order, _ in ladder})
    middle = [median([value for _, ladder in ladders for order, value in ladder if order == n]) for n in orders]
    axes.plot(orders, middle, color=INK, lw=1.8, zorder=3)
    named = [(ski, ladder[-1]) for ski, ladder in ladders if _flagged(ski)][:_MOST_NAMES]
    axes.set_xlim(orders[0] - 0.4, orders[-1] + (1.6 if named else 0.4))
    plain_ticks(axes, "x", [float(n) for n in orders])
    low, high = axes.get_ylim()
    beside = orders[-1] + 0.25
    heights = spread_labels([end for _, end in named], 0.055 * (high - low))
    for (ski, (x, y)), height in zip(named, heights, strict=True):
        colour = VERDICTS[ski.verdict][0]
        axes.plot([x, beside], [y, height], color=colour, lw=0.5, alpha=_FADED)
        label(axes, beside, height, ski.ski_id, colour=colour, dx=2, dy=-3)
    axes.set_label(
        f"Ladder of the group {_kind(group)}: how far each bending mode lies from its prediction, a thin line for every ski "
        f"of {len(ladders)}, the middle of the group in bold. {_named(skis)}"
    )
    return axes


def plot_damping(group: GroupSummary, skis: Sequence[Ski], ax: Axes | None = None) -> Axes:
    """Damping of every bending mode of a group's skis against its frequency, a shape for each generation."""
    axes = axes_of(ax, 250)
    modes = {
        id(ski): [(mode.frequency_hz, 100 * mode.damping_ratio) for mode in found]
        for ski in skis
        if (found := _bending(ski))
    }
    known = [ski for ski in skis if id(ski) in modes]
    if not known:
        return nothing(axes, "No mode is placed.")
    dress(axes, x="frequency, Hz", y="damping, %")
    axes.set_xscale("log")
    axes.set_yscale("log")
    generations = sorted({ski.facts.generation or "" for ski in known})
    for at, generation in enumerate(generations):
        colour, marker = LINES[at % len(LINES)]
        points = [point for ski in known if (ski.facts.generation or "") == generation for point in modes[id(ski)]]
        words = f"generation {shown(generation, NAME_CHARACTERS)}" if generation else "skis"
        how = {"color": colour, "marker": marker, "ls": "", "ms": 3.5, "mew": 0, "alpha": _FADED}
        axes.plot(*zip(*points, strict=True), label=words, **how)
    for ski in [ski for ski in known if _flagged(ski)][:_MOST_NAMES]:
        colour, marker = VERDICTS[ski.verdict]
        axes.plot(*zip(*modes[id(ski)], strict=True), color=colour, marker=marker, ms=4, lw=1.0, zorder=4)
        label(axes, *modes[id(ski)][-1], ski.ski_id, colour=colour, dx=4, dy=-3)
    for which, (low, high) in (("x", axes.get_xlim()), ("y", axes.get_ylim())):
        plain_ticks(axes, which, octaves(low, high))
    _legend(axes, "best", generations)
    axes.set_label(
        f"Damping against frequency of {counted(sum(map(len, modes.values())), 'bending mode')} in the group {_kind(group)}; "
        f"outliers and skis to recheck joined by a line. {_named(skis)}"
    )
    return axes


def plot_stiffness(group: GroupSummary, skis: Sequence[Ski], ax: Axes | None = None) -> Axes:
    """Mass against stiffness of a group's skis, with lines of equal tone, f ~ sqrt(k/m)."""
    axes = axes_of(ax, 250)
    places = [
        _Place(ski, ski.mass_g, ski.stiffness_n_per_mm)
        for ski in skis
        if ski.mass_g and ski.stiffness_n_per_mm and ski.predicted_hz
    ]
    if len(places) < 2:
        return nothing(axes, "Fewer than two skis have mass and stiffness.")
    dress(axes, x="mass, g", y="stiffness, N/mm", grid="")
    _mark(axes, places)
    x_low, x_high = _widened([place.x for place in places])
    y_low, y_high = _widened([place.y for place in places])
    # f² m / k is the same for one length, span and binding; its middle serves the small differences within a group.
    factor = median([(place.ski.predicted_hz or 0.0) ** 2 * place.x / place.y for place in places])
    lowest, highest = (factor * y_low / x_high) ** 0.5, (factor * y_high / x_low) ** 0.5
    step = next(step for step in (0.2, 0.5, 1, 2, 5, 10, 20, 50, 100) if (highest - lowest) / step < 9)
    for count in range(int(lowest // step) + 1, int(highest // step) + 1):
        slope = (step * count) ** 2 / factor
        axes.plot([x_low, x_high], [slope * x_low, slope * x_high], color=FAINT, lw=0.9, zorder=0)
        x, y = (x_high, slope * x_high) if slope * x_high < y_high else (y_high / slope, y_high)
        if x > x_low + 0.15 * (x_high - x_low) and y > y_low:
            label(axes, x, y, f"{step * count:g} Hz", colour=SOFT, dx=-4, dy=-8, ha="right", fontsize=7.5)
    axes.set_xlim(x_low, x_high)
    axes.set_ylim(y_low, y_high)
    axes.set_label(
        f"Mass against stiffness of {counted(len(places), 'ski')} of the group {_kind(group)}, "
        f"with lines along which stiffness and mass predict the same first mode. {_named([place.ski for place in places])}"
    )
    return axes


def _bending(ski: Ski) -> list[PlacedMode]:
    return sorted((mode for mode in ski.modes if mode.family == "bending"), key=lambda mode: mode.frequency_hz)


def _kind(group: GroupSummary) -> str:
    return f"{shown(group.construction)} {group.length_class} mm, {group.binding}"


def _flagged(ski: Ski) -> bool:
    return ski.verdict in ("outlier", "recheck")


def _mark(axes: Axes, places: Sequence[_Place], middle: Callable[[float], float] = lambda x: 0.0) -> None:
    """Every ski by the colour and shape of its verdict, and the names of those to act on, away from the middle line."""
    for verdict in _ORDER:
        colour, marker = VERDICTS[verdict]
        own = [place for place in places if place.ski.verdict == verdict]
        for place in own:
            if place.u:
                axes.plot([place.x] * 2, [place.y - place.u, place.y + place.u], color=colour, lw=0.8, alpha=_FADED)
        for filled in (True, False):
            points = [(place.x, place.y) for place in own if place.filled is filled]
            if points:
                edge = 1.4 if marker == "x" else 0 if filled else 1.1
                how = {"marker": marker, "mfc": colour if filled else "none", "mew": edge, "ls": ""}
                size = 5.5 if verdict == "outlier" else 4.2
                axes.plot(*zip(*points, strict=True), color=colour, ms=size, label=verdict, **how)
    for place in [place for place in places if _flagged(place.ski)][:_MOST_NAMES]:
        above = place.y >= middle(place.x)
        colour = VERDICTS[place.ski.verdict][0]
        label(axes, place.x, place.y, place.ski.ski_id, colour=colour, dx=5, dy=5 if above else -11, fontweight="bold")


def _legend(axes: Axes, where: str, kinds: Sequence[str] | set[Verdict]) -> None:
    """What the marks stand for, once each, where there is more than one kind."""
    if len(kinds) > 1:
        once = {words: mark for mark, words in zip(*axes.get_legend_handles_labels(), strict=True)}
        how = {"frameon": False, "handletextpad": 0.2, "borderaxespad": 0.2, "labelcolor": INK}
        axes.legend(once.values(), once.keys(), loc=where, **how)


def _named(skis: Sequence[Ski]) -> str:
    """The skis that are named in a picture, as words for its alternative text."""
    words = []
    for verdict, what in (("outlier", "Outliers"), ("recheck", "Recheck")):
        ids = [shown(ski.ski_id, 20) for ski in skis if ski.verdict == verdict]
        more = f" and {len(ids) - _MOST_NAMES} more" if len(ids) > _MOST_NAMES else ""
        if ids:
            words.append(f"{what}: {', '.join(ids[:_MOST_NAMES])}{more}.")
    return " ".join(words) or "No outlier."


def _widened(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = 0.12 * (high - low) or 0.03 * high
    return low - room, high + room
