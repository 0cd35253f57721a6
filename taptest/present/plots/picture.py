"""A picture as a part of a page or a file of its own: its words, its layout from top to bottom, and how it is written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.core.errors import ReportError, shown
from taptest.present.plots.style import FONT_PT, INK, SOFT, style
from taptest.present.plots.svg import to_svg, write_picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ENDINGS = (".svg", ".png")
WIDE_PT = 560.0
LEFT_PT, RIGHT_PT = 54.0, 12.0
KEY_PT = 15.0

_CHARACTER_PT = 0.6 * FONT_PT  # of running text, generously
_HEADING_PT = 20.0
_BELOW_PT = 36.0  # ticks and label of the x axis
_TITLE_PT = 15.0
_EDGE_PT = 10.0
_LABEL_PT = 38.0  # from a y axis to the middle of its label
_SMALL_LINE = 128  # characters of small print


@dataclass(frozen=True)
class Drawing:
    """A figure and what it shows in words."""

    figure: Figure
    alt: str


@dataclass(frozen=True)
class Picture:
    """An SVG and what it shows in words, for whoever does not see it."""

    svg: str
    alt: str


@dataclass(frozen=True)
class KeyEntry:
    """What a mark stands for; hollow when not ``filled``. ``text`` may be foreign."""

    text: str
    colour: str
    marker: str
    filled: bool = True


def picture(drawn: Axes | Drawing, name: str) -> Picture | None:
    """A drawing, or the figure of some axes, for a page; None where there is nothing in it. ``name`` as for `to_svg`."""
    if not isinstance(drawn, Drawing):
        figure = drawn.get_figure(root=True)
        if figure is None or not drawn.axison:
            return None
        drawn = Drawing(figure, str(drawn.get_label()))
    return Picture(to_svg(drawn.figure, drawn.alt, name=name), drawn.alt)


def check_picture_name(path: Path) -> None:
    """Raise where no picture can be written, before anything is worked out.

    Raises:
        ReportError: another ending, a folder, or no such folder.
    """
    name = shown(path, 200)
    if path.suffix.lower() not in ENDINGS:
        raise ReportError(f"{name}: pictures are written as .svg or .png; end the name with one of these")
    if path.is_dir():
        raise ReportError(f"{name}: is a folder; name a file in it")
    if path.exists() and not path.is_file():
        raise ReportError(f"{name}: is a pipe or a device; choose another name")
    if not path.parent.is_dir():
        raise ReportError(f"{name}: there is no folder {shown(path.parent, 200)}; make it, or choose another")


def save_picture(path: Path, draw: Callable[[], Drawing]) -> None:
    """Draw into an SVG, which follows light and dark, or a PNG; a picture of that name is replaced.

    Raises:
        ReportError: it cannot be written.
    """
    check_picture_name(path)
    with style():
        drawing = draw()
        try:
            write_picture(drawing.figure, str(path), drawing.alt)
        except OSError as problem:
            raise ReportError(
                f"{shown(path, 200)}: cannot be written ({problem.strerror}); check the folder and the disk"
            ) from None


class Layout:
    """Rows of axes from top to bottom, all in points, so that nothing has to be measured. Make and use it within `style`."""

    def __init__(self, title: str) -> None:
        from matplotlib.figure import Figure

        self._figure = Figure()
        self._figure.patch.set_visible(False)
        self._placed: list[tuple[Axes, float, float, float, float]] = []
        self._top = 8.0
        self.heading(title, size=12.0)

    def heading(self, text: str, *, size: float = 10.5) -> None:
        """A line of bold text; it may be foreign."""
        self._strip(_HEADING_PT).text(
            _EDGE_PT, 4, shown(text, 90), fontsize=size, fontweight="bold", va="top", color=INK
        )

    def note(self, text: str) -> None:
        """Small print under what is drawn, wrapped."""
        from textwrap import wrap

        for line in wrap(shown(text, 1_500), _SMALL_LINE):
            self._strip(11.5).text(_EDGE_PT, 0, line, fontsize=8, va="top", color=SOFT)
        self.skip(6)

    def key(self, entries: Sequence[KeyEntry]) -> None:
        """What the marks stand for, in as many lines as it takes."""
        x, lines = _EDGE_PT + 4, [list[tuple[float, KeyEntry]]()]
        for entry in entries:
            wide = 18 + _CHARACTER_PT * len(entry.text)
            if x + wide > WIDE_PT - RIGHT_PT and lines[-1]:
                x = _EDGE_PT + 4
                lines.append([])
            lines[-1].append((x, entry))
            x += wide
        for line in lines:
            axes = self._strip(KEY_PT)
            for left, entry in line:
                face = entry.colour if entry.filled else "none"
                axes.plot([left], [6], color=entry.colour, marker=entry.marker, mfc=face, ms=5.5, mew=1.1, ls="")
                axes.text(left + 8, 6, entry.text, va="center_baseline", color=INK)

    def row(
        self, height_pt: float, widths: Sequence[float] = (1.0,), *, left_pt: float = LEFT_PT, gap_pt: float = 48.0
    ) -> list[Axes]:
        """Axes side by side, their widths in these proportions, with room for a title above and labels below."""
        free = WIDE_PT - left_pt - RIGHT_PT - gap_pt * (len(widths) - 1)
        self._top += _TITLE_PT
        left, made = left_pt, []
        for share in widths:
            wide = free * share / sum(widths)
            made.append(self._axes(left, self._top, wide, height_pt))
            left += wide + gap_pt
        self._top += height_pt + _BELOW_PT
        return made

    def skip(self, height_pt: float) -> None:
        """Leave some room."""
        self._top += height_pt

    def finish(self, alt: str) -> Drawing:
        """The figure, as high as what is in it."""
        height = self._top + 6
        self._figure.set_size_inches(WIDE_PT / 72, height / 72)
        for axes, left, top, wide, high in self._placed:
            axes.yaxis.set_label_coords(-_LABEL_PT / wide, 0.5)
            axes.set_position((left / WIDE_PT, 1 - (top + high) / height, wide / WIDE_PT, high / height))
        return Drawing(self._figure, alt)

    def _axes(self, left: float, top: float, wide: float, high: float) -> Axes:
        axes = self._figure.add_axes((0.1, 0.1, 0.5, 0.5), label=f"axes {len(self._placed)}")
        self._placed.append((axes, left, top, wide, high))
        return axes

    def _strip(self, height_pt: float) -> Axes:
        """A row for text and marks, in points from its upper left corner."""
        axes = self._axes(0, self._top, WIDE_PT, height_pt)
        axes.set_axis_off()
        axes.set_xlim(0, WIDE_PT)
        axes.set_ylim(height_pt, 0)
        self._top += height_pt
        return axes
