"""Modes back into sound: what a ski sings without the room, the hum and the hand that tapped it.

A mode of undamped frequency f [Hz] and damping ratio zeta answers a blow with

    x(t) = A exp(-alpha t) sin(omega_d t),   alpha = 2 pi f zeta,   omega_d = 2 pi f sqrt(1 - zeta**2),   (1)

the impulse response of one degree of freedom (1), which starts from zero. Shifting a sound up by n octaves multiplies every
frequency by 2**n. The damping ratio stays as it is, so that every period still takes away the same share and the decay time
shrinks to 1/2**n; or, where the decay time is to stay, the damping ratio is divided by 2**n.

1. S. S. Rao, Mechanical Vibrations, ch. 4 (response to an impulse).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from taptest.core.errors import PlaybackError

Real = NDArray[np.float64]

MOST_OCTAVES_UP = 6
HIGHEST_SHARE = 0.45  # of the sample rate; closer to its half a converter's filter takes the tone away
LEVEL_DBFS = -12.0  # of the loudest sample: a tap is a sharp peak, and somebody may wear headphones

_RATES_HZ = (8_000, 768_000)
_SECONDS = (0.01, 60.0)
_LEVELS_DBFS = (-90.0, 0.0)
_FADE_S = 0.01  # at the end, so that a ring that is cut short does not click


class Sounding(Protocol):
    """What a mode must have to be heard; measured and placed modes both do.

    ``frequency_hz`` undamped natural frequency; ``level_db`` initial amplitude against the strongest mode.
    """

    @property
    def frequency_hz(self) -> float: ...
    @property
    def damping_ratio(self) -> float: ...
    @property
    def level_db(self) -> float: ...


def resynthesise(
    modes: Iterable[Sounding],
    *,
    sample_rate_hz: int,
    seconds: float,
    octaves_up: int = 0,
    keep_decay_time: bool = False,
    level_dbfs: float = LEVEL_DBFS,
) -> Real:
    """One blow that rings in these modes and nothing else, (frames,) in full scale.

    Every mode rings as in (1) with its own frequency, damping and level. The first sample is zero, the last hundredth of
    a second is faded out, and the loudest sample has exactly ``level_dbfs``. Modes that `within_reach` leaves out are
    not heard.

    Args:
        modes: measured modes, in any order.
        sample_rate_hz: 8000 to 768000.
        seconds: length of the sound, 0.01 to 60 s.
        octaves_up: whole octaves to shift up by, 0 to 6. The damping ratio stays, so a sound one octave higher is over in
            half the time.
        keep_decay_time: let the shifted modes decay in the time of the original ones; their damping ratio is then divided
            by 2 for every octave.
        level_dbfs: peak level [dB of full scale], -90 to 0.

    Raises:
        PlaybackError: a value outside these limits, a mode without a frequency or with a damping ratio that is not
            between 0 and 1, or no mode within reach.

    >>> from taptest.signal.analysis import Mode
    >>> ring = resynthesise([Mode(120.0, 0.01, 0.01, 0.0002, 0.0, 5)], sample_rate_hz=48_000, seconds=1.0)
    >>> len(ring), float(ring[0]), round(float(abs(ring).max()), 4)
    (48000, 0.0, 0.2512)
    """
    _check(sample_rate_hz, seconds, octaves_up, level_dbfs)
    heard = within_reach(modes, sample_rate_hz=sample_rate_hz, octaves_up=octaves_up)
    if not heard:
        raise PlaybackError(
            f"no mode below {HIGHEST_SHARE * sample_rate_hz / 2**octaves_up:.0f} Hz, so there is nothing to hear at"
            f" {sample_rate_hz} Hz sample rate and {octaves_up} octaves up; shift by fewer octaves"
        )
    count = round(seconds * sample_rate_hz)
    time: Real = np.arange(count) / sample_rate_hz
    sound = np.zeros(count)
    loudest_db = max(mode.level_db for mode in heard)
    for mode in heard:
        omega = 2 * np.pi * mode.frequency_hz * 2**octaves_up
        damping_ratio = mode.damping_ratio / (2**octaves_up if keep_decay_time else 1)
        amplitude = 10 ** ((mode.level_db - loudest_db) / 20)
        ringing = np.sin(omega * np.sqrt(1 - damping_ratio**2) * time)
        sound += amplitude * np.exp(-damping_ratio * omega * time) * ringing  # eq. (1)
    fade_out(sound, sample_rate_hz)
    return np.asarray(sound * (10 ** (level_dbfs / 20) / np.abs(sound).max()))


def within_reach(modes: Iterable[Sounding], *, sample_rate_hz: int, octaves_up: int = 0) -> tuple[Sounding, ...]:
    """The modes that a sample rate can carry after the shift: those below 0.45 of it.

    Raises:
        PlaybackError: a mode that no sound can be made of.
    """
    given = tuple(modes)
    for mode in given:
        if not (0 < mode.frequency_hz < np.inf and 0 < mode.damping_ratio < 1 and np.isfinite(mode.level_db)):
            raise PlaybackError(
                f"a mode of {mode.frequency_hz:g} Hz with damping ratio {mode.damping_ratio:g} and level"
                f" {mode.level_db:g} dB cannot be made audible; a positive frequency, a damping ratio between 0 and 1"
                " and a finite level are needed"
            )
    return tuple(mode for mode in given if mode.frequency_hz * 2**octaves_up < HIGHEST_SHARE * sample_rate_hz)


def fade_out(sound: Real, sample_rate_hz: float) -> None:
    """Let the last hundredth of a second of (frames,) go down to zero like half a cosine, in place."""
    length = min(round(_FADE_S * sample_rate_hz), len(sound))
    sound[len(sound) - length :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, length + 1) / length)


def _check(sample_rate_hz: int, seconds: float, octaves_up: int, level_dbfs: float) -> None:
    for what, value, (least, most), unit in (
        ("sample rate", sample_rate_hz, _RATES_HZ, "Hz"),
        ("length", seconds, _SECONDS, "s"),
        ("level", level_dbfs, _LEVELS_DBFS, "dB of full scale"),
    ):
        if not least <= value <= most:
            raise PlaybackError(f"a {what} of {value:g} {unit}; use {least:g} to {most:g} {unit}")
    if octaves_up not in range(MOST_OCTAVES_UP + 1):
        raise PlaybackError(f"a shift by {octaves_up} octaves; 0 to {MOST_OCTAVES_UP} whole octaves up are possible")
