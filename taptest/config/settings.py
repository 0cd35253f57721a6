"""What a user may say about how to listen and how to judge: one set of settings for every command and for the library."""

from __future__ import annotations

import math
from dataclasses import dataclass

from taptest.config.corrections import Corrections, RoomDecay
from taptest.config.limits import LIMITS, Limits
from taptest.core.errors import SettingsError, shown


@dataclass(frozen=True)
class RigUncertainty:
    """Relative standard uncertainties (k = 1) of the stiffness and the mass that a table gives."""

    stiffness_u_rel: float = 0.02
    mass_u_rel: float = 0.005


@dataclass(frozen=True)
class Settings:
    """How to listen and how to judge.

    Attributes:
        low_hz: listen from this frequency.
        high_hz: listen up to this frequency.
        room_s: reverberation time of the room [s] at all frequencies; None for what calibrations say.
        channel: of the recordings, from 1; None for the one in which taps stand out most.
        false_alarm_rate: share of good skis that may be flagged as outliers by mistake.
        rig: uncertainties of stiffness and mass in the table.
        calibrations: folder of calibrations; None for ``$TAPTEST_CALIBRATIONS``, or ``calibrations`` beside the table.
        corrections: what those calibrations say, once they were read: see `taptest.calibrate.use.with_calibrations`.
        limits: every figure that judges.
        rings_on: what is tapped may ring longer than its taps are apart, as bars do and skis do not.

    Raises:
        SettingsError: a value outside what is accepted.
    """

    low_hz: float = 15.0
    high_hz: float = 1500.0
    room_s: float | None = None
    channel: int | None = None
    false_alarm_rate: float = 0.01
    rig: RigUncertainty = RigUncertainty()
    calibrations: str | None = None
    corrections: Corrections = Corrections()
    limits: Limits = LIMITS
    rings_on: bool = False

    @property
    def room_decay(self) -> RoomDecay | None:
        """How the room decays, as far as it is known: what was given goes before what calibrations say."""
        return self.corrections.room if self.room_s is None else RoomDecay((1000.0,), (self.room_s,))

    def listening(self) -> dict[str, object]:
        """What decides what is heard in a recording, as plain values: two that are equal hear the same."""
        room = self.room_decay
        return {
            "low_hz": self.low_hz,
            "high_hz": self.high_hz,
            "channel": self.channel,
            "room": None if room is None else [[*room.frequencies_hz], [*room.reverberation_s]],
            "rings_on": self.rings_on,
        }

    def __post_init__(self) -> None:
        listening = self.limits.listening
        if not (math.isfinite(self.low_hz) and math.isfinite(self.high_hz)):
            raise SettingsError("low_hz", "the frequency range needs a number of hertz at both ends")
        if not listening.least_low_hz <= self.low_hz < self.high_hz:
            raise SettingsError(
                "low_hz",
                f"frequency range {self.low_hz:g}-{self.high_hz:g} Hz: the lower limit must be at least "
                f"{listening.least_low_hz:g} Hz and below the upper one",
            )
        shortest, longest = self.limits.reverberation.shortest_s, self.limits.reverberation.longest_s
        if self.room_s is not None and not shortest <= self.room_s <= longest:
            raise SettingsError(
                "room_s", f"{self.room_s:g} s is no reverberation time: {shortest:g} to {longest:g} s are accepted"
            )
        if self.channel is not None and self.channel < 1:
            raise SettingsError("channel", f"channel {self.channel}: channels count from 1")
        if not 0.001 <= self.false_alarm_rate <= 0.1:
            raise SettingsError(
                "false_alarm_rate", f"a false-alarm rate of {shown(self.false_alarm_rate)}: give 0.001 to 0.1"
            )
        for name, value in (("stiffness_u_rel", self.rig.stiffness_u_rel), ("mass_u_rel", self.rig.mass_u_rel)):
            if not 0 <= value <= 0.2:
                raise SettingsError(name, f"{name} is {shown(value)}: give 0 to 0.2")
