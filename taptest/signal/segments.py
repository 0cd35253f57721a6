"""Spectra of the good taps of a recording, octave by octave, each over the time for which it rings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from taptest.config.corrections import RoomDecay
from taptest.signal.ringdown import Spectra
from taptest.signal.silence import ring_lengths
from taptest.signal.spectrum import Noise
from taptest.signal.taps import Tap

Real = NDArray[np.float64]

_FADED_DB = 38.0  # a record ends there: what a mode still tells beyond it is less than the room adds
# From the free decay on until the high-pass of a small microphone is silent, too: one at 115 Hz has fallen by 50 dB then.
FILTER_SETTLED_S = 0.009
_LOWEST_BAND_HZ = 45.0  # one record length serves all below


@dataclass(frozen=True, eq=False)
class GoodTaps:
    """What spectra are made of: the samples of a channel, the taps in them that are used, and the noise beneath."""

    samples: Real
    rate: float
    taps: Sequence[Tap]
    noise: Noise

    @cached_property
    def longest(self) -> int:
        """Half as much again as the longest ring [samples]."""
        return max(round(1.5 * max(ring_lengths(self.samples, self.rate, self.taps))), round(0.4 * self.rate))

    def usable(self, longest: int) -> int:
        """Samples that every tap has after its start, as many as this at most."""
        return _quick_length(min(*(t.stop - t.start for t in self.taps), longest))

    def later(self, seconds: float) -> GoodTaps:
        """The same taps, each from so much later on."""
        return replace(self, taps=[replace(t, start=t.start + round(seconds * self.rate)) for t in self.taps])

    def transformed(self, length: int, low_hz: float, high_hz: float) -> Spectra:
        """Spectra of the first ``length`` samples of every tap."""
        first, stop = (int(np.ceil(edge_hz * length / self.rate)) for edge_hz in (low_hz, high_hz))
        bins = np.arange(max(first, 1), stop, dtype=np.int64)
        values = np.array([np.fft.rfft(self.samples[t.start : t.start + length])[bins] for t in self.taps])
        frequencies: Real = np.asarray(bins * (self.rate / length), dtype=np.float64)
        power = self.noise.bin_power(frequencies, length, self.rate)
        return Spectra(values, frequencies, np.full(len(bins), length), power, self.rate)


def segment_spectra(good: GoodTaps, low_hz: float, high_hz: float) -> Spectra:
    """Spectra of the accepted taps, octave by octave, each over the time for which it rings.

    Low modes need long segments; high ones are over soon, and what follows them is the room. The octaves meet at the
    quietest place near their edge.
    """
    length = good.usable(good.longest)
    lowest, highest = 0.6 * low_hz, min(1.2 * high_hz + 20, 0.49 * good.rate)
    whole = good.transformed(length, lowest, highest)
    edges = _edges(whole, max(low_hz, _LOWEST_BAND_HZ), high_hz)
    pieces = []
    for low, high in zip([lowest, *edges], [*edges, highest], strict=True):
        short = _ringing(whole, low, high)
        pieces.append(good.transformed(short, low, high) if short < length else _between(whole, low, high))
    return _joined(pieces)


def settled_spectra(good: GoodTaps, low_hz: float, high_hz: float) -> Spectra:
    """The same from `FILTER_SETTLED_S` on: low notes are over much later, and nothing else is heard then at their pitch."""
    return segment_spectra(good.later(FILTER_SETTLED_S), low_hz, high_hz)


def late_spectra(good: GoodTaps, low_hz: float, high_hz: float, room: RoomDecay, wait: float) -> Spectra | None:
    """The same from ``wait`` reverberation times after the contact, when the room has settled; None if nothing is left."""
    whole = good.transformed(good.usable(good.longest), low_hz, high_hz)
    edges = _edges(whole, max(low_hz, _LOWEST_BAND_HZ), high_hz)
    pieces = []
    for low, high in zip([low_hz, *edges], [*edges, high_hz], strict=True):
        late = good.later(wait * room.at((low * high) ** 0.5))
        length = late.usable(good.longest)
        if length * low < 8 * good.rate:
            continue
        piece = late.transformed(length, low, high)
        short = _ringing(piece, low, high)
        pieces.append(late.transformed(short, low, high) if short < length else piece)
    return _joined(pieces) if pieces else None


def _quick_length(length: int) -> int:
    """The longest length up to this one that is quickly transformed: a few parts in a thousand less of the segment."""
    from scipy.fft import prev_fast_len

    return int(prev_fast_len(length)) if length > 0 else length


def _joined(pieces: Sequence[Spectra]) -> Spectra:
    return Spectra(
        values=np.concatenate([p.values for p in pieces], axis=1),
        frequencies_hz=np.concatenate([p.frequencies_hz for p in pieces]),
        lengths=np.concatenate([p.lengths for p in pieces]),
        noise_power=np.concatenate([p.noise_power for p in pieces]),
        sample_rate_hz=pieces[0].sample_rate_hz,
    )


def _between(spectra: Spectra, low_hz: float, high_hz: float) -> Spectra:
    return spectra.take(slice(*np.searchsorted(spectra.frequencies_hz, [low_hz, high_hz])))


def _edges(whole: Spectra, low_hz: float, high_hz: float) -> list[float]:
    count = max(round(np.log2(high_hz / low_hz)), 1)
    level = np.convolve((np.abs(whole.values) ** 2 / whole.noise_power).mean(axis=0), np.ones(3) / 3, mode="same")
    edges = []
    for number in range(count):
        nominal = high_hz * 2.0 ** (number - count)
        start, stop = np.searchsorted(whole.frequencies_hz, [0.85 * nominal, 1.15 * nominal])
        if stop > start:
            edges.append(float(whole.frequencies_hz[start + int(np.argmin(level[start:stop]))]))
    return edges


def _ringing(whole: Spectra, low_hz: float, high_hz: float) -> int:
    """Number of samples until a band has fallen by ``_FADED_DB`` or, on average over the taps, well into its noise."""
    band = _between(whole, low_hz, high_hz)
    length = int(whole.lengths[0])
    if not len(band.frequencies_hz):
        return length
    bins = np.round(band.frequencies_hz / band.resolution_hz).astype(int)
    spectrum = np.zeros((whole.taps, bins[-1] + 1), complex)
    spectrum[:, bins] = band.values
    # Fewer points in the inverse transform: the same band at a lower rate.
    points = 2 * bins[-1] + 2
    power = ((np.fft.irfft(spectrum, n=points) * points / length) ** 2).mean(axis=0)
    per_s = points * whole.sample_rate_hz / length
    width = min(max(round(max(0.02, 3 / low_hz) * per_s), 1), points - 1)
    total = np.cumsum(np.concatenate(([0.0], power)))
    smooth = (total[width:] - total[:-width]) / width
    floor = 2 * float(band.noise_power.sum()) / length**2
    faded = np.flatnonzero(smooth < max(smooth[: width + 1].max() * 10 ** (-_FADED_DB / 10), 0.3 * floor))
    seconds = (int(faded[0]) + width) / per_s if len(faded) else np.inf
    return _quick_length(int(min(max(seconds, 10 / low_hz, 0.06) * whole.sample_rate_hz, length)))
