"""The one place where samples are brought to another sample rate."""

from __future__ import annotations

from math import gcd

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

_HALF_POINTS = 32  # to either side of a sample, at the slower of the two rates
_BETA = (
    9.0  # of the Kaiser window: images below -90 dB; with 64 points a transition of 0.09 of the rate (Kaiser's formula)
)
_AT_ONCE = 65_536


def at_rate(values: Real, from_hz: int, to_hz: int) -> Real:
    """A sound (frames,) that begins and ends in silence at another sample rate, flat up to 0.45 of the slower one.

    A polyphase filter; what lies above half of the slower rate is lost.
    """
    divisor = gcd(from_hz, to_hz)
    up, down = to_hz // divisor, from_hz // divisor
    if up == down:
        return values
    from scipy.signal import firwin, resample_poly

    slow = max(up, down)
    window = firwin(2 * 64 * slow + 1, 1 / slow, window=("kaiser", 14.0))  # ripple and images below -130 dB
    return np.asarray(resample_poly(values, up, down, window=window))


def at_slightly_higher_rate(values: Real, from_hz: float, to_hz: float) -> Real:
    """A series (frames, channels) at a sample rate that is no simple multiple of its own, such as 1653 Hz after 1652.9 Hz.

    A windowed sinc, flat up to 0.45 of the sample rate. Beyond its ends the series goes on as it is reflected in them.
    """
    half = _HALF_POINTS
    edge = np.concatenate((2 * values[:1] - values[half:0:-1], values, 2 * values[-1:] - values[-2 : -half - 2 : -1]))
    count = int((len(values) - 1) * to_hz / from_hz) + 1
    out = np.empty((count, values.shape[1]))
    reach = np.arange(-half + 1, half + 1)
    for start in range(0, count, _AT_ONCE):
        place = np.arange(start, min(start + _AT_ONCE, count)) * (from_hz / to_hz)
        whole = np.minimum(place.astype(np.int64), len(values) - 1)
        distance = (place - whole)[:, None] - reach
        window = np.i0(_BETA * np.sqrt(np.maximum(1 - (distance / half) ** 2, 0.0))) / np.i0(_BETA)
        out[start : start + len(place)] = np.einsum(
            "ij,ijc->ic", np.sinc(distance) * window, edge[whole[:, None] + reach + half]
        )
    return out
