"""Samples out of a SoundFont 2 file (a public format: RIFF; ``smpl`` 16-bit samples, ``shdr`` records of 46 bytes)."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

PATH = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
PACKAGE = "fluid-soundfont-gm"


def sample(name: str, path: Path = PATH) -> tuple[NDArray[np.float64], int]:
    """One sample up to its loop (after it the recording repeats) and its rate [Hz]; without a loop to speak of, all of it."""
    with path.open("rb") as file:
        data_at, headers = 0, b""
        end = struct.unpack("<4sI4s", file.read(12))[1] + 8
        while file.tell() < end:
            kind, size = struct.unpack("<4sI", file.read(8))
            if kind == b"LIST":
                file.seek(4, 1)
                continue
            if kind == b"smpl":
                data_at = file.tell()
            elif kind == b"shdr":
                headers = file.read(size)
                break
            file.seek(size + size % 2, 1)
        for record in struct.iter_unpack("<20sIIIIIBbHH", headers):
            if record[0].split(b"\0")[0].decode("latin-1") == name:
                first, last, loop, _, rate = record[1:6]
                stop = loop if loop - first > 0.1 * rate else last
                file.seek(data_at + 2 * first)
                raw = np.frombuffer(file.read(2 * (stop - first)), dtype="<i2")
                return raw / 32768.0, rate
    raise LookupError(name)
