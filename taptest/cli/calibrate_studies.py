"""``taptest calibrate repeatability``, ``drift`` and ``temperature``: what studies say of the measurement."""

from __future__ import annotations

import re
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import output
from taptest.cli.calibrations import Shown, chosen
from taptest.cli.options import CalibrationFolder, Channel, Json, NoStore, Picture

if TYPE_CHECKING:
    from taptest.studies.repeatability import Quantity
    from taptest.studies.repeatability_table import Study

drift = typer.Typer(rich_markup_mode=None, add_completion=False, no_args_is_help=True)


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
    from taptest.studies.repeatability_table import judge_study, plan_study, read_study

    shown = Shown(json, picture)
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
    shown.keep("repeatability", result, (result.path,), folder, no_store=no_store)
    output.finish([*map(str, table.problems), *result.problems])


def _enter(study: Study, near_hz: float | None) -> Study:
    """Ask for one open measurement after the other; every answer is stored at once, an empty line stops."""
    from taptest.studies.repeatability_table import enter, followed

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
    from taptest.core.errors import CalibrationError, RecordingError, shown
    from taptest.studies.repeatability_table import parse_values, values_from_recording

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


@drift.callback()
def _drift() -> None:
    """Does the measurement drift? Tap the same reference, a ski or a bar, at the start, every hour and at the end."""


@drift.command("add", short_help="Add a tapping of the reference, and show where it lies.")
def add(
    recording: Annotated[str, typer.Argument(metavar="RECORDING", help="The reference, tapped five times.")],
    reference: Annotated[str, typer.Option(metavar="NAME", help="Which reference it is.")] = "reference",
    temperature: Annotated[
        float | None, typer.Option(metavar="C", help="Temperature of the room in degrees C.")
    ] = None,
    at: Annotated[str | None, typer.Option(metavar="TIME", help="When, as 2026-11-02T08:15; otherwise now.")] = None,
    folder: CalibrationFolder = None,
    channel: Channel = None,
    json: Json = False,
    picture: Picture = None,
) -> None:
    """Add a tapping of the reference, and show where it lies."""
    from taptest.calibrate.store import calibration_folder, load_calibrations
    from taptest.studies.drift import follow_on

    shown = Shown(json, picture)
    when = _time(at)
    if temperature is not None and not -50 <= temperature <= 60:
        raise typer.BadParameter(
            f"{temperature:g} is no room's temperature: -50 to 60 degrees C", param_hint="--temperature"
        )
    stored = load_calibrations(calibration_folder(chosen(folder)))
    found = follow_on(
        stored,
        recording,
        reference=reference,
        at=when,
        temperature_c=temperature,
        settings=output.settings_from(15.0, 1500.0, None, channel),
    )
    shown.keep("drift", found, (recording,), folder, no_store=False)
    output.finish(stored.problems)


@drift.command("show", short_help="The chart of a reference so far.")
def show(
    reference: Annotated[
        str | None, typer.Option(metavar="NAME", help="Which reference; otherwise the one tapped last.")
    ] = None,
    folder: CalibrationFolder = None,
    json: Json = False,
    picture: Picture = None,
) -> None:
    """The chart of a reference so far."""
    from taptest.calibrate.store import calibration_folder, load_calibrations
    from taptest.studies.drift import follow, points_of

    shown = Shown(json, picture)
    stored = load_calibrations(calibration_folder(chosen(folder)))
    shown.show("drift", follow(points_of(stored, reference)))
    output.finish(stored.problems)


def _time(text: str | None) -> datetime:
    if text is None:
        return datetime.now(UTC)
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        raise typer.BadParameter(f"'{text}' is no time; write such as 2026-11-02T08:15", param_hint="--at") from None


def temperature(
    study: Annotated[str, typer.Argument(metavar="STUDY", help="Table with part, temperature_c and frequency_hz.")],
    folder: CalibrationFolder = None,
    no_store: NoStore = False,
    json: Json = False,
) -> None:
    """How much frequency falls a kelvin, from skis measured warm and cold.

    From then on a check gives the frequencies of skis whose temperature stands in its table at one temperature, as far
    as this study reaches. Damping is never corrected: it follows no straight line, least of all through 0 degrees C.
    """
    from taptest.studies.temperature import fit_temperature

    result = fit_temperature(study)
    Shown(json).keep("temperature", result, (result.path,), folder, no_store=no_store)
    output.finish([str(problem) for problem in result.problems])
