"""Documents as rows of a table: what has a single value, one row for each mode or ski."""

from __future__ import annotations

from typing import Any

Document = dict[str, Any]


def rows_of(document: Document) -> list[Document]:
    """Rows of ``taptest.analysis/1`` and ``taptest.prediction/1`` (a mode each) and of ``taptest.check/1`` (a ski each)."""
    if document["schema"] == "taptest.analysis/1":
        return [
            {"path": recording["path"], **_single(mode)}
            for recording in document["recordings"]
            for mode in recording["modes"]
        ]
    if document["schema"] == "taptest.prediction/1":
        return [
            {"ski_id": ski["ski_id"], "family": family, **_single(mode)}
            for ski in document["skis"]
            for family in ("bending", "torsion")
            for mode in ski[family] or ()
        ]
    return [_single(ski) for ski in document["skis"]]


def _single(entries: Document) -> Document:
    """Words are joined; what consists of several numbers has no place in a cell."""
    row = {}
    for key, value in entries.items():
        if isinstance(value, list) and all(isinstance(each, str) for each in value) and key in _WORDS:
            row[key] = "; ".join(value)
        elif not isinstance(value, list | dict):
            row[key] = value
    return row


_WORDS = ("flags", "reasons")
