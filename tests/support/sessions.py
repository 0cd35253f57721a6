"""Sessions of ``taptest record``, each a process of its own, over skis of the demonstration."""

from __future__ import annotations

import csv
from functools import partial

from support import command_line
from support.tapped_skis import DEMO

SKIS = {"C04L": "c04l", "C06R": "c06r", "S07L": "s07l"}


def unrecorded_lot(folder):
    """The demonstration's rows of the three skis without recordings, and one that has one."""
    with (DEMO / "lot.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    kept = [{**row, "recording": ""} for row in rows if row["ski_id"] in SKIS]
    path = folder / "lot.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        stream.write("# a comment; kept\n")
        writer = csv.DictWriter(stream, list(rows[0]), delimiter=";", lineterminator="\r\n")
        writer.writeheader()
        writer.writerows(kept)
    return path


command = partial(command_line.command, "record")


def frequencies(analysis):
    return [mode.frequency_hz for mode in analysis.modes]
