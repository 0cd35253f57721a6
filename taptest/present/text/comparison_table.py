"""Generations or constructions side by side, for a terminal: figures, differences, where a change of tone comes from."""

from collections.abc import Callable, Sequence
from math import expm1
from textwrap import wrap

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.comparison.compare import Comparison, Contrast, GroupFigures, Part, Section, Spread, Word
from taptest.comparison.figures import KINDS, FigureKind
from taptest.core.errors import shown
from taptest.pairing.verdict import CENTS
from taptest.present.text.character_pictures import tones_view
from taptest.present.text.citation import calibrations_used
from taptest.present.text.tables import CAUTION, counted, hanging, heading, note, number, pinned, prose, ruled_table
from taptest.signal.pitch import note_name
from taptest.stats.permutation import Shift

STYLES: dict[Word, str] = {"higher": "bold", "lower": "bold", "not shown": "", "too few": "dim"}
_TONES = ("first_mode", "first_mode_at_length")
PART_WORDS: dict[Part, str] = {
    "mass": "mass",
    "stiffness": "stiffness",
    "geometry": "length and shape",
    "rest": "rest",
    "together": "together",
}
_LABEL_WIDTH, _GROUP_WIDTH = 27, 16
_LEGEND = (
    "± standard deviation of the units; a unit is a pair, or a ski without one, as the two of a pair are no two "
    "witnesses. section stiffness: EI in the middle, from the rig and the construction; specific stiffness: EI over mass "
    "per length; at one length: as if every ski were {length_mm:.0f} mm long (f goes as 1/L²); loudest mode: the one most "
    "often the strongest; swing inertia: about the binding, or about the balance point where the table has no place for it, "
    "with the mass spread as in the construction file; 1 g at the tip is: so much spread over the ski swings as heavily."
)
_DIFFERENCES = (
    "interval: exact by permutation, {how}; conf. is how often such intervals hold the truth, 95 % where there are enough "
    "units for that. effect: difference over the spread of the units (Hedges' g). p: chance of a difference as large if the "
    "groups were alike, adjusted (Holm) for the figures compared. higher, lower: p up to 0.05; too few: so few units that "
    "none of these figures could show a difference."
)
_SPLIT = (
    "f goes as the root of stiffness over mass, so the change of the first mode is the sum of these: half of the change "
    "in section stiffness, minus half of that in mass, what length and shape do to the prediction, and what is left: the "
    "ring off its prediction."
)


def comparison_view(result: Comparison, width: int) -> Group:
    """Every section with its tables, what the columns mean, and one paragraph to read aloud."""
    parts: list[RenderableType] = []
    for section in result.sections:
        parts += _section(section, result, width)
    contrasts = [each for section in result.sections for each in section.contrasts]
    if any(section.groups for section in result.sections):
        parts += [prose(_LEGEND.format(length_mm=1000 * result.length_m), style="dim"), Text()]
    if contrasts:
        every = all(each.shift.exact for contrast in contrasts for each in contrast.shifts)
        how = "every arrangement tried" if every else "9999 arrangements drawn where there are more than 20 000"
        parts += [prose(_DIFFERENCES.format(how=how), style="dim"), Text()]
    if any(contrast.parts for contrast in contrasts):
        parts += [prose(_SPLIT, style="dim"), Text()]
    parts += calibrations_used(result.calibrations)
    return Group(*parts, *_summary(result), prose(CAUTION, style="dim"))


