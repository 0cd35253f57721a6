"""What a recording looks like beside what was fitted to it: spectrum, ring-down, and a tap to listen to.

Nothing is estimated here; the samples are read once more and set beside an `Analysis` that was made of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.config.settings import Settings
from taptest.io.recording import Recording
from taptest.io.resampling import at_rate
from taptest.signal.analysis import Analysis, Mode

Real = NDArray[np.float64]

CLIP_PEAK_DBFS = -12.0  # whoever listens may wear headphones
_CLIP_BEFORE_S = 0.08
_CLIP_S = 1.5
_SHOWN_S = 2.5
_FADE_S = 0.02
_POINTS = 90
_DEPTH_DB = 62.0
_SMOOTH_S = (0.02, 0.12)
_OWN_DB = 15.0


@dataclass(frozen=True, eq=False)
class SpectrumTrace:
    """The mean spectrum of the good taps, and in the same units the noise and every mode.

    ``level_db`` and ``noise_db`` (bins,) over ``frequencies_hz``, 0 dB at the strongest bin; ``peak_db`` (modes,): height of
    each resonance of the analysis had its ring not been cut; ``record_s``: length of the records that were transformed.
    """

    frequencies_hz: Real
    level_db: Real
    noise_db: Real
    peak_db: tuple[float, ...]
    record_s: float

    def resonance_db(self, mode: Mode, peak_db: float, frequencies_hz: Real, *, cut: bool) -> Real:
        """Level of one mode alone, as it is or as a record of this length shows it.

        |1 / (alpha + i (omega - omega_d))|, times |1 - exp(-(alpha + i (omega - omega_d)) T)| where it is cut after T:
        equation (1) of `taptest.signal.ringdown` far below half the sample rate.
        """
        omega = 2 * np.pi * mode.frequency_hz
        alpha, damped = mode.damping_ratio * omega, omega * np.sqrt(1 - mode.damping_ratio**2)
        s = alpha + 1j * (2 * np.pi * frequencies_hz - damped)
        shape = alpha / np.abs(s)
        if cut:
            shape = shape * np.abs(1 - np.exp(-s * self.record_s))
        return np.asarray(peak_db + 20 * np.log10(np.maximum(shape, 1e-9)))

    def thinned(self, columns: int) -> tuple[Real, Real]:
        """Frequency and level of the highest bin in each of so many equal steps of a logarithmic axis that hold one.

        No more than the eye can tell apart.
        """
        where = np.log(self.frequencies_hz / self.frequencies_hz[0])
        column = np.floor(where / where[-1] * (columns - 1)).astype(int)
        starts = np.flatnonzero(np.diff(column, prepend=-1))
        highest = [
            start + int(np.argmax(part))
            for start, part in zip(starts, np.split(self.level_db, starts[1:]), strict=True)
        ]
        return self.frequencies_hz[highest], self.level_db[highest]


@dataclass(frozen=True, eq=False)
class RingDownTrace:
    """Level of the sound around one mode while it rings, all good taps together; 0 dB at its start.

    ``level_db`` (points,) over ``time_s`` after the contact; the fitted decay falls by ``slope_db_per_s``
    from 0 dB; ``floor_db``: what the noise alone would give.
    """

    mode: Mode
    time_s: Real
    level_db: Real
    slope_db_per_s: float
    floor_db: float


@dataclass(frozen=True, eq=False)
class MeanPower:
    """Mean of |X|² over the good taps [full scale²], (bins,) over ``frequencies_hz``, each over so many ``samples``."""

    frequencies_hz: Real
    power: Real
    samples: int


def mean_power(recording: Recording, analysis: Analysis, *, low_hz: float, high_hz: float) -> MeanPower | None:
    """Of the longest segment that was fitted, or as much of it as every good tap has; None where no tap is good."""
    taps, rate = analysis.accepted, float(analysis.sample_rate_hz)
    if not taps:
        return None
    samples = _channel(recording, analysis)
    length = min(round(analysis.record_s * rate), *(tap.stop - tap.start for tap in taps))
    frequencies: Real = np.asarray(np.fft.rfftfreq(length, 1 / rate), dtype=np.float64)
    wanted = (frequencies >= low_hz) & (frequencies <= high_hz)
    power = np.mean([np.abs(np.fft.rfft(samples[tap.start : tap.start + length])[wanted]) ** 2 for tap in taps], axis=0)
    return MeanPower(frequencies[wanted], power, length)


def spectrum_trace(recording: Recording, analysis: Analysis, *, low_hz: float, high_hz: float) -> SpectrumTrace | None:
    """The mean spectrum with the noise and the modes beside it; None where no tap is good."""
    mean = mean_power(recording, analysis, low_hz=low_hz, high_hz=high_hz)
    if mean is None:
        return None
    rate, top = float(analysis.sample_rate_hz), float(mean.power.max())
    noise = analysis.noise.bin_power(mean.frequencies_hz, mean.samples, rate)
    level_db, noise_db = (10 * np.log10(np.maximum(power / top, 1e-15)) for power in (mean.power, noise))
    trace = SpectrumTrace(mean.frequencies_hz, level_db, noise_db, (), mean.samples / rate)
    return replace(trace, peak_db=_peaks(trace, analysis.modes))


def _peaks(trace: SpectrumTrace, modes: Sequence[Mode]) -> tuple[float, ...]:
    """Heights of the modes: their levels against each other are known, the common scale is read off the peaks."""
    # A resonance of amplitude c peaks at c / 2 alpha.
    relative = [mode.level_db - 20 * np.log10(mode.damping_ratio * mode.frequency_hz) for mode in modes]
    offsets = []
    for mode, level in zip(modes, relative, strict=True):
        nearest = np.argmin(np.abs(trace.frequencies_hz - mode.frequency_hz))
        there = trace.frequencies_hz[nearest : nearest + 1]
        offsets.append(float(trace.level_db[nearest] - trace.resonance_db(mode, level, there, cut=True)[0]))
    scale = float(np.median(offsets)) if offsets else 0.0
    return tuple(float(level + scale) for level in relative)


def ring_down_trace(recording: Recording, analysis: Analysis, mode: Mode) -> RingDownTrace | None:
    """The sound around one mode against time; None where no good tap is long enough.

    The recording is shifted down by the mode's frequency and smoothed with a Hann window so long that its neighbours
    stay out. Smoothing leaves the slope of an exponential as it is.
    """
    samples, rate = _channel(recording, analysis), float(analysis.sample_rate_hz)
    gaps = [abs(other.frequency_hz - mode.frequency_hz) for other in analysis.modes if other is not mode]
    shortest, longest = max(_SMOOTH_S[0], 3 / mode.frequency_hz), _SMOOTH_S[1]
    alpha = 2 * np.pi * mode.frequency_hz * mode.damping_ratio
    # No longer than the mode itself takes to fall by 17 dB, or the smoothing would hide its start.
    smooth_s = min(max(2 / min(gaps, default=np.inf), shortest), longest, 2 / alpha)
    window = np.hanning(max(round(smooth_s * rate), 8))
    taps = [tap for tap in analysis.accepted if tap.stop - tap.start > 1.5 * len(window)]
    if not taps:
        return None
    slope = -20 / np.log(10) * alpha
    span = min(*(tap.stop - tap.start for tap in taps), round(max(_DEPTH_DB / -slope, 0.3) * rate) + len(window))
    offsets = np.unique(np.linspace(0, span - len(window), _POINTS).astype(int))
    kernel = window * np.exp(-2j * np.pi * mode.frequency_hz / rate * np.arange(len(window)))
    power = np.mean(
        [[np.abs(kernel @ samples[at : at + len(window)]) ** 2 for at in tap.start + offsets] for tap in taps], axis=0
    )
    # One-sided density S: the mean square of the smoothed noise is S fs / 2 times the sum of the squared window.
    density = float(np.interp(mode.frequency_hz, analysis.noise.frequencies_hz, analysis.noise.density))
    floor = density * rate / 2 * float(window @ window)
    time: Real = (offsets + len(window) / 2) / rate
    level: Real = 10 * np.log10(power + 1e-30)
    # Later the room and the noise take over, and the decay would be drawn beside where it starts.
    ringing = np.cumprod(level > max(level[:3].max() - _OWN_DB, 10 * np.log10(floor + 1e-30))).astype(bool)
    ringing[:3] = True
    start = float(np.median((level - slope * time)[ringing]))
    return RingDownTrace(mode, time, level - start, float(slope), float(10 * np.log10(floor + 1e-30) - start))


@dataclass(frozen=True, eq=False)
class TapSound:
    """The clearest good tap of a recording: ``samples`` (frames,) from a little before the contact at ``contact_s`` on."""

    samples: Real
    sample_rate_hz: int
    contact_s: float


def clearest_tap(recording: Recording, analysis: Analysis, *, seconds: float = _CLIP_S) -> TapSound | None:
    """The good tap that stands highest above the noise, as far as the next one or so many seconds; None where none is good."""
    samples, rate = _channel(recording, analysis), analysis.sample_rate_hz
    best = max(analysis.accepted, key=lambda tap: tap.snr_db, default=None)
    if best is None:
        return None
    first = max(best.onset - round(_CLIP_BEFORE_S * rate), best.silence if best.silence < best.onset else 0, 0)
    stop = min(best.stop, first + round(seconds * rate), len(samples))
    return TapSound(samples[first:stop], rate, (best.onset - first) / rate)


def tap_clip(recording: Recording, analysis: Analysis, *, sample_rate_hz: int) -> Real | None:
    """The clearest good tap for listening: mono, its peak 12 dB below full scale, at a rate that carries what matters.

    None where no tap is good. The rate stays that of the recording where that is lower.
    """
    tap = clearest_tap(recording, analysis)
    if tap is None:
        return None
    clip = _faded(tap.samples, tap.sample_rate_hz)
    if sample_rate_hz < tap.sample_rate_hz:
        clip = at_rate(clip, tap.sample_rate_hz, sample_rate_hz)
    peak = float(np.abs(clip).max())
    return np.asarray(clip * (10 ** (CLIP_PEAK_DBFS / 20) / peak)) if peak > 0 else None


def _faded(clip: Real, rate: int) -> Real:
    """A copy without steps at its ends."""
    length = min(round(_FADE_S * rate), len(clip) // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(length) / max(length, 1))
    faded: Real = clip - clip.mean()
    faded[:length] *= ramp
    faded[len(faded) - length :] *= ramp[::-1]
    return faded


def _channel(recording: Recording, analysis: Analysis) -> Real:
    return np.asarray(recording.samples[:, analysis.channel - 1], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class MainTraces:
    """What a picture of one recording shows: spectrum, modes, decays of the strongest (those first), and the clearest tap."""

    spectrum: SpectrumTrace
    modes: tuple[Mode, ...]
    decays: tuple[RingDownTrace, ...]
    tap: TapSound


def main_traces(recording: Recording, analysis: Analysis, settings: Settings, *, decays: int = 3) -> MainTraces | None:
    """Spectrum over the range of ``settings`` and the ring-downs of the strongest modes; None where no tap is good."""
    high_hz = analysis.high_hz(settings)
    spectrum = spectrum_trace(recording, analysis, low_hz=settings.low_hz, high_hz=high_hz)
    tap = clearest_tap(recording, analysis, seconds=_SHOWN_S)
    if spectrum is None or tap is None:
        return None
    by_level = sorted(analysis.modes, key=lambda mode: mode.level_db, reverse=True)[:decays]
    found = [ring_down_trace(recording, analysis, mode) for mode in by_level]
    return MainTraces(spectrum, analysis.modes, tuple(each for each in found if each is not None), tap)
