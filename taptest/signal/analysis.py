"""A recording in, its taps and resonances out: the library face of ``taptest analyse``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from taptest.config.corrections import Corrections, RoomDecay
from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import RecordingError, shown
from taptest.core.results import Result
from taptest.io.recording import Pickup, Recording
from taptest.signal.pickup import pickup_taps
from taptest.signal.pitch import note_name
from taptest.signal.resonance import ROUNDS, Pole, find_poles
from taptest.signal.ringdown import Spectra, model
from taptest.signal.room import Damping, room_corrected
from taptest.signal.segments import FILTER_SETTLED_S, GoodTaps, late_spectra, segment_spectra, settled_spectra
from taptest.signal.silence import silences
from taptest.signal.spectrum import Noise, measure_noise
from taptest.signal.taps import Envelope, Tap, judge_taps, tap_to_noise_db

if TYPE_CHECKING:
    from taptest.signal.traces import SpectrumTrace

Real = NDArray[np.float64]

MODE_FLAGS = ("hum", "room-limited", "uncertain-damping", "single-tap", "close-pair", "short-record")

_REFITS = 4
_SEARCHED_HZ = 600.0  # at least so far, whatever is asked for
_LOW_SEARCHED_HZ = 250.0  # ... and what lies there is fitted together with what sounds up to here
_BAD_TAPS = (("double-hit",), ("too-quiet",), ("clipped",))  # badly struck or recorded, but taps


@dataclass(frozen=True)
class Mode:
    """One resonance with standard uncertainties (k = 1).

    ``frequency_hz`` undamped natural frequency; ``damping_ratio`` of the fitted resonance, so its half-power bandwidth is
    ``2 * damping_ratio * frequency_hz``; ``level_db`` initial amplitude against the strongest mode of the recording;
    ``taps`` number of accepted taps in which it is heard; ``damping_ratio_limit`` of a mode that the room limits, the upper
    limit of its damping ratio (one-sided, 95 %).
    """

    frequency_hz: float
    frequency_u_hz: float
    damping_ratio: float
    damping_ratio_u: float
    level_db: float
    taps: int
    flags: tuple[str, ...] = ()
    damping_ratio_limit: float | None = None

    @property
    def half_power_bandwidth_hz(self) -> float:
        return 2 * self.damping_ratio * self.frequency_hz

    @property
    def quality_factor(self) -> float:
        return 1 / (2 * self.damping_ratio)

    @property
    def decay_time_s(self) -> float:
        """Time to fall by 60 dB: 6.908 / (damping ratio x angular frequency)."""
        return float(3 * np.log(10) / (self.damping_ratio * 2 * np.pi * self.frequency_hz))

    @cached_property
    def tone(self) -> tuple[str, float]:
        """Note name and cents off it."""
        return note_name(self.frequency_hz)


@dataclass(frozen=True)
class Analysis(Result):
    """Everything heard in one recording. ``record_s`` length of the fitted part of each accepted tap; ``channel`` from 1.

    ``sample_rate_hz`` is that of the samples in which taps are counted; ``pickup`` says what was recorded where it was no
    microphone, and the file's own rate. ``recording``: what was analysed, where it was kept, as `taptest.analyse` does.
    """

    path: str
    sample_rate_hz: int
    duration_s: float
    channel: int
    channels: int
    taps: tuple[Tap, ...]
    modes: tuple[Mode, ...]
    noise: Noise
    record_s: float
    flags: tuple[str, ...] = ()
    pickup: Pickup | None = None
    recording: Recording | None = field(default=None, compare=False, repr=False)

    @property
    def samples(self) -> Real:
        """Samples of the channel that was analysed, (frames,), 1.0 being full scale, at ``sample_rate_hz``.

        Raises:
            RecordingError: the recording was not kept.
        """
        return np.asarray(self._kept().samples[:, self.channel - 1], dtype=np.float64)

    def spectrum(self, low_hz: float = 15.0, high_hz: float = 1500.0) -> SpectrumTrace | None:
        """Mean spectrum of the good taps: level [dB, 0 at the strongest bin] over frequency [Hz]; None without a good tap.

        Raises:
            RecordingError: the recording was not kept.
        """
        from taptest.signal.traces import spectrum_trace

        return spectrum_trace(self._kept(), self, low_hz=low_hz, high_hz=high_hz)

    def _kept(self) -> Recording:
        if self.recording is None:
            raise RecordingError(
                f"{shown(self.path, 200)}: the recording was not kept; analyse it with taptest.analyse"
            )
        return self.recording

    @property
    def accepted(self) -> tuple[Tap, ...]:
        return tuple(t for t in self.taps if t.accepted)

    def high_hz(self, settings: Settings) -> float:
        """Up to where modes are told: no further than the samples, or a digitiser's filter, let them through."""
        reach = 0.45 * self.sample_rate_hz if self.pickup is None else self.pickup.high_hz
        return min(settings.high_hz, reach)


