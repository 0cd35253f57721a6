"""``taptest devices``: which microphones there are, and whether the one in use is fit for taps."""

import sys
from typing import Annotated

import typer

from taptest.cli import output
from taptest.cli.options import Json
from taptest.core.sound_system import libraries_silenced


def devices(
    check: Annotated[bool, typer.Option("--check", help="Listen for a few seconds; tap or clap meanwhile.")] = False,
    device: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Input to use, by number or part of its name; otherwise the system's own."),
    ] = None,
    seconds: Annotated[float, typer.Option(min=2.0, max=60.0, metavar="SECONDS", help="How long to listen.")] = 6.0,
    json: Json = False,
) -> None:
    """Microphones, which one would be used, and what is known against each.

    With --check also what is heard: background noise, hum, overdriving, and whether the system's gain control or noise
    suppression seems to be on, with the way to switch it off.
    """
    from taptest.capture.devices import list_inputs

    heard = None
    with libraries_silenced():
        inputs = list_inputs(device)
        if check:
            from taptest.capture.input_check import check_input
            from taptest.capture.microphone import Microphone

            microphone = Microphone(device)
            if sys.stderr.isatty():
                typer.echo(f"listening for {seconds:g} s: tap the ski or clap a few times ...", err=True)
            heard = check_input(microphone, seconds)
    if json:
        from taptest.present.json.session import devices_document

        output.write_json(devices_document(inputs, heard, sys.platform))
        return
    from taptest.present.text.devices_table import devices_view

    console = output.screen()
    output.show(devices_view(inputs, heard, console.width, sys.platform), console)
