"""``taptest calibrate repeatability``: does a measurement repeat, also when somebody else makes it?"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import calibrations, output
from taptest.cli.options import CalibrationFolder, Json, NoStore, Picture

if TYPE_CHECKING:
    from taptest.calibrate.repeatability import Quantity
    from taptest.calibrate.study import Study


def repeatability(
    study: Annotated[
        str, typer.Argument(metavar="STUDY", help="Table with part, operator, trial and what was measured.")
    ],
    plan: Annotated[
        bool, typer.Option("--plan", help="Write a new table of all measurements to make, and stop.")
    ] = False,
    parts: Annotated[str, typer.Option(metavar="A,B,...", help="With --plan: the skis, ten are usual.")] = "",
    operators: Annotated[str, typer.Option(metavar="A,B,...", help="With --plan: who measures, three or more.")] = "",
    trials: Annotated[int, typer.Option(metavar="N", help="With --plan: how often each measures each ski.")] = 3,
    enter: Annotated[bool, typer.Option("--enter", help="Ask for the next measurements, one by one.")] = False,
    near: Annotated[
        float | None,
        typer.Option(
            metavar="HZ", min=1.0, max=20_000.0, help="With --enter: the mode to follow; otherwise the loudest."
        ),
    ] = None,
    folder: CalibrationFolder = None,
    no_store: NoStore = False,
    json: Json = False,
    picture: Picture = None,
) -> None:
    """How well a measurement repeats with the ski hung anew every time, and between people.

    A table has one line a measurement: part, operator, trial and frequency_hz, damping_percent or shift_percent. Every
    operator measures every part equally often, taking it out of the loops in between. From then on no uncertainty of a
    check is smaller than what this study found.
    """
    from taptest.calibrate.study import judge_study, plan_study, read_study

    output.check_picture(picture)
    if plan:
        names = [[name.strip() for name in text.split(",") if name.strip()] for text in (parts, operators)]
        runs = plan_study(study, parts=names[0], operators=names[1], trials=trials)
        typer.echo(f"{len(runs)} measurements planned in {study}; first: {runs[0].name}. Go on with --enter.")
        return
    table = read_study(study)
    if enter:
        table = _enter(table, near)
        if table.open_runs():
            typer.echo(
                f"{len(table.open_runs())} of {len(table.runs)} measurements are still to be made; go on with --enter."
            )
            return
    result = judge_study(table)
    stored = calibrations.keep(
        calibrations.new("repeatability", result.values(), (result.path,)), folder, wanted=not no_store
    )
    if json:
        from taptest.present.json.study import repeatability_document

        output.write_json(repeatability_document(result, stored))
    else:
        from taptest.present.text.gauge_table import gauge_view

        console = output.screen()
        output.show(gauge_view(result, stored, console.width), console)
    if picture is not None:
        from taptest.present.plots.picture import save_picture
        from taptest.present.plots.study import repeatability_drawing

        save_picture(picture, lambda: repeatability_drawing(result))
    output.finish([*map(str, table.problems), *result.problems])


def _enter(study: Study, near_hz: float | None) -> Study:
    """Ask for one open measurement after the other; every answer is stored at once, an empty line stops."""
    from taptest.calibrate.study import enter, followed

    while study.open_runs():
        run = study.open_runs()[0]
        left = len(study.open_runs())
        typer.echo(f"{left} to go. {run.name}: take the ski out of the loops, hang it anew, tap it five times.")
        values = _ask(*followed(study, run.part, near_hz))
        if values is None:
            break
        study = enter(study, run, values)
        damping = f", damping {values['damping']:.3g} %" if "damping" in values else ""
        typer.echo(f"entered: {values['frequency']:.2f} Hz{damping}")
    return study


def _ask(near_hz: float | None, within: float) -> dict[Quantity, float] | None:
    """The values of one measurement, or None to stop; asks again until they make sense."""
    from taptest.calibrate.study import parse_values, values_from_recording
    from taptest.core.errors import CalibrationError, RecordingError, shown

    while True:
        typer.echo("the recording, or frequency in Hz, a blank and damping in % (an empty line stops): ", nl=False)
        line = sys.stdin.readline()
        answer = line.strip()
        if not answer:
            typer.echo()
            return None
        try:
            if Path(answer).is_file():
                return values_from_recording(answer, near_hz=near_hz, within=within)
            if re.search(r"\.[^\W\d]\w*$", answer):
                raise CalibrationError(f"'{shown(answer, 200)}': there is no such file in {shown(Path.cwd(), 200)}")
            return parse_values(line)
        except (CalibrationError, RecordingError) as problem:
            output.complain(str(problem))