def analyse(recording: Recording, settings: Settings | None = None, *, rounds: int = ROUNDS) -> Analysis:
    """Taps, resonances and their damping in one recording; with fewer ``rounds`` sooner, and only the stronger ones.

    Raises: RecordingError when ``settings.channel`` does not exist or the range lies above half the sample rate.
    """
    settings = settings or Settings()
    rate = float(recording.sample_rate_hz)
    pickup = recording.pickup
    if pickup is not None:
        # A pickup hears no room.
        top = min(settings.high_hz, pickup.high_hz)
        refuse_if_deaf(recording.path, pickup.high_hz / 0.45, settings)
        settings = replace(settings, high_hz=top, room_s=None, corrections=Corrections())
    refuse_if_deaf(recording.path, rate, settings)
    channel = choose_channel(recording, settings.channel)
    samples = np.asarray(recording.samples[:, channel], dtype=np.float64)
    if pickup is None:
        envelope = Envelope(samples, rate)
        taps = judge_taps(samples, rate, envelope, full_scale=recording.peak_full_scale, rings_on=settings.rings_on)
    else:
        taps = pickup_taps(samples, rate, clipped_s=pickup.channels[channel].clipped_s)
    noise = noise_between(silences(samples, rate, taps), samples, rate)
    reach = np.inf if pickup is None else pickup.high_hz
    found = find_resonances(samples, rate, taps, noise, settings, rounds=rounds, reach_hz=reach)
    flags = list(recording.flags)
    if pickup is not None and rate < LIMITS.pickup_tap.bounce_hz:
        flags.append("coarse-pickup")
    if not taps:
        flags.append("no-tap")
    elif not any(t.accepted for t in found.taps):
        flags.append("no-good-tap")
    return Analysis(
        path=recording.path,
        sample_rate_hz=recording.sample_rate_hz,
        duration_s=len(samples) / rate,
        channel=channel + 1,
        channels=recording.samples.shape[1],
        taps=found.taps,
        modes=found.modes,
        noise=noise,
        record_s=found.record_s,
        flags=tuple(flags),
        pickup=pickup,
    )


def refuse_if_deaf(name: str, rate: float, settings: Settings) -> None:
    """Raises: RecordingError when the range that is asked for lies above what the sample rate can hold."""
    if settings.low_hz >= 0.45 * rate:
        raise RecordingError(f"{name}: nothing above {0.45 * rate:.0f} Hz can be heard at {rate:.0f} Hz sample rate")


@dataclass(frozen=True)
class Resonances:
    """Taps, refused where no shared decay explains them, and what the good ones share; ``record_s`` as in ``Analysis``."""

    taps: tuple[Tap, ...]
    modes: tuple[Mode, ...]
    record_s: float


def find_resonances(
    samples: Real,
    rate: float,
    taps: Sequence[Tap],
    noise: Noise,
    settings: Settings,
    *,
    rounds: int = ROUNDS,
    reach_hz: float = np.inf,
) -> Resonances:
    """What the good taps of a channel share. One round of search is a first look: a sixth of the work, strong modes only.

    ``reach_hz``: up to where the samples tell anything.
    """
    low, high = settings.low_hz, min(settings.high_hz, 0.45 * rate)
    # A narrow range holds the skirts of louder modes beyond it, which only those modes explain.
    searched = max(high, min(_SEARCHED_HZ, 0.45 * rate, reach_hz))
    judged, poles, spectra = _resonances(samples, rate, list(taps), noise, low, searched, rounds)
    if spectra is None:
        return Resonances(tuple(judged), (), 0.0)
    # A first look has no time for it, and a pickup no such filter.
    worth = rounds == ROUNDS and np.isinf(reach_hz) and low < LIMITS.mode.deaf_below_hz and searched > _LOW_SEARCHED_HZ
    good = GoodTaps(samples, rate, [tap for tap in judged if tap.accepted], noise)
    if worth and _left_at_the_low_end(poles, spectra, noise) > LIMITS.mode.clean:
        poles = _with_low_end(poles, settled_spectra(good, low, _LOW_SEARCHED_HZ), noise, low)
    poles = [p for p in poles if not p.hidden and p.damping_ratio < LIMITS.mode.broad and low <= p.frequency_hz <= high]
    modes = _modes(poles, spectra, noise)
    room = settings.room_decay
    if room is not None and modes:
        late = {wait: _late_modes(good, low, searched, room, wait) for wait in LIMITS.room.waits}
        modes = tuple(_room_corrected(mode, room, late) for mode in modes)
    return Resonances(tuple(judged), modes, float(spectra.lengths.max()) / rate)


