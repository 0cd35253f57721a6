"""Whether a ring-down is one: frequency and damping in the early, loud half of a decay against the late, faint half."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.signal.analysis import Analysis
from taptest.signal.taps import Tap

_LIMITS = LIMITS.clock

Real = NDArray[np.float64]

_LEAST_FALL_DB = 16.0  # two halves of 8 dB each
_MOST_FALL_DB = 40.0
_ABOVE_NOISE_DB = 12.0


@dataclass(frozen=True)
class RingDown:
    """One mode over several taps: how far frequency and damping change from the early half to the late half of the decay.

    Relative, (late - early) / early, with standard uncertainties from the scatter between taps.
    """

    order: int
    taps: int
    frequency_change_rel: float
    frequency_change_u_rel: float
    damping_change_rel: float
    damping_change_u_rel: float

    @property
    def linear(self) -> bool:
        """No change that is both sure (two standard uncertainties) and worth noticing (0.02 % and 5 %)."""
        moved = abs(self.frequency_change_rel) > max(2 * self.frequency_change_u_rel, _LIMITS.noticed_frequency)
        damped = abs(self.damping_change_rel) > max(2 * self.damping_change_u_rel, _LIMITS.noticed_damping)
        return not (moved or damped)


def ring_downs(
    order: int, frequency_hz: float, gap_hz: float, heard: Sequence[tuple[Analysis, Real]]
) -> RingDown | None:
    """One mode followed through every good tap; None where fewer than two taps are loud enough for two halves.

    The sound is turned down to 0 Hz and smoothed, so that its logarithm falls in a straight line whose slope is the decay
    zeta omega, and its phase turns at what the frequency is off by.

    Args:
        order: of the mode, for the result.
        frequency_hz: about where it is.
        gap_hz: to the nearest other resonance, which the smoothing must keep out.
        heard: analyses and the samples of the channel that was analysed.
    """
    changes = []
    for analysis, samples in heard:
        for tap in analysis.accepted:
            change = _change(samples, float(analysis.sample_rate_hz), tap, frequency_hz, gap_hz, analysis)
            if change is not None:
                changes.append(change)
    if len(changes) < 2:
        return None
    table = np.array(changes)
    mean, u = table.mean(axis=0), table.std(axis=0, ddof=1) / sqrt(len(table))
    return RingDown(order, len(table), float(mean[0]), float(u[0]), float(mean[1]), float(u[1]))


def _change(
    samples: Real, rate: float, tap: Tap, frequency_hz: float, gap_hz: float, analysis: Analysis
) -> tuple[float, float] | None:
    width = round(4 / gap_hz * rate)  # two passes keep a neighbour 44 dB down
    piece = samples[tap.start : tap.stop]
    if len(piece) < 6 * width:
        return None
    time = np.arange(len(piece)) / rate
    turned = _smoothed(_smoothed(piece * np.exp(-2j * pi * frequency_hz * time), width), width)
    step = max(width // 4, 1)
    turned, time = turned[::step], time[: len(turned)][::step]
    level = 20 * np.log10(np.abs(turned) + 1e-15)
    density = float(np.exp(np.interp(frequency_hz, analysis.noise.frequencies_hz, np.log(analysis.noise.density))))
    # Noise power through two running means: density/2 on either side, times 2/3 over the width.
    floor = 10 * np.log10(density / 2 * rate / width * 2 / 3 + 1e-30)
    lowest = max(level[0] - _MOST_FALL_DB, floor + _ABOVE_NOISE_DB)
    below = np.flatnonzero(level < lowest)
    end = int(below[0]) if len(below) else len(level)
    if end < 8 or level[0] - level[end - 1] < _LEAST_FALL_DB:
        return None
    half = int(np.argmax(level[:end] < (level[0] + level[end - 1]) / 2))
    if half < 4 or end - half < 4:
        return None
    phase = np.unwrap(np.angle(turned[:end]))
    slopes = [
        (np.polyfit(time[part], level[part], 1)[0], np.polyfit(time[part], phase[part], 1)[0])
        for part in (slice(0, half), slice(half, end))
    ]
    (early_fall, early_turn), (late_fall, late_turn) = slopes
    if early_fall >= 0 or late_fall >= 0:
        return None
    early_hz, late_hz = (frequency_hz + turn / (2 * pi) for turn in (early_turn, late_turn))
    early, late = (-fall * log(10) / 20 for fall in (early_fall, late_fall))
    return late_hz / early_hz - 1, late / early - 1


def _smoothed(values: NDArray[np.complex128], width: int) -> NDArray[np.complex128]:
    """Running mean over ``width`` samples, only where it is complete."""
    total = np.cumsum(np.concatenate((np.zeros(1, complex), values)))
    return np.asarray((total[width:] - total[:-width]) / width)
