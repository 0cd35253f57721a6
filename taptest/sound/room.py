"""How fast a room dies away, by frequency: what tells a ski's decay from the room's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# A mode is told from the room when it rings at least this much longer. Set on simulated skis in rooms of 0.3 to 1.2 s
# (tests/test_room_limited.py).
ROOM_FACTOR = 1.2


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

    def limits(self, frequency_hz: float, decay_time_s: float) -> bool:
        """Whether a decay is too near to the room's, or shorter, for the damping behind it to be told."""
        return decay_time_s <= ROOM_FACTOR * self.at(frequency_hz)
