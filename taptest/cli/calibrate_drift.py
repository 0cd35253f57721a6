"""``taptest calibrate drift``: a reference tapped again and again, on a control chart."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import calibrations, output
from taptest.cli.options import CalibrationFolder, Channel, Json, Picture

if TYPE_CHECKING:
    from pathlib import Path

    from taptest.calibrate.drift import Drift

app = typer.Typer(rich_markup_mode=None, add_completion=False, no_args_is_help=True)


@app.callback()
def drift() -> None:
    """Does the measurement drift? Tap the same reference, a ski or a bar, at the start, every hour and at the end."""


@app.command("add", short_help="Add a tapping of the reference, and show where it lies.")
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
    from taptest.calibrate.drift import drift_values, follow_on
    from taptest.calibrate.store import calibration_folder, load_calibrations

    output.check_picture(picture)
    when = _time(at)
    if temperature is not None and not -50 <= temperature <= 60:
        raise typer.BadParameter(
            f"{temperature:g} is no room's temperature: -50 to 60 degrees C", param_hint="--temperature"
        )
    stored = load_calibrations(calibration_folder(folder))
    found = follow_on(
        stored,
        recording,
        reference=reference,
        at=when,
        temperature_c=temperature,
        settings=output.settings_from(15.0, 1500.0, None, channel),
    )
    path = calibrations.keep(calibrations.new("drift", drift_values(found), (recording,)), folder)
    _show(found, path, json, picture)
    output.finish(stored.problems)


@app.command("show", short_help="The chart of a reference so far.")
def show(
    reference: Annotated[
        str | None, typer.Option(metavar="NAME", help="Which reference; otherwise the one tapped last.")
    ] = None,
    folder: CalibrationFolder = None,
    json: Json = False,
    picture: Picture = None,
) -> None:
    """The chart of a reference so far."""
    from taptest.calibrate.drift import follow, points_of
    from taptest.calibrate.store import calibration_folder, load_calibrations

    output.check_picture(picture)
    stored = load_calibrations(calibration_folder(folder))
    _show(follow(points_of(stored, reference)), None, json, picture)
    output.finish(stored.problems)


def _show(found: Drift, stored: Path | None, json: bool, picture: Path | None) -> None:
    if json:
        from taptest.present.json.study import drift_document

        output.write_json(drift_document(found, stored))
    else:
        from taptest.present.text.drift_table import drift_view

        console = output.screen()
        output.show(drift_view(found, stored, console.width), console)
    if picture is not None:
        from taptest.present.plots.picture import save_picture
        from taptest.present.plots.study import drift_drawing

        save_picture(picture, lambda: drift_drawing(found))


def _time(text: str | None) -> datetime:
    if text is None:
        return datetime.now(UTC)
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        raise typer.BadParameter(f"'{text}' is no time; write such as 2026-11-02T08:15", param_hint="--at") from None
