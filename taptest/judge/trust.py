"""What calibrations tell a check: the room, the clock, and how finely anything can be measured at all.

Plain values only; `taptest.calibrate.use` takes them out of stored calibrations. Without any, nothing changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from taptest.sound.room import RoomDecay


@dataclass(frozen=True)
class Citation:
    """One stored calibration that a result rests on: what it is, when it was made, and what it did."""

    kind: str
    made: datetime
    age_days: float
    file: str
    effect: str


@dataclass(frozen=True)
class Repeatability:
    """The least relative standard uncertainties that a study found: of a mode's frequency, its damping, and the shift.

    One that is not known is 0 and changes nothing.
    """

    frequency_u_rel: float = 0.0
    damping_u_rel: float = 0.0
    shift_u_rel: float = 0.0


@dataclass(frozen=True)
class Trust:
    """What a check takes from calibrations.

    ``clock_factor`` true over measured frequency, with ``clock_u_rel``; ``notes`` what to be warned of; ``problems`` the
    calibrations that could not be used.
    """

    room: RoomDecay | None = None
    floor: Repeatability = Repeatability()
    clock_factor: float = 1.0
    clock_u_rel: float = 0.0
    citations: tuple[Citation, ...] = ()
    notes: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
