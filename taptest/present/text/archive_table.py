"""What became of an archive, in a few words or as a document."""

from __future__ import annotations

from taptest.archive.run import ArchiveRun
from taptest.core.errors import shown


def archive_words(run: ArchiveRun, lines: str | None, others: int, logbook: str | None = None) -> list[str]:
    """A line for each thing to know; nothing of what did not happen."""
    told = [_counted(run.recordings, "recording"), f"  {run.analysed} analysed now"]
    if run.known:
        told.append(f"  {run.known} done before, with this version and these settings, and unchanged")
    if run.failures:
        told.append(f"  {len(run.failures)} could not be read: each is named below, and why")
    if run.failed_before:
        told.append(f"  {run.failed_before} of these failed before and have not changed: --again tries them again")
    if run.left:
        told.append(f"  {run.left} left to do")
    if others:
        told.append(f"{_counted(others, 'other file')} beside them, left alone: named unlike sound, or hidden")
    if lines is not None:
        told.append(f"Results are in {shown(lines, 200)}, one line of JSON a recording.")
    if logbook is not None:
        told.append(f"Results are in the logbook {shown(logbook, 200)}.")
    return told


def archive_document(run: ArchiveRun, lines: str | None, others: int, logbook: str | None = None) -> dict[str, object]:
    """``taptest.archive_run/1``: the counts, and why recordings have no result."""
    return {
        "schema": "taptest.archive_run/1",
        "lines": lines,
        "logbook": logbook,
        "recordings": run.recordings,
        "analysed": run.analysed,
        "known": run.known,
        "failed": len(run.failures),
        "failed_before": run.failed_before,
        "left": run.left,
        "other_files": others,
        "unread": list(run.failures),
    }


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