def _left_at_the_low_end(poles: Sequence[Pole], spectra: Spectra, noise: Noise) -> float:
    """Mean power there that poles and hum do not explain, in units of the noise."""
    below = spectra.take(slice(0, int(np.searchsorted(spectra.frequencies_hz, LIMITS.mode.deaf_below_hz))))
    left = (np.abs(below.values - _sum_of(below, poles)) ** 2).mean(axis=0) / below.noise_power
    audible = _off_the_lines(below, _hum_hz(noise))
    return float(left[audible].mean()) if audible.any() else 0.0


def _with_low_end(poles: Sequence[Pole], settled: Spectra, noise: Noise, low_hz: float) -> list[Pole]:
    """The poles, the lowest of them searched for once more where the microphone's own filter has settled.

    A small microphone hears the first two modes 20 to 40 dB below the others, and the contact leaves its high-pass ringing over
    them. Of the two findings of a mode the surer one stays: without such a filter that is the first.
    """
    found = find_poles(settled, steady_hz=_hum_hz(noise), low_hz=low_hz, high_hz=_LOW_SEARCHED_HZ, loud_beyond=True)
    kept = list(poles)
    for late in found:
        if late.frequency_hz > LIMITS.mode.deaf_below_hz or late.hidden:
            continue
        near = LIMITS.mode.same_at_most
        same = [p for p in kept if not p.hidden and abs(p.frequency_hz / late.frequency_hz - 1) < near]
        if all(late.covariance[0, 0] < p.covariance[0, 0] for p in same):
            kept = [p for p in kept if p not in same]
            earlier = np.exp((late.decay - 1j * late.omega) * FILTER_SETTLED_S)
            kept.append(replace(late, amplitude=late.amplitude * earlier))
    return sorted(kept, key=lambda p: p.omega)


def _resonances(
    samples: Real, rate: float, taps: list[Tap], noise: Noise, low_hz: float, high_hz: float, rounds: int
) -> tuple[list[Tap], list[Pole], Spectra | None]:
    """Fit what the good taps share; a tap that it does not explain is refused, and the rest is fitted again."""
    lines = _hum_hz(noise)
    for _ in range(_REFITS):
        taps = among_other_sounds(taps)
        good = [i for i, tap in enumerate(taps) if tap.accepted]
        if not good:
            break
        spectra = segment_spectra(GoodTaps(samples, rate, [taps[i] for i in good], noise), low_hz, high_hz)
        poles = find_poles(spectra, steady_hz=lines, low_hz=low_hz, high_hz=high_hz, rounds=rounds)
        verdicts = _ring_verdicts(spectra, poles, lines)
        if not any(verdicts):
            return taps, poles, spectra
        for i, reason in zip(good, verdicts, strict=True):
            if reason:
                taps[i] = taps[i].refused(reason)
    return [t.refused("noisy") if t.accepted else t for t in taps], [], None


def among_other_sounds(taps: Sequence[Tap]) -> list[Tap]:
    """Where twice as many sounds are no taps as are, what looks like a tap is one more of those (talk, music, work near by)."""
    others = sum(not t.accepted and t.reasons not in _BAD_TAPS for t in taps)
    good = sum(t.accepted for t in taps)
    if others < max(LIMITS.tap.other_sounds * good, 2):
        return list(taps)
    return [t.refused("noisy") if t.accepted else t for t in taps]


def choose_channel(recording: Recording, wanted: int | None) -> int:
    """Index of the wanted channel (from 1), or of the one in which taps stand out most.

    Raises: RecordingError when there is no such channel.
    """
    count = recording.samples.shape[1]
    if wanted is not None:
        if not 1 <= wanted <= count:
            raise RecordingError(
                f"{recording.path}: channel {wanted} asked for, but it has {count}: choose 1 to {count}"
            )
        return wanted - 1
    if count == 1:
        return 0
    rate = float(recording.sample_rate_hz)
    ratios = [
        tap_to_noise_db(np.asarray(c, dtype=np.float64), rate) if np.any(c != c[0]) else -np.inf
        for c in recording.samples.T
    ]
    return int(np.argmax(ratios))


