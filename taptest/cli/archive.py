"""``taptest analyse`` on an archive: results into lines or a logbook, with which a later run goes on."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import typer

from taptest.cli import output

if TYPE_CHECKING:
    from types import FrameType

    from taptest.archive.files import FoundFiles
    from taptest.archive.run import Crew
    from taptest.config.corrections import Corrections
    from taptest.config.settings import Settings


def crew_of(workers: int | None, cluster: str | None, *, recordings: int) -> Crew:
    """Who does the work: a cluster, so many processes, or by default as many as pay."""
    if cluster is not None:
        from taptest.archive.crews import cluster_crew

        if workers is not None:
            raise typer.BadParameter("the cluster has workers of its own: leave out --workers", param_hint="--cluster")
        return cluster_crew(cluster)
    from taptest.archive.crews import local_crew

    return local_crew(output.worker_count(recordings) if workers is None else workers)


def keep_results(
    found: FoundFiles,
    settings: Settings,
    *,
    lines: str | None,
    log: bool,
    logbook: str | None,
    workers: int | None,
    cluster: str | None,
    again: bool,
    json: bool,
    known: Corrections | None,
) -> None:
    """Analyse what is not in the file of lines or the logbook yet, and sum up."""
    from taptest.archive.run import Results, Together, run_archive, to_do

    notes: list[str] = []
    book_name: str | None = None
    with ExitStack() as opened:
        places: list[Results] = []
        if log:
            from taptest.logbook.archive_results import LoggedResults
            from taptest.logbook.book import open_logbook

            book = opened.enter_context(open_logbook(logbook))
            places.append(LoggedResults(book, settings))
            book_name = book.place.name
            notes += book.notes
        if lines is not None:
            from taptest.archive.lines import open_lines
            from taptest.present.json.analysis import recording_document

            kept = opened.enter_context(open_lines(lines, settings, recording_document))
            places.append(kept)
            notes += kept.notes
        results = Together(places)
        left = to_do(found.files, results, again=again)
        crew = crew_of(workers, cluster, recordings=len(left.pending))
        with output.progress("analysing", len(left.pending), rate=True) as advance, _finishing() as stopped:
            run = run_archive(left, results, settings, crew, progress=advance, stopped=stopped)
    unused = () if known is None else known.problems
    if json:
        from taptest.present.text.archive_table import archive_document

        output.write_json(archive_document(run, lines, found.others, book_name))
    else:
        from taptest.present.text.archive_table import archive_words

        for line in archive_words(run, lines, found.others, book_name):
            output.say(line)
    if run.left:
        output.complain("stopped; the same command goes on from there")
        raise typer.Exit(output.INTERRUPTED)
    output.finish([*unused, *found.problems, *run.failures], notes, nothing_read=run.analysed + run.known == 0)


@contextmanager
def _finishing() -> Iterator[Callable[[], bool]]:
    """Whether the keyboard has interrupted: once means to finish what is in hand, twice to stop at once."""
    interrupted = False

    def finish(number: int, frame: FrameType | None) -> None:
        nonlocal interrupted
        interrupted = True
        signal.signal(signal.SIGINT, before)
        output.complain("finishing the recordings in hand; Ctrl-C again stops at once")

    before = signal.signal(signal.SIGINT, finish)
    try:
        yield lambda: interrupted
    finally:
        signal.signal(signal.SIGINT, before)
