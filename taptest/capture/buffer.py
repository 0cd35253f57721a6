"""The last seconds of a sound that goes on: with the energy of every millisecond, and what rings after a tap was announced."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from taptest.capture.stream import Block, HeardTap, Samples
from taptest.signal.taps import (
    LEAST_FLOOR,
    Envelope,
    Real,
    find_onsets,
    frame_length,
    framed_energy,
    high_passed,
    noise_floor,
    smoothed,
)

FRAMES_PER_S = 1000
_FLOOR_FRAMES = 10 * FRAMES_PER_S  # as long as a recording of five taps, whose floor is measured in all of it
_LEAST_FRAMES = 50
_HIGH_PASS_FRAMES = 8  # more than the high-pass looks back
_RING = 1.5  # as much of the ring's length as a record holds (analysis.py), and
_MORE_S = 0.35  # a little more, for a tap beside it that rings longer
_BEFORE_NEXT_S = 0.02


class SoundBuffer:
    """Samples (frames, channels) and their energy, at least the last ``keep_s`` seconds; memory does not grow.

    Positions count the samples received since the start. Energies come in frames of ``frame`` samples, about a millisecond,
    cut where an analysis of the whole sound would cut them. Samples come in whole frames.
    """

    def __init__(self, sample_rate_hz: float, channels: int, *, keep_s: float) -> None:
        self.rate = sample_rate_hz
        self.channels = channels
        self.frame = frame_length(sample_rate_hz)
        self._keep = max(round(keep_s * FRAMES_PER_S), _FLOOR_FRAMES)
        self._samples = np.zeros((2 * self._keep * self.frame, channels), np.float32)
        self._energy = np.zeros((2 * self._keep, channels))
        self._counts = np.zeros(2 * self._keep, np.bool_)  # frames in which nothing was played by this program
        self._held = 0  # frames
        self._first = 0  # frame that the buffers begin with

    @property
    def start(self) -> int:
        """Position of the oldest sample held."""
        return self._first * self.frame

    @property
    def stop(self) -> int:
        """Position behind the newest sample."""
        return self.frames * self.frame

    @property
    def frames(self) -> int:
        """Frames received since the start."""
        return self._first + self._held

    def append(self, samples: Samples, *, counts: bool) -> None:
        """Whole frames of sound, (frames, channels); ``counts`` towards the floor or not."""
        added = len(samples) // self.frame
        if self._held + added > len(self._energy):
            self._forget(self._held - self._keep)
        begin, end = self._held, self._held + added
        self._samples[begin * self.frame : end * self.frame] = samples
        back = max(begin - _HIGH_PASS_FRAMES, 0)
        recent = self._samples[back * self.frame : end * self.frame].astype(np.float64)
        for channel in range(self.channels):
            signal = high_passed(recent[:, channel], self.rate)[(begin - back) * self.frame :]
            self._energy[begin:end, channel] = framed_energy(signal, self.frame)
        self._counts[begin:end] = counts
        self._held = end

    def _forget(self, frames: int) -> None:
        left = self._held - frames
        for buffer, unit in ((self._samples, self.frame), (self._energy, 1), (self._counts, 1)):
            buffer[: left * unit] = buffer[frames * unit : self._held * unit].copy()
        self._first += frames
        self._held = left

    def samples(self, channel: int, start: int, stop: int) -> Samples:
        """A copy of one channel between two positions."""
        return self._samples[start - self.start : stop - self.start, channel].copy()

    def energy(self, channel: int, first: int, last: int | None = None) -> Real:
        """Energies of one channel between two frames."""
        end = self._held if last is None else last - self._first
        return self._energy[max(first - self._first, 0) : end, channel]

    def floor(self, channel: int) -> float:
        """The noise floor of the last ten seconds, what was played meanwhile left out [full scale squared]."""
        recent = slice(max(self._held - _FLOOR_FRAMES, 0), self._held)
        smooth, counts = smoothed(self._energy[recent, channel]), self._counts[recent]
        return noise_floor(smooth[counts] if np.count_nonzero(counts) >= _LEAST_FRAMES else smooth)

    def loudest_channel(self) -> int:
        """The channel whose loudest moments stand out most above its floor, among the last ten seconds."""
        recent = self._energy[max(self._held - _FLOOR_FRAMES, 0) : self._held]
        floors: NDArray[np.float64] = np.array([self.floor(c) for c in range(self.channels)])
        return int(np.argmax(np.quantile(recent, 0.998, axis=0) / np.maximum(floors, LEAST_FLOOR)))


class RingRemainder:
    """The sound behind the last good tap, from the blocks that are fed next or came while it was judged.

    A tap is announced when what is heard above the low end has sunk into the noise. The lowest modes ring on below that, and
    an analysis looks at half as much again; so the sound that follows is collected too, unless somebody taps into it.
    """

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
