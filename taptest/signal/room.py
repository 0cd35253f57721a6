"""How fast a room dies away, by frequency: what tells a ski's decay from the room's.

A damped tone that starts at once reaches the microphone twice: directly, and through the room, whose answer builds up and
settles as fast as the room decays. Once it has settled the room only makes the tone louder or fainter, so its decay is the
ski's. That needs a tone that outlasts the room; one that does not is never heard alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, hypot, log, pi, sqrt

import numpy as np

from taptest.config.corrections import RoomDecay
from taptest.config.limits import LIMITS


@dataclass(frozen=True)
class Damping:
    """A damping ratio and its standard uncertainty, from what sounds ``wait`` reverberation times after the contact on."""

    ratio: float
    u: float
    wait: float = 0.0

    def decay_s(self, frequency_hz: float) -> float:
        """Time to fall by 60 dB."""
        return log(1000) / (self.ratio * 2 * pi * frequency_hz)

    def in_room(self, ratio: float) -> Damping:
        """The same with what a room adds to its uncertainty, where the mode rings ``ratio`` times as long as the room."""
        return replace(self, u=hypot(self.u, self.ratio * room_u_rel(ratio, self.wait)))


@dataclass(frozen=True)
class RoomCorrectedDamping:
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
    return 2 * sqrt(LIMITS.room.reverberant * ratio / (ratio + 1) ** 3) * settled  # eq. (1)


def room_corrected(
    room: RoomDecay, frequency_hz: float, whole: Damping, late: Sequence[Damping] = ()
) -> RoomCorrectedDamping:
    """Which damping of a mode to believe in a room, and how much.

    It is the weighted mean of the late ones, or that of the whole decay where noise and room together leave that one surer.
    What the room limits is given as heard, with an upper limit: its damping is heard too high as well as too low. The decay that
    is left in the end would be that of the slower of the two, a lower limit only.

    Args:
        room: the room.
        frequency_hz: of the mode.
        whole: from the whole decay.
        late: from what sounds after the waits, as far as anything was left.
    """
    limits, room_s = LIMITS.room, room.at(frequency_hz)
    longest = whole.decay_s(frequency_hz) / room_s
    best, found = whole.in_room(longest), []
    for each in late:
        ratio = each.decay_s(frequency_hz) / room_s
        if each.u <= limits.sure * each.ratio:
            longest = max(longest, ratio)
        if ratio > 1:
            found.append(each.in_room(ratio))
    if longest <= limits.factor:
        return RoomCorrectedDamping(best.ratio, best.u, "room-limited", best.ratio + limits.to_limit * best.u)
    if found:
        together = _together(found)
        if together.u / together.ratio <= best.u / best.ratio:
            best = together
    return RoomCorrectedDamping(
        best.ratio, best.u, "uncertain-damping" if best.u > limits.uncertain * best.ratio else ""
    )


def _together(found: Sequence[Damping]) -> Damping:
    """Mean and standard uncertainty of values that share half of their errors, weighted by their uncertainties."""
    values, u = np.array([(each.ratio, each.u) for each in found]).T
    weight = u**-2.0
    weight /= weight.sum()
    own, shared = weight * u, LIMITS.room.shared
    return Damping(float(weight @ values), sqrt((1 - shared) * float(own @ own) + shared * float(own.sum()) ** 2))
