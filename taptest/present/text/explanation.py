"""One ski's verdict with everything it rests on, for a terminal: figures, a picture of its ladder, and the reasons."""

from collections.abc import Sequence

from rich.console import Console, Group, RenderableType
from rich.text import Text

from taptest.core.errors import shown
from taptest.core.fields import Field
from taptest.present.text.tables import (
    CAUTION,
    counted,
    fields_table,
    hanging,
    heading,
    limit_or,
    number,
    prose,
    with_u,
)
from taptest.present.text.verdict_table import STYLES, sentences
from taptest.screen.explain import EXPLAINED_FIELDS, ExplainedMode, Explanation
from taptest.screen.result import GroupSummary
from taptest.ski.record import Ski, Test

_PICTURE_HEIGHT = 12
_LEAST_SPAN_PERCENT = 0.5
# What each statistic is, in the words of the table.
_MEANINGS = {
    "shift": "what all its modes share, against the group",
    "unevenness": "how far single modes stray from that; about 1 is normal",
    "damping": "mean damping, against the group (of its generation)",
    "mass": "mass per length in the table, against the group",
    "stiffness": "bending stiffness in the table, against the group",
    "damping pattern": "the same for the damping of its modes",
    "all together": "all of these at once",
    "tone apart": "distance from the mean of the few, in their standard deviations",
    "damping apart": "the same for damping",
}


def explanation_view(explained: Explanation, console: Console) -> Group:
    """Title, measurements, statistics, modes, picture, reasons."""
    ski, width = explained.ski, console.width
    title = heading(f"{shown(ski.ski_id)}: ")
    title.append(ski.verdict, STYLES[ski.verdict])
    parts: list[RenderableType] = [title, hanging(_facts(ski, explained.group)), Text()]
    if ski.tests:
        parts += [
            fields_table(_TESTS, ski.tests, width, styles={"word": lambda test: "bold red"}),
            prose(_tests_legend(ski.tests), style="dim"),
            Text(),
        ]
    if explained.modes:
        parts += [_modes(explained.modes, width), Text()]
        parts += [*_picture(explained.modes, console), Text()]
    reasons = sentences(ski.reasons) or "Nothing stands out."
    parts += [heading("Why"), prose(reasons), Text(), prose(CAUTION, style="dim")]
    return Group(*parts)


def _facts(ski: Ski, group: GroupSummary | None) -> list[tuple[str, str, str]]:
    table = ", ".join(
        f"{number(value, decimals)} {unit}"
        for value, decimals, unit in ((ski.mass_g, 0, "g"), (ski.stiffness_n_per_mm, 2, "N/mm"))
        if value is not None
    )
    table = f"line {ski.facts.line}: {table or 'neither mass nor stiffness'}; {shown(ski.facts.construction)}"
    lines = [("table", "", table)]
    if ski.predicted_hz is not None:
        lines.append(("predicted", "", f"first mode at {with_u(ski.predicted_hz, ski.predicted_u_hz, 1)} Hz"))
    heard = f"{ski.taps_good} of {counted(ski.taps_found, 'tap')} used"
    if ski.first_mode_hz is not None:
        how = "heard itself" if ski.first_mode_source == "heard" else "inferred from the higher ones"
        heard += f"; first mode at {with_u(ski.first_mode_hz, ski.first_mode_u_hz, 1)} Hz, {how}"
        heard += f"; {with_u(ski.deviation_percent, ski.deviation_u_percent, 1, sign=True)} % from its prediction"
    lines.append(("heard", "", heard))
    if group is not None:
        kind = f"{shown(group.construction)} {group.length_class} mm, {group.binding}"
        lines.append(("group", "", f"{kind}, {counted(group.count, 'ski')}; {group.basis}"))
    return lines


def _value(test: Test) -> str:
    signed = test.unit == "%" or test.name.endswith("apart")
    return f"{with_u(test.value, test.u or None, 1 if test.unit else 2, sign=signed)} {test.unit}".rstrip()


_TESTS: tuple[Field[Test], ...] = (
    Field("name", lambda test: test.name, "text", heading="judged by"),
    Field("value", _value, "text", heading="value", align="right"),
    Field(
        "limit",
        lambda test: f"{number(test.limit, 1 if test.unit else 2)} {test.unit}".rstrip(),
        "text",
        heading="limit",
        align="right",
    ),
    Field("score", lambda test: test.score, heading="score", decimals=2),
    Field("place", lambda test: f"{test.rank} of {test.count}", "text", heading="place", align="right"),
    Field(
        "word",
        lambda test: ("out" if test.may_reject else "recheck") if test.statistic.suspicious else "",
        "text",
        heading=" ",
    ),
)


