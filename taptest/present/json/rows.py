"""Documents as rows of a table: what has a single value, one row for each mode, ski, pair, difference or correlation."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

Document = dict[str, Any]


def rows_of(document: Document) -> list[Document]:
    """Rows of a document: ``taptest.analysis``, ``.prediction`` (a mode each), ``.check`` (a ski), ``.pairs`` (a pair),
    ``.compare`` (a figure of a group against another's) and ``.relate`` (a correlation)."""
    return [_single(row) for row in _ROWS[document["schema"].split("/")[0]](document)]


def _modes_heard(document: Document) -> Iterator[Document]:
    for recording in document["recordings"]:
        for mode in recording["modes"]:
            yield {"path": recording["path"], **mode}


def _modes_predicted(document: Document) -> Iterator[Document]:
    for ski in document["skis"]:
        for family in ("bending", "torsion"):
            for mode in ski[family] or ():
                yield {"ski_id": ski["ski_id"], "family": family, **mode}


def _contrasts(document: Document) -> Iterator[Document]:
    for section in document["sections"]:
        for contrast in section["contrasts"]:
            around = {"stratum": section["stratum"], "group": contrast["group"], "against": contrast["against"]}
            for difference in contrast["differences"]:
                yield {**around, **difference}


def _correlations(document: Document) -> Iterator[Document]:
    for measure in document["measures"]:
        for correlation in measure["correlations"]:
            yield {"measure": measure["measure"], **correlation}


_ROWS = {
    "taptest.analysis": _modes_heard,
    "taptest.prediction": _modes_predicted,
    "taptest.check": lambda document: document["skis"],
    "taptest.pairs": lambda document: document["pairs"],
    "taptest.compare": _contrasts,
    "taptest.relate": _correlations,
}


def _single(entries: Mapping[str, Any]) -> Document:
    """Words are joined; what consists of several numbers has no place in a cell."""
    row = {}
    for key, value in entries.items():
        if isinstance(value, list) and value and all(isinstance(each, str) for each in value):
            row[key] = "; ".join(value)
        elif isinstance(value, list):
            if not value and key in _WORDS:
                row[key] = ""
        elif not isinstance(value, dict):
            row[key] = value
    return row


_WORDS = ("flags", "reasons", "reason_codes")
