"""Noise floor and mains hum, both measured from the silence before the taps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS

Real = NDArray[np.float64]

_BLOCK_S = 0.2  # one noise block: 7.5 Hz resolution with the Hann window, enough for the tilt of a room's noise
_UNTOUCHED_S = 0.45
_WIDEST = 8  # blocks' bins to either side in the smoothing across frequency
_AN_OCTAVE = 24  # points
_FAMILIES_HZ = (50.0, 60.0)
_SHORTEST_SILENCE_S = 0.25


@dataclass(frozen=True)
class Hum:
    """Mains hum found in the silence: fundamental and the harmonics that stand out, all in Hz; levels in dB full scale."""

    fundamental_hz: float
    lines_hz: tuple[float, ...]
    levels_db: tuple[float, ...]


@dataclass(frozen=True)
class Noise:
    """One-sided noise power density [full scale squared per Hz] at ``frequencies_hz``, hum taken out, and the hum itself."""

    frequencies_hz: Real
    density: Real
    hum: Hum | None
    seconds: float

    def bin_power(self, frequencies_hz: Real, samples: int, sample_rate_hz: float) -> Real:
        """Expected ``|X[k]|**2`` of an unwindowed transform over ``samples`` samples: ``density * N * fs / 2``."""
        density = np.exp(np.interp(frequencies_hz, self.frequencies_hz, np.log(self.density)))
        return np.asarray(density * samples * sample_rate_hz / 2)

    def rms(self, low_hz: float, high_hz: float) -> float:
        """Root mean square of the noise between two frequencies [full scale]."""
        part = (self.frequencies_hz >= low_hz) & (self.frequencies_hz <= high_hz)
        step = float(self.frequencies_hz[1] - self.frequencies_hz[0])
        return float(np.sqrt(self.density[part].sum() * step))


class _SilenceSpectrum:
    """Average periodogram of stretches of silence, Hann-windowed and padded so that it can be read between bins."""

    def __init__(self, stretches: Sequence[Real], sample_rate_hz: float) -> None:
        # Hum matters below 1 kHz: averaging neighbours keeps that range and makes the transforms eight times shorter.
        fold = max(int(sample_rate_hz // 6000), 1)
        folded = [s[: len(s) // fold * fold].reshape(-1, fold).mean(axis=1) for s in stretches]
        rate = sample_rate_hz / fold
        padded = 1 << int(np.ceil(np.log2(8 * max(len(s) for s in folded))))
        self._step_hz = rate / padded
        total, weight = np.zeros(padded // 2 + 1), 0
        for stretch in folded:
            window = np.hanning(len(stretch))
            total += (
                np.abs(np.fft.rfft((stretch - stretch.mean()) * window, n=padded)) ** 2
                / window.sum() ** 2
                * len(stretch)
            )
            weight += len(stretch)
        self._power = total / weight
        self._bin_hz = rate * len(folded) / weight

    def power(self, frequencies_hz: Real) -> Real:
        """Mean squared half-amplitude at any frequency; linear between padded bins (within 1 % of the main lobe)."""
        return np.interp(frequencies_hz / self._step_hz, np.arange(len(self._power)), self._power)

    def peak_hz(self, frequency_hz: float) -> float:
        """The local maximum next to a frequency, by a parabola through the logarithm of the power."""
        reach = max(round(0.6 * self._bin_hz / self._step_hz), 1)
        low = max(round(frequency_hz / self._step_hz) - reach, 1)
        top = low + int(np.argmax(self._power[low : low + 2 * reach + 1]))
        if top + 1 >= len(self._power):
            return frequency_hz
        left, middle, right = np.log(self._power[top - 1 : top + 2] + 1e-30)
        bend = left - 2 * middle + right
        return float((top + (0.5 * (left - right) / bend if bend < 0 else 0.0)) * self._step_hz)

    def ratio(self, frequencies_hz: Real) -> Real:
        """Power over the mean power four to seven bins to either side."""
        sides = [self.power(np.abs(frequencies_hz + d * self._bin_hz)) for d in (-7, -5.5, -4, 4, 5.5, 7)]
        return np.asarray(self.power(frequencies_hz) / np.maximum(np.mean(sides, axis=0), 1e-30))


def find_hum(silences: Sequence[Real], sample_rate_hz: float) -> Hum | None:
    """Mains hum in stretches of silence: the fundamental that explains most power at its harmonics, if any do.

    For every fundamental near 50 and 60 Hz the powers at its harmonics, each over the noise near by, are combined over all
    stretches; the best is refined and its harmonics are tested one by one. Nothing is assumed to be present.
    """
    stretches = [s for s in silences if len(s) >= _SHORTEST_SILENCE_S * sample_rate_hz]
    if not stretches:
        return None
    spectrum = _SilenceSpectrum(stretches, sample_rate_hz)
    top = min(LIMITS.noise.hum_top_hz, 0.4 * sample_rate_hz)
    best, strength = 0.0, 0.0
    for nominal in _FAMILIES_HZ:
        orders = np.arange(1, int(top / nominal) + 1)
        grid: Real = np.asarray(nominal * (1 + np.linspace(-LIMITS.noise.mains_spread, LIMITS.noise.mains_spread, 49)))
        centre = float(grid[int(np.argmax(np.log1p(spectrum.ratio(np.asarray(grid[:, None] * orders))).sum(axis=1)))])
        ratio = spectrum.ratio(np.asarray(centre * orders))
        present = ratio > LIMITS.noise.hum_line
        evidence = float(np.log1p(ratio[present]).sum())
        if evidence > strength and (np.count_nonzero(present) > 1 or ratio.max() > LIMITS.noise.hum_line_alone):
            # A harmonic of order h fixes the fundamental h times as finely.
            each = np.array([spectrum.peak_hz(centre * h) / h for h in orders[present]])
            refined = float(np.average(each, weights=orders[present] ** 2 * ratio[present]))
            # Some other tone beside the range of the mains is none of its harmonics.
            if abs(refined / nominal - 1) <= LIMITS.noise.mains_spread:
                best, strength = refined, evidence
    if strength == 0.0:
        return None
    lines: Real = np.asarray(best * np.arange(1, int(top / best) + 1))
    lines = lines[spectrum.ratio(lines) > LIMITS.noise.hum_line]
    levels = 10 * np.log10(2 * spectrum.power(lines) + 1e-30)
    return Hum(best, tuple(map(float, lines)), tuple(map(float, levels)))


def measure_noise(
    silences: Sequence[Real], sample_rate_hz: float, *, floor_density: float, silent: bool = True
) -> Noise:
    """Noise density and hum from stretches of silence, the first of which came before anything was struck, if it is long enough.

    Density: medians of the periodograms of half-overlapping Hann blocks (after Welch 1967), smoothed across frequency. Later
    stretches, in which a mode may still ring far below the level of the whole, are believed where they agree with
    the first. Hum is looked for in the first alone for the same reason; the density is carried across its lines so that they do
    not hide a mode beside them. ``floor_density``: the least that the recording's word length allows [full scale squared per Hz].
    ``silent`` is false for stretches in which the ski certainly rings: then only what a whole octave has in common is noise.
    """
    block = int(_BLOCK_S * sample_rate_hz)
    frequencies: Real = np.asarray(np.fft.rfftfreq(block, 1 / sample_rate_hz), dtype=np.float64)
    first = [s for s in silences[:1] if len(s) >= _UNTOUCHED_S * sample_rate_hz]
    hum = find_hum(first or silences, sample_rate_hz)
    density = _density(silences, sample_rate_hz, block, hum)
    if first:
        untouched = _density(first, sample_rate_hz, block, hum)
        density = np.where(density > LIMITS.noise.ringing_on * untouched, untouched, density)
    if not silent:
        density = _common_to_an_octave(frequencies, density)
    seconds = sum(len(s) for s in silences) / sample_rate_hz
    return Noise(frequencies, density + floor_density, hum, seconds)


def _density(silences: Sequence[Real], sample_rate_hz: float, block: int, hum: Hum | None) -> Real:
    window = np.hanning(block)
    pieces = [s[start : start + block] for s in silences for start in range(0, len(s) - block + 1, block // 2)]
    if not pieces:
        return np.zeros(block // 2 + 1)
    power = np.array([np.abs(np.fft.rfft((piece - piece.mean()) * window)) ** 2 for piece in pieces])
    density = _typical(power) * 2 / (sample_rate_hz * float(window @ window)) + 1e-30
    density[:2] = density[2]  # the mean was taken out
    if hum:
        frequencies = np.fft.rfftfreq(block, 1 / sample_rate_hz)
        reach = 2 / _BLOCK_S  # half the Hann window's main lobe
        hidden = np.any(np.abs(frequencies[:, None] - np.asarray(hum.lines_hz)) < reach, axis=1)
        density[hidden] = np.exp(np.interp(frequencies[hidden], frequencies[~hidden], np.log(density[~hidden])))
    return _smoothed(density, len(pieces))


def _common_to_an_octave(frequencies_hz: Real, density: Real) -> Real:
    """Running median over an octave on a logarithmic scale: what still rings is narrower than that."""
    grid = np.geomspace(frequencies_hz[1], frequencies_hz[-1], _AN_OCTAVE * int(np.log2(len(density))) + 1)
    levels = np.interp(grid, frequencies_hz, density)
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(levels, _AN_OCTAVE // 2, mode="edge"), _AN_OCTAVE + 1)
    return np.asarray(np.interp(frequencies_hz, grid, np.median(windows, axis=1)))


def _typical(power: Real) -> Real:
    """Mean power of Gaussian noise in each bin from the median over blocks, (blocks, bins) -> (bins,).

    The periodogram is exponentially distributed; the m-th smallest of n has the mean sum_{i<m} 1/(n - i) (order statistics).
    """
    count = len(power)
    if count < 4:
        return np.asarray(power.mean(axis=0))
    low, high = (count - 1) // 2, count // 2
    expected = float(np.mean([np.sum(1.0 / (count - np.arange(m + 1))) for m in (low, high)]))
    return np.asarray(np.median(power, axis=0) / expected)


def _smoothed(density: Real, blocks: int) -> Real:
    """Median over about a sixth of the frequency to either side, so that what still rings in the silence leaves no peak.

    Scaled back to the mean: the median of a gamma variable of shape k lies 1/3k below it (k, the independent blocks).
    """
    size = len(density)
    half = np.clip((np.arange(size) / 6).astype(int), 1, _WIDEST)
    smooth = np.empty(size)
    for width in range(1, _WIDEST + 1):
        windows = np.lib.stride_tricks.sliding_window_view(np.pad(density, width, mode="edge"), 2 * width + 1)
        chosen = half == width
        smooth[chosen] = np.median(windows[chosen], axis=1)
    return smooth / (1 - 1 / (3 * max(blocks / 2, 1.0)))
