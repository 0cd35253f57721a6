"""Pairs as pictures: the tones of two skis mode by mode, and all pairs of a lot beside each other."""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING

from taptest.core.errors import shown
from taptest.pairing.verdict import Pair, PairsResult
from taptest.present.plots.style import (
    BAND,
    GOOD,
    NEAR,
    OUT,
    SOFT,
    Interval,
    axes_of,
    dress,
    dress_rows,
    intervals,
    nothing,
    plain_ticks,
)
from taptest.present.text.tables import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from taptest.ski.modes import PlacedMode
    from taptest.ski.record import Ski

_MARKS = {"matched": (GOOD, "o"), "close": (NEAR, "^"), "mismatched": (OUT, "D"), "not compared": (SOFT, "x")}


def plot_pair(pair: Pair, ax: Axes | None = None) -> Axes:
    """Second ski against first, mode by mode, with standard uncertainties."""
    axes = axes_of(ax, 190)
    one, other = (_by_order(ski) for ski in (pair.first, pair.second))
    orders = sorted(one.keys() & other.keys())
    if not orders:
        return nothing(axes, "The two skis share no mode.")
    dress(axes, x="bending mode", y="second against first, %", grid="y")
    off = [100 * (other[n].frequency_hz / one[n].frequency_hz - 1) for n in orders]
    u = [100 * hypot(*(ski[n].frequency_u_hz / ski[n].frequency_hz for ski in (one, other))) for n in orders]
    axes.axhspan(-1, 1, color=BAND, lw=0)
    axes.axhline(0, color=SOFT, lw=0.9)
    axes.errorbar(orders, off, yerr=u, color=GOOD, marker="o", ms=4.5, lw=1.2, elinewidth=0.9)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -1.5), max(high, 1.5))
    plain_ticks(axes, "x", [float(n) for n in orders])
    words = ", ".join(f"mode {n} {value:+.1f} percent" for n, value in zip(orders, off, strict=True))
    axes.set_label(f"The second ski against the first, mode by mode: {words}. The band is one percent either way.")
    return axes


def plot_pairs(result: PairsResult, ax: Axes | None = None) -> Axes:
    """Tone of the second ski of every pair against the first, with 95 % intervals, by the verdict on the pair."""
    known = [(pair, found) for pair in result.pairs if (found := pair.difference("frequency")) is not None]
    axes = axes_of(ax, 60 + 16 * len(known))
    if not known:
        return nothing(axes, "No pair has a mode in common.")
    names = [shown(pair.pair_id or f"{pair.first.facts.ski_id}, {pair.second.facts.ski_id}", 14) for pair, _ in known]
    dress_rows(axes, names, x="tone, second ski against first, %")
    for row, (pair, found) in enumerate(known):
        reach = 1.96 * found.percent_u
        place = Interval(row, found.percent, found.percent - reach, found.percent + reach)
        colour, marker = _MARKS[pair.verdict]
        intervals(axes, [place], colour=colour, marker=marker)
    words = ", ".join(f"{name} {found.percent:+.1f} percent" for name, (_, found) in zip(names, known, strict=True))
    axes.set_label(f"Tone of the second ski against the first of {counted(len(known), 'pair')}: {words}.")
    return axes


def _by_order(ski: Ski) -> dict[int, PlacedMode]:
    found = ski.placed
    modes = [] if found is None or found.ambiguous else found.bending()
    return {mode.order: mode for mode in modes if mode.order is not None}
