"""Properties of skis against results on snow as a picture: correlations with intervals, and every ski in its stratum."""

from __future__ import annotations

from typing import TYPE_CHECKING

from taptest.core.errors import shown
from taptest.present.plots.picture import Drawing, KeyEntry, Layout
from taptest.present.plots.style import (
    BAND,
    GOOD,
    INK,
    LINES,
    SOFT,
    Interval,
    Margins,
    axes_of,
    dress,
    dress_rows,
    intervals,
    label,
    nothing,
)
from taptest.present.text.tables import counted
from taptest.snow.relate import PROPERTIES, MeasureRelation, Relation

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NOTE = (
    "Correlations of ranks within kinds of skis, with 95 % bootstrap intervals; filled where found (p up to 0.05 after Holm's "
    "correction for all tests), hollow where not; band: too weak to be found four times in five. Skis: property and result "
    "less the mean of the skis of the same kind that ran together. A relation is no "
    "proof of a cause, and no significant relation is not evidence of no relation."
)
_SCATTERS = (
    ("run_sd", "from run to run"),
    ("ski_by_session_sd", "of a ski from day to day"),
    ("ski_sd", "between skis of a kind"),
)


def relation_drawing(result: Relation) -> Drawing:
    """Every measure below the other. Draw within `style`, as `taptest.present.plots.picture.save_picture` does."""
    layout = Layout(f"{counted(result.skis, 'ski')}, {counted(result.runs, 'run')} on snow")
    used = sorted({ski.kind for measure in result.measures for ski in measure.related})
    marks = {kind: LINES[at] for at, kind in enumerate(used[: len(LINES)])}
    if marks:
        names = [result.kinds[kind] if kind < len(result.kinds) else f"kind {kind + 1}" for kind in marks]
        layout.key([KeyEntry(shown(name, 50), *mark) for name, mark in zip(names, marks.values(), strict=True)])
    for relation in result.measures:
        layout.heading(f"{relation.measure.words}: {relation.state}")
        if relation.correlations:
            _correlations(layout, relation)
            _skis(layout, relation, marks)
        else:
            (axes,) = layout.row(58, (1.0,), left_pt=150)
            _scatter(axes, relation)
    others = f" {counted(len(used) - len(marks), 'more kind')} drawn as dots." if len(used) > len(marks) else ""
    layout.note(_NOTE + others)
    return layout.finish(_in_words(result))


def plot_relation(result: Relation, ax: Axes | None = None) -> Axes:
    """Rank correlations of the first measure that has any, with intervals; filled where found."""
    relation = next((each for each in result.measures if each.correlations), None)
    count = 0 if relation is None else len(relation.correlations)
    axes = axes_of(ax, 80 + 16.0 * count, Margins(left=70, top=24))
    if relation is None:
        return nothing(axes, "The runs cannot separate the skis.")
    _correlated(axes, relation, relation.measure.words)
    axes.set_label(_in_words(result))
    return axes


def _correlations(layout: Layout, relation: MeasureRelation) -> None:
    count = sum(each.association is not None for each in relation.correlations)
    left, right = layout.row(16.0 * max(count, 3) + 10, (1.1, 1), left_pt=70, gap_pt=140)
    _correlated(left, relation, "What goes with it")
    _scatter(right, relation)


def _correlated(axes: Axes, relation: MeasureRelation, title: str) -> None:
    known = [(each, each.association) for each in relation.correlations if each.association is not None]
    dress_rows(axes, [each.name for each, _ in known], x="rank correlation r", title=title)
    for row, (each, association) in enumerate(known):
        if each.least is not None:
            axes.fill_betweenx([row - 0.38, row + 0.38], -each.least, each.least, color=BAND, lw=0)
        place = Interval(row, association.correlation, association.low, association.high, each.found)
        intervals(axes, [place], colour=GOOD, marker="o")
    axes.set_xlim(-1.02, 1.02)


def _scatter(axes: Axes, relation: MeasureRelation) -> None:
    """How the runs scatter, which bounds what they can tell."""
    told = relation.reliability
    known = [(words, value) for name, words in _SCATTERS if (value := getattr(told, name)) is not None]
    dress_rows(
        axes, [words for words, _ in known], x=f"standard deviation, {relation.measure.unit}", title="How runs scatter"
    )
    for row, (_, value) in enumerate(known):
        axes.plot([0, value], [row, row], color=SOFT, lw=5, solid_capstyle="butt")
        label(axes, value, row, f"{value:.2g}", colour=INK, dx=4, dy=-3)
    axes.set_xlim(0, 1.2 * max([value for _, value in known], default=1.0) or 1.0)


def _skis(layout: Layout, relation: MeasureRelation, marks: dict[int, tuple[str, str]]) -> None:
    drawn = [name for name in PROPERTIES if any(name in ski.properties for ski in relation.related)]
    if not drawn:
        return
    row = layout.row(100, [1.0] * len(drawn), gap_pt=16)
    for at, (axes, name) in enumerate(zip(row, drawn, strict=True)):
        y = f"{relation.measure.words.split(' in ')[0]}, {relation.measure.unit}"
        dress(axes, x=f"{name}, %", y="" if at else y)
        axes.axhline(0, color=SOFT, lw=0.7)
        axes.axvline(0, color=SOFT, lw=0.7)
        for kind in sorted({ski.kind for ski in relation.related}):
            colour, marker = marks.get(kind, (SOFT, "."))
            own = [ski for ski in relation.related if ski.kind == kind and name in ski.properties]
            how = {"color": colour, "marker": marker, "ms": 4, "mew": 0, "ls": "", "alpha": 0.8}
            axes.plot([ski.properties[name] for ski in own], [ski.result for ski in own], **how)
        axes.margins(0.1)
        axes.locator_params(axis="x", nbins=5)
        if at:
            axes.sharey(row[0])
            axes.tick_params(labelleft=False)


def _in_words(result: Relation) -> str:
    told = [f"{counted(result.skis, 'ski')}, {counted(result.runs, 'run')} on snow."]
    for relation in result.measures:
        found = [
            f"{each.name} {each.association.correlation:+.2f} ({each.association.low:+.2f} to {each.association.high:+.2f}"
            f"{', found' if each.found else ''})"
            for each in relation.correlations
            if each.association is not None
        ]
        told.append(
            f"{relation.measure.words}: {relation.state}{'; rank correlations ' + ', '.join(found) if found else ''}."
        )
    return " ".join(told)
