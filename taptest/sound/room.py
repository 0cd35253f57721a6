"""How fast a room dies away, by frequency: what tells a ski's decay from the room's.

A damped tone that starts at once reaches the microphone twice: directly, and through the room, whose answer builds up and
settles as fast as the room decays. Once it has settled the room only makes the tone louder or fainter, so its decay is the
ski's. That needs a tone that outlasts the room; one that does not is never heard alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, log, pi

import numpy as np

# A mode is told from the room when it rings at least this much longer. It and the three below were set on simulated skis in
# rooms of 0.3 to 1.2 s (tests/test_room_limited.py).
ROOM_FACTOR = 1.5
_WAIT = 0.4  # of the reverberation time: by then the room's answer has fallen by 24 dB
_BUILD_UP = 0.12  # amplitude of the room's answer beside the direct sound, 18 dB below it
_SETTLED = 0.10  # the same for what is left of it after the wait
_UNCERTAIN = 0.025  # relative standard uncertainty: twice that is 5 %
_SURE = 0.1  # the late damping decides how long a mode rings only where it is known so well


@dataclass(frozen=True)
class RoomDecay:
    """Reverberation time [s], the time to fall by 60 dB, at some ``frequencies_hz`` (rising), such as octave band centres.

    Both have one value per band; a single band speaks for all frequencies.
    """

    frequencies_hz: tuple[float, ...]
    reverberation_s: tuple[float, ...]

    def at(self, frequency_hz: float) -> float:
        """Reverberation time [s] at a frequency: a straight line of logarithms between bands, level beyond the outer ones."""
        known = np.log(np.array(self.frequencies_hz))
        return float(np.exp(np.interp(np.log(frequency_hz), known, np.log(np.array(self.reverberation_s)))))

    def wait_s(self, frequency_hz: float) -> float:
        """Time [s] after a contact from which on a mode that outlasts the room is heard as it is."""
        return _WAIT * self.at(frequency_hz)


@dataclass(frozen=True)
class ToldFromRoom:
    """Damping ratio and standard uncertainty when the room is allowed for; ``flag`` is one of the mode flags, or empty."""

    damping_ratio: float
    damping_ratio_u: float
    flag: str


def against_room(
    room: RoomDecay, frequency_hz: float, whole: tuple[float, float], late: tuple[float, float] | None
) -> ToldFromRoom:
    """Which of two dampings of a mode to believe in a room, and how much.

    With r the mode's decay time over the room's, the room's answer of relative amplitude a moves the damping fitted to the whole
    decay by about a/(r - 1), and after a wait of w reverberation times by exp(-6.91 w (1 - 1/r)) as much.

    Args:
        room: the room.
        frequency_hz: of the mode.
        whole: damping ratio and standard uncertainty from the whole decay.
        late: the same from what sounds after the wait; None where nothing was left.
    """
    room_s = room.at(frequency_hz)
    ratio = _ring_s(frequency_hz, whole[0]) / room_s
    later = 0.0 if late is None else _ring_s(frequency_hz, late[0]) / room_s
    if late is not None and late[1] <= _SURE * late[0]:
        ratio = max(ratio, later)
    if ratio <= ROOM_FACTOR:
        return ToldFromRoom(*whole, "room-limited")
    found = [(whole[0], hypot(whole[1], whole[0] * _BUILD_UP / (ratio - 1)))]
    if late is not None and later > 1:
        left = _SETTLED * exp(-log(1000) * _WAIT * (1 - 1 / later)) / (later - 1)
        found.append((late[0], hypot(late[1], late[0] * left)))
    value, u = min(found, key=lambda each: each[1] / each[0])
    return ToldFromRoom(value, u, "uncertain-damping" if u > _UNCERTAIN * value else "")


def _ring_s(frequency_hz: float, damping_ratio: float) -> float:
    """Time to fall by 60 dB."""
    return log(1000) / (damping_ratio * 2 * pi * frequency_hz)
