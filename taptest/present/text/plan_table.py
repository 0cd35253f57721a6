"""How much must be measured, for a terminal and as JSON."""

from rich.console import Group
from rich.text import Text

from taptest.calibrate.plan import MOST_SKIS, SIGNIFICANCE, Effort, Plan
from taptest.present.text.tables import hanging, pinned, prose, ruled_table


def plan_view(plan: Plan, width: int) -> Group:
    """Ways to find the difference, and what a pair takes."""
    times = [("days", "right"), ("runs\na day", "right")] if plan.on_snow else [("hangings\nof a ski", "right")]
    headings = [*times, ("a ski scatters by\n%", "right"), ("skis in\neach group", "right"), ("in all", "right")]
    table = ruled_table(width, headings)
    for effort in plan.efforts:
        often = [str(effort.days), str(effort.repeats)] if plan.on_snow else [str(effort.repeats)]
        skis = f"over {MOST_SKIS}" if effort.skis is None else str(effort.skis)
        table.add_row(*often, f"{100 * effort.scatter:.2f}", skis, str(effort.measurements or "-"))
    unit = "runs" if plan.on_snow else "hangings"
    apart = ", every run on a day of its own" if plan.on_snow and plan.scatter.day else ""
    legend = (
        f"Each row finds it with {100 * plan.power:.0f} % probability, by a two-sided t test at {100 * SIGNIFICANCE:.0f} %; in "
        f"all: {unit} of both groups together. Measuring a ski again shrinks only what one measurement repeats to, "
        "not what skis differ by."
    )
    if not plan.on_snow:
        legend += " A hanging means: into the loops anew, and five taps."
    return Group(
        Text.assemble(
            (f"A difference of {100 * plan.difference:g} % in {plan.what}", "bold"), " between two groups of skis"
        ),
        pinned(table, width),
        Text(),
        prose(legend, style="dim"),
        Text(),
        hanging(
            [
                ("skis", "bold", f"of one kind scatter by {100 * plan.scatter.between:g} %, as given."),
                ("repeats", "bold", _repeats(plan)),
                (
                    "a pair",
                    "bold",
                    f"two single skis are told apart by as much with {plan.pair_repeats} {unit} of each{apart}.",
                ),
            ]
        ),
    )


def _repeats(plan: Plan) -> str:
    what = "a run" if plan.on_snow else "a hanging"
    day = f", and {100 * plan.scatter.day:.2g} % more from day to day" if plan.scatter.day else ""
    return f"{what} scatters by {100 * plan.scatter.repeat:.2g} %{day} ({plan.basis})."


def plan_document(plan: Plan) -> dict[str, object]:
    """``taptest.plan/1``: the ways in the order of the table; ``skis_a_group`` null where more than 2000 are needed."""
    return {
        "schema": "taptest.plan/1",
        "what": plan.what,
        "difference_percent": 100 * plan.difference,
        "power_percent": 100 * plan.power,
        "significance_percent": 100 * SIGNIFICANCE,
        "between_percent": 100 * plan.scatter.between,
        "repeat_percent": 100 * plan.scatter.repeat,
        "day_percent": 100 * plan.scatter.day,
        "basis": plan.basis,
        "ways": [_way(effort) for effort in plan.efforts],
        "pair_repeats": plan.pair_repeats,
    }


def _way(effort: Effort) -> dict[str, object]:
    return {
        "days": effort.days,
        "repeats": effort.repeats,
        "scatter_percent": 100 * effort.scatter,
        "skis_a_group": effort.skis,
        "measurements": effort.measurements,
    }
