"""``taptest analyse``: what is heard in recordings."""

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import calibrations, keeping, output
from taptest.cli.options import CalibrationFolder, Channel, High, Json, Log, LogbookPlace, Low, Plot, Room
from taptest.errors import shown

if TYPE_CHECKING:
    from taptest.sound.traces import MainTraces


def analyse(
    recordings: Annotated[
        list[str], typer.Argument(metavar="RECORDING", help="Sound files (WAV, FLAC, OGG, MP3, ...).")
    ],
    json: Json = False,
    plot: Plot = False,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the recording into a .svg or .png as well.")
    ] = None,
    low: Low = 15.0,
    high: High = 1500.0,
    room: Room = None,
    channel: Channel = None,
    calibration_folder: CalibrationFolder = None,
    log: Log = False,
    logbook: LogbookPlace = None,
) -> None:
    """Taps, resonances and half-power damping heard in recordings.

    Every tap is judged first: one that cannot be used is named with the reason and what to do. A file that cannot be
    read does not stop the others.
    """
    from taptest.errors import RecordingError
    from taptest.recording import read_recording
    from taptest.sound.analysis import analyse as analyse_recording
    from taptest.sound.traces import main_traces

    settings = output.settings_from(low, high, room, channel)
    known = calibrations.room_only(calibration_folder) if room is None else None
    if known is not None:
        settings = replace(settings, room=known.room)
    plot = output.for_the_screen(plot, json)
    if picture is not None:
        _check_picture(picture, recordings)
    console = None if json else output.screen()
    kept = keeping.wanted(log, logbook)
    analyses, refused = [], list[str]()
    # Tables that come one by one are progress enough.
    with (
        keeping.sounds(logbook if kept else None, wanted=kept) as keep,
        output.progress("analysing", len(recordings), wanted=json or not sys.stdout.isatty()) as advance,
    ):
        for path in recordings:
            try:
                recording = read_recording(path)
                analyses.append(analyse_recording(recording, settings))
            except RecordingError as problem:
                refused.append(str(problem))
            else:
                keep(recording, analyses[-1], settings)
                traces = main_traces(recording, analyses[-1], settings) if plot or picture is not None else None
                if console is not None:
                    from taptest.show.analysis_table import analysis_view

                    output.show(analysis_view(analyses[-1], settings, console.width, known), console)
                    if plot and traces is not None:
                        from taptest.show.character_pictures import traces_view

                        output.show(traces_view(traces, console.width, dots=output.dots_shown()), console)
                if picture is not None:
                    refused += _draw(traces, path, picture, room)
            advance()
    if json and analyses:
        from taptest.show.as_json import analysis_document

        output.write_json(analysis_document(analyses, () if known is None else known.citations))
    unused = () if known is None else known.problems
    output.finish([*unused, *refused], keep.notes, nothing_read=not analyses)


def _check_picture(picture: Path, recordings: list[str]) -> None:
    from taptest.show.plots_recording import check_picture_name

    if len(recordings) > 1:
        raise typer.BadParameter("draws one recording: name just that one", param_hint="--picture")
    check_picture_name(picture)


def _draw(traces: "MainTraces | None", path: str, picture: Path, room_s: float | None) -> list[str]:
    """The picture, or why there is none."""
    from taptest.show.plots_recording import write_recording_picture

    if traces is None:
        return [f"{shown(path, 200)}: no picture drawn, as it has no good tap; tap the ski again"]
    write_recording_picture(traces, path, picture, room_s=room_s)
    return []