def noise_between(stretches: Sequence[Real], samples: Real, rate: float) -> Noise:
    """Noise and hum of stretches of silence, or of the last of the samples where there is none."""
    silent = bool(stretches)
    if not silent:
        # A ski still rings there, but it is the best there is.
        stretches = [samples[-round(0.3 * rate) :]]
    powers = np.array([float(np.var(s)) for s in stretches])
    # A stretch in which somebody spoke, or the last ring still sounds, is not the floor.
    quiet = [s for s, p in zip(stretches, powers, strict=True) if p <= 4 * powers.min() + 1e-20]
    least_step = 2.0**-23
    return measure_noise(quiet, rate, floor_density=least_step**2 / 12 * 2 / rate, silent=silent)


def _ring_verdicts(spectra: Spectra, poles: Sequence[Pole], lines_hz: Real) -> list[str]:
    """For each tap why what sounds after the contact is no decay of shared resonances, or an empty string."""
    ringing = [p for p in poles if p.damping_ratio <= LIMITS.mode.resonant]
    if not ringing:
        return ["no-ring"] * spectra.taps
    audible = _off_the_lines(spectra, lines_hz)
    # Energy in the records: sum |X|**2 / N over bins of any length adds up by Parseval's theorem.
    per_bin = audible / spectra.lengths
    noise = float((spectra.noise_power * per_bin).sum())
    sound = (np.abs(spectra.values) ** 2 * per_bin).sum(axis=1) - noise
    rest = (np.abs(spectra.values - _sum_of(spectra, poles)) ** 2 * per_bin).sum(axis=1) - noise
    dull = (np.abs(spectra.values - _sum_of(spectra, ringing)) ** 2 * per_bin).sum(axis=1) - noise
    verdicts = []
    for total, unexplained, unringing in zip(sound, rest, dull, strict=True):
        if total <= 0 or unringing > (1 - LIMITS.mode.explained) * total:
            verdicts.append("noisy" if total > 0 and unexplained > (1 - LIMITS.mode.explained) * total else "no-ring")
        else:
            verdicts.append("")
    return verdicts


def _hum_hz(noise: Noise) -> Real:
    """Frequencies of the hum's lines."""
    return np.array(noise.hum.lines_hz if noise.hum else ())


def _off_the_lines(spectra: Spectra, lines_hz: Real) -> NDArray[np.bool_]:
    """Bins in which no hum sounds, (bins,)."""
    audible = np.ones(len(spectra.frequencies_hz), bool)
    for line in lines_hz:
        audible &= np.abs(spectra.frequencies_hz - line) > 2.0 * spectra.resolution_hz
    return audible


def _sum_of(spectra: Spectra, poles: Sequence[Pole]) -> NDArray[np.complex128]:
    return model(
        spectra,
        decay=np.array([p.decay for p in poles]),
        omega=np.array([p.omega for p in poles]),
        amplitude=np.array([p.amplitude for p in poles]).T,
    )


def _modes(poles: Sequence[Pole], spectra: Spectra, noise: Noise) -> tuple[Mode, ...]:
    heard = [pole.strength > LIMITS.mode.heard for pole in poles]
    estimates = [_estimate(pole, taps) for pole, taps in zip(poles, heard, strict=True)]
    known = [i for i, mode in enumerate(estimates) if _is_known(mode)]
    if not known:
        return ()
    loudness = [float(np.sqrt(np.mean(np.abs(p.amplitude) ** 2))) for p in poles]
    loudest = max(loudness[i] for i in known)
    lines = _hum_hz(noise)
    modes = []
    for i in known:
        pole, mode = poles[i], estimates[i]
        flags = []
        if len(lines) and np.abs(lines - mode.frequency_hz).min() < max(
            1.0 / pole.record_s, mode.half_power_bandwidth_hz / 2
        ):
            flags.append("hum")
        if spectra.taps > 1 and heard[i].sum() <= 1:
            flags.append("single-tap")
        nearest = min((abs(p.omega - pole.omega) for p in poles if p is not pole), default=np.inf)
        if nearest < LIMITS.mode.close * 2 * pole.decay:
            flags.append("close-pair")
        if pole.decay * pole.record_s < LIMITS.mode.short_decay:
            flags.append("short-record")
        level_db = 20 * float(np.log10(loudness[i] / loudest))
        modes.append(replace(mode, level_db=level_db, taps=max(int(heard[i].sum()), 1), flags=tuple(flags)))
    return tuple(modes)


def _is_known(mode: Mode) -> bool:
    """Whether anybody can say that it fades, or where it rings.

    Of the parts into which a room's answer to a resonance is fitted neither is known. A long ring in a short record fades no
    more surely, but rings in one place.
    """
    return (
        mode.damping_ratio_u < mode.damping_ratio or mode.frequency_u_hz < LIMITS.mode.known_place * mode.frequency_hz
    )


