"""Repeatability, drift, temperature and plans, for a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.core.fields import Field
from taptest.present.json.calibrations import EFFORT, TAPPING
from taptest.present.text.tables import (
    blocks,
    counted,
    fields_table,
    hanging,
    heading,
    lines,
    pinned,
    prose,
    ruled_table,
)
from taptest.studies.drift import RULES, Chart, Drift
from taptest.studies.plan import Effort, Plan
from taptest.studies.repeatability import Component, Gauge
from taptest.studies.repeatability_table import StudyResult
from taptest.studies.temperature import TemperatureStudy

_MOST_ROWS = 40
_GAUGE = (
    "EV: repeatability, one person with one ski hung anew; AV: reproducibility, between people; GRR: both together; PV: "
    "between the skis of the study; each a standard deviation. In brackets the interval that holds the truth with 95 % "
    "confidence. % GRR: share of GRR in the total spread, "
    f"by custom good below {LIMITS.study.good_percent:.0f} % and not fit above "
    f"{LIMITS.study.fit_percent:.0f} %; ndc: how many classes of skis can be "
    f"told apart, {LIMITS.study.least_categories} at least by custom. Both depend on how different the skis of the study were."
)
_DRIFT = (
    "frequency, damping: against the first tapping, over the modes that both have; chart: frequency between its limits "
    "'|', its centre ':', a point 'o' or, where it breaks a rule, 'X'. Limits: mean +- 2.66 mean moving ranges of the "
    "first 20 tappings within them. Rules: "
)


def repeatability_view(result: StudyResult, kept: Mapping[str, str], width: int) -> Group:
    """One block a quantity, and what it means in words."""
    parts: list[RenderableType] = []
    for gauge in result.gauges:
        parts += [Group(_heading(gauge), _table(gauge, width)), hanging(_words(gauge))]
    return blocks(*parts, prose(_GAUGE, style="dim"), lines(kept))


def _heading(gauge: Gauge) -> Text:
    size = f"{gauge.part_count} parts, {gauge.operator_count} operators, {gauge.trial_count} trials each"
    return Text.assemble((gauge.quantity.capitalize(), "bold"), f"  {size}, mean {gauge.mean:.5g} {gauge.unit}")


def _table(gauge: Gauge, width: int) -> RenderableType:
    unit = gauge.unit
    table = ruled_table(width, [("", "left"), (f"value\n{unit}", "right"), (f"95 % interval\n{unit}", "left")])
    for name, component in (
        ("EV", gauge.equipment),
        ("AV", gauge.appraisers),
        ("GRR", gauge.gauge),
        ("PV", gauge.parts),
    ):
        table.add_row(name, f"{component.value:.4g}", _interval(component))
    table.add_row(
        "% GRR",
        f"{gauge.gauge_percent.value:.1f} %",
        f"({gauge.gauge_percent.low:.0f} to {gauge.gauge_percent.high:.0f} %)",
    )
    table.add_row("ndc", str(gauge.categories), "")
    return pinned(table, width)


def _interval(component: Component) -> str:
    return f"({component.low:.3g} to {component.high:.3g})"


def _words(gauge: Gauge) -> list[tuple[str, str, str]]:
    classes = f"{gauge.categories} {'class' if gauge.categories == 1 else 'classes'} of skis can be told apart"
    lines = [
        ("verdict", "bold", f"{gauge.fitness} by custom: {gauge.gauge_percent.value:.0f} % GRR; {classes}."),
        (
            "floor",
            "bold",
            f"no check will state less than {100 * gauge.u_rel:.2g} % as the standard uncertainty of this.",
        ),
    ]
    if gauge.few_operators:
        low, high = gauge.appraisers.low, gauge.appraisers.high
        lines.append(
            (
                "operators",
                "yellow",
                f"{gauge.operator_count} of them barely fix the spread between operators: it may be anything from "
                f"{low:.2g} to {high:.2g} {gauge.unit}. Five or more say much more.",
            )
        )
    how = "is taken for chance and pooled with EV" if gauge.pooled else "is part of AV: people treat skis differently"
    lines.append(("interaction", "bold", f"of operators and parts (p = {gauge.interaction_p:.2f}) {how}."))
    return lines


def temperature_view(result: TemperatureStudy, kept: Mapping[str, str], width: int) -> Group:
    """Slope and range, and what a check does with them."""
    slope = f"{100 * result.slope_per_k:+.3f} ±{100 * result.slope_u_per_k:.3f} % a kelvin (± one standard uncertainty)"
    size = f"{result.count} measurements of {result.parts} parts between {result.low_c:.1f} and {result.high_c:.1f} °C"
    use = (
        f"a check gives frequencies at {result.reference_c:.1f} °C for temperatures in that range; damping is not corrected."
        if result.certain
        else "the slope cannot be separated from zero, so a check corrects nothing; a wider range of temperature says more."
    )
    scatter = f"{size}, which scatter by {100 * result.scatter_rel:.2g} % about it."
    return Group(
        heading(shown(result.path, 200)), lines({"frequency": f"{slope}.", "from": scatter, "use": use, **kept})
    )


def drift_view(drift: Drift, kept: Mapping[str, str], width: int) -> Group:
    """The tappings with their chart, the last at the bottom, and what they mean."""
    span, scale = max(min(width - 48, 60), 15), _scale(drift.frequency)
    columns = (
        Field[Any]("when", lambda at: f"{drift.points[at[1]].at:%Y-%m-%d %H:%M}", "text", heading="when\nUTC"),
        *TAPPING,
        Field[Any]("chart", lambda at: Text(_line(drift.frequency, at[1], scale, span)), "text"),
    )
    shown_from = max(len(drift.points) - _MOST_ROWS, 0)
    table = fields_table(
        columns,
        [(drift, i) for i in range(shown_from, len(drift.points))],
        width,
        keys=("when", "temperature_c", "frequency_percent", "damping_percent", "chart"),
        styles={"chart": lambda at: "red" if drift.broken_rules(at[1]) else ""},
    )
    title = Text.assemble((shown(drift.reference), "bold"), f"  {counted(len(drift.points), 'tapping')}")
    notes = [("note", "yellow", f"{note}.") for note in drift.notes]
    where = [(name, "bold", text) for name, text in kept.items()]
    return blocks(
        Group(title, table),
        prose(f"{_DRIFT}{'; '.join(RULES)}.", style="dim"),
        hanging([("state", "bold", _state(drift)), *notes, *where]),
    )


def _state(drift: Drift) -> str:
    broken = [f"frequency: {rule}" for rule in drift.frequency.broken[-1]]
    broken += [f"damping: {rule}" for rule in drift.damping.broken[-1]]
    if not broken:
        return "in: the last tapping breaks no rule."
    return f"out: {'; '.join(broken)}. Tap it again; then look for what changed: loops, microphone, room, temperature."


def _scale(chart: Chart) -> tuple[float, float]:
    marks = [*chart.values, *(mark for mark in (chart.low, chart.high) if mark is not None)]
    low, high = min(marks), max(marks)
    margin = max(0.05 * (high - low), 0.01)
    return low - margin, high + margin


def _line(chart: Chart, i: int, scale: tuple[float, float], span: int) -> str:
    def place(value: float) -> int:
        return round((value - scale[0]) / (scale[1] - scale[0]) * (span - 1))

    line = [" "] * span
    for mark, sign in ((chart.low, "|"), (chart.high, "|"), (chart.centre, ":")):
        if mark is not None:
            line[place(mark)] = sign
    line[place(chart.values[i])] = "X" if chart.broken[i] else "o"
    return "".join(line).rstrip()


def plan_view(plan: Plan, kept: Mapping[str, str], width: int) -> Group:
    """Ways to find the difference, and what a pair takes."""
    unit = "runs" if plan.on_snow else "hangings"
    often = "runs\na day" if plan.on_snow else "hangings\nof a ski"
    columns = (
        *EFFORT,
        Field[Effort]("often", lambda effort: effort.repeats, "integer", heading=often),
        Field[Effort](
            "skis",
            lambda effort: f"over {LIMITS.plan.most_skis}" if effort.skis is None else str(effort.skis),
            "text",
            heading="skis in\neach group",
            align="right",
        ),
    )
    keys = ("often", "scatter_percent", "skis", "measurements")
    table = fields_table(columns, plan.efforts, width, keys=("days", *keys) if plan.on_snow else keys)
    apart = ", every run on a day of its own" if plan.on_snow and plan.scatter.day else ""
    legend = (
        f"Each row finds it with {100 * plan.power:.0f} % probability, by a two-sided t test at "
        f"{100 * LIMITS.plan.significance:.0f} %; in all: {unit} of both groups together. Measuring a ski again shrinks only "
        "what one measurement repeats to, not what skis differ by."
    )
    if not plan.on_snow:
        legend += " A hanging means: into the loops anew, and five taps."
    what = f"A difference of {100 * plan.difference:g} % in {plan.what}"
    return blocks(
        Group(Text.assemble((what, "bold"), " between two groups of skis"), table),
        prose(legend, style="dim"),
        lines(
            {
                "skis": f"of one kind scatter by {100 * plan.scatter.between:g} %, as given.",
                "repeats": _repeats(plan),
                "a pair": f"two single skis are told apart by as much with {plan.pair_repeats} {unit} of each{apart}.",
            }
        ),
    )


def _repeats(plan: Plan) -> str:
    what = "a run" if plan.on_snow else "a hanging"
    day = f", and {100 * plan.scatter.day:.2g} % more from day to day" if plan.scatter.day else ""
    return f"{what} scatters by {100 * plan.scatter.repeat:.2g} %{day} ({plan.basis})."
