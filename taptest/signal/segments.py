"""Spectra of the good taps of a recording, octave by octave, each over the time for which it rings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from taptest.config.corrections import RoomDecay
from taptest.signal.ringdown import Spectra
from taptest.signal.sinking import ring_lengths
from taptest.signal.spectrum import Noise
from taptest.signal.taps import Tap

Real = NDArray[np.float64]

_FADED_DB = 38.0  # a record ends there: what a mode still tells beyond it is less than the room adds
# From the free decay on until the high-pass of a small microphone is silent, too: one at 115 Hz has fallen by 50 dB then.
SETTLED_S = 0.009
_LOWEST_BAND_HZ = 45.0  # one record length serves all below


def records(samples: Real, rate: float, taps: Sequence[Tap], noise: Noise, low_hz: float, high_hz: float) -> Spectra:
    """Spectra of the accepted taps, octave by octave, each over the time for which it rings.

    Low modes need long records; high ones are over soon, and what follows them is the room. The octaves meet at the
    quietest place near their edge.
    """
    length = _usable(taps, _longest(samples, rate, taps))
    lowest, highest = 0.6 * low_hz, min(1.2 * high_hz + 20, 0.49 * rate)
    whole = _transformed(samples, rate, taps, noise, length, lowest, highest)
    edges = _edges(whole, max(low_hz, _LOWEST_BAND_HZ), high_hz)
    pieces = []
    for low, high in zip([lowest, *edges], [*edges, highest], strict=True):
        short = _ringing(whole, low, high)
        pieces.append(
            _transformed(samples, rate, taps, noise, short, low, high) if short < length else _between(whole, low, high)
        )
    return _joined(pieces, rate)


def settled_records(
    samples: Real, rate: float, taps: Sequence[Tap], noise: Noise, low_hz: float, high_hz: float
) -> Spectra:
    """The same from `SETTLED_S` on: low notes are over much later, and nothing else is heard then at their pitch."""
    late = [replace(t, start=t.start + round(SETTLED_S * rate)) for t in taps]
    return records(samples, rate, late, noise, low_hz, high_hz)


def late_records(
    samples: Real,
    rate: float,
    taps: Sequence[Tap],
    noise: Noise,
    low_hz: float,
    high_hz: float,
    room: RoomDecay,
    wait: float,
) -> Spectra | None:
    """The same from ``wait`` reverberation times after the contact, when the room has settled; None if nothing is left."""
    longest = _longest(samples, rate, taps)
    whole = _transformed(samples, rate, taps, noise, _usable(taps, longest), low_hz, high_hz)
    edges = _edges(whole, max(low_hz, _LOWEST_BAND_HZ), high_hz)
    pieces = []
    for low, high in zip([low_hz, *edges], [*edges, high_hz], strict=True):
        delay = round(wait * room.at((low * high) ** 0.5) * rate)
        late = [replace(t, start=t.start + delay) for t in taps]
        length = _usable(late, longest)
        if length * low < 8 * rate:
            continue
        piece = _transformed(samples, rate, late, noise, length, low, high)
        short = _ringing(piece, low, high)
        pieces.append(_transformed(samples, rate, late, noise, short, low, high) if short < length else piece)
    return _joined(pieces, rate) if pieces else None


def _longest(samples: Real, rate: float, taps: Sequence[Tap]) -> int:
    """Half as much again as the longest ring [samples]."""
    return max(round(1.5 * max(ring_lengths(samples, rate, taps))), round(0.4 * rate))


def _usable(taps: Sequence[Tap], longest: int) -> int:
    return _quick_length(min(*(t.stop - t.start for t in taps), longest))


@lru_cache(maxsize=256)
def _quick_length(length: int) -> int:
    """The longest length up to this one that is quickly transformed: without prime factors above 11.

    A length with a large one takes several times as long; giving up a few parts in a thousand of the record avoids it.
    """
    while length > 1:
        rest = length
        for factor in (2, 3, 5, 7, 11):
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            break
        length -= 1
    return length


def _joined(pieces: Sequence[Spectra], rate: float) -> Spectra:
    return Spectra(
        values=np.concatenate([p.values for p in pieces], axis=1),
        frequencies_hz=np.concatenate([p.frequencies_hz for p in pieces]),
        lengths=np.concatenate([p.lengths for p in pieces]),
        noise_power=np.concatenate([p.noise_power for p in pieces]),
        sample_rate_hz=rate,
    )


def _transformed(
    samples: Real, rate: float, taps: Sequence[Tap], noise: Noise, length: int, low_hz: float, high_hz: float
) -> Spectra:
    bins = np.arange(
        max(int(np.ceil(low_hz * length / rate)), 1), int(np.ceil(high_hz * length / rate)), dtype=np.int64
    )
    values = np.array([np.fft.rfft(samples[t.start : t.start + length])[bins] for t in taps])
    frequencies: Real = np.asarray(bins * (rate / length), dtype=np.float64)
    power = noise.bin_power(frequencies, length, rate)
    return Spectra(values, frequencies, np.full(len(bins), length), power, rate)


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
