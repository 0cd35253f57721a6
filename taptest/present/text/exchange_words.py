"""What was exported and imported, in a few words or as a document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from taptest.core.errors import shown
from taptest.logbook.book import Entered
from taptest.logbook.export import Exported
from taptest.logbook.importing import Imported
from taptest.present.text.tables import counted

_TOLD = ("skis", "verdicts", "analyses", "recordings")


def export_words(done: Sequence[Exported]) -> list[str]:
    """A line for every file or folder."""
    lines = []
    for each in done:
        what = [f"{count} {name}" for name, count in each.rows.items() if len(each.rows) == 1 or name in _TOLD]
        if not each.rows:
            what = ["nothing"] if not each.sounds else [counted(each.sounds, "sound")]
        lines.append(f"{shown(each.target, 200)}: {', '.join(what)}.")
    return lines


def export_document(done: Sequence[Exported]) -> dict[str, object]:
    """``taptest.logbook_exported/1``: what was written where."""
    return {
        "schema": "taptest.logbook_exported/1",
        "exported": [
            {"target": each.target, "rows": dict(each.rows), "sounds": each.sounds, "missing": list(each.missing)}
            for each in done
        ],
    }


def import_words(done: Sequence[Imported], lots: Sequence[Entered], logbook: str) -> list[str]:
    """A line for every folder and lot, and one on what is missing."""
    lines = []
    for each in done:
        lines.append(f"{shown(each.source, 200)}: {_rows(each.entered)} entered.")
        if each.known:
            lines.append(f"  {counted(each.known, 'row')} there already")
        if each.refused:
            lines.append(f"  {counted(len(each.refused), 'row')} refused: each is named below, and why")
        if each.missing:
            lines.append(f"  {counted(each.missing, 'sound')} not there: --recordings names the folder of the copies")
    for lot in lots:
        state = "entered" if lot.added.new else "was in the logbook already"
        lines.append(f"{shown(lot.file, 200)}: lot, {counted(lot.skis or 0, 'ski')}: {state}.")
    return [*lines, f"Logbook: {shown(logbook, 200)}"]


def import_document(done: Sequence[Imported], lots: Sequence[Entered], unread: Sequence[str]) -> dict[str, object]:
    """``taptest.logbook_import/1``: what came in, what was there, and what was refused."""
    return {
        "schema": "taptest.logbook_import/1",
        "folders": [
            {
                "source": each.source,
                "entered": dict(each.entered),
                "known": each.known,
                "refused": len(each.refused),
                "sounds": each.sounds,
                "sounds_missing": each.missing,
            }
            for each in done
        ],
        "lots": [{"file": each.file, "new": each.added.new, "skis": each.skis} for each in lots],
        "unread": list(unread),
    }


def _rows(entered: Mapping[str, int]) -> str:
    told = [f"{entered[name]} {name}" for name in _TOLD if entered.get(name)]
    return ", ".join(told) or "nothing new"