def _late_modes(good: GoodTaps, low_hz: float, high_hz: float, room: RoomDecay, wait: float) -> tuple[Mode, ...]:
    """What still rings when the room's own answer to the blow has settled."""
    spectra = late_spectra(good, low_hz, high_hz, room, wait)
    if spectra is None:
        return ()
    poles = find_poles(spectra, steady_hz=_hum_hz(good.noise), low_hz=low_hz, high_hz=high_hz)
    return _modes([p for p in poles if not p.hidden and p.damping_ratio < LIMITS.mode.broad], spectra, good.noise)


def _room_corrected(mode: Mode, room: RoomDecay, late: Mapping[float, Sequence[Mode]]) -> Mode:
    """The mode with the best of its dampings, or marked where the room hides it or leaves too little to tell."""
    settled = []
    same, at_most = LIMITS.mode.same * mode.frequency_hz, LIMITS.mode.same_at_most * mode.frequency_hz
    reach = min(max(same, 2 * mode.frequency_u_hz), at_most)
    for wait, modes in late.items():
        near = [m for m in modes if abs(m.frequency_hz - mode.frequency_hz) < reach]
        again = max(near, key=lambda m: m.level_db, default=None)
        if again is not None:
            settled.append(Damping(again.damping_ratio, again.damping_ratio_u, wait))
    told = room_corrected(room, mode.frequency_hz, Damping(mode.damping_ratio, mode.damping_ratio_u), settled)
    flags = {*mode.flags, *([told.flag] if told.flag else [])}
    return replace(
        mode,
        damping_ratio=told.damping_ratio,
        damping_ratio_u=told.damping_ratio_u,
        flags=tuple(flag for flag in MODE_FLAGS if flag in flags),
        damping_ratio_limit=told.damping_ratio_limit,
    )


def _estimate(pole: Pole, heard: NDArray[np.bool_]) -> Mode:
    """Frequency and damping with uncertainties from the fit and, where the taps differ by more than it allows, from them."""
    size = float(np.hypot(pole.decay, pole.omega))
    # d(omega_n, zeta) / d(decay, omega)
    turn = np.array(
        [[pole.decay / size, pole.omega / size], [pole.omega**2 / size**3, -pole.decay * pole.omega / size**3]]
    )
    covariance = turn @ pole.covariance @ turn.T
    best = np.array([size, pole.decay / size])
    spread = np.sqrt(np.diag(covariance))
    if heard.sum() >= 2:
        each = pole.each[heard]
        scale = np.hypot(each[:, 0], each[:, 1])
        own = np.stack([scale, each[:, 0] / scale], axis=1)
        variance = np.einsum("ab,jbc,ac->ja", turn, pole.each_covariance[heard], turn)
        for i in range(2):
            mean, width = combine_taps(own[:, i], variance[:, i], best[i], spread[i])
            best[i], spread[i] = (mean, width) if mean > 0 else (best[i], width)
    return Mode(
        frequency_hz=float(best[0] / (2 * np.pi)),
        frequency_u_hz=float(spread[0] / (2 * np.pi)),
        damping_ratio=float(best[1]),
        damping_ratio_u=float(spread[1]),
        level_db=0.0,
        taps=0,
    )


def combine_taps(values: Real, variances: Real, pooled: float, pooled_u: float) -> tuple[float, float]:
    """Weighted mean and standard uncertainty of the taps' own values when they scatter more than their noise explains.

    Cochran's Q against its 99 % point decides; then the random-effects mean with the between-tap variance of
    DerSimonian and Laird (1986), its uncertainty widened from the normal to Student's t for few taps, so that twice the
    uncertainty still covers 95 %. Without excess scatter the pooled fit stands, being the better estimate.
    """
    from scipy.special import chdtri, stdtrit

    count = len(values)
    weight = 1 / variances
    mean = float((weight * values).sum() / weight.sum())
    excess = float((weight * (values - mean) ** 2).sum())
    if excess <= float(chdtri(count - 1, 0.01)):
        return pooled, pooled_u
    between = max((excess - (count - 1)) / float(weight.sum() - (weight**2).sum() / weight.sum()), 0.0)
    weight = 1 / (variances + between)
    mean = float((weight * values).sum() / weight.sum())
    spread = float(np.sqrt((weight * (values - mean) ** 2).sum() / (count - 1) / weight.sum()))
    spread = max(spread, float(1 / np.sqrt(weight.sum())))
    return mean, spread * float(stdtrit(count - 1, 0.97725)) / 2
