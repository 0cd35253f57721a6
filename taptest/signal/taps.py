"""Find the taps in a recording and judge each one before anything is fitted to it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS

Real = NDArray[np.float64]

# The last one comes from a live source alone: a file does not say that something is missing from it.
REASONS = ("clipped", "double-hit", "too-quiet", "cut-short", "noisy", "gain-control", "no-ring", "dropped-samples")

FRAME_S = 0.001
_HIGH_PASS_S = 0.004  # trailing mean that is taken out: a high-pass near 110 Hz without any look-ahead
STRIKE_FRAMES = 10  # of the blow itself, after which a ring may have sunk
_FLAT = 5  # equal samples in a row that make one flat top
_GATE_BLOCKS = (6, 10, 16, 25)  # of 10 ms: how fast gates close
LEAST_FLOOR = 2.0**-46 / 12  # rounding noise of a 24-bit word: no recording is quieter


@dataclass(frozen=True)
class Tap:
    """One contact found in a recording.

    ``onset`` first sample of the contact, ``start``/``stop`` the samples of its free decay that can be analysed,
    ``silence`` first sample of the quiet stretch before it (it ends ``margin`` before the onset). ``reasons`` is empty
    while the tap is good; otherwise words from ``REASONS``.
    """

    onset: int
    start: int
    stop: int
    silence: int
    snr_db: float
    ring_s: float
    reasons: tuple[str, ...] = ()

    @property
    def accepted(self) -> bool:
        return not self.reasons

    def refused(self, reason: str) -> Tap:
        """The same tap with one more reason against it, in the order of ``REASONS``."""
        return replace(self, reasons=tuple(r for r in REASONS if r in {*self.reasons, reason}))


class Envelope:
    """High-passed signal energy in frames of a millisecond, and the noise floor it stands on.

    The floor is measured in the samples themselves unless one is given, as of a stretch cut out of a longer sound.
    """

    def __init__(self, samples: Real, sample_rate_hz: float, *, floor: float | None = None) -> None:
        self.rate = sample_rate_hz
        self.frame = frame_length(sample_rate_hz)
        self.signal = high_passed(samples, sample_rate_hz)
        self.energy = framed_energy(self.signal, self.frame)
        self.smooth = smoothed(self.energy)
        self.floor = noise_floor(self.smooth) if floor is None else floor

    def index(self, sample: int) -> int:
        return min(sample // self.frame, len(self.energy) - 1)

    def mean(self, start: int, stop: int) -> float:
        """Mean energy between two samples."""
        a = self.index(start)
        return float(self.energy[a : max(self.index(stop), a + 1)].mean())


def frame_length(sample_rate_hz: float) -> int:
    """Samples in one frame of energy."""
    return max(round(FRAME_S * sample_rate_hz), 1)


def framed_energy(signal: Real, frame: int) -> Real:
    """Mean square of each whole frame."""
    count = len(signal) // frame
    frames = signal[: count * frame].reshape(count, frame)
    return np.asarray(np.einsum("ij,ij->i", frames, frames) / frame + 1e-20)


def smoothed(energy: Real) -> Real:
    """Frames of energy averaged over 20 ms, in which rings are followed and the floor is measured."""
    return _mean_energy(energy, 20)


def noise_floor(smooth: Real) -> float:
    """What a sound falls back to between taps: the level below which it is for 15 % of the time."""
    return max(float(np.quantile(smooth, 0.15)) if len(smooth) else 0.0, LEAST_FLOOR)


def high_passed(samples: Real, sample_rate_hz: float) -> Real:
    """Samples less the mean of the time before each: causal, so that an onset casts no shadow ahead."""
    length = max(round(_HIGH_PASS_S * sample_rate_hz), 2)
    total = np.cumsum(np.concatenate((np.full(length, samples[0]), samples)))
    return np.asarray(samples - (total[length:] - total[:-length]) / length)


def running_mean(values: Real, length: int) -> Real:
    """Mean about each sample, of fewer at the ends."""
    total = np.cumsum(np.concatenate(([0.0], values)))
    index = np.arange(len(values))
    low, high = np.maximum(index - length // 2, 0), np.minimum(index + max(length // 2, 1), len(values))
    return np.asarray((total[high] - total[low]) / (high - low))


def _mean_energy(values: Real, length: int) -> Real:
    """The same of energies, which rounding must not leave below nothing."""
    return np.maximum(running_mean(values, length), 1e-20)


def tap_to_noise_db(samples: Real, sample_rate_hz: float) -> float:
    """How far the loudest contacts of a channel stand above its quiet stretches [dB]."""
    envelope = Envelope(samples, sample_rate_hz)
    return float(10 * np.log10(np.quantile(envelope.energy, 0.998) / envelope.floor))


def find_onsets(samples: Real, envelope: Envelope) -> list[int]:
    """First sample of every sharp rise of the sound, within a millisecond.

    A contact lifts the energy within three milliseconds above the ten before, beats between low modes do not. Rises within
    the time of an aftershock belong to the one found. The sample is the minimum of Akaike's criterion
    for a change of variance (Maeda 1985, as used to pick the arrival of earthquake waves).
    """
    energy = envelope.energy
    if len(energy) < 20:
        return []
    candidates, recent = sharp_rises(energy, envelope.floor)
    onsets: list[int] = []
    gap = round(LIMITS.tap.aftershock_s / FRAME_S)
    at = -gap - 1
    for candidate in candidates:
        if candidate - at < gap:
            continue
        doubtful = recent[candidate] > 3 * envelope.floor
        if doubtful and not _struck_in_ring(samples, envelope.rate, int(candidate) * envelope.frame):
            continue
        at = int(candidate)
        peak = at + int(np.argmax(energy[at : at + 8]))
        onsets.append(_pick(samples, envelope, at, peak))
    return onsets


def sharp_rises(energy: Real, floor: float) -> tuple[NDArray[np.intp], Real]:
    """Frames at which the level jumps as it does at a contact, and the loudest of the last tenth of a second at each frame."""
    count = len(energy)
    after, before = _around(energy)
    before[:2] = floor
    rise = 10 * np.log10(after / np.maximum(before, floor))
    level = 10 * np.log10(after / floor)
    # Beating modes fall and rise again, but never above what they were: a new contact tops the last tenth of a second.
    total = np.cumsum(np.concatenate(([0.0], energy)))
    index = np.arange(count)
    steady = (total[np.minimum(index + 1, count)] - total[np.maximum(index - 9, 0)]) / 10
    recent = np.full(count, floor)
    for lag in range(2, 100, 5):
        recent[lag:] = np.maximum(recent[lag:], steady[:-lag])
    return np.flatnonzero(
        (rise > LIMITS.tap.attack_db) & (level > LIMITS.tap.detect_db) & (after > 1.5 * recent)
    ), recent


def _around(energy: Real) -> tuple[Real, Real]:
    """Mean energy in the three frames from each on, and in the ten that end one before it."""
    count = len(energy)
    total = np.cumsum(np.concatenate(([0.0], energy)))
    index = np.arange(count)
    begin, end = np.maximum(index - 11, 0), np.maximum(index - 1, 1)
    after = (total[np.minimum(index + 3, count)] - total[index]) / 3
    before = (total[end] - total[begin]) / np.maximum(end - begin, 1)
    # Differences of a long sum leave nothing, or less, of a quiet frame after a loud one.
    return np.maximum(after, 1e-20), np.maximum(before, 1e-20)


def _pick(samples: Real, envelope: Envelope, at: int, peak: int) -> int:
    start = max((at - 8) * envelope.frame, 0)
    stop = min((peak + 1) * envelope.frame, len(samples))
    pick = _change_of_variance(envelope.signal[start:stop])
    lead = start - round(0.12 * envelope.rate)
    if lead >= 0:
        # Something may still ring, or hum, and swell just before: the contact is also in what its past does not predict.
        error, fold = _unpredicted(samples[lead:stop], envelope.rate, learn=start - lead)
        pick = max(pick, _change_of_variance(np.repeat(error, fold)[start - lead :]))
    return start + pick


def _change_of_variance(signal: Real) -> int:
    # Stop at the first large swing: past it the free decay would pull the pick.
    stop = int(np.argmax(np.abs(signal) > 0.5 * np.abs(signal).max())) + 2
    power = signal[: max(stop, 8)] ** 2
    total = np.cumsum(power) + 1e-25
    n = len(power)
    k = np.arange(2, n - 2)
    if len(k) == 0:
        return 0
    criterion = k * np.log(total[k - 1] / k) + (n - k) * np.log((total[-1] - total[k - 1] + 1e-25) / (n - k))
    return int(k[int(np.argmin(criterion))])


def judge_taps(
    samples: Real,
    sample_rate_hz: float,
    envelope: Envelope,
    *,
    full_scale: float,
    rings_on: bool = False,
    quiet_from: int = 0,
) -> list[Tap]:
    """Every tap of a recording with what is wrong with it as far as level and time tell.

    ``rings_on``: what was tapped may ring for longer than its taps are apart (a bar), so that the sound before the next tap is
    no measure of a recorder's gain. ``quiet_from``: the sample before which something else, which is none of these taps,
    may still have rung.
    """
    onsets = find_onsets(samples, envelope)
    taps: list[Tap] = []
    for number, onset in enumerate(onsets):
        limit = onsets[number + 1] - round(0.004 * sample_rate_hz) if number + 1 < len(onsets) else len(samples)
        start = min(onset + round(LIMITS.tap.contact_s * sample_rate_hz), len(samples))
        sunk = _sunk(envelope, onset, limit)
        stop = start + max(min(limit - start, round(LIMITS.tap.longest_s * sample_rate_hz)), 0)
        first = max(quiet_from, onset - round(1.0 * sample_rate_hz))
        peak = envelope.energy[envelope.index(onset) : envelope.index(onset) + 8].max()
        tap = Tap(
            onset=onset,
            start=start,
            stop=stop,
            silence=min(first, onset),
            snr_db=float(10 * np.log10(peak / envelope.floor)),
            ring_s=max(sunk - onset, 0) / sample_rate_hz,
        )
        taps.append(_judge(tap, samples, sample_rate_hz, envelope, limit, full_scale, rings_on))
        quiet_from = max(quiet_from, sunk)
    return taps


def _sunk(envelope: Envelope, onset: int, limit: int) -> int:
    """The sample at which the ring has sunk into the noise floor (3 dB above it) for good, or ``limit``.

    For good: for the next tenth of a second. Beating modes may fall silent for less.
    """
    a, b = envelope.index(onset) + STRIKE_FRAMES, envelope.index(limit)
    return min((a + first_quiet(envelope.smooth[a:b], envelope.floor)) * envelope.frame, limit)


def first_quiet(smooth: Real, floor: float) -> int:
    """The first frame from which on nothing rises 3 dB above the floor for a tenth of a second, or until the end."""
    loud = np.concatenate(([0], np.cumsum(smooth >= 2.0 * floor)))
    stay = round(0.1 / FRAME_S)
    index = np.arange(len(loud))
    return int(np.argmax(loud[np.minimum(index + stay, len(loud) - 1)] == loud))


def _judge(
    tap: Tap, samples: Real, rate: float, envelope: Envelope, limit: int, full_scale: float, rings_on: bool
) -> Tap:
    ms = rate / 1000
    ring = samples[tap.onset : min(tap.onset + round(0.25 * rate), limit)]
    if _clipped(ring, full_scale):
        tap = tap.refused("clipped")
    if tap.snr_db < LIMITS.tap.quiet_db:
        return tap.refused("too-quiet")
    early = envelope.mean(tap.onset + round(4 * ms), tap.onset + round(25 * ms))
    if tap.onset - tap.silence > 30 * ms:
        before = envelope.mean(max(tap.silence, tap.onset - round(250 * ms)), tap.onset - round(6 * ms))
        if before > 10 * envelope.floor and before > early * 10**-3.0:
            tap = tap.refused("noisy")
    if second_contact(samples, rate, tap.onset, limit):
        tap = tap.refused("double-hit")
    last = envelope.mean(limit - round(15 * ms), limit)
    if limit - tap.start < LIMITS.tap.shortest_s * rate or (
        last > 4 * envelope.floor and last > early * 10 ** (-LIMITS.tap.least_decay_db / 10)
    ):
        tap = tap.refused("cut-short")
    elif tap.ring_s < LIMITS.tap.least_ring_s:
        tap = tap.refused("no-ring")
    step = _step(samples[tap.onset : limit])
    moves = not rings_on and _floor_moves(tap, envelope, limit, step)
    if moves or _gate_closes(samples, rate, tap.onset, limit, step):
        tap = tap.refused("noisy" if _swells(tap, envelope, limit) else "gain-control")
    return tap


def _swells(tap: Tap, envelope: Envelope, limit: int) -> bool:
    """What comes a third of a second later is as loud as the start: somebody talks, or something else sounds."""
    start, stop = envelope.index(tap.onset), envelope.index(limit)
    later = envelope.smooth[start + 300 : stop - 20]
    return bool(len(later) and later.max() > LIMITS.tap.swelling * envelope.smooth[start : start + 100].max())


def _clipped(ring: Real, full_scale: float) -> bool:
    if not len(ring):
        return False
    size = np.abs(ring)
    peak = float(size.max())
    if np.isfinite(full_scale) and np.count_nonzero(size >= LIMITS.tap.clipped_level * full_scale) >= 2:
        return True
    if peak < 0.02:
        return False
    # Clipped before the file was written (a gain stage behind it): flat tops, more than once, at the very same level; or one
    # that the sound runs into at a corner, which no rounding of a natural top makes.
    flat = np.flatnonzero((size[2:] > 0.9995 * peak) & (np.diff(ring)[1:] == 0) & (np.diff(ring)[:-1] == 0))
    if len(flat) and flat[-1] - flat[0] > 8 and np.count_nonzero(np.diff(flat) > 4) >= 1:
        return True
    for run in np.split(flat, np.flatnonzero(np.diff(flat) > 1) + 1):
        if len(run) >= _FLAT - 2 and run[0] >= 1 and run[-1] + 3 < len(size):
            edges = size[[run[0] - 1, run[-1] + 3]]
            if edges.max() < 0.998 * peak:
                return True
    return False


def second_contact(samples: Real, rate: float, onset: int, limit: int) -> bool:
    """Whether the ski was struck again before the next tap that was found, as far as the ring hides it."""
    start = onset + round(LIMITS.tap.contact_s * rate)
    burst, slow = _surprise(samples, rate, start, min(limit, onset + round((LIMITS.tap.hidden_s + 0.02) * rate)))
    strike = float((samples[onset:start] ** 2).sum()) * slow / rate
    times = np.arange(len(burst)) / slow + LIMITS.tap.contact_s
    window = (times > LIMITS.tap.first_bounce_s) & (times < LIMITS.tap.hidden_s)
    return bool(
        np.any(
            window
            & (burst > LIMITS.tap.least_bounce * strike)
            & (burst > LIMITS.tap.burst * _around_burst(burst, slow))
        )
    )


def _struck_in_ring(samples: Real, rate: float, at: int) -> bool:
    """Whether a rise of the sound while a ski still rings is a contact."""
    start = max(at - round(0.2 * rate), 0)
    burst, slow = _surprise(samples, rate, start, min(at + round(0.1 * rate), len(samples)))
    here = round((at - start) * slow / rate)
    part = slice(max(here - round(0.006 * slow), 0), here + round(0.006 * slow))
    return bool(np.any(burst[part] > LIMITS.tap.burst_at_rise * _around_burst(burst, slow)[part]))


def _surprise(samples: Real, rate: float, start: int, stop: int) -> tuple[Real, float]:
    """Energy in bursts of 3 ms that the sound's own past does not predict, and the rate [1/s] at which it is given."""
    error, fold = _unpredicted(samples[start:stop], rate)
    slow = rate / fold
    return np.convolve(error**2, np.ones(max(round(0.003 * slow), 2)), mode="same") if len(error) else error, slow


