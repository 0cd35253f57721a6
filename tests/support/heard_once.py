"""Recordings analysed once a session: what one worker has heard, the others read from a folder that all of them share."""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from support.places import DEMO
from taptest.config.settings import Settings
from taptest.identify.measured_lot import MeasuredLot, measure_lot
from taptest.io.recording import Recording, read_recording
from taptest.signal.analysis import Analysis, analyse
from taptest.tables.lot import Lot, read_lot

FOLDER_VARIABLE = "TAPTEST_TESTS_HEARD"  # set where a session begins, in conftest.py


def heard_once(recording: Recording, settings: Settings | None = None, **first_look: int) -> Analysis:
    """``analyse``, which remembers; every answer is an object of its own, so that no test can spoil it for another.

    Two workers that ask for the same at once both work it out, with the same result; nobody waits for anybody.
    """
    if first_look:  # with fewer rounds, which nobody asks for twice
        return analyse(recording, settings, **first_look)
    settings = settings or Settings()
    asked = hashlib.sha256(recording.samples.tobytes())
    asked.update(repr((recording.samples.shape, replace(recording, path="", samples=None), settings)).encode())
    path = Path(os.environ[FOLDER_VARIABLE], f"{asked.hexdigest()}.pickle")
    if not path.exists():
        own = path.with_suffix(f".{os.getpid()}")
        own.write_bytes(pickle.dumps(analyse(recording, settings)))
        own.replace(path)
    return replace(pickle.loads(path.read_bytes()), path=recording.path)


def recordings_are_heard_once(patch: pytest.MonkeyPatch) -> None:
    """From now on, in this process, lots and studies are measured with ``heard_once``; what follows the hearing is done anew.

    ``taptest analyse`` and ``taptest.analyse``, which import it under another name or late, go on analysing.
    """
    for name, module in list(sys.modules.items()):
        if name.startswith("taptest.") and name != analyse.__module__ and vars(module).get("analyse") is analyse:
            patch.setattr(module, "analyse", heard_once)
    patch.setattr("taptest.cli.output.worker_count", lambda _: 1)


def measured_once(lot: Lot) -> MeasuredLot:
    """A lot measured from recordings that are heard once; their analyses are kept."""
    with pytest.MonkeyPatch.context() as patch:
        recordings_are_heard_once(patch)
        return measure_lot(lot, keep_analyses=True)


def measured_demo() -> MeasuredLot:
    """The demonstration lot; every second worker begins at its end, so that two of them share the work."""
    lot = read_lot(DEMO / "lot.csv")
    paths = [path for row in lot.rows for path in row.recordings]
    odd = os.environ.get("PYTEST_XDIST_WORKER", "gw0")[-1] in "13579"
    for path in reversed(paths) if odd else paths:
        heard_once(read_recording(path))
    return measured_once(lot)
