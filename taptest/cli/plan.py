"""``taptest plan``: how much must be measured to find a difference."""

from enum import StrEnum
from typing import Annotated

import typer

from taptest.cli.calibrations import Shown, chosen
from taptest.cli.options import CalibrationFolder, Json


class Of(StrEnum):
    """What the difference is in."""

    FREQUENCY = "frequency"
    DAMPING = "damping"
    SHIFT = "shift"


def plan(
    difference: Annotated[float, typer.Option(metavar="PERCENT", help="The difference to be found.")],
    between: Annotated[
        float, typer.Option(metavar="PERCENT", help="What skis of one kind scatter by; 'check' prints it as spread.")
    ],
    of: Annotated[Of, typer.Option(metavar="QUANTITY", help="frequency, damping or shift.")] = Of.FREQUENCY,
    repeat: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="What one hanging repeats to; otherwise from the study.")
    ] = None,
    runs: Annotated[
        float | None,
        typer.Option(metavar="PERCENT", help="On snow instead: scatter from run to run, as 'relate' prints it."),
    ] = None,
    days: Annotated[
        float, typer.Option(metavar="PERCENT", help="With --runs: what a ski changes by from day to day besides.")
    ] = 0.0,
    power: Annotated[
        float, typer.Option(metavar="PERCENT", help="Statistical power: how likely it is to be found.")
    ] = 80.0,
    folder: CalibrationFolder = None,
    json: Json = False,
) -> None:
    """How many skis, hangings or runs it takes to find a difference between two groups of skis, or two skis.

    How well one hanging repeats comes from the newest study of 'taptest calibrate repeatability', or from --repeat.
    """
    from taptest.studies.plan import Scatter
    from taptest.studies.plan import plan as make_plan

    if runs is not None and repeat is not None:
        raise typer.BadParameter("--runs plans for snow, --repeat for the bench: give one of them", param_hint="--runs")
    if runs is not None:
        one, basis = runs / 100, "as given"
    else:
        one, basis = _repeat(repeat, of, folder)
    result = make_plan(
        "result on snow" if runs is not None else of.value,
        difference / 100,
        Scatter(between / 100, one, days / 100 if runs is not None else 0.0),
        power=power / 100,
        on_snow=runs is not None,
        basis=basis,
    )
    Shown(json).show("plan", result)


def _repeat(given: float | None, of: Of, folder: str | None) -> tuple[float, str]:
    """How well one hanging repeats, and where that is known from."""
    from taptest.calibrate.store import calibration_folder, is_chosen, load_calibrations
    from taptest.studies.plan import repeat_of

    if given is not None:
        return given / 100, "as given"
    folder = chosen(folder)
    study = load_calibrations(calibration_folder(folder), must_exist=is_chosen(folder)).latest("repeatability")
    if study is None:
        raise typer.BadParameter(
            "no study of repeatability is stored; make one with 'taptest calibrate repeatability', or say it here",
            param_hint="--repeat",
        )
    return repeat_of(study, of.value), f"{study.file}, made {study.made:%Y-%m-%d}"
