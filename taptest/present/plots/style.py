"""The one look of all pictures: a small palette, shapes beside colours, axes with units, names beside points.

A picture is a matplotlib `Figure` made by `new_figure` within `style`, and drawn with the colours below, which
`taptest.present.plots.svg` turns into classes whose meaning in light and dark is in `STYLESHEET`.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from taptest.core.errors import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Role: (light, dark). Chosen by us; the tests check contrast and that colour-blind eyes tell them apart.
COLOURS = {
    "ink": ("#20242b", "#e8eaee"),
    "soft": ("#5a616d", "#a9b0bc"),
    "faint": ("#d4d8de", "#3d434d"),
    "paper": ("#fdfdfc", "#16181c"),
    "good": ("#1d5fa8", "#7fb4f0"),
    "near": ("#9a6400", "#f2bd54"),
    "out": ("#b3124a", "#ff86a5"),
    "void": ("#6d7480", "#939baa"),
    "fit": ("#00725f", "#4fd0b5"),
    "band": ("#dbe6f3", "#22344a"),
}
INK, SOFT, FAINT, GOOD, NEAR, OUT, VOID, FIT, BAND = (
    COLOURS[role][0] for role in ("ink", "soft", "faint", "good", "near", "out", "void", "fit", "band")
)
PAPER = COLOURS["paper"][0]
# Verdict: colour and shape; either alone tells them apart.
VERDICTS = {"pass": (GOOD, "o"), "recheck": (NEAR, "^"), "outlier": (OUT, "D"), "not judged": (VOID, "x")}
# For groups and generations: shapes first, colours only go with them.
LINES = ((GOOD, "o"), (FIT, "s"), (NEAR, "^"), (OUT, "D"), (INK, "v"), (SOFT, "P"))

WIDTH_PT = 374.0
FONT_PT = 9.0
NAME_CHARACTERS = 14
_LABEL_BELOW_PT = 20.5  # ticks and their numbers


def _variables(at: int) -> str:
    return "".join(f"--{role}:{pair[at]};" for role, pair in COLOURS.items())


# What a page, or a picture that stands alone, needs for the classes to mean something.
STYLESHEET = (
    f":root{{color-scheme:light dark;{_variables(0)}}}"
    f"@media (prefers-color-scheme:dark){{:root{{{_variables(1)}}}}}"
    f"@media print{{:root{{color-scheme:light;{_variables(0)}}}}}"
    + "".join(f".f-{role}{{fill:var(--{role})}}.s-{role}{{stroke:var(--{role})}}" for role in COLOURS)
)


@contextmanager
def style() -> Iterator[None]:
    """Our settings of matplotlib, whatever a user's own configuration says, while figures are made and written."""
    import matplotlib

    with matplotlib.rc_context(), warnings.catch_warnings():
        # A name in a script that the font lacks is text in the SVG all the same.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS)
        yield


_SETTINGS: dict[str, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "taptest",
    "font.family": "DejaVu Sans",
    "font.size": FONT_PT,
    "axes.titlesize": FONT_PT,
    "axes.labelsize": FONT_PT,
    "axes.titley": 1.0,  # fixed: looking for a place above what is drawn takes a tenth of all drawing
    "axes.unicode_minus": True,
    "axes.edgecolor": SOFT,
    "axes.linewidth": 0.7,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": FONT_PT,
    "ytick.labelsize": FONT_PT,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.minor.bottom": False,
    "ytick.minor.left": False,
    "grid.color": FAINT,
    "grid.linewidth": 0.6,
    "lines.linewidth": 1.2,
    "path.simplify": True,
    "path.simplify_threshold": 0.2,
}


@dataclass(frozen=True)
class Margins:
    """Room for labels around the axes, in points."""

    left: float = 42.0
    right: float = 10.0
    bottom: float = 36.0
    top: float = 10.0


