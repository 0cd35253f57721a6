"""``taptest analyse``: what is heard in recordings."""

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import archive, keeping, output
from taptest.cli.options import (
    GivenSettings,
    Json,
    Log,
    LogbookPlace,
    Picture,
    Plot,
    SampleRate,
    SensitivityText,
    takes_settings,
)
from taptest.core.errors import shown

if TYPE_CHECKING:
    from rich.console import Console

    from taptest.archive.files import FoundFiles, SoundFile
    from taptest.archive.run import Crew
    from taptest.config.settings import Settings
    from taptest.export.spectra import TapSpectrum
    from taptest.io.recording import Recording
    from taptest.io.series import Reading
    from taptest.present.json.analysis import Document
    from taptest.signal.analysis import Analysis


@takes_settings
def analyse(
    recordings: Annotated[
        list[str],
        typer.Argument(metavar="RECORDING", help="Sound files, pickups as .csv or .uff, or folders that hold sound."),
    ],
    json: Json = False,
    plot: Plot = False,
    picture: Picture = None,
    spectra: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write spectra and decays into a .uff or .h5 as well.")
    ] = None,
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
    sample_rate: SampleRate = None,
    sensitivity: SensitivityText = None,
    log: Log = False,
    logbook: LogbookPlace = None,
    *,
    given: GivenSettings,
) -> None:
    """Taps, resonances and half-power damping heard in recordings.

    Every tap is judged first: one that cannot be used is named with the reason and what to do. A file that cannot be
    read does not stop the others. Of a folder every sound file in it and below is taken. With --lines a long run may be
    stopped at any time: the same command goes on; and so with --log and --workers or --cluster, where results go into
    the logbook.
    """
    from taptest.archive.files import find_sound_files
    from taptest.calibrate.use import with_room

    settings = with_room(given.settings())
    reading = output.reading_from(sample_rate, sensitivity)
    known = None if settings.room_s is not None else settings.corrections
    beside = _Beside(settings, output.for_the_screen(plot, json), picture, spectra, settings.room_s)
    shared = workers is not None or cluster is not None
    if (shared or lines is not None) and (beside.wanted or reading is not None):
        raise typer.BadParameter(
            "pictures, spectra and the files of pickups are done one by one: leave out --lines, --workers and --cluster",
            param_hint="--plot / --picture / --spectra / --sample-rate / --sensitivity",
        )
    if again and lines is None:
        raise typer.BadParameter("is about what a file of --lines knows: name that file too", param_hint="--again")
    kept = keeping.wanted(log, logbook)
    # A logbook may lie in the archive; its own sounds are no part of that.
    found = find_sound_files(recordings, without=keeping.sounds_folder(logbook) if kept else None)
    beside.check_names(len(found.files))
    if not found.files:
        output.finish([*found.problems, _nothing_in(recordings, found.others)], nothing_read=True)
    if lines is not None or (kept and shared):
        archive.keep_results(
            found,
            settings,
            lines=lines,
            log=kept,
            logbook=logbook,
            workers=workers,
            cluster=cluster,
            again=again,
            json=json,
            known=known,
        )
        return
    console = None if json else output.screen()
    documents: list[Document] = []
    refused, heard = list(found.problems), 0
    # Tables that come one by one are progress enough.
    with (
        keeping.sounds(logbook if kept else None, wanted=kept) as keep,
        output.progress("analysing", len(found.files), wanted=json or not sys.stdout.isatty()) as advance,
    ):
        crew = archive.crew_of(workers, cluster, recordings=len(found.files)) if shared else None
        results = _one_by_one(found.files, settings, reading) if crew is None else _shared(found, settings, crew)
        for path, analysis, recording in results:
            if isinstance(analysis, str):
                refused.append(analysis)
            else:
                heard += 1
                if recording is not None:
                    keep(recording, analysis, settings)
                if console is None:
                    from taptest.present.json.analysis import recording_document

                    documents.append(recording_document(analysis))
                else:
                    from taptest.present.text.analysis_table import analysis_view

                    output.show(analysis_view(analysis, settings, console.width, known), console)
                if recording is not None:
                    refused += beside.make(path, recording, analysis, console)
            advance()
    if documents:
        from taptest.present.json.analysis import analyses_document

        output.write_json(analyses_document(documents, () if known is None else known.citations))
    beside.write_spectra()
    unused = () if known is None else known.problems
    output.finish([*unused, *refused], keep.notes, nothing_read=not heard)


