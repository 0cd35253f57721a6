"""When rings have sunk into the noise and what is silent before them, told from the sound right around the taps alone.

The floor that taps are found over is measured in the whole recording, and so moves a little with where it was cut. Whatever
the fit stands on (the length of its records, the silences its noise is measured in) must not: of the same taps the same
samples are taken, whether they lie in a recording that goes on for minutes or in one that was cut around them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from taptest.signal.taps import (
    LEAST_FLOOR,
    STRIKE_FRAMES,
    Real,
    Tap,
    first_quiet,
    frame_length,
    framed_energy,
    high_passed,
    smoothed,
)

_GAP_S = 0.005  # between the silence that is measured and the onset
_SILENCE_S = (
    0.9  # measured before a tap at most: eight half-overlapping blocks (spectrum.py); a recording keeps a little more
)
_LEAST_SILENCE_S = 0.2
_FLOOR_S = 0.5  # of each silence, nearest to the tap: an earlier ring has certainly sunk by then
_FLOOR_SHARE = 0.25  # of these silences is below the floor, so that a voice in some of them does not raise it
_SETTLING_S = 0.01  # of the high-pass, at the start of a stretch


def ring_lengths(samples: Real, rate: float, taps: Sequence[Tap]) -> list[int]:
    """Samples from each onset until the ring has sunk to 3 dB above the silence before the good taps, `Tap.stop` at the latest.

    The frames of energy begin at the onset itself, so that nothing depends on where the recording begins. Where no silence
    is long enough it is `Tap.ring_s`.
    """
    floor = _floor(samples, rate, [t for t in taps if t.accepted] or taps)
    if floor is None:
        return [round(t.ring_s * rate) for t in taps]
    frame = frame_length(rate)
    lengths = []
    for tap in taps:
        smooth = _levels(samples, rate, tap.onset, tap.stop)[STRIKE_FRAMES:]
        sunk = (STRIKE_FRAMES + first_quiet(smooth, floor)) * frame
        lengths.append(min(sunk, max(tap.stop - tap.onset, 0)))
    return lengths


def silences(samples: Real, rate: float, taps: Sequence[Tap]) -> list[Real]:
    """The stretches before the good taps that are long enough to measure the noise in, in order of time.

    The one before the first tap counts whatever the tap is like: nothing was struck before it. What lies before a bad tap does
    not, as it is not kept while recording.
    """
    lengths = ring_lengths(samples, rate, taps)
    none_good = not any(t.accepted for t in taps)
    stretches = []
    for number, tap in enumerate(taps):
        sunk = taps[number - 1].onset + lengths[number - 1] if number else tap.silence
        stop = tap.onset - round(_GAP_S * rate)
        start = max(stop - round(_SILENCE_S * rate), sunk)
        if (tap.accepted or number == 0 or none_good) and stop - start >= _LEAST_SILENCE_S * rate:
            stretches.append(samples[start:stop])
    return stretches


def _floor(samples: Real, rate: float, taps: Sequence[Tap]) -> float | None:
    frame = frame_length(rate)
    levels = []
    for tap in taps:
        stop = tap.onset - round(_GAP_S * rate)
        count = min(stop - tap.silence, round(_FLOOR_S * rate)) // frame
        if count * frame >= _LEAST_SILENCE_S * rate:
            levels.append(_levels(samples, rate, stop - count * frame, stop))
    return max(float(np.quantile(np.concatenate(levels), _FLOOR_SHARE)), LEAST_FLOOR) if levels else None


def _levels(samples: Real, rate: float, start: int, stop: int) -> Real:
    """Smoothed energies of the frames from ``start`` on."""
    lead = min(round(_SETTLING_S * rate), start)
    return smoothed(framed_energy(high_passed(samples[start - lead : stop], rate)[lead:], frame_length(rate)))
