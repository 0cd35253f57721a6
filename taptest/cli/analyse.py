"""``taptest analyse``: what is heard in recordings."""

import sys
from dataclasses import replace
from typing import Annotated

import typer

from taptest.cli import calibrations, output
from taptest.cli.options import CalibrationFolder, Channel, High, Json, Low, Room


def analyse(
    recordings: Annotated[
        list[str], typer.Argument(metavar="RECORDING", help="Sound files (WAV, FLAC, OGG, MP3, ...).")
    ],
    json: Json = False,
    low: Low = 15.0,
    high: High = 1500.0,
    room: Room = None,
    channel: Channel = None,
    calibration_folder: CalibrationFolder = None,
) -> None:
    """Taps, resonances and half-power damping heard in recordings.

    Every tap is judged first: one that cannot be used is named with the reason and what to do. A file that cannot be
    read does not stop the others.
    """
    from taptest.errors import RecordingError
    from taptest.recording import read_recording
    from taptest.sound.analysis import analyse as analyse_recording

    settings = output.settings_from(low, high, room, channel)
    known = calibrations.room_only(calibration_folder) if room is None else None
    if known is not None:
        settings = replace(settings, room=known.room)
    console = None if json else output.screen()
    analyses, refused = [], []
    # Tables that come one by one are progress enough.
    with output.progress("analysing", len(recordings), wanted=json or not sys.stdout.isatty()) as advance:
        for path in recordings:
            try:
                analyses.append(analyse_recording(read_recording(path), settings))
            except RecordingError as problem:
                refused.append(str(problem))
            else:
                if console is not None:
                    from taptest.show.analysis_table import analysis_view

                    output.show(analysis_view(analyses[-1], settings, console.width, known), console)
            advance()
    if json and analyses:
        from taptest.show.as_json import analysis_document

        output.write_json(analysis_document(analyses, () if known is None else known.citations))
    unused = () if known is None else known.problems
    output.finish([*unused, *refused], nothing_read=not analyses)