def _tests_legend(tests: Sequence[Test]) -> str:
    said = "; ".join(f"{each.name}: {_MEANINGS[each.name]}" for each in tests)
    return f"{said}. score: value as a share of its limit; place: from the lowest value of the group."


def _modes(modes: Sequence[ExplainedMode], width: int) -> RenderableType:
    shown_damping: Field[ExplainedMode] = Field(
        "damping_ratio",
        lambda mode: limit_or(mode.damping_ratio_limit, number(100 * mode.damping_ratio, 2)),
        "text",
        heading="damp\n%",
        align="right",
    )
    fields = tuple(shown_damping if each.key == "damping_ratio" else each for each in EXPLAINED_FIELDS)
    return fields_table(fields, modes, width)


def _picture(modes: Sequence[ExplainedMode], console: Console) -> list[RenderableType]:
    """The ladder against the group; with the characters that the stream has."""
    compared = [mode for mode in modes if mode.against_percent is not None]
    if len(compared) < 2:
        return []
    try:
        "\u28ff".encode(console.encoding)
        fine = True
    except UnicodeEncodeError:
        fine = False
    drawn = _plotted(compared, console) if fine else _typed(compared, console.width)
    return [
        heading("Its ladder against the others, % of frequency"),
        Text.from_ansi(drawn),
        prose(
            "o this ski, dots the others of its kind" if fine else "X this ski, . the others of its kind", style="dim"
        ),
    ]


def _range(modes: Sequence[ExplainedMode]) -> tuple[float, float]:
    """Percent that hold every value and 0, with a little room."""
    values = [value for mode in modes for value in (*mode.peers_percent, mode.against_percent or 0.0)]
    low, high = min(0.0, *values), max(0.0, *values)
    room = max(0.05 * (high - low), (_LEAST_SPAN_PERCENT - (high - low)) / 2)
    return low - room, high + room


def _plotted(modes: Sequence[ExplainedMode], console: Console) -> str:
    import plotille

    figure = plotille.Figure()
    first, last = modes[0].order - 1, modes[-1].order + 1
    # A label every ten characters: of that many orders, so that every label is a whole number.
    step = next(each for each in (1, 2, 5, 10) if 10 * (last - first) // each <= min(console.width, 100) - 20)
    figure.width, figure.height = 10 * (last - first) // step, _PICTURE_HEIGHT
    figure.color_mode = "names"
    figure.with_colors = console.color_system is not None and not console.no_color
    low, high = _range(modes)
    figure.set_x_limits(min_=first, max_=last)
    figure.set_y_limits(min_=low, max_=high)
    figure.x_label, figure.y_label = "mode", "%"
    figure.origin = False
    figure.register_label_formatter(float, _label)
    figure.register_label_formatter(int, _label)
    peers = [(mode.order, value) for mode in modes for value in mode.peers_percent]
    figure.scatter([order for order, _ in peers], [value for _, value in peers], lc="blue")
    figure.plot([mode.order for mode in modes], [mode.against_percent for mode in modes], lc="red")
    figure.scatter([mode.order for mode in modes], [mode.against_percent for mode in modes], lc="red", marker="o")
    return str(figure.show(legend=False))


def _label(value: float, chars: int, delta: float, left: bool = False) -> str:
    """A number below the picture (aligned left) is an order, one beside it a percentage."""
    return f"{value:<{chars}.0f}" if left else f"{value:>+{chars}.1f}"


def _typed(modes: Sequence[ExplainedMode], width: int) -> str:
    """A line per mode: the others as dots, the ski as X, the middle of the others as a bar."""
    (low, high), columns = _range(modes), min(width, 100) - 12

    def column(percent: float) -> int:
        return round((percent - low) / (high - low) * (columns - 1))

    heading = [" "] * columns
    for text, at in ((f"{low:+.1f}", 0), ("0", column(0.0)), (f"{high:+.1f}", columns - len(f"{high:+.1f}"))):
        heading[at : at + len(text)] = text
    lines = [f"{'':8}{''.join(heading)}"]
    for mode in modes:
        row = [" "] * columns
        row[column(0.0)] = "|"
        for value in mode.peers_percent:
            row[column(value)] = "."
        row[column(mode.against_percent or 0.0)] = "X"
        lines.append(f"mode {mode.order:<3}{''.join(row).rstrip()}")
    return "\n".join(lines)