_Heard = Iterator[tuple[str, "Analysis | str", "Recording | None"]]


def _one_by_one(files: "Sequence[SoundFile]", settings: "Settings", reading: "Reading | None") -> _Heard:
    """Each path with what is heard in it, or with why nothing is, and its samples."""
    from taptest.core.errors import RecordingError
    from taptest.io.recording import read_recording
    from taptest.signal.analysis import analyse as analyse_recording

    for file in files:
        try:
            recording = read_recording(file.name, reading)
            analysis = analyse_recording(recording, settings)
        except RecordingError as problem:
            yield file.name, str(problem), None
        else:
            yield file.name, analysis, recording


def _shared(found: "FoundFiles", settings: "Settings", crew: "Crew") -> _Heard:
    """The same, in the same order, by a crew, which keeps the samples."""
    from taptest.archive.run import in_order

    for outcome in in_order(crew(found.files, settings), found.files):
        yield outcome.file.name, outcome.analysis or outcome.error or "", None


def _nothing_in(recordings: list[str], others: int) -> str:
    beside = f" among {others} files" if others else ""
    return f"{shown(', '.join(recordings), 200)}: no sound file found{beside}; name a folder that holds recordings"


@dataclass
class _Beside:
    """What is made of recordings beside the tables: pictures, and files of spectra for other programs."""

    settings: "Settings"
    plot: bool
    picture: Path | None
    spectra: Path | None
    room_s: float | None
    tap_spectra: "list[TapSpectrum]" = field(default_factory=list)

    @property
    def wanted(self) -> bool:
        return self.plot or self.picture is not None or self.spectra is not None

    def check_names(self, recordings: int) -> None:
        """Refuse what cannot be written, before anything is worked out."""
        if self.picture is not None and recordings > 1:
            raise typer.BadParameter("draws one recording: name just that one", param_hint="--picture")
        output.check_picture(self.picture)
        if self.spectra is not None:
            from taptest.export.spectra import check_spectra_name

            check_spectra_name(self.spectra)

    def make(self, path: str, recording: "Recording", analysis: "Analysis", console: "Console | None") -> list[str]:
        """All that is wanted of one recording; what could not be made, and why."""
        problems = []
        if self.plot or self.picture is not None:
            from taptest.signal.traces import main_traces

            traces = main_traces(recording, analysis, self.settings)
            if self.plot and traces is not None and console is not None:
                from taptest.present.text.character_pictures import traces_view

                output.show(traces_view(traces, console.width, dots=output.dots_shown()), console)
            if self.picture is not None and traces is None:
                problems.append(f"{shown(path, 200)}: no picture drawn, as it has no good tap; tap the ski again")
            elif self.picture is not None and traces is not None:
                from taptest.present.plots.picture import save_picture
                from taptest.present.plots.recording import recording_drawing

                save_picture(self.picture, partial(recording_drawing, traces, path, room_s=self.room_s))
        if self.spectra is not None:
            from taptest.export.spectra import tap_spectrum

            spectrum = tap_spectrum(recording, analysis, self.settings)
            self.tap_spectra += [spectrum] if spectrum else []
            problems += [] if spectrum else [f"{shown(path, 200)}: no spectrum written, as it has no good tap"]
        return problems

    def write_spectra(self) -> None:
        """The file of spectra, if one is wanted and there are any."""
        if self.spectra is not None and self.tap_spectra:
            from taptest.export.spectra import write_spectra

            write_spectra(self.spectra, self.tap_spectra)
