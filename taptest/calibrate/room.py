"""Reverberation time of a room by octave bands, and what it sounds like in silence, from claps or bursts of noise.

The energy of each octave band is integrated backwards from where it meets the noise (Schroeder 1965); noise is taken out and
the part of the decay below it is put back as the exponential it continues. The slope of the level from -5 dB on gives the
time to fall by 60 dB: over 30 dB (T30) where the noise lies 45 dB below, over 20 dB (T20) where it lies 35 dB below [1]. Bass
that a clap hardly excites may only reach 10 dB (T10), which is less than [1] asks for, and the uncertainty says so.

References:
    [1] ISO 3382-2:2008, Acoustics - Measurement of room acoustic parameters - Reverberation time in ordinary rooms, 5.3
        (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cosh, exp, hypot, log, log10, sinh, sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.core.errors import CalibrationError, RecordingError, shown
from taptest.io.recording import Recording, read_sound
from taptest.signal.analysis import choose_channel
from taptest.signal.spectrum import Hum, find_hum
from taptest.signal.taps import Envelope, find_onsets

_LIMITS = LIMITS.room_calibration

Real = NDArray[np.float64]

OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0)

_ORDER = 4  # of the band-pass filters on either side: steeper than class 1 of IEC 61260 asks for (from memory)
_NOISE_BANDWIDTH = 0.71  # of an octave filter over its centre: (sqrt 2 - 1/sqrt 2)
_LEAD_DB = 5.0
_RANGES: tuple[tuple[str, float], ...] = (("T30", 30.0), ("T20", 20.0), ("T10", 10.0))
_STEP_S = 0.002
_SMOOTH_S = 0.03
_SETTLING_S = 0.2  # of the filters, which run backwards: before the next clap and the end of the recording
_SHORTEST_DECAY_S = 0.1
_LONGEST_DECAY_S = 15.0
_ROUNDS = 8
_TONES_HZ = (250.0, 500.0, 1000.0)  # below, a room has too few modes of its own to sound like noise
_CONTACT_S, _TONES_S = 0.02, 0.22  # what is looked at after the clap
_NOTCH_HZ = 6.0  # width of what is taken out around a line of mains hum
_LEAST_POWER = 1e-20


@dataclass(frozen=True)
class BandDecay:
    """One octave band: ``reverberation_s`` and its standard uncertainty, or None and ``why_not``.

    ``method`` T30, T20 or T10; ``decays`` used; ``range_db`` from the start of the decays to the noise; ``noise_db`` of the
    silence against full scale; ``curved`` when the decay has more than one rate.
    """

    centre_hz: float
    reverberation_s: float | None
    reverberation_u_s: float | None
    method: str
    decays: int
    range_db: float | None
    noise_db: float
    curved: bool
    why_not: str

    @property
    def low_hz(self) -> float:
        return self.centre_hz / sqrt(2)

    @property
    def high_hz(self) -> float:
        return self.centre_hz * sqrt(2)


@dataclass(frozen=True)
class RoomResult:
    """What recordings say about a room; ``unread`` names those that could not be used, and why."""

    bands: tuple[BandDecay, ...]
    hum: Hum | None
    recordings: tuple[str, ...]
    decays: int
    unread: tuple[str, ...] = ()


@dataclass(frozen=True)
class Decay:
    """One decay in one band: time to fall by 60 dB from each range that the noise leaves room for."""

    range_db: float
    times_s: dict[str, float]


def measure_room(paths: Sequence[str], *, channel: int | None = None) -> RoomResult:
    """The room from recordings of claps or bursts, each at another place of the microphone if there are several.

    A recording that cannot be used is named in ``unread`` and does not stop the others.

    Raises:
        CalibrationError: no band could be measured in any of them; the message says why.
    """
    used: list[_Heard] = []
    unread = []
    for path in paths:
        try:
            used.append(_heard(read_sound(path), channel))
        except (RecordingError, CalibrationError) as problem:
            unread.append(str(problem))
    if not used:
        raise CalibrationError("; ".join(unread) or "no recording given: record a clap and a second of silence")
    bands = tuple(_band(centre, [heard.bands[centre] for heard in used]) for centre in OCTAVES_HZ)
    result = RoomResult(
        bands,
        next((heard.hum for heard in used if heard.hum is not None), None),
        tuple(heard.name for heard in used),
        sum(heard.events for heard in used),
        tuple(unread),
    )
    if all(band.reverberation_s is None for band in bands):
        raise CalibrationError(
            f"{', '.join(shown(name, 100) for name in result.recordings)}: no decay stands far enough above the noise "
            f"({bands[3].why_not} at 500 Hz); clap louder, nearer to the microphone, or in a quieter hour"
        )
    return result


@dataclass(frozen=True)
class _Heard:
    name: str
    events: int
    bands: dict[float, tuple[list[Decay], float, str]]  # decays, noise power, why there is none
    hum: Hum | None


def _heard(recording: Recording, channel: int | None) -> _Heard:
    rate = float(recording.sample_rate_hz)
    samples = np.asarray(recording.samples[:, choose_channel(recording, channel)], dtype=np.float64)
    name = shown(recording.path, 100)
    onsets = find_onsets(samples, Envelope(samples, rate))
    if not onsets:
        raise CalibrationError(f"{name}: no clap or burst found; start with a second of silence, then clap loudly")
    if onsets[0] < _LIMITS.least_silence_s * rate:
        raise CalibrationError(
            f"{name}: only {onsets[0] / rate:.2f} s of silence before the first sound; at least "
            f"{_LIMITS.least_silence_s:g} s are needed to know the noise: wait a second before you clap"
        )
    if np.count_nonzero(np.abs(samples) >= 0.9985 * recording.peak_full_scale) >= 8:
        raise CalibrationError(f"{name}: is clipped, so its decay is not what it seems; lower the recording level")
    silence = samples[: onsets[0] - round(0.02 * rate)]
    ends = [*(onset - round(_SETTLING_S * rate) for onset in onsets[1:]), len(samples) - round(_SETTLING_S * rate)]
    pieces = [
        (start, min(end, start + round(_LONGEST_DECAY_S * rate))) for start, end in zip(onsets, ends, strict=True)
    ]
    pieces = [(start, end) for start, end in pieces if end - start >= 2 * _SHORTEST_DECAY_S * rate]
    if _rings(samples, pieces, rate):
        raise CalibrationError(
            f"{name}: rings in single tones, as a tapped ski does and a room does not; clap your hands or burst a paper "
            "bag, with no ski or bell near by"
        )
    found = find_hum([silence], rate)
    clean = without_lines(samples, rate, () if found is None else found.lines_hz)
    quiet = without_lines(silence, rate, () if found is None else found.lines_hz)
    bands = {centre: _decays(clean, pieces, quiet, rate, centre) for centre in OCTAVES_HZ}
    return _Heard(name, len(pieces), bands, found)


def _rings(samples: Real, pieces: Sequence[tuple[int, int]], rate: float) -> bool:
    """Whether single tones make up what is heard: spectral flatness, geometric over arithmetic mean of the power.

    That of noise is exp(-0.5772), -2.5 dB; a clap's own tilt takes another decibel or two; tones take many.
    """
    flatness = []
    for start, end in pieces:
        piece = samples[start + round(_CONTACT_S * rate) : min(end, start + round(_TONES_S * rate))]
        frequency = np.fft.rfftfreq(len(piece), 1 / rate)
        power = np.abs(np.fft.rfft(piece)) ** 2 + _LEAST_POWER
        for centre in _TONES_HZ:
            inside = power[(frequency > centre / sqrt(2)) & (frequency < centre * sqrt(2))]
            if len(inside) >= 10:
                flatness.append(10 * log10(float(np.exp(np.log(inside).mean())) / float(inside.mean())))
    return bool(flatness) and float(np.mean(flatness)) < _LIMITS.most_tonal_db


def _decays(
    samples: Real, pieces: Sequence[tuple[int, int]], silence: Real, rate: float, centre_hz: float
) -> tuple[list[Decay], float, str]:
    """Every usable decay of a band, the power of the noise in it, and why there is none."""
    if centre_hz * sqrt(2) > 0.45 * rate:
        return [], _LEAST_POWER, f"the recording ends at {0.45 * rate:.0f} Hz"
    filtered = octave(samples, rate, centre_hz)
    # Of the silence alone: filters that run backwards in time let a clap cast its shadow ahead of itself.
    quiet = octave(silence, rate, centre_hz)
    noise = float(np.mean(quiet[: len(quiet) - round(_SETTLING_S * rate)] ** 2)) + _LEAST_POWER
    found = [band_decay(filtered[start:end] ** 2, rate, noise) for start, end in pieces]
    decays = [decay for decay in found if decay.times_s]
    if decays:
        return decays, noise, ""
    best = max((decay.range_db for decay in found), default=0.0)
    return (
        [],
        noise,
        f"only {max(best, 0.0):.0f} dB above the noise, {_RANGES[-1][1] + _LEAD_DB + _LIMITS.headroom_db:.0f} are needed",
    )


def octave(samples: Real, rate: float, centre_hz: float) -> Real:
    """Samples through an octave band, filtered backwards in time, so that the filter's own ring does not lengthen a decay.

    Jacobsen and Rindel, J. Sound Vib. 115 (1987) 187: backwards a decay is kept down to bandwidth x T = 4 (from memory).
    """
    from scipy.signal import butter, sosfilt

    sections = butter(_ORDER, [centre_hz / sqrt(2), centre_hz * sqrt(2)], "bandpass", fs=rate, output="sos")
    return np.asarray(sosfilt(sections, samples[::-1])[::-1])


def without_lines(samples: Real, rate: float, lines_hz: Sequence[float]) -> Real:
    """Samples with notches at the lines of mains hum; backwards in time, so that the notches do not ring into a decay."""
    from scipy.signal import iirnotch, lfilter

    backwards = samples[::-1]
    for line in lines_hz:
        backwards = lfilter(*iirnotch(line, line / _NOTCH_HZ, fs=rate), backwards)
    return np.asarray(backwards[::-1])


def band_decay(power: Real, rate: float, noise: float) -> Decay:
    """One decay of squared band-filtered samples that starts with the clap, or ends with the end of the burst.

    E(t) = integral of (p² - N) from t to t1, plus the rest of the exponential from t1 on; t1 is where the exponential meets
    the noise, found in turns (Lundeby et al., Acustica 81 (1995) 344). T = -60 / slope of 10 lg E [1].

    Args:
        power: squared samples, from the onset on.
        rate: their rate [1/s].
        noise: mean of the squared noise before the onset.
    """
    step = max(round(_STEP_S * rate), 1)
    blocks = power[: len(power) // step * step].reshape(-1, step).mean(axis=1)
    dt = step / rate
    if len(blocks) * dt < _SHORTEST_DECAY_S:
        return Decay(0.0, {})
    width = max(round(_SMOOTH_S / dt), 1)
    smooth = np.convolve(blocks, np.ones(width) / width, mode="same")
    loud = np.flatnonzero(smooth > smooth.max() / 2)
    # A clap is loudest at once; a burst goes on, and its decay begins where it was last about as loud as ever.
    decay = blocks[
        min(int(loud[-1]), int(np.argmax(smooth)) if loud[-1] - np.argmax(smooth) < width else len(blocks)) :
    ]
    smooth = smooth[len(blocks) - len(decay) :]
    quiet = np.flatnonzero(smooth < 2 * noise)
    end = int(quiet[0]) if len(quiet) else len(decay)
    fall, start_power = 0.0, 0.0
    curve = np.zeros(0)
    for _ in range(_ROUNDS):
        if end * dt < _SHORTEST_DECAY_S / 2:
            return Decay(10 * log10(max(float(smooth[0]) / noise, 1.0)), {})
        clean = decay[:end] - noise
        curve = np.cumsum(clean[::-1])[::-1] * dt
        curve = curve + (noise / fall if fall else 0.0)  # what lies below the noise from t1 on
        level = 10 * np.log10(np.maximum(curve, _LEAST_POWER))
        part = _between(level, _LEAD_DB, _LEAD_DB + 20.0)
        if part.stop - part.start < 4:
            part = slice(0, max(len(level) // 2, 4))
        fall = max(-_slope(level[part], dt) * log(10) / 10, 1e-3)
        start_power = fall * float(curve[0])
        crossing = int(log(max(start_power / noise, 1.0)) / fall / dt)
        end, before = min(crossing, len(decay)), end
        after = decay[min(crossing + round(2.3 / fall / dt), len(decay)) :]
        if len(after) * dt > 0.3:
            noise = float(after.mean()) + _LEAST_POWER  # in which the decay ends, rather than the one before it
        if abs(end - before) <= 1:
            break
    range_db = 10 * log10(max(start_power / noise, 1.0))
    times = {}
    for name, reach in _RANGES:
        part = _between(level, _LEAD_DB, _LEAD_DB + reach)
        if (
            range_db >= _LEAD_DB + reach + _LIMITS.headroom_db
            and part.stop - part.start >= 5
            and part.stop < len(level)
        ):
            times[name] = -60 / _slope(level[part], dt)
    shortest, longest = LIMITS.reverberation.shortest_s, LIMITS.reverberation.longest_s
    return Decay(range_db, {name: time for name, time in times.items() if shortest <= time <= longest})


def _between(level: Real, upper_db: float, lower_db: float) -> slice:
    """From where a falling level is ``upper_db`` below its start to where it is ``lower_db`` below."""
    drop = level[0] - level
    start, stop = (np.flatnonzero(drop > limit) for limit in (upper_db, lower_db))
    return slice(int(start[0]) if len(start) else len(level), int(stop[0]) if len(stop) else len(level))


def _slope(level: Real, dt: float) -> float:
    time = (np.arange(len(level)) - (len(level) - 1) / 2) * dt
    return float(time @ level / (time @ time))


def statistical_u_rel(time_s: float, centre_hz: float, reach_db: float) -> float:
    """Relative standard uncertainty of a reverberation time read from one place in an octave band of noise.

    The logarithm of the backward integral of exponentially decaying noise wanders about its line with variance k/2B and
    correlation exp(-k |t - s|), k = 13.8/T. The slope of a least-squares line over ``reach_db`` then has, with
    h = ``reach_db`` ln(10)/20,

        (u/T)² = 6.91/(B T) (3/(2 h³))² [4 h³/3 - 4 (1 + h) exp(-h) (h cosh h - sinh h)]

    which for 30 and 20 dB is the 0.55² and 0.88² over B T of ISO 3382 (after Davy 1980; derived here, the two numbers from
    memory).
    """
    h = reach_db * log(10) / 20
    shape = (1.5 / h**3) ** 2 * (4 * h**3 / 3 - 4 * (1 + h) * exp(-h) * (h * cosh(h) - sinh(h)))
    return sqrt(log(1000) / (_NOISE_BANDWIDTH * centre_hz * time_s) * shape)


def _band(centre_hz: float, heard: Sequence[tuple[list[Decay], float, str]]) -> BandDecay:
    """One band from every place: the mean of what the widest range gives there, and the scatter that is to be expected."""
    noise_db = 10 * log10(float(np.mean([noise for _, noise, _ in heard])))
    places = [decays for decays, _, _ in heard if decays]
    if not places:
        return BandDecay(centre_hz, None, None, "", 0, None, noise_db, False, heard[0][2])
    # The same range at every place, the widest that most decays of each have.
    method, reach = next(
        (name, reach)
        for name, reach in _RANGES
        if all(2 * sum(name in decay.times_s for decay in decays) >= len(decays) for decays in places)
        or name == _RANGES[-1][0]
    )
    times = [[decay.times_s[method] for decay in decays if method in decay.times_s] for decays in places]
    means = [float(np.median(each)) for each in times if each]
    time_s = float(np.mean(means))
    u_rel = statistical_u_rel(time_s, centre_hz, reach) / sqrt(len(means))
    if len(means) > 1:
        u_rel = max(u_rel, float(np.std(means, ddof=1)) / sqrt(len(means)) / time_s)
    within = [float(np.std(each, ddof=1)) / sqrt(len(each)) / time_s for each in times if len(each) > 1]
    if within:
        u_rel = hypot(u_rel, sqrt(float(np.mean(np.square(within))) / len(within)))
    ratios = [d.times_s["T30"] / d.times_s["T20"] - 1 for decays in places for d in decays if "T30" in d.times_s]
    return BandDecay(
        centre_hz=centre_hz,
        reverberation_s=time_s,
        reverberation_u_s=u_rel * time_s,
        method=method,
        decays=sum(len(each) for each in times),
        range_db=float(np.median([decay.range_db for decays in places for decay in decays])),
        noise_db=noise_db,
        curved=bool(ratios)
        and float(np.median(ratios)) > max(_LIMITS.curved_ratio, 2 * statistical_u_rel(time_s, centre_hz, 20.0)),
        why_not="",
    )