def _section(section: Section, result: Comparison, width: int) -> list[RenderableType]:
    title = (
        f"All together, each within its {other_grouping(result)}" if not section.groups else shown(section.stratum, 100)
    )
    parts: list[RenderableType] = [heading(title)]
    fitting = max(1, (width - _LABEL_WIDTH) // _GROUP_WIDTH)
    for start in range(0, len(section.groups), fitting):
        parts += [_figure_table(section.groups[start : start + fitting], width), Text()]
    if section.groups and not section.contrasts:
        parts += [prose(f"Only one {result.by} here, so nothing is compared."), Text()]
    points = {
        shown(group.name, 20): [(1000 * ski.mass_kg, ski.first_mode_hz) for ski in group.points]
        for group in section.groups
    }
    picture = tones_view(points, width) if section.contrasts else None
    if picture is not None:
        parts += [picture, Text()]
    for contrast in section.contrasts:
        if section.groups and _left_to_the_others(contrast, result):
            units = _units(contrast)
            parts += [prose(f"{_title(contrast)}: {units} are too few to show a difference; see all together."), Text()]
            continue
        parts += [Text(_title(contrast), "bold"), _contrast_table(contrast, width), Text()]
        if contrast.parts:
            parts += [_parts_table(contrast, width), Text()]
        lines = _readings(contrast)
        if lines:
            parts += [hanging(lines), Text()]
    return parts


def _left_to_the_others(contrast: Contrast, result: Comparison) -> bool:
    """Whether nothing could be shown here, and the same groups are compared over all sections as well."""
    return all(each.word == "too few" for each in contrast.shifts) and any(
        (each.group, each.against) == (contrast.group, contrast.against)
        for section in result.sections
        if not section.groups
        for each in section.contrasts
    )


def _units(contrast: Contrast) -> str:
    most = max((each.shift for each in contrast.shifts), key=lambda moved: moved.count_first + moved.count_second)
    return f"{most.count_second} and {most.count_first} units"


def other_grouping(result: Comparison) -> str:
    return "construction" if result.by == "generation" else "generation"


def _folded(text: str) -> str:
    """A name as a heading, in lines no wider than the figures below it."""
    return "\n".join(wrap(shown(text), _GROUP_WIDTH - 1))


def _title(contrast: Contrast) -> str:
    return f"{shown(contrast.group)} against {shown(contrast.against)}"


def _figure_table(groups: Sequence[GroupFigures], width: int) -> RenderableType:
    table = ruled_table(width, [("", "left"), ("", "left"), *((_folded(group.name), "right") for group in groups)])
    table.add_row("skis (units)", "", *(f"{group.skis} ({group.units})" for group in groups))
    for figure, kind in KINDS.items():
        if not any(figure in group.figures for group in groups):
            continue
        cells = [_spread(group.figures.get(figure), kind) for group in groups]
        table.add_row(kind.label, kind.unit, *cells)
        if figure == "first_mode":
            table.add_row("  note, cents", "", *(_note(group.figures.get(figure)) for group in groups))
        if figure == "swing_inertia":
            table.add_row("  1 g at the tip is", "g", *(number(group.swing_tip, 1) for group in groups))
    if any(group.loudest is not None for group in groups):
        loud = [group.loudest for group in groups]
        table.add_row("loudest mode", "Hz", *("-" if each is None else number(each.frequency_hz, 0) for each in loud))
        table.add_row(
            "  note, cents", "", *("-" if each is None else note(note_name(each.frequency_hz)) for each in loud)
        )
        places = ["-" if each is None else f"{each.family} {each.order}" for each in loud]
        table.add_row("  which one", "", *places)
        shares = ["-" if each is None else f"{each.count} of {each.skis}" for each in loud]
        table.add_row("  the loudest in", "skis", *shares)
    return pinned(table, width)


def _spread(spread: Spread | None, kind: FigureKind) -> str:
    if spread is None:
        return "-"
    text = number(spread.mean / kind.size, kind.decimals)
    return text if spread.deviation is None else f"{text} ±{number(spread.deviation / kind.size, kind.decimals)}"


def _note(spread: Spread | None) -> str:
    return "-" if spread is None else note(note_name(spread.mean))


def _contrast_table(contrast: Contrast, width: int) -> RenderableType:
    numbers = ("by\n%", "interval\n%", "conf.\n%", "by\ncents", "effect", "p")
    table = ruled_table(width, [("", "left"), *((each, "right") for each in numbers), ("", "left")])
    for each in contrast.shifts:
        moved, kind = each.shift, KINDS[each.figure]
        decimals = 2 if kind.plain else 1
        table.add_row(
            kind.label,
            number(kind.percent(moved.difference), decimals, sign=True),
            _interval(moved, kind.percent, decimals),
            number(None if moved.confidence is None else 100 * moved.confidence, 0),
            number(CENTS * moved.difference, 0, sign=True) if each.figure in _TONES else "",
            number(moved.effect, 1, sign=True),
            number(each.p_holm, 3),
            Text(each.word, STYLES[each.word]),
        )
    return pinned(table, width)


def _parts_table(contrast: Contrast, width: int) -> RenderableType:
    numbers = ("by\n%", "by\ncents", "interval\ncents")
    table = ruled_table(width, [("where the tone comes from", "left"), *((each, "right") for each in numbers)])
    for each in contrast.parts:
        moved = each.shift
        percent, cents = 100 * expm1(moved.difference), CENTS * moved.difference
        interval = _interval(moved, lambda end: CENTS * end, 0)
        table.add_row(PART_WORDS[each.part], number(percent, 1, sign=True), number(cents, 0, sign=True), interval)
    return pinned(table, width)


def _readings(contrast: Contrast) -> list[tuple[str, str, str]]:
    """What a figure means in other words; only what the numbers themselves say."""
    lines = []
    stiffness = contrast.shift("section_stiffness")
    if stiffness is not None and stiffness.word in ("higher", "lower"):
        moved = stiffness.shift.difference
        stiffer, solid, thin = (f"{abs(100 * expm1(moved / power)):.1f} %" for power in (1, 3, 2))
        ways = ("stiffer", "thicker") if moved > 0 else ("softer", "thinner")
        text = (
            f"A section {stiffer} {ways[0]} is what one {solid} {ways[1]} would be, as stiffness goes with thickness cubed; "
            f"a sandwich of thin faces, {thin} (squared)."
        )
        lines.append(("thickness", "", text))
    if contrast.shape_u is not None:
        text = (
            f"Not in any interval: the shapes in two construction files, {100 * contrast.shape_u:.1f} % "
            f"({CENTS * contrast.shape_u:.0f} cents) of a first mode. They move section stiffness, swing, shape and rest."
        )
        lines.append(("files", "", text))
    return lines


def _interval(moved: Shift, scale: Callable[[float], float], decimals: int) -> str:
    if moved.low is None or moved.high is None:
        return "-"
    low, high = (number(scale(end), decimals, sign=True) for end in (moved.low, moved.high))
    return f"{low} to {high}"


def _summary(result: Comparison) -> list[RenderableType]:
    """Skis compared and, of the widest comparison there is, what is shown to differ and what is not."""
    line = Text(f"{counted(result.skis, 'ski')} compared by {result.by}", style="bold")
    unread = len(result.problems) + len(result.unread)
    if unread:
        line.append(f"; {counted(unread, 'input')} could not be read, named below", "yellow")
    together = [section for section in result.sections if not section.groups]
    lines = [
        (_title(contrast), "bold", _conclusion(contrast, section, result))
        for section in together or result.sections
        for contrast in section.contrasts
    ]
    return [line, hanging(lines)] if lines else [line]


def _conclusion(contrast: Contrast, section: Section, result: Comparison) -> str:
    where = f"within each {other_grouping(result)}" if not section.groups else f"in {shown(section.stratum, 100)}"
    said: dict[str, list[str]] = {"shown": [], "not shown": [], "too few": []}
    for each in contrast.shifts:
        kind = KINDS[each.figure]
        if each.word in ("higher", "lower"):
            decimals, unit = (2, "points") if kind.plain else (1, "%")
            size = f"{abs(kind.percent(each.shift.difference)):.{decimals}f} {unit}"
            cents = f" ({abs(CENTS * each.shift.difference):.0f} cents)" if each.figure in _TONES else ""
            said["shown"].append(f"{kind.words} {size}{cents} {each.word}")
        else:
            said[each.word].append(kind.words)
    sentences = []
    if said["shown"]:
        sentences.append(f"{', '.join(said['shown'])}.")
    if said["not shown"]:
        sentences.append(
            f"No difference shown in {', '.join(said['not shown'])}, which does not mean that there is none."
        )
    if said["too few"]:
        units = _units(contrast)
        sentences.append(f"{units} are too few to show a difference in {', '.join(said['too few'])}.")
    text = " ".join(f"{sentence[:1].upper()}{sentence[1:]}" for sentence in sentences) or "Nothing can be compared."
    return f"{where[:1].upper()}{where[1:]}: {text[:1].lower()}{text[1:]}"
