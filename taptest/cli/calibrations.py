"""Calibrations on the command line: from where they are taken, and how a new one is kept."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from taptest.calibrate.store import Calibration, Kind
    from taptest.config.corrections import Corrections


def trusted(
    given: str | None,
    *,
    beside: str | None = None,
    room_given: bool = False,
    constructions: tuple[str, ...] = (),
    may_be_new: bool = False,
) -> Corrections:
    """What the calibrations in the folder that is meant tell a check; see `corrections_in_folder`."""
    from taptest.calibrate.use import corrections_in_folder

    return corrections_in_folder(
        given,
        beside=None if beside is None else Path(beside),
        room_given=room_given,
        constructions=constructions,
        may_be_new=may_be_new,
    )


def room_only(given: str | None) -> Corrections:
    """What the calibrations say about the room, for a recording that is no ski of a lot; nothing else is used or cited."""
    from dataclasses import replace

    known = trusted(given)
    return replace(known, citations=tuple(each for each in known.citations if each.kind == "room"))


def new(kind: Kind, values: dict[str, object], sources: tuple[str, ...], note: str = "") -> Calibration:
    """A calibration made now."""
    from taptest.calibrate.store import Calibration

    return Calibration(kind, datetime.now(UTC), values, sources, note)


def keep(calibration: Calibration, given: str | None, *, wanted: bool = True) -> Path | None:
    """Store it and return where, or None when that is not wanted."""
    from taptest.calibrate.store import calibration_folder, save_calibration

    return save_calibration(calibration_folder(given), calibration) if wanted else None
