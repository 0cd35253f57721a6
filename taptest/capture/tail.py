"""What still rings after a tap has been announced.

A tap is announced when what is heard above the low end has sunk into the noise. The lowest modes ring on below that, and
an analysis looks at half as much again; so the sound that follows is collected too, unless somebody taps into it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from taptest.capture.events import Block, HeardTap
from taptest.signal.taps import Envelope, find_onsets

_RING = 1.5  # as much of the ring's length as a record holds (analysis.py), and
_MORE_S = 0.35  # a little more, for a tap beside it that rings longer
_BEFORE_NEXT_S = 0.02


class Tail:
    """The sound behind the last good tap, from the blocks that are fed next or came while it was judged."""

    def __init__(self, sample_rate_hz: int, *, held_s: float = 9.0) -> None:
        self._rate = sample_rate_hz
        self._held: list[tuple[int, NDArray[np.float32]]] = []  # place in the stream, lost frames counted, and samples
        self._most = round(held_s * sample_rate_hz)
        self._place = 0
        self._tap: HeardTap | None = None

    def feed(self, block: Block) -> None:
        """Take a block in; what the last nine seconds do not hold is forgotten."""
        self._place += block.lost_frames
        self._held.append((self._place, block.samples))
        self._place += len(block.samples)
        while self._held and self._held[0][0] + len(self._held[0][1]) < self._place - self._most:
            self._held.pop(0)

    def follow(self, tap: HeardTap) -> None:
        """A good tap was announced: what comes behind it is wanted."""
        self._tap = tap

    def take(self, *, now: bool = False) -> NDArray[np.float32] | None:
        """The samples (frames,) behind the tap once there are enough, ``now`` as many as there are; None while waiting."""
        tap = self._tap
        if tap is None:
            return None
        start = round(tap.onset_s * tap.sample_rate_hz) - tap.onset + len(tap.samples)
        ring_s = max((each.ring_s for each in tap.analysis.taps), default=0.0)
        stop = round((tap.onset_s + _RING * ring_s + _MORE_S) * self._rate)
        if self._place < stop and not now:
            return None
        self._tap = None
        return self._untapped(tap, self._piece(start, stop, tap.analysis.channel - 1))

    def _piece(self, start: int, stop: int, channel: int) -> NDArray[np.float32]:
        """One channel from ``start`` to ``stop``, or to where something is missing."""
        pieces = [np.zeros(0, np.float32)]
        at = start
        for place, samples in self._held:
            if place <= at < min(place + len(samples), stop):
                part = samples[at - place : stop - place, channel]
                pieces.append(part)
                at += len(part)
        return np.concatenate(pieces)

    def _untapped(self, tap: HeardTap, tail: NDArray[np.float32]) -> NDArray[np.float32]:
        """The tail until shortly before the next contact in it."""
        if not len(tail):
            return tail
        both = np.concatenate((tap.samples, tail)).astype(np.float64)
        later = [
            onset
            for onset in find_onsets(both, Envelope(both, float(self._rate)))
            if onset > len(tap.samples) - round(_BEFORE_NEXT_S * self._rate)
        ]
        if later:
            return tail[: max(later[0] - len(tap.samples) - round(_BEFORE_NEXT_S * self._rate), 0)]
        return tail
