"""``taptest calibrate room``: how the room decays and what it sounds like in silence."""

from typing import Annotated

import typer

from taptest.cli import calibrations, output
from taptest.cli.options import CalibrationFolder, Channel, Json, NoStore, Picture


def room(
    recordings: Annotated[
        list[str],
        typer.Argument(metavar="RECORDING", help="A second of silence, then claps or bursts; one file a place."),
    ],
    folder: CalibrationFolder = None,
    no_store: NoStore = False,
    channel: Channel = None,
    json: Json = False,
    picture: Picture = None,
) -> None:
    """Reverberation time of the room by octave bands, and its noise and hum.

    Record a second of silence and then some loud claps, two seconds apart, where the skis are tapped; a burst balloon
    or paper bag reaches lower. Recordings from several places are averaged. From then on modes that ring no longer than
    the room are marked, and their damping is not judged.
    """
    from taptest.calibrate.room import measure_room

    output.check_picture(picture)
    result = measure_room(recordings, channel=channel)
    made = calibrations.new("room", result.values(), result.recordings)
    stored = calibrations.keep(made, folder, wanted=not no_store)
    if json:
        from taptest.present.json.calibration import room_document

        output.write_json(room_document(result, stored))
    else:
        from taptest.present.text.room_table import room_view

        console = output.screen()
        output.show(room_view(result, stored, console.width), console)
    if picture is not None:
        from taptest.present.plots.calibrate import room_drawing
        from taptest.present.plots.picture import save_picture

        save_picture(picture, lambda: room_drawing(result))
    output.finish(result.unread)
