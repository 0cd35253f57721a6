"""What the logbook knows, and what was done with it, as the documents of its ``--json`` contracts; times are UTC."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict

from taptest.core.fields import number_of
from taptest.logbook.book import Entered
from taptest.logbook.export import Exported
from taptest.logbook.history import Change, History, HistoryPoint, softness
from taptest.logbook.merge import Merged
from taptest.logbook.reading import SkiPage, SkiSummary, document
from taptest.logbook.verify import Verified
from taptest.present.json.documents import Document


def added_document(entered: Iterable[Entered], unread: Iterable[str]) -> Document:
    """``taptest.logbook_added/1``: the files in the order in which they were entered."""
    files = [
        {
            "file": each.file,
            "kind": "recording" if each.skis is None else "lot",
            "id": each.added.id,
            "new": each.added.new,
            "skis": each.skis,
        }
        for each in entered
    ]
    return {"schema": "taptest.logbook_added/1", "entered": files, "unread": list(unread)}


def list_document(skis: Iterable[SkiSummary], more: bool) -> Document:
    """``taptest.logbook_list/1``: the ski measured last first."""
    return {"schema": "taptest.logbook_list/1", "skis": [document(each) for each in skis], "more": more}


def ski_document(page: SkiPage) -> Document:
    """``taptest.logbook_ski/1``: the last verdict, null where the ski was never judged."""
    return {
        "schema": "taptest.logbook_ski/1",
        "ski_id": page.ski_id,
        "verdicts": page.verdicts,
        "last": None if page.last is None else document(page.last),
        "predictions": [document(each) for each in page.predictions],
        "recordings": [document(each) for each in page.recordings],
        "calibrations": [document(each) for each in page.calibrations],
    }


def history_document(history: History) -> Document:
    """``taptest.logbook_history/1``: the first measurement first, each of the others against it."""
    soft = softness(history)
    return {
        "schema": "taptest.logbook_history/1",
        "ski_id": history.ski_id,
        "measurements": [_measurement(point) for point in history.points],
        "gone_soft": {
            "answer": soft.answer,
            "stiffness_change_percent": None if soft.stiffness is None else number_of(soft.stiffness.percent),
            "stiffness_change_u_percent": None if soft.stiffness is None else number_of(soft.stiffness.u_percent),
            "seen_above_percent": number_of(soft.seen_above_percent),
            "mass_known": soft.mass_known,
        },
        "notes": list(history.notes),
    }


def _measurement(point: HistoryPoint) -> Document:
    changes = {name: _change(getattr(point, name)) for name in ("tone", "damping", "mass", "stiffness")}
    return {
        **document(point.verdict),
        "modes_shared": point.modes_shared,
        **{f"{name}_change": change for name, change in changes.items()},
    }


def _change(change: Change | None) -> Document | None:
    if change is None:
        return None
    return {
        "percent": number_of(change.percent),
        "u_percent": number_of(change.u_percent),
        "exceeds_repeatability": change.exceeds,
    }


def histories_document(name: str, histories: Sequence[History]) -> Document:
    """``taptest.logbook_history/1`` of a ski; ``taptest.logbook_pair_history/1``, that of each ski, of a pair."""
    skis = [history_document(each) for each in histories]
    return skis[0] if len(skis) == 1 else {"schema": "taptest.logbook_pair_history/1", "pair_id": name, "skis": skis}


def verified_document(found: Verified) -> Document:
    """``taptest.logbook_verify/1``: ``sound`` where nothing is wrong that could not be mended."""
    return {
        "schema": "taptest.logbook_verify/1",
        "logbook": found.logbook,
        "sound": found.ok,
        "rows": found.rows,
        "sounds": found.sounds,
        "mended": list(found.mended),
        "faults": [asdict(each) for each in found.faults],
        "notes": list(found.notes),
    }


def merged_document(done: Merged) -> Document:
    """``taptest.logbook_merge/1``: what was new, by table."""
    return {
        "schema": "taptest.logbook_merge/1",
        "from": done.source,
        "into": done.target,
        "entered": dict(sorted(done.entered.items())),
        "sounds_copied": done.sounds_copied,
        "conflicts": _conflicts(done),
        "left_out": list(done.left_out),
        "sounds_missing": list(done.sounds_missing),
    }


def _conflicts(done: Merged) -> list[Document]:
    return [{"kind": each.where, "id": each.id, "told": each.told} for each in done.conflicts]


def export_document(done: Iterable[Exported]) -> Document:
    """``taptest.logbook_exported/1``: what was written where."""
    return {
        "schema": "taptest.logbook_exported/1",
        "exported": [
            {"target": each.target, "rows": dict(each.rows), "sounds": each.sounds, "missing": list(each.missing)}
            for each in done
        ],
    }


def import_document(done: Iterable[Merged], lots: Iterable[Entered], unread: Sequence[str]) -> Document:
    """``taptest.logbook_import/1``: what came in, what was there, and what was refused."""
    return {
        "schema": "taptest.logbook_import/1",
        "folders": [
            {
                "source": each.source,
                "entered": dict(each.entered),
                "known": each.known,
                "refused": len(each.left_out),
                "conflicts": _conflicts(each),
                "sounds": each.sounds_copied,
                "sounds_missing": len(each.sounds_missing),
            }
            for each in done
        ],
        "lots": [{"file": each.file, "new": each.added.new, "skis": each.skis} for each in lots],
        "unread": list(unread),
    }
