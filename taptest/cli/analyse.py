"""``taptest analyse``: what is heard in recordings."""

import sys
from typing import Annotated

import typer

from taptest.cli import output
from taptest.cli.options import Channel, High, Json, Low, Plot, Room


def analyse(
    recordings: Annotated[
        list[str], typer.Argument(metavar="RECORDING", help="Sound files (WAV, FLAC, OGG, MP3, ...).")
    ],
    json: Json = False,
    plot: Plot = False,
    low: Low = 15.0,
    high: High = 1500.0,
    room: Room = None,
    channel: Channel = None,
) -> None:
    """Taps, resonances and half-power damping heard in recordings.

    Every tap is judged first: one that cannot be used is named with the reason and what to do. A file that cannot be
    read does not stop the others.
    """
    from taptest.errors import RecordingError
    from taptest.recording import read_recording
    from taptest.sound.analysis import analyse as analyse_recording

    settings = output.settings_from(low, high, room, channel)
    plot = output.for_the_screen(plot, json)
    console = None if json else output.screen()
    analyses, refused = [], []
    # Tables that come one by one are progress enough.
    with output.progress("analysing", len(recordings), wanted=json or not sys.stdout.isatty()) as advance:
        for path in recordings:
            try:
                recording = read_recording(path)
                analyses.append(analyse_recording(recording, settings))
            except RecordingError as problem:
                refused.append(str(problem))
            else:
                if console is not None:
                    from taptest.show.analysis_table import analysis_view

                    output.show(analysis_view(analyses[-1], settings, console.width), console)
                    if plot:
                        from taptest.show.character_pictures import traces_view
                        from taptest.sound.traces import main_traces

                        traces = main_traces(recording, analyses[-1], settings)
                        output.show(traces_view(traces, console.width, dots=output.dots_shown()), console)
            advance()
    if json and analyses:
        from taptest.show.as_json import analysis_document

        output.write_json(analysis_document(analyses))
    output.finish(refused, nothing_read=not analyses)
