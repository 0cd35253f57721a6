"""Generations or constructions as a picture: figure by figure, skis by mass and stiffness, differences with intervals."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from taptest.comparison.compare import Comparison, Contrast, GroupFigures, Section
from taptest.comparison.figures import KINDS, Figure
from taptest.core.errors import shown
from taptest.pairing.verdict import CENTS
from taptest.present.plots.picture import Drawing, KeyEntry, Layout
from taptest.present.plots.style import (
    LINES,
    NAME_CHARACTERS,
    Interval,
    Margins,
    axes_of,
    dress,
    dress_rows,
    intervals,
    nothing,
)
from taptest.present.text.comparison_table import PART_WORDS, other_grouping
from taptest.present.text.tables import counted
from taptest.stats.permutation import Shift

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Marks = Mapping[str, tuple[str, str]]
"""Colour and shape of a group by its name."""

_MOST_SECTIONS = 8
_NAMED_GROUPS = 3  # more would write their names into each other
_ALONE: tuple[Figure, ...] = (
    "mass",
    "section_stiffness",
    "first_mode_at_length",
    "damping",
    "swing_inertia",
    "balance",
)
_NOTE = (
    "Small pictures: mean of the units (pairs, or skis without one) and their standard deviation. Differences: filled where "
    "shown (p up to 0.05 after Holm's correction), hollow where not; lines are the permutation intervals of the table, and "
    "there is none where the units are too few. At one length: as if every ski were {length_mm:.0f} mm long."
)


def comparison_drawing(result: Comparison) -> Drawing:
    """Every section below the other. Draw within `style`, as `taptest.present.plots.picture.save_picture` does."""
    layout = Layout(f"{counted(result.skis, 'ski')} by {result.by}")
    names = list(dict.fromkeys(group.name for section in result.sections for group in section.groups))
    marks = {name: LINES[at] for at, name in enumerate(names[: len(LINES)])}
    for section in result.sections[:_MOST_SECTIONS]:
        _section(layout, section, result, marks)
    left_out = [counted(len(names) - len(marks), f"more {result.by}")] if len(names) > len(marks) else []
    if len(result.sections) > _MOST_SECTIONS:
        left_out.append(counted(len(result.sections) - _MOST_SECTIONS, "more section"))
    not_drawn = f" Not drawn: {', '.join(left_out)}; see the tables." if left_out else ""
    layout.note(_NOTE.format(length_mm=1000 * result.length_m) + not_drawn)
    return layout.finish(_in_words(result) + not_drawn)


def _section(layout: Layout, section: Section, result: Comparison, marks: Marks) -> None:
    groups = [group for group in section.groups if group.name in marks]
    contrasts = [each for each in section.contrasts if each.group in marks and each.against in marks]
    if section.groups:
        layout.heading(section.stratum)
        layout.key([KeyEntry(shown(group.name, 30), *marks[group.name]) for group in groups])
        _figures(layout, groups, marks)
        _points(layout, groups, marks)
    elif contrasts:
        layout.heading(f"All together, each within its {other_grouping(result)}")
    if contrasts:
        _contrasts(layout, contrasts, marks)


def plot_comparison(result: Comparison, ax: Axes | None = None) -> Axes:
    """Differences in every figure of the widest comparison there is, with permutation intervals; filled where shown."""
    sections = [section for section in result.sections if section.contrasts]
    contrasts = next(
        (each.contrasts for each in sections if not each.groups), sections[0].contrasts if sections else ()
    )
    figures = _figures_of(contrasts)
    axes = axes_of(ax, 70 + _high(len(figures), len(contrasts)), Margins(left=104, top=24))
    if not contrasts:
        return nothing(axes, "There is nothing to compare.")
    marks = {each.group: LINES[at % len(LINES)] for at, each in enumerate(contrasts)}
    _differences(axes, contrasts, figures, marks)
    axes.set_label(_in_words(result))
    return axes


def _figures(layout: Layout, groups: Sequence[GroupFigures], marks: Marks) -> None:
    present = [figure for figure in _ALONE if any(figure in group.figures for group in groups)]
    named = [shown(group.name, NAME_CHARACTERS) if len(groups) <= _NAMED_GROUPS else "" for group in groups]
    for start in range(0, len(present), 3):
        row = layout.row(62, (1, 1, 1))
        for axes, figure in zip(row, present[start : start + 3], strict=False):
            kind = KINDS[figure]
            name = kind.words if figure == "first_mode_at_length" else kind.label.split(",")[0]
            dress(axes, x="", y="", title=f"{name}, {kind.unit}", grid="y")
            for at, group in enumerate(groups):
                spread = group.figures.get(figure)
                if spread is not None:
                    mean, half = spread.mean / kind.size, (spread.deviation or 0.0) / kind.size
                    colour, marker = marks[group.name]
                    place = Interval(at, mean, mean - half, mean + half)
                    intervals(axes, [place], colour=colour, marker=marker, upright=True)
            axes.set_xlim(-0.6, len(groups) - 0.4)
            axes.margins(y=0.15)
            axes.locator_params(axis="y", nbins=4)
            axes.set_xticks(range(len(groups)), labels=named)
        for axes in row[len(present) - start :]:
            axes.set_axis_off()
        layout.skip(-16)
    layout.skip(12)


def _points(layout: Layout, groups: Sequence[GroupFigures], marks: Marks) -> None:
    """Tone against mass, and against the stiffness of the section, a point a ski."""
    if not any(group.points for group in groups):
        return
    by_mass, by_stiffness = layout.row(120, (1, 1))
    dress(by_mass, x="mass, g", y="first mode at one length, Hz", title="Tone against mass")
    dress(by_stiffness, x="section stiffness, N m²", y="", title="Tone against stiffness")
    for group in groups:
        colour, marker = marks[group.name]
        how = {"color": colour, "marker": marker, "ms": 4.5, "mew": 0, "ls": "", "alpha": 0.8}
        by_mass.plot([1000 * ski.mass_kg for ski in group.points], [ski.first_mode_hz for ski in group.points], **how)
        known = [(ski.section_stiffness_n_m2, ski.first_mode_hz) for ski in group.points if ski.section_stiffness_n_m2]
        by_stiffness.plot([stiffness for stiffness, _ in known], [hz for _, hz in known], **how)
    by_stiffness.sharey(by_mass)
    for axes in (by_mass, by_stiffness):
        axes.margins(0.08)


def _contrasts(layout: Layout, contrasts: Sequence[Contrast], marks: Marks) -> None:
    """Differences in percent, and in cents where a change of tone comes from."""
    figures = _figures_of(contrasts)
    parts = [part for part in PART_WORDS if any(part == moved.part for each in contrasts for moved in each.parts)]
    rows = max(len(figures), len(parts))
    row = layout.row(_high(rows, len(contrasts)), (1.15, 1) if parts else (1.0,), left_pt=104, gap_pt=104)
    _differences(row[0], contrasts, figures, marks)
    for axes in row[1:]:
        dress_rows(axes, [PART_WORDS[part] for part in parts], x="cents", title="Where the tone comes from")
        axes.set_ylim(rows - 0.4, -0.6)
        for at, contrast in enumerate(contrasts):
            colour, marker = marks[contrast.group]
            for each in contrast.parts:
                low, high = each.shift.low, each.shift.high
                sure = low is not None and high is not None and low * high > 0
                row_at = parts.index(each.part) + _aside(at, contrasts)
                place = _place(row_at, each.shift, lambda value: CENTS * value, sure)
                intervals(axes, [place], colour=colour, marker=marker)
    if len(contrasts) > 1:
        layout.key([KeyEntry(shown(each.group, 30), *marks[each.group]) for each in contrasts])


def _differences(axes: Axes, contrasts: Sequence[Contrast], figures: Sequence[Figure], marks: Marks) -> None:
    """A row for every figure, in it an interval for every contrast."""
    against = f"Against {shown(contrasts[0].against, 20)}"
    if len(contrasts) == 1:
        against = f"{shown(contrasts[0].group, 20)} a{against[1:]}"
    dress_rows(axes, [_name(figure) for figure in figures], x="difference, %", title=against)
    for at, contrast in enumerate(contrasts):
        colour, marker = marks[contrast.group]
        for row, figure in enumerate(figures):
            moved = contrast.shift(figure)
            if moved is not None:
                scale = KINDS[figure].percent
                place = _place(row + _aside(at, contrasts), moved.shift, scale, moved.word in ("higher", "lower"))
                intervals(axes, [place], colour=colour, marker=marker)


def _place(row: float, moved: Shift, scale: Callable[[float], float], sure: bool) -> Interval:
    low, high = (None if end is None else scale(end) for end in (moved.low, moved.high))
    return Interval(row, scale(moved.difference), low, high, sure)


def _figures_of(contrasts: Sequence[Contrast]) -> list[Figure]:
    return [figure for figure in KINDS if any(each.shift(figure) for each in contrasts)]


def _high(rows: int, contrasts: int) -> float:
    return rows * (11 + 7 * contrasts) + 6.0


def _aside(at: int, contrasts: Sequence[Contrast]) -> float:
    """Where in a row a contrast lies."""
    return 0.62 * ((at + 0.5) / len(contrasts) - 0.5)


def _name(figure: Figure) -> str:
    return KINDS[figure].label.strip().replace("balance, of length", "balance point")


def _in_words(result: Comparison) -> str:
    """The differences in numbers, for whoever does not see them."""
    told = []
    for section in result.sections[:_MOST_SECTIONS]:
        for contrast in section.contrasts:
            where = section.stratum if section.groups else "all together"
            changes = ", ".join(
                f"{_name(each.figure)} {KINDS[each.figure].percent(each.shift.difference):+.1f} % ({each.word})"
                for each in contrast.shifts
            )
            told.append(
                f"{shown(where, 60)}: {shown(contrast.group, 30)} against {shown(contrast.against, 30)}: {changes}."
            )
    return f"{counted(result.skis, 'ski')} compared by {result.by}. {' '.join(told) or 'Nothing can be compared.'}"
