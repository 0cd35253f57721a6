"""``taptest analyse``: what is heard in recordings."""

import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import archive, calibrations, output
from taptest.cli.options import CalibrationFolder, Channel, High, Json, Low, Picture, Plot, Room
from taptest.errors import shown

if TYPE_CHECKING:
    from taptest.archive.files import FoundFiles, SoundFile
    from taptest.archive.job import Crew
    from taptest.show.as_json import Document
    from taptest.sound.analysis import Analysis, Settings
    from taptest.sound.traces import MainTraces


def analyse(
    recordings: Annotated[
        list[str],
        typer.Argument(metavar="RECORDING", help="Sound files (WAV, FLAC, OGG, MP3, ...), or folders that hold some."),
    ],
    json: Json = False,
    plot: Plot = False,
    picture: Picture = None,
    lines: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Keep results in this file, a line of JSON each; done before is left out."),
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, max=256, metavar="N", help="Share the recordings among N processes.")
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS", help="Share them among the workers of a dask scheduler, such as tcp://HOST:8786."
        ),
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="With --lines: also try again what could not be read before.")
    ] = False,
    low: Low = 15.0,
    high: High = 1500.0,
    room: Room = None,
    channel: Channel = None,
    calibration_folder: CalibrationFolder = None,
) -> None:
    """Taps, resonances and half-power damping heard in recordings.

    Every tap is judged first: one that cannot be used is named with the reason and what to do. A file that cannot be
    read does not stop the others. Of a folder every sound file in it and below is taken. With --lines a long run may be
    stopped at any time: the same command goes on.
    """
    from taptest.archive.files import find_sound_files

    settings = output.settings_from(low, high, room, channel)
    known = calibrations.room_only(calibration_folder) if room is None else None
    if known is not None:
        settings = replace(settings, room=known.room)
    plot = output.for_the_screen(plot, json)
    shared = workers is not None or cluster is not None
    if (plot or picture is not None) and (shared or lines is not None):
        raise typer.BadParameter(
            "pictures are drawn one by one: leave out --lines, --workers and --cluster", param_hint="--plot / --picture"
        )
    if again and lines is None:
        raise typer.BadParameter("is about what a file of --lines knows: name that file too", param_hint="--again")
    found = find_sound_files(recordings)
    if picture is not None and len(found.files) > 1:
        raise typer.BadParameter("draws one recording: name just that one", param_hint="--picture")
    output.check_picture(picture)
    if not found.files:
        output.finish([*found.problems, _nothing_in(recordings, found.others)], nothing_read=True)
    if lines is not None:
        archive.keep_in_lines(
            found, settings, lines=lines, workers=workers, cluster=cluster, again=again, json=json, known=known
        )
        return
    console = None if json else output.screen()
    documents: list[Document] = []
    refused, heard = list(found.problems), 0
    # Tables that come one by one are progress enough.
    with output.progress("analysing", len(found.files), wanted=json or not sys.stdout.isatty()) as advance:
        crew = archive.crew_of(workers, cluster, recordings=len(found.files)) if shared else None
        for path, analysis in _one_by_one(found.files, settings) if crew is None else _shared(found, settings, crew):
            if isinstance(analysis, str):
                refused.append(analysis)
            else:
                heard += 1
                traces = _traces(path, analysis, settings) if plot or picture is not None else None
                if console is None:
                    from taptest.show.as_json import recording_document

                    documents.append(recording_document(analysis))
                else:
                    from taptest.show.analysis_table import analysis_view

                    output.show(analysis_view(analysis, settings, console.width, known), console)
                    if plot and traces is not None:
                        from taptest.show.character_pictures import traces_view

                        output.show(traces_view(traces, console.width, dots=output.dots_shown()), console)
                if picture is not None:
                    refused += _draw(traces, path, picture, room)
            advance()
    if documents:
        from taptest.show.as_json import analyses_document

        output.write_json(analyses_document(documents, () if known is None else known.citations))
    unused = () if known is None else known.problems
    output.finish([*unused, *refused], nothing_read=not heard)


_Heard = Iterator[tuple[str, "Analysis | str"]]


def _one_by_one(files: "Sequence[SoundFile]", settings: "Settings") -> _Heard:
    """Each path with what is heard in it, or with why nothing is."""
    from taptest.errors import RecordingError
    from taptest.recording import read_recording
    from taptest.sound.analysis import analyse as analyse_recording

    for file in files:
        try:
            yield file.name, analyse_recording(read_recording(file.name), settings)
        except RecordingError as problem:
            yield file.name, str(problem)


def _shared(found: "FoundFiles", settings: "Settings", crew: "Crew") -> _Heard:
    """The same, in the same order, by a crew."""
    from taptest.archive.job import in_order

    for outcome in in_order(crew(found.files, settings), found.files):
        yield outcome.file.name, outcome.analysis or outcome.error or ""


def _nothing_in(recordings: list[str], others: int) -> str:
    beside = f" among {others} files" if others else ""
    return f"{shown(', '.join(recordings), 200)}: no sound file found{beside}; name a folder that holds recordings"


def _traces(path: str, analysis: "Analysis", settings: "Settings") -> "MainTraces | None":
    from taptest.recording import read_recording
    from taptest.sound.traces import main_traces

    return main_traces(read_recording(path), analysis, settings)


def _draw(traces: "MainTraces | None", path: str, picture: Path, room_s: float | None) -> list[str]:
    """The picture, or why there is none."""
    from taptest.show.picture import save_picture
    from taptest.show.plots_recording import recording_drawing

    if traces is None:
        return [f"{shown(path, 200)}: no picture drawn, as it has no good tap; tap the ski again"]
    save_picture(picture, lambda: recording_drawing(traces, path, room_s=room_s))
    return []