def _unpredicted(
    piece: Real, rate: float, *, learn: int | None = None, slow_hz: float = 4000.0, order: int = 40, ahead: int = 2
) -> tuple[Real, int]:
    """What a linear recurrence does not predict of a sound, at a rate lower by the whole number that is returned too.

    A free decay obeys one (a sum of damped sinusoids); a contact does not. It is fitted by least squares to the first ``learn``
    samples, or to the whole stretch, of which a contact is a small part. For contacts it looks half a millisecond ahead: a soft
    blow changes the very next sample too little to stand out from noise.
    """
    fold = max(int(rate // slow_hz), 1)
    slow = piece[: len(piece) // fold * fold].reshape(-1, fold).mean(axis=1)
    if len(slow) < 4 * order:
        return np.zeros(0), fold
    rows = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(slow, order + ahead))
    known = rows if learn is None else rows[: max(learn // fold - order - ahead, 2 * order)]
    past, next_ = known[:, :order], known[:, -1]
    gram = past.T @ past
    gram[np.diag_indices(order)] += 1e-10 * np.trace(gram) / order + 1e-25
    weights = np.linalg.solve(gram, past.T @ next_)
    return np.concatenate((np.zeros(order + ahead - 1), rows[:, -1] - rows[:, :order] @ weights)), fold


def _around_burst(burst: Real, slow: float) -> Real:
    """Median of the bursts before or after, whichever is larger (reverberation makes many, all alike).

    As far off as a contact confuses the prediction: until it has left the recurrence's memory.
    """
    if not len(burst):
        return burst
    index = np.arange(len(burst))[:, None]
    before = np.arange(round(0.015 * slow), round(0.035 * slow), 2)
    after = np.arange(round(0.020 * slow), round(0.045 * slow), 2)
    sides = [np.median(burst[np.clip(index + near, 0, len(burst) - 1)], axis=1) for near in (-before, after)]
    return np.asarray(np.maximum(*sides)) + 1e-25


def _step(samples: Real) -> float:
    """The smallest value that is not zero: of one bit, unless noise never comes so close to zero."""
    size = np.abs(samples)
    return float(np.min(size, where=size > 0, initial=1.0))


def _floor_moves(tap: Tap, envelope: Envelope, limit: int, step: float) -> bool:
    """The noise after the blow differs from the noise before it: the recorder turned its gain.

    Lower at some time, as it lets the gain rise again; higher throughout (a beat may bring a ring back for a while), and
    not as what still rings, which goes on falling, nor by no more than the last bit of a ring where silence is all zeros.
    Means of 100 ms against means of 100 ms: hum makes them twice the median of shorter ones.
    """
    before = envelope.energy[envelope.index(tap.silence) : max(envelope.index(tap.onset) - 8, 0)]
    ring = envelope.energy[envelope.index(tap.onset) : max(envelope.index(limit) - 8, 0)]
    if len(before) < 150 or len(ring) < 150:
        return False
    usual = float(np.median(_mean_energy(before, 100)[50:-50]))
    if float(_mean_energy(ring, 100)[50:-50].min()) < LIMITS.tap.floor_drop * usual:
        return True
    after = ring[round((tap.ring_s + 0.05) / FRAME_S) :][:800]
    if len(after) < 150 or float(_mean_energy(after, 100)[50:-50].min()) <= LIMITS.tap.floor_rise * max(usual, step**2):
        return False
    third = len(after) // 3
    return float(after[-third:].mean()) > LIMITS.tap.steady * float(after[:third].mean())


def _gate_closes(samples: Real, rate: float, onset: int, limit: int, step: float) -> bool:
    """The noise under the ring stays level, then drops: a gate let it through while the ski rang, and closed on the ring.

    What the ring's own past does not predict is the noise and, falling exponentially, what the room and weaker modes
    add. Its level in decibels is convex in time: in the two blocks that follow a step of one block it falls by no more
    than twice that step. Below the rounding noise of the last bit nothing can be told: a ring ends there in all zeros.
    """
    ring = samples[onset + round(0.03 * rate) : min(limit, onset + round(3.0 * rate))]
    error, fold = _unpredicted(ring, rate, slow_hz=8000.0, ahead=1)
    frame = round(0.01 * rate / fold)
    count = len(error) // frame
    energy = (error[: count * frame].reshape(count, frame) ** 2).mean(axis=1)[1:]  # nothing is predicted at first
    rounding = step**2 / 12 + 1e-30
    for width in _GATE_BLOCKS:
        if len(energy) < 4 * width:
            break
        level = 10 * np.log10(np.median(np.lib.stride_tricks.sliding_window_view(energy, width), axis=1) + rounding)
        first, second, third = level[: -3 * width], level[width : -2 * width], level[3 * width :]
        excess = second - third - 2 * np.maximum(first - second, 0.0)
        if np.any((excess > LIMITS.tap.gate_db) & (second < np.minimum.accumulate(first) + 3.0)):
            return True
    return False
