"""What calibrations tell a check: the room, the clock, and how finely anything can be measured at all.

Plain values only; `taptest.calibrate.use` takes them out of stored calibrations. Without any, nothing changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import exp

from taptest.core.messages import Message, message


@dataclass(frozen=True)
class Citation:
    """One stored calibration that a result rests on: what it is, when it was made, and what it did."""

    kind: str
    made: datetime
    age_days: float
    file: str
    effect: str


@dataclass(frozen=True)
class RoomDecay:
    """Reverberation time [s], the time to fall by 60 dB, at some ``frequencies_hz`` (rising), such as octave band centres.

    Both have one value per band; a single band speaks for all frequencies.
    """

    frequencies_hz: tuple[float, ...]
    reverberation_s: tuple[float, ...]

    def at(self, frequency_hz: float) -> float:
        """Reverberation time [s] at a frequency: a straight line of logarithms between bands, level beyond the outer ones."""
        import numpy as np

        known = np.log(np.array(self.frequencies_hz))
        return float(np.exp(np.interp(np.log(frequency_hz), known, np.log(np.array(self.reverberation_s)))))


@dataclass(frozen=True)
class Repeatability:
    """The least relative standard uncertainties that a study found: of a mode's frequency, its damping, and the shift.

    One that is not known is 0 and changes nothing.
    """

    frequency_u_rel: float = 0.0
    damping_u_rel: float = 0.0
    shift_u_rel: float = 0.0


@dataclass(frozen=True)
class TemperatureLaw:
    """Frequency goes as exp(slope (T - reference)); slope [1/K] with its uncertainty, known from ``low_c`` to ``high_c``."""

    slope_per_k: float
    slope_u_per_k: float
    reference_c: float
    low_c: float
    high_c: float

    def factor(self, temperature_c: float) -> float | None:
        """What turns a frequency into that at the reference temperature; None outside the range that was studied."""
        if not self.low_c <= temperature_c <= self.high_c:
            return None
        return exp(-self.slope_per_k * (temperature_c - self.reference_c))


@dataclass(frozen=True)
class Corrections:
    """What a check takes from calibrations.

    ``clock_factor`` true over measured frequency, with ``clock_u_rel``; ``temperature`` how frequency goes with it;
    ``notes`` what to be warned of; ``problems`` the calibrations that could not be used.
    """

    room: RoomDecay | None = None
    floor: Repeatability = Repeatability()
    clock_factor: float = 1.0
    clock_u_rel: float = 0.0
    temperature: TemperatureLaw | None = None
    citations: tuple[Citation, ...] = ()
    notes: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()

    @property
    def messages(self) -> tuple[Message, ...]:
        """What to be warned of."""
        return tuple(message("calibration-warning", problem=note) for note in self.notes)

    def frequency_factor(self, temperature_c: float | None) -> float:
        """What a measured frequency is multiplied by: for the clock and, where its law covers it, the temperature."""
        if self.temperature is None or temperature_c is None:
            return self.clock_factor
        return self.clock_factor * (self.temperature.factor(temperature_c) or 1.0)
