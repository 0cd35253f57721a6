"""Taps in what a pickup on the ski gives: motion at any sample rate, with neither a room nor a recorder's gain in it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.signal.taps import Tap, running_mean, second_contact

Real = NDArray[np.float64]

_BURST_S = 0.008  # in which a contact lifts the motion
_STEP_HZ = 2000.0
_BEFORE_S = 0.1  # over everything in that time before it: beats between low modes do not
_FILTER_SAMPLES = 4  # of a digitiser, over which it spreads the contact
_FILTER_RINGS = 24  # samples around the contact for which a steep one is seen to ring
_DRIFT_S = 0.1  # what is slower is how the ski swings in its loops
_SMOOTH_S = 0.1
_LEAST = 1e-14  # of full scale squared: rounding


def pickup_taps(samples: Real, sample_rate_hz: float, *, clipped_s: Sequence[float] = ()) -> list[Tap]:
    """Every contact and what is wrong with it, as `taptest.signal.taps.judge_taps` does for a microphone.

    A contact lifts the energy of the differences between samples above all of the tenth of a second before it. ``clipped_s``:
    times at which the pickup was driven to its end. A bounce is told from 2 kHz sample rate on; below, only one that is
    stronger than what went before.
    """
    rate = sample_rate_hz
    steps = _steps(samples, rate)
    burst = _bursts(steps, rate)
    floor = _floor(running_mean(burst, round(0.05 * rate)))
    motion = running_mean(_less_drift(samples, rate) ** 2, round(_SMOOTH_S * rate))
    motion_floor = _floor(motion)
    onsets = _onsets(steps, burst, floor, rate)
    firsts = [
        at
        for number, at in enumerate(onsets)
        if number == 0 or at - onsets[number - 1] >= LIMITS.pickup_tap.together_s * rate
    ]
    taps = []
    quiet_from = 0
    for number, onset in enumerate(firsts):
        limit = firsts[number + 1] - round(0.01 * rate) - 2 if number + 1 < len(firsts) else len(samples)
        start = min(onset + round(LIMITS.pickup_tap.contact_s * rate) + _FILTER_SAMPLES, len(samples))
        sunk = _sunk(motion, start, limit, motion_floor, rate)
        peak = float(burst[onset : onset + round(0.02 * rate) + 1].max())
        tap = Tap(
            onset=onset,
            start=start,
            stop=start + max(min(limit - start, round(LIMITS.pickup_tap.longest_s * rate)), 0),
            silence=min(max(quiet_from, onset - round(rate)), onset),
            snr_db=float(10 * np.log10(peak / floor)),
            ring_s=max(sunk - onset, 0) / rate,
        )
        again = any(0 < other - onset < LIMITS.pickup_tap.together_s * rate for other in onsets)
        taps.append(_judged(tap, samples, rate, motion, motion_floor, limit, clipped_s, again))
        quiet_from = max(quiet_from, sunk)
    return taps


def _judged(
    tap: Tap,
    samples: Real,
    rate: float,
    motion: Real,
    floor: float,
    limit: int,
    clipped_s: Sequence[float],
    again: bool,
) -> Tap:
    if any(tap.onset - 0.01 * rate <= at * rate < limit for at in clipped_s):
        tap = tap.refused("clipped")
    if tap.snr_db < LIMITS.pickup_tap.quiet_db:
        return tap.refused("too-quiet")
    if again or (rate >= LIMITS.pickup_tap.bounce_hz and second_contact(samples, rate, tap.onset, limit)):
        tap = tap.refused("double-hit")
    half = round(_SMOOTH_S * rate) // 2
    early = float(motion[min(tap.start + half, len(motion) - 1)])
    last = float(motion[max(min(limit, len(motion)) - half - 1, 0)])
    if tap.stop - tap.start < LIMITS.pickup_tap.shortest_s * rate or (last > 4 * floor and last > 0.1 * early):
        return tap.refused("cut-short")
    if tap.onset - tap.silence > 0.1 * rate:
        before = float(np.median(motion[tap.silence : max(tap.onset - half, tap.silence + 1)]))
        if before > 10 * floor and before > 0.01 * early:
            tap = tap.refused("noisy")
    return tap


def _steps(samples: Real, rate: float) -> Real:
    """Size of the change over each millisecond at most, from one mean to the next: noise of quick samplers averages out."""
    lag = max(int(rate // _STEP_HZ), 1)
    total = np.cumsum(np.concatenate((np.full(2 * lag, samples[0]), samples)))
    # Sums over the lag before each sample, it included, and over the lag before that.
    after, before = total[2 * lag :] - total[lag:-lag], total[lag:-lag] - total[: -2 * lag]
    return np.asarray(np.abs(after - before) / lag)


def _bursts(steps: Real, rate: float) -> Real:
    """Mean square of the steps in the ``_BURST_S`` that begin at each sample."""
    energy = steps**2
    length = max(round(_BURST_S * rate), 3)
    total = np.cumsum(np.concatenate(([0.0], energy)))
    stop = np.minimum(np.arange(len(energy)) + length, len(energy))
    return np.asarray(np.maximum((total[stop] - total[:-1]) / length, _LEAST))


def _onsets(steps: Real, burst: Real, floor: float, rate: float) -> list[int]:
    length = max(round(_BURST_S * rate), 3)
    before = np.full(len(burst), floor)
    for lag in range(length, max(round(_BEFORE_S * rate), length + 1), max(length // 2, 1)):
        before[lag:] = np.maximum(before[lag:], burst[:-lag])
    found: list[int] = []
    busy_until = -1
    for at in np.flatnonzero((burst > LIMITS.pickup_tap.rise * before) & (burst > LIMITS.pickup_tap.detect * floor)):
        if at < busy_until:
            continue
        # The first large step within what rose: a digitiser's filter rings ahead of the contact.
        near = steps[at : at + max(2 * length, _FILTER_RINGS) + 1]
        found.append(int(at + np.argmax(near > 0.25 * near.max())))
        busy_until = found[-1] + max(round(0.018 * rate) + length, _FILTER_RINGS)
    return found


def _less_drift(samples: Real, rate: float) -> Real:
    return np.asarray(samples - running_mean(samples, round(_DRIFT_S * rate)))


def _floor(energy: Real) -> float:
    """What the motion falls back to between taps: the level below which it is for 15 % of the time."""
    return max(float(np.quantile(energy, 0.15)), _LEAST)


def _sunk(motion: Real, start: int, limit: int, floor: float, rate: float) -> int:
    """The sample from which on the motion stays 3 dB above the floor or lower for a tenth of a second, or ``limit``."""
    loud = np.concatenate(([0], np.cumsum(motion[start:limit] >= 2.0 * floor)))
    index = np.arange(len(loud))
    quiet = loud[np.minimum(index + round(0.1 * rate), len(loud) - 1)] == loud
    return min(start + int(np.argmax(quiet)), limit)
