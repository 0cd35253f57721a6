"""How loud a short sound is to the ear: A-weighted sound exposure, so that sounds can be compared at one loudness."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

# Corner frequencies [Hz] and the gain at 1 kHz [dB] (IEC 61672-1, annex E; from memory, checked against its table).
_CORNERS_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
_AT_1_KHZ_DB = -2.000
_LEAST_HZ = 1e-3


def a_weighting_db(frequency_hz: Real) -> Real:
    """Frequency weighting A [dB], 0 at 1 kHz:

        A(f) = 20 log10( f4**2 f**4 / ((f**2 + f1**2) sqrt((f**2 + f2**2)(f**2 + f3**2)) (f**2 + f4**2)) ) + 2.00

    with ``f1`` to ``f4`` = 20.6, 107.7, 737.9 and 12194 Hz.

    1. IEC 61672-1, Electroacoustics - Sound level meters - Specifications, annex E.
    """
    square = np.maximum(np.asarray(frequency_hz, dtype=np.float64), _LEAST_HZ) ** 2
    f1, f2, f3, f4 = (corner**2 for corner in _CORNERS_HZ)
    response = f4 * square**2 / ((square + f1) * np.sqrt((square + f2) * (square + f3)) * (square + f4))
    return np.asarray(20 * np.log10(response) - _AT_1_KHZ_DB)


def exposure_db(sound: Real, sample_rate_hz: float) -> float:
    """A-weighted sound exposure level of (frames,) [dB re one second at an rms of full scale]; minus infinity for silence.

    The exposure is the time integral of the squared, weighted sound: what a sound level meter takes for a single event.
    By Parseval's theorem it is the weighted sum of ``|X[k]|**2``.
    """
    spectrum = np.fft.rfft(sound)
    frequency_hz: Real = np.asarray(np.fft.rfftfreq(len(sound), 1 / sample_rate_hz), dtype=np.float64)
    weight = 10 ** (a_weighting_db(frequency_hz) / 10)
    both_sides = np.full(len(spectrum), 2.0)
    both_sides[0] = 1.0
    if len(sound) % 2 == 0:
        both_sides[-1] = 1.0
    exposure = float((both_sides * weight * np.abs(spectrum) ** 2).sum()) / len(sound) / sample_rate_hz
    return 10 * float(np.log10(exposure)) if exposure > 0 else -np.inf
