"""What is taken out of the values of a stored calibration, kind by kind, and which of it is accepted."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal, TypeVar

import msgspec

from taptest.calibrate.store import Calibration
from taptest.config.limits import LIMITS
from taptest.core.documents import DocumentFormat, within
from taptest.core.errors import CalibrationError

V = TypeVar("V", bound="Values")

_U = Annotated[float, within(0, LIMITS.calibration.largest_u_rel)]
_SLOPE = 100 * LIMITS.temperature.largest_slope_per_k
_CELSIUS = Annotated[float, within(-90, 90)]
_HZ = Annotated[float, within(0.1, 1e6)]
_NUMBER = Annotated[float, within(-1e9, 1e9)]


class Values(msgspec.Struct, frozen=True):
    """The part of a calibration's values that is used."""


class Band(Values, frozen=True):
    """One octave band; null for a reverberation time that could not be measured."""

    low_hz: _HZ
    high_hz: _HZ
    reverberation_s: (
        Annotated[float, within(LIMITS.reverberation.shortest_s, LIMITS.reverberation.longest_s)] | None
    ) = None


class RoomValues(Values, frozen=True):
    """How a room decays."""

    bands: tuple[Band, ...] = ()


class BarValues(Values, frozen=True):
    """True over measured frequency; null where a clock error cannot be separated from the bar's own uncertainty."""

    clock_factor: Annotated[float, within(LIMITS.clock.least_factor, LIMITS.clock.most_factor)] | None = None
    clock_u_rel: _U | None = None


class StudyFigures(Values, frozen=True):
    """One quantity of a repeatability study: standard deviation of repeats and mean, both in its unit."""

    quantity: Literal["frequency", "damping", "shift"]
    mean: _NUMBER
    repeatability: Annotated[float, within(0, 1e9)]


class RepeatabilityValues(Values, frozen=True):
    """Relative standard uncertainties of one measurement: of a mode's frequency, of its damping, of what modes share."""

    frequency_u_rel: _U | None = None
    damping_u_rel: _U | None = None
    shift_u_rel: _U | None = None
    studies: tuple[StudyFigures, ...] = ()


class TappedMode(Values, frozen=True):
    """One mode of a tapped reference."""

    frequency_hz: _HZ
    damping_ratio: Annotated[float, within(1e-9, 1)]
    level_db: _NUMBER


class DriftValues(Values, frozen=True):
    """The last tapping of a reference, and how it lay in its chart of ``points`` tappings."""

    state: Literal["in", "out"]
    last: datetime
    reference: str = ""
    temperature_c: _CELSIUS | None = None
    points: int | None = None
    modes: tuple[TappedMode, ...] = ()

    @property
    def last_utc(self) -> datetime:
        """When it was tapped; a time without a zone is UTC."""
        return self.last.replace(tzinfo=UTC) if self.last.tzinfo is None else self.last.astimezone(UTC)


class TemperatureValues(Values, frozen=True):
    """Slope of frequency over temperature with its standard uncertainty, and the range that was studied."""

    percent_per_k: Annotated[float, within(-_SLOPE, _SLOPE)]
    percent_per_k_u: Annotated[float, within(0, 100)]
    reference_c: _CELSIUS
    low_c: _CELSIUS
    high_c: _CELSIUS


class ConstructionValues(Values, frozen=True):
    """Path or stem of the construction file that was written; it is used by naming it in a lot table."""

    construction: str = ""


def format_of(structure: type[V]) -> DocumentFormat[V]:
    """How values are validated; faults are `CalibrationError`."""
    return DocumentFormat("calibration", structure, CalibrationError, 0, "JSON", "make it anew")


def values_of(calibration: Calibration, structure: type[V], name: str = "") -> V:
    """A calibration's values as what is declared for its kind.

    Raises:
        CalibrationError: they do not fit; the message begins with ``name``, by default the file's.
    """
    return format_of(structure).validated(calibration.values, name or calibration.file)
