"""What is told of groups, of their differences and of where a change of tone comes from: each value with its key, once."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from math import expm1
from typing import Any

from taptest.comparison.compare import Contrast, FigureShift, GroupFigures, PartShift, Section
from taptest.comparison.figures import KINDS, Figure
from taptest.core.fields import Field, list_field, number_of
from taptest.pairing.verdict import CENTS
from taptest.signal.pitch import note_name

Document = dict[str, Any]
Shifted = FigureShift | PartShift


def tone_of(frequency_hz: float) -> Document:
    """The nearest note and how far the tone lies above it in cents."""
    note, cents = note_name(frequency_hz)
    return {"note": note, "cents": number_of(cents)}


def _figures(group: GroupFigures) -> Document:
    return {kind.key: _spread(group, figure) for figure, kind in KINDS.items()}


def _spread(group: GroupFigures, figure: Figure) -> Document | None:
    spread, size = group.figures.get(figure), KINDS[figure].key_size
    if spread is None:
        return None
    deviation = None if spread.deviation is None else spread.deviation / size
    return {"mean": number_of(spread.mean / size), "deviation": number_of(deviation), "units": spread.count}


def _first_tone(group: GroupFigures) -> Document | None:
    first = group.figures.get("first_mode")
    return None if first is None else tone_of(first.mean)


def _loudest(group: GroupFigures) -> Document | None:
    mode = group.loudest
    if mode is None:
        return None
    return {
        "family": mode.family,
        "order": mode.order,
        "frequency_hz": number_of(mode.frequency_hz),
        **tone_of(mode.frequency_hz),
        "loudest_in": mode.count,
        "skis": mode.skis,
    }


def _length_mm(group: GroupFigures, at: int) -> float | None:
    return None if group.lengths_m is None else 1000 * group.lengths_m[at]


GROUP_FIELDS: tuple[Field[GroupFigures], ...] = (
    Field("name", lambda group: group.name, "text", "as the tables have it"),
    Field("skis", lambda group: group.skis, "integer", "how many"),
    Field("units", lambda group: group.units, "integer", "pairs, and skis without one"),
    Field("heard", lambda group: group.heard, "integer", "skis whose first mode is known"),
    Field("shortest_mm", lambda group: _length_mm(group, 0), help="length of the shortest ski"),
    Field("longest_mm", lambda group: _length_mm(group, 1), help="length of the longest ski"),
    Field("figures", _figures, "object", "mean and standard deviation of the units, by figure"),
    Field("first_mode_tone", _first_tone, "object", "nearest note of the mean first mode"),
    Field("loudest", _loudest, "object", "the mode that is most often the strongest"),
    Field("tip_factor", lambda group: group.swing_tip, help="grams on the ski that swing as heavily as one at the tip"),
)


def _percent(each: Shifted, end: str) -> float | None:
    value = getattr(each.shift, end)
    if value is None:
        return None
    return KINDS[each.figure].percent(value) if isinstance(each, FigureShift) else 100 * expm1(value)


def _cents(each: Shifted, end: str) -> float | None:
    """None where a difference is no ratio."""
    value = getattr(each.shift, end)
    plain = isinstance(each, FigureShift) and KINDS[each.figure].plain
    return None if value is None or plain else CENTS * float(value)


def _both(end: str, of: str) -> tuple[Field[Any], Field[Any]]:
    percent: Callable[[Shifted], Any] = partial(_percent, end=end)
    cents: Callable[[Shifted], Any] = partial(_cents, end=end)
    what = f"{of} in percent of the other group, of the length where the figure is a share of it"
    return Field(f"{end}_percent", percent, help=what), Field(f"{end}_cents", cents, help=f"{of} where it is a ratio")


SHIFT_FIELDS: tuple[Field[Shifted], ...] = (
    *_both("difference", "difference"),
    *_both("low", "lower end of its interval"),
    *_both("high", "upper end of its interval"),
    Field("confidence", lambda each: each.shift.confidence, help="how often such intervals hold the truth"),
    Field("p_value", lambda each: each.shift.p_value, help="by permutation, two-sided"),
    Field("exact", lambda each: each.shift.exact, "boolean", "whether every arrangement was tried"),
    Field("effect_hedges_g", lambda each: each.shift.effect, help="difference over the spread of the units"),
    Field("superiority", lambda each: each.shift.superiority, help="share of comparisons of two that it wins"),
    Field("units", lambda each: each.shift.count_second, "integer", "of the group"),
    Field("units_against", lambda each: each.shift.count_first, "integer", "of the other group"),
)
DIFFERENCE_FIELDS: tuple[Field[Any], ...] = (
    Field("figure", lambda each: each.figure, "text", "what differs"),
    *SHIFT_FIELDS,
    Field("p_holm", lambda each: each.p_holm, help="the p-value, corrected for the figures compared beside it"),
    Field("word", lambda each: each.word, "text", "higher, lower, not shown or too few"),
)
PART_FIELDS: tuple[Field[Any], ...] = (
    Field("part", lambda each: each.part, "text", "mass, stiffness, geometry, rest or together"),
    *SHIFT_FIELDS,
)
CONTRAST_FIELDS: tuple[Field[Contrast], ...] = (
    Field("group", lambda contrast: contrast.group, "text", "which group"),
    Field("against", lambda contrast: contrast.against, "text", "which other"),
    list_field("differences", lambda contrast: contrast.shifts, DIFFERENCE_FIELDS, "in every figure that both have"),
    Field(
        "shape_u_percent",
        lambda contrast: None if contrast.shape_u is None else 100 * contrast.shape_u,
        help="uncertainty that two construction files bring, in no interval",
    ),
    list_field(
        "first_mode_parts", lambda contrast: contrast.parts, PART_FIELDS, "where a change of the first mode comes from"
    ),
)
SECTION_FIELDS: tuple[Field[Section], ...] = (
    Field("stratum", lambda section: section.stratum if section.groups else None, "text", "what the groups share"),
    list_field(
        "groups",
        lambda section: section.groups,
        GROUP_FIELDS,
        "that may be compared; none in a summary",
    ),
    list_field("contrasts", lambda section: section.contrasts, CONTRAST_FIELDS, "one group against another"),
)
