"""Repeatability and temperature studies, for a terminal."""

from pathlib import Path

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.calibrate.repeatability import FIT_PERCENT, GOOD_PERCENT, LEAST_CATEGORIES, Component, Gauge
from taptest.calibrate.study import StudyResult
from taptest.calibrate.temperature import TemperatureStudy
from taptest.core.errors import shown
from taptest.present.text.room_table import kept
from taptest.present.text.tables import hanging, pinned, prose, ruled_table

_STYLES = {"good": "green", "usable": "yellow", "not fit": "red"}
_LEGEND = (
    "EV: repeatability, one person with one ski hung anew; AV: reproducibility, between people; GRR: both together; PV: "
    "between the skis of the study; each a standard deviation. In brackets the interval that holds the truth with 95 % "
    "confidence. % GRR: share of GRR in the total spread, "
    f"by custom good below {GOOD_PERCENT:.0f} % and not fit above {FIT_PERCENT:.0f} %; ndc: how many classes of skis can be "
    f"told apart, {LEAST_CATEGORIES} at least by custom. Both depend on how different the skis of the study were."
)


def gauge_view(result: StudyResult, stored: Path | None, width: int) -> Group:
    """One block a quantity, what it means in words, and where it was stored."""
    parts: list[RenderableType] = []
    for gauge in result.gauges:
        parts += [_heading(gauge), _table(gauge, width), Text(), hanging(_words(gauge)), Text()]
    return Group(*parts, prose(_LEGEND, style="dim"), Text(), hanging([kept(stored)]))


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


def temperature_view(result: TemperatureStudy, stored: Path | None, width: int) -> Group:
    """Slope and range, and what a check does with them."""
    slope = f"{100 * result.slope_per_k:+.3f} ±{100 * result.slope_u_per_k:.3f} % a kelvin (± one standard uncertainty)"
    size = f"{result.count} measurements of {result.parts} parts between {result.low_c:.1f} and {result.high_c:.1f} °C"
    use = (
        f"a check gives frequencies at {result.reference_c:.1f} °C for temperatures in that range; damping is not corrected."
        if result.certain
        else "the slope cannot be told from none, so a check corrects nothing; a wider range of temperature says more."
    )
    return Group(
        Text.assemble((shown(result.path, 200), "bold")),
        hanging(
            [
                ("frequency", "bold", f"{slope}."),
                ("from", "bold", f"{size}, which scatter by {100 * result.scatter_rel:.2g} % about it."),
                ("use", "bold", use),
                kept(stored),
            ]
        ),
    )
