"""Results of calibrations as the documents of their ``--json`` contracts."""

from pathlib import Path

from taptest.calibrate.construction import LearnedConstruction
from taptest.calibrate.room import RoomResult

Document = dict[str, object]


def room_document(result: RoomResult, stored: Path | None) -> Document:
    """``taptest.room/1``: the values as stored, and where."""
    return {
        "schema": "taptest.room/1",
        "recordings": list(result.recordings),
        **result.values(),
        "stored": None if stored is None else str(stored),
        "unread": list(result.unread),
    }


def construction_document(result: LearnedConstruction, written: Path, stored: Path | None) -> Document:
    """``taptest.learned-construction/1``: how well the file that was ``written`` predicts, and what it was learnt from."""
    return {
        "schema": "taptest.learned-construction/1",
        "construction": str(written),
        "lots": list(result.lots),
        **result.values(),
        "stored": None if stored is None else str(stored),
    }
