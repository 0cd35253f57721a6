"""The one look of all pictures: a small palette, shapes beside colours, and SVG that follows light and dark.

A picture is a matplotlib `Figure` made by `new_figure`, drawn with the colours of `INK`, `LINES` and `VERDICTS`, and
written by `to_svg` or `to_png`. In the SVG every colour becomes a class (``f-out`` fills, ``s-out`` strokes), whose
meaning in light and dark is in `STYLESHEET`; text stays text; the same figure gives the same bytes.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from taptest.core.errors import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Role: (light, dark). Chosen by us; tests/test_plots.py checks contrast and that colour-blind eyes tell them apart.
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
_ALT_CHARACTERS = 2_000
_LABEL_BELOW_PT = 20.5  # ticks and their numbers
_SALT = "taptest"
_FAMILY = "system-ui, 'Segoe UI', 'Liberation Sans', 'DejaVu Sans', sans-serif"


@dataclass(frozen=True)
class Picture:
    """An SVG and what it shows in words, for whoever does not see it."""

    svg: str
    alt: str


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
    "svg.hashsalt": _SALT,
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


def to_svg(figure: Figure, alt: str, *, name: str, alone: bool = False) -> str:
    """The figure as an ``<svg>`` element that follows light and dark.

    Args:
        figure: made by `new_figure`.
        alt: what it shows, in words.
        name: letters, digits and dashes that no other picture of the page has: the start of every id in it.
        alone: with the stylesheet inside, as a file of its own.
    """
    target = io.StringIO()
    figure.savefig(target, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _tidied(target.getvalue(), alt, name, alone)


def write_picture(figure: Figure, path: str, alt: str) -> None:
    """Write ``.svg`` (follows light and dark) or ``.png`` (light, 192 dots an inch).

    Raises:
        OSError: the file cannot be written.
    """
    if path.lower().endswith(".png"):
        figure.savefig(path, format="png", dpi=192, facecolor=PAPER, metadata={"Software": None})
        return
    with Path(path).open("w", encoding="utf-8", newline="\n") as file:
        file.write(to_svg(figure, alt, name="p", alone=True) + "\n")


_ROLES = {light: role for role, (light, _) in COLOURS.items()}
_DROPPED = ("stroke-linejoin", "font-family")
_TAG = re.compile(r"<[^>]+>")
_REFERENCE = re.compile(r"(?:href=\"|url\()#([^\")]+)")
_NUMBER = re.compile(r"-?\d+\.\d+")


def _tidied(svg: str, alt: str, name: str, alone: bool) -> str:
    body = svg[svg.index("<svg") :]
    size = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', body)
    assert size is not None
    body = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->", "", body[body.index(">") + 1 :], flags=re.DOTALL)
    body = re.sub(r"<style[^>]*>.*?</style>", "", body, count=1, flags=re.DOTALL)
    # In tags only: what stands between them is text, whatever it looks like.
    body = _TAG.sub(lambda found: _tag(found[0]), body)
    used = {target for tag in _TAG.findall(body) for target in _REFERENCE.findall(tag)}
    body = _TAG.sub(lambda found: _named_tag(found[0], name, used), body)
    body = re.sub(r"<defs>\s*</defs>", "", re.sub(r">\s+<", "><", body))
    body = re.sub(r"<g>((?:(?!<g[ >]).)*?)</g>", r"\1", body)
    style_sheet = f"<style>{STYLESHEET}svg{{background:var(--paper)}}</style>" if alone else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size[1]} {size[2]}" role="img" aria-label='
        f'"{escape(shown(alt, _ALT_CHARACTERS))}" font-family="{escape(_FAMILY)}">{style_sheet}{body.strip()}'
    )


def _tag(tag: str) -> str:
    tag = re.sub(r' style="([^"]*)"', lambda found: _attributes(found[1]), tag)
    tag = re.sub(r' d="([^"]*)"', lambda found: f' d="{_path(found[1])}"', tag)
    tag = re.sub(r' (x|y|transform|width|height)="([^"]*)"', lambda f: f' {f[1]}="{_rounded(f[2], 2)}"', tag)
    return re.sub(r' transform="(?:rotate\(-?0 [^)]*\)|translate\(0 0\))"', "", tag)


def _named_tag(tag: str, name: str, used: set[str]) -> str:
    """A tag whose id, if anything refers to it, and whose references are those of this picture alone."""
    tag = re.sub(r' id="([^"]*)"', lambda found: f' id="{name}-{found[1]}"' if found[1] in used else "", tag)
    return re.sub(r"(href=\"|url\()#", rf"\1#{name}-", tag).replace("xlink:href", "href")


def _attributes(declarations: str) -> str:
    """A style as presentation attributes, and colours of ours as classes: a page may then forbid inline styles."""
    classes, attributes = [], []
    for declaration in declarations.split(";"):
        key, _, value = (part.strip() for part in declaration.partition(":"))
        if key in ("fill", "stroke") and value in _ROLES:
            classes.append(f"{key[0]}-{_ROLES[value]}")
        elif key == "font":
            size = re.search(r"([\d.]+)px", value)
            attributes.append(f'font-size="{float(size[1]) if size else FONT_PT:g}"')
            attributes += ['font-weight="700"'] if re.match(r"(bold|700)\b", value) else []
        elif key and key not in _DROPPED:
            attributes.append(f'{key}="{_rounded(value, 2)}"')
    return "".join(f" {each}" for each in [*([f'class="{" ".join(classes)}"'] if classes else []), *sorted(attributes)])


def _path(data: str) -> str:
    short = _rounded(" ".join(data.split()), 1 if len(data) > 400 else 2)
    # After M and L coordinates go on as lines by themselves.
    return short if re.search("[CQ]", short) else short.replace(" L ", " ")


def _rounded(text: str, decimals: int) -> str:
    return _NUMBER.sub(lambda found: f"{round(float(found[0]), decimals) + 0.0:g}", text)