def new_figure(height_pt: float, margins: Margins = Margins(), *, width_pt: float = WIDTH_PT) -> Figure:
    """An empty figure without a ground of its own, so that the page shows through. Draw within `style`.

    Margins are fixed: measuring every text to place the axes would take longer than the drawing.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_pt / 72, height_pt / 72))
    figure.patch.set_visible(False)
    figure.subplots_adjust(
        left=margins.left / width_pt,
        right=1 - margins.right / width_pt,
        bottom=margins.bottom / height_pt,
        top=1 - margins.top / height_pt,
    )
    return figure


def axes_of(ax: Axes | None, height_pt: float, margins: Margins = Margins()) -> Axes:
    """The axes to draw into: those that were given, or those of a new figure. Their label says what they show in words."""
    return new_figure(height_pt, margins).add_subplot() if ax is None else ax


def nothing(axes: Axes, why: str) -> Axes:
    """Axes that say why there is nothing to draw; they are switched off."""
    axes.set_axis_off()
    axes.text(0.5, 0.5, why, transform=axes.transAxes, ha="center", va="center", color=SOFT)
    axes.set_label(why)
    return axes


def dress(axes: Axes, *, x: str, y: str, title: str = "", grid: str = "both") -> Axes:
    """Labels with their units, a faint grid, and no ground."""
    from matplotlib.transforms import ScaledTranslation

    axes.patch.set_visible(False)
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    axes.set_title(title, loc="left", fontweight="bold")
    below = ScaledTranslation(0, -_LABEL_BELOW_PT / 72, axes.figure.dpi_scale_trans)
    axes.xaxis.set_label_coords(0.5, 0, transform=axes.transAxes + below)
    if grid:
        axes.grid(axis=grid)
    return axes


def plain_ticks(axes: Axes, which: str, values: list[float]) -> None:
    """Just these ticks, written as plain numbers: what a logarithmic axis needs."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(FixedLocator(values))
    axis.set_major_formatter(FixedFormatter([f"{value:g}" for value in values]))
    axis.set_minor_locator(NullLocator())


def octaves(low: float, high: float) -> list[float]:
    """Round numbers within a range for the ticks of a logarithmic axis: an octave apart, or half where it is short."""
    steps = (1, 2, 5) if high > 8 * low else (1, 1.5, 2, 3, 4, 5, 7)
    series = [step * 10.0**power for power in range(-4, 6) for step in steps]
    return [value for value in series if low <= value <= high]


def label(axes: Axes, x: float, y: float, text: str, *, colour: str, dx: float = 4, dy: float = 4, **how: Any) -> None:
    """A name beside a point; it may be foreign text."""
    axes.annotate(
        shown(text, NAME_CHARACTERS),
        (x, y),
        xytext=(dx, dy),
        textcoords="offset points",
        color=colour,
        parse_math=False,
        annotation_clip=False,
        **how,
    )


def spread_labels(points: list[tuple[float, float]], least: float) -> list[float]:
    """Heights for labels of points (x, y) in order of height, at least ``least`` apart, as near to their own as can be."""
    order = sorted(range(len(points)), key=lambda i: points[i][1])
    placed = [0.0] * len(points)
    before = -float("inf")
    for i in order:
        before = placed[i] = max(points[i][1], before + least)
    # Those pushed up are taken half the way back, so that a cluster stays around its middle.
    push = sum(placed[i] - points[i][1] for i in order) / max(len(order), 1)
    return [height - push for height in placed]


@dataclass(frozen=True)
class Interval:
    """A value with its interval, at a place along the other axis; hollow when not ``sure``."""

    place: float
    value: float
    low: float | None
    high: float | None
    sure: bool = True


def intervals(axes: Axes, many: Iterable[Interval], *, colour: str, marker: str, upright: bool = False) -> None:
    """Intervals with a mark at the value of each: lying, the place on the y axis, or upright, the place on the x axis."""

    def plot(values: list[float], places: list[float], **how: Any) -> None:
        axes.plot(*((places, values) if upright else (values, places)), color=colour, **how)

    for each in many:
        if each.low is not None and each.high is not None:
            plot([each.low, each.high], [each.place] * 2, lw=1.3, marker="_" if upright else "|", ms=5, mew=1.1)
        plot([each.value], [each.place], marker=marker, mfc=colour if each.sure else "none", ms=5.5, mew=1.1, ls="")


def dress_rows(axes: Axes, names: Sequence[str], *, x: str, title: str = "") -> None:
    """A row for every name, the first at the top, and a line at zero."""
    dress(axes, x=x, y="", title=title, grid="x")
    axes.axvline(0, color=SOFT, lw=0.9, zorder=1)
    axes.set_yticks(range(len(names)), labels=names)
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(len(names) - 0.4, -0.6)
