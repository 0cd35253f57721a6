"""How fast a room dies away, by frequency: what tells a ski's decay from the room's.

A damped tone that starts at once reaches the microphone twice: directly, and through the room, whose answer builds up and
settles as fast as the room decays. Once it has settled the room only makes the tone louder or fainter, so its decay is the
ski's. That needs a tone that outlasts the room; one that does not is never heard alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, log, pi, sqrt

import numpy as np

from taptest.config.corrections import RoomDecay

# A mode is told from the room when it rings at least this much longer. Then, after the later of the waits below, the settled
# room moves its damping by no more than 2 %, see `room_u_rel`. At twice the room's time that is less than 1 %.
ROOM_FACTOR = 1.5
# Reverberation times after the contact from which on a mode is fitted once more. What is wrong early is the room, and late the
# noise, so both together are better than either.
WAITS = (0.3, 0.6)
_SHARED = (
    0.5  # correlation of the two: the later part of one sound is in both (two uncertainties then hold 95 % of modes)
)
_REVERBERANT = 0.016  # energy of the room's sound over the direct one: 18 dB below it, as at 0.3 m from a ski
_UNCERTAIN = 0.025  # relative standard uncertainty: twice that is 5 %
_SURE = 0.1  # the late damping decides how long a mode rings only where it is known so well
# Standard uncertainties from what is heard to the upper limit: 95 in 100 of the modes that simulated rooms limit lie below it
# (tests/simulated/test_room_limited.py, README). A normal one would need 1.64; neighbours in frequency make the tail longer.
_TO_LIMIT = 2.2


@dataclass(frozen=True)
class Settled:
    """Damping ratio and standard uncertainty of what still sounds ``wait`` reverberation times after the contact."""

    wait: float
    damping_ratio: float
    damping_ratio_u: float


@dataclass(frozen=True)
class ToldFromRoom:
    """Damping ratio and standard uncertainty when the room is allowed for; ``flag`` is one of the mode flags, or empty.

    ``damping_ratio_limit``: where the room limits the mode, the upper limit of its damping ratio (one-sided, 95 %).
    """

    damping_ratio: float
    damping_ratio_u: float
    flag: str
    damping_ratio_limit: float | None = None


def room_u_rel(ratio: float, wait: float) -> float:
    """Relative standard uncertainty that a room brings into the damping of a mode alone, fitted from ``wait`` on.

    The room's impulse response is noise h(t) under exp(-d t) whose energy is e times the direct sound's. A tone exp(-a t) that
    starts at 0 is heard as that tone times 1 + H, H the room's answer once it has settled, less a rest
    X(t) = exp(-a t) times the integral from t on of h(s) exp(a s) ds. Fitted by least squares, X moves a by a normal error of
    relative standard deviation

        u = 2 sqrt(e r / (r + 1)**3) exp(-ln(1000) w (1 - 1/r))        (1)

    with r = d/a, which is the mode's decay time over the room's, and w the wait in reverberation times (derived: the fit of the
    slope weights X with t - 1/(2a) under exp(-2 a t), and increments of X are independent). A mode that dies before the room
    does (r < 1) gains nothing by waiting, and the formula is used with w = 0.

    Args:
        ratio: decay time of the mode over that of the room, r > 0.
        wait: reverberation times between contact and the beginning of the fit, w >= 0.
    """
    settled = exp(-log(1000) * wait * max(1 - 1 / ratio, 0.0))
    return 2 * sqrt(_REVERBERANT * ratio / (ratio + 1) ** 3) * settled  # eq. (1)


def against_room(
    room: RoomDecay, frequency_hz: float, whole: tuple[float, float], late: Sequence[Settled] = ()
) -> ToldFromRoom:
    """Which damping of a mode to believe in a room, and how much.

    It is the weighted mean of the late ones, or that of the whole decay where noise and room together leave that one surer.
    What the room limits is given as heard, with an upper limit: its damping is heard too high as well as too low. The decay that
    is left in the end would be that of the slower of the two, a lower limit only.

    Args:
        room: the room.
        frequency_hz: of the mode.
        whole: damping ratio and standard uncertainty from the whole decay.
        late: the same from what sounds after the waits, as far as anything was left.
    """
    room_s = room.at(frequency_hz)
    ratio = _ring_s(frequency_hz, whole[0]) / room_s
    value, u = whole[0], hypot(whole[1], whole[0] * room_u_rel(ratio, 0.0))
    longest, found = ratio, []
    for each in late:
        later = _ring_s(frequency_hz, each.damping_ratio) / room_s
        if each.damping_ratio_u <= _SURE * each.damping_ratio:
            longest = max(longest, later)
        if later > 1:
            disturbed = each.damping_ratio * room_u_rel(later, each.wait)
            found.append((each.damping_ratio, hypot(each.damping_ratio_u, disturbed)))
    if longest <= ROOM_FACTOR:
        return ToldFromRoom(value, u, "room-limited", value + _TO_LIMIT * u)
    if found:
        late_value, late_u = _together(found)
        if late_u / late_value <= u / value:
            value, u = late_value, late_u
    return ToldFromRoom(value, u, "uncertain-damping" if u > _UNCERTAIN * value else "")


def _together(found: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Mean and standard uncertainty of values that share half of their errors, weighted by their uncertainties."""
    weight = np.array([u**-2.0 for _, u in found])
    weight /= weight.sum()
    value = float(weight @ np.array([value for value, _ in found]))
    own = weight * np.array([u for _, u in found])
    return value, sqrt((1 - _SHARED) * float(own @ own) + _SHARED * float(own.sum()) ** 2)


def _ring_s(frequency_hz: float, damping_ratio: float) -> float:
    """Time to fall by 60 dB."""
    return log(1000) / (damping_ratio * 2 * pi * frequency_hz)
