"""Invented checks for the tests of the logbook: real sounds, verdicts made up, no analysis runs."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import soundfile

from support.result_objects import analysis, verdict
from taptest.config.corrections import Corrections
from taptest.config.settings import Settings
from taptest.screen.result import CheckResult
from taptest.ski.facts import SkiFacts
from taptest.ski.modes import PlacedMode
from taptest.tables.lot import Lot

RATE_HZ = 48_000
LADDER_HZ = (66.3, 120.7, 191.9, 280.2)  # invented, bending orders 2 to 5


def sound(folder, name="a.flac", pitch_hz=200.0, subtype="PCM_24", seconds=0.25):
    """A decaying tone in a file; another pitch is another sound."""
    t = np.arange(round(RATE_HZ * seconds)) / RATE_HZ
    path = Path(folder) / name
    soundfile.write(path, 0.5 * np.exp(-t / 0.1) * np.sin(2 * np.pi * pitch_hz * t), RATE_HZ, subtype=subtype)
    return path


def row(ski_id="C05R", recordings=(), **changes):
    given = {
        "ski_id": ski_id,
        "pair_id": ski_id[:-1] or None,
        "side": "R",
        "construction": "classic_generic",
        "generation": "amber",
        "length_m": 1.99,
        "mass_kg": 0.539,
        "stiffness_n_per_m": 4438.0,
        "span_m": 1.4,
        "rig_centre_m": None,
        "balance_m": 0.97,
        "binding_mass_kg": 0.0,
        "binding_m": None,
        "temperature_c": 20.0,
        "recordings": tuple(recordings),
        "note": "",
        "line": 2,
        **changes,
    }
    return SkiFacts(**given)


def modes(factor=1.0, damping=0.01, u_rel=1e-4, orders=range(2, 6)):
    return tuple(
        PlacedMode("bending", n, hz * factor, hz * u_rel, damping, damping / 100, -10.0, hz, 0.99)
        for n, hz in zip(range(2, 6), LADDER_HZ, strict=True)
        if n in orders
    )


def checked(*skis, name="lot.csv", corrections=None):
    """A checked lot from (row, verdict) pairs."""
    settings = Settings(corrections=corrections or Corrections())
    judged = tuple(replace(each, facts=row, corrections=settings.corrections) for row, each in skis)
    return CheckResult(Lot(Path(name), tuple(each for each, _ in skis), ()), judged, settings=settings)


def add(book, ski_id, recording, *, at, factor=1.0, damping=0.01, word="pass", corrections=None, **changes):
    """Enter one ski as it was measured at a time."""
    mode_changes = {key: changes.pop(key) for key in ("u_rel", "orders") if key in changes}
    the_row = row(ski_id, (recording,), **changes)
    told = verdict(ski_id, word, modes=modes(factor, damping, **mode_changes))
    return book.add_check(checked((the_row, told), corrections=corrections), at=at)


def heard(**changes):
    return analysis(**changes)


def day(number):
    return datetime(2026, 3, number, 14, 30, tzinfo=UTC)
