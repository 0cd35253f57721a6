"""``taptest analyse --lines``: an archive worked through, results into a file that a later run goes on with."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer

from taptest.cli import output

if TYPE_CHECKING:
    from types import FrameType

    from taptest.archive.files import FoundFiles
    from taptest.archive.job import Crew
    from taptest.judge.trust import Trust
    from taptest.sound.analysis import Settings


def crew_of(workers: int | None, cluster: str | None, *, recordings: int) -> Crew:
    """Who does the work: a cluster, so many processes, or by default as many as pay."""
    if cluster is not None:
        from taptest.archive.cluster import cluster_crew

        if workers is not None:
            raise typer.BadParameter("the cluster has workers of its own: leave out --workers", param_hint="--cluster")
        return cluster_crew(cluster)
    from taptest.archive.local import local_crew

    return local_crew(output.worker_count(recordings) if workers is None else workers)


def keep_in_lines(
    found: FoundFiles,
    settings: Settings,
    *,
    lines: str,
    workers: int | None,
    cluster: str | None,
    again: bool,
    json: bool,
    known: Trust | None,
) -> None:
    """Analyse what is not in the file yet, and sum up."""
    from taptest.archive.lines import open_lines
    from taptest.archive.run import run_archive, to_do
    from taptest.show.as_json import recording_document

    with open_lines(lines, settings, recording_document) as results:
        left = to_do(found.files, results, again=again)
        crew = crew_of(workers, cluster, recordings=len(left.pending))
        with output.progress("analysing", len(left.pending), rate=True) as advance, _finishing() as stopped:
            run = run_archive(left, results, settings, crew, progress=advance, stopped=stopped)
        notes = results.notes
    unused = () if known is None else known.problems
    if json:
        from taptest.show.archive_table import archive_document

        output.write_json(archive_document(run, lines, found.others))
    else:
        from taptest.show.archive_table import archive_words

        for line in archive_words(run, lines, found.others):
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
