"""Results of calibrations as the documents of their ``--json`` contracts."""

from pathlib import Path

from taptest.calibrate.bar import BarResult
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


def bar_document(result: BarResult, stored: Path | None) -> Document:
    """``taptest.bar_result/1``: the values as stored, and where."""
    return {
        "schema": "taptest.bar_result/1",
        "recordings": list(result.recordings),
        **result.values(),
        "stored": None if stored is None else str(stored),
        "unread": list(result.unread),
    }
