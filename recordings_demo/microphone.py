"""What a laptop's microphone makes of a struck chain: radiation, a room, mains hum, hiss; and speech by mistake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from synthesis import LISTEN_EVERY, SOUND_SPEED_M_S, STEP_RATE_HZ, Blow, ChainSki, FloatArray

SAMPLE_RATE_HZ = 48_000
_AIR_KG_PER_M3 = 1.2
_WIDTH_M = 0.044
_HAMMER_M3 = 3.0e-5


@dataclass(frozen=True)
class Position:
    """Where the microphone stands: station along the ski, height over it [m], distance from its centre line [m]."""

    station: float = 0.40
    height_m: float = 0.30
    aside_m: float = 0.08


@dataclass(frozen=True)
class Surroundings:
    """Room, hum, hiss and the microphone's own high-pass, with levels in pascals.

    The direct sound leads by more than a loudspeaker's would at this distance: bending waves here are shorter than
    sound waves in air, so neighbouring parts of the ski cancel in the room but not close by.
    """

    reverberation_s: float = 0.35
    direct_to_reverberant_db: float = 18.0
    distance_m: float = 0.30
    hum_hz: float = 49.98
    hum_pa: float = 1.6e-4
    hiss_pa: float = 3.2e-4
    high_pass_hz: float = 115.0


class Radiation:
    """Sound pressure of strips that push air in front and pull it behind, gathered while `synthesis.ring` runs.

    p = sum rho S a(t - r/c) / (4 pi r) over both halves of the width and, with opposite sign and the way round the edge
    longer, over the back: so low notes nearly cancel without any filter being put in. The hammer adds a small click.
    """

    def __init__(
        self,
        skis: Sequence[ChainSki],
        blows: Sequence[Blow],
        *,
        recording: Sequence[int],
        start_s: Sequence[float],
        positions: Sequence[Position],
        duration_s: float,
        tap_s: float,
    ) -> None:
        self.pressure_pa = np.zeros((len(positions), round(duration_s * STEP_RATE_HZ)), dtype=np.float32)
        self._tap_steps = round(tap_s * STEP_RATE_HZ)
        self._fade_steps = round(0.15 * STEP_RATE_HZ)
        self._blows, self._recording = blows, recording
        self._start = [round(start * STEP_RATE_HZ) for start in start_s]
        self._paths = [_paths(ski, positions[r]) for ski, r in zip(skis, recording, strict=True)]

    def __call__(self, start: int, bending: FloatArray, twist: FloatArray, force: FloatArray) -> None:
        steps = len(force)
        clock = np.arange(start, start + steps)
        # The next tap's simulation starts from rest, so the tail of this one is faded out rather than cut.
        fade = np.clip((self._tap_steps - clock) / self._fade_steps, 0.0, 1.0)[:, None]
        bending = np.ascontiguousarray((bending * fade[:, :, None]).transpose(2, 1, 0), dtype=np.float32)
        twist = np.ascontiguousarray((twist * fade[:, :, None]).transpose(2, 1, 0), dtype=np.float32)
        click = np.diff(force, axis=0, prepend=force[:1]) * STEP_RATE_HZ
        for column, recording in enumerate(self._recording):
            out = self.pressure_pa[recording]
            at = self._start[column] + start
            for station, side_m, weight, delay in self._paths[column]:
                sound = bending[column, station] + np.float32(side_m) * twist[column, station]
                room = out[at + delay : at + delay + steps]
                room += np.float32(weight) * sound[: len(room)]
            if force[:, column].any():
                weight = _AIR_KG_PER_M3 * _HAMMER_M3 / self._blows[column].hammer_kg
                weight /= 4.0 * np.pi * 0.3 * SOUND_SPEED_M_S
                out[at + 210 : at + 210 + steps] += weight * click[:, column]


def _paths(ski: ChainSki, position: Position) -> list[tuple[int, float, float, int]]:
    nodes = len(ski.node_kg)
    spacing = LISTEN_EVERY * ski.segment_m
    paths = []
    for heard, node in enumerate(range(0, nodes, LISTEN_EVERY)):
        end = node in (0, nodes - 1)
        along = (position.station - node / (nodes - 1)) * ski.length_m
        for side_m in (-_WIDTH_M / 4, _WIDTH_M / 4):
            front = float(np.sqrt(along**2 + position.height_m**2 + (position.aside_m - side_m) ** 2))
            area = spacing * _WIDTH_M / 2 * (0.5 if end else 1.0)
            for way, sign in ((front, 1.0), (front + _WIDTH_M, -1.0)):
                weight = sign * _AIR_KG_PER_M3 * area / (4.0 * np.pi * way)
                paths.append((heard, side_m, weight, round(way / SOUND_SPEED_M_S * STEP_RATE_HZ)))
    return paths


def microphone(
    pressure_pa: FloatArray, rng: np.random.Generator, *, full_scale_pa: float, surroundings: Surroundings | None = None
) -> FloatArray:
    """A recording at 48 kHz, full scale 1, of a pressure [Pa] given at the stepping rate."""
    from scipy.signal import butter, resample_poly, sosfilt

    around = surroundings or Surroundings()
    direct = resample_poly(pressure_pa, 1, STEP_RATE_HZ // SAMPLE_RATE_HZ, window=("kaiser", 10.0))
    heard = in_room(direct, rng, around) + hum(len(direct), rng, around)
    heard = sosfilt(butter(2, around.high_pass_hz, "highpass", fs=SAMPLE_RATE_HZ, output="sos"), heard)
    return np.asarray((heard + hiss(len(heard), rng, around.hiss_pa)) / full_scale_pa, dtype=np.float64)


def in_room(direct: FloatArray, rng: np.random.Generator, around: Surroundings) -> FloatArray:
    """The sound with a few early reflections and an exponentially decaying noise tail after it."""
    from scipy.signal import butter, fftconvolve, sosfilt

    time = np.arange(round(1.2 * around.reverberation_s * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    tail = rng.normal(size=len(time)) * np.exp(-6.907755 * time / around.reverberation_s) * (time > 0.004)
    for _ in range(5):
        tail[round(rng.uniform(0.002, 0.015) * SAMPLE_RATE_HZ)] += rng.choice([-6.0, 6.0])
    tail *= 10.0 ** (-around.direct_to_reverberant_db / 20.0) / np.sqrt(np.sum(tail**2))
    # A dipole's pressure close by exceeds its radiated share below c/(2 pi r): low notes excite the room less.
    corner_hz = SOUND_SPEED_M_S / (2.0 * np.pi * around.distance_m)
    tail = sosfilt(butter(1, corner_hz, "highpass", fs=SAMPLE_RATE_HZ, output="sos"), tail)
    tail[0] += 1.0
    return np.asarray(fftconvolve(direct, tail)[: len(direct)])


def hum(samples: int, rng: np.random.Generator, around: Surroundings) -> FloatArray:
    """Mains hum: harmonics of just under 50 Hz at levels that differ from recording to recording."""
    time = np.arange(samples) / SAMPLE_RATE_HZ
    levels = around.hum_pa * np.array([1.0, 0.8, 0.45, 0.3, 0.25, 0.12, 0.12, 0.06]) * rng.uniform(0.4, 1.3, size=8)
    phases = rng.uniform(0.0, 2.0 * np.pi, size=8)
    orders = range(1, 9)
    waves = [
        a * np.sin(2 * np.pi * n * around.hum_hz * time + p) for n, a, p in zip(orders, levels, phases, strict=True)
    ]
    return np.asarray(np.sum(waves, axis=0))


def hiss(samples: int, rng: np.random.Generator, rms_pa: float) -> FloatArray:
    """Noise of a microphone and a quiet room: rumble and power falling up to 600 Hz, then flat, fading from 12 kHz.

    `rms_pa` is that of the flat part over all frequencies up to half the sample rate.
    """
    spectrum = np.fft.rfft(rng.normal(size=samples))
    frequency = np.maximum(np.fft.rfftfreq(samples, 1.0 / SAMPLE_RATE_HZ), 1.0)
    power = 1.0 + 600.0 / frequency + (120.0 / frequency) ** 4
    spectrum *= rms_pa * np.sqrt(power / (1.0 + (20.0 / frequency) ** 6) / (1.0 + (frequency / 12e3) ** 4))
    return np.asarray(np.fft.irfft(spectrum, samples))


# Formant frequencies [Hz] of rounded textbook vowels; None is an unvoiced consonant of hissing noise.
_VOWELS: dict[str, tuple[float, float, float]] = {
    "a": (730.0, 1090.0, 2440.0),
    "e": (530.0, 1840.0, 2480.0),
    "i": (270.0, 2290.0, 3010.0),
    "o": (570.0, 840.0, 2410.0),
    "u": (300.0, 870.0, 2240.0),
}


def speech(duration_s: float, rng: np.random.Generator, *, rms_pa: float = 0.01) -> FloatArray:
    """Speech-like sound [Pa] at 48 kHz: glottal pulses with jitter through gliding formants, hisses, and pauses."""
    out = np.zeros(round(duration_s * SAMPLE_RATE_HZ))
    at = round(0.5 * SAMPLE_RATE_HZ)
    formants = np.array(_VOWELS["a"])
    syllable = 0
    while at < len(out) - round(0.9 * SAMPLE_RATE_HZ):
        if rng.uniform() < 0.45:
            length = round(rng.uniform(0.05, 0.12) * SAMPLE_RATE_HZ)
            burst = _formant_filter(rng.normal(size=length), np.array([rng.uniform(3500.0, 6500.0)]), 1500.0)
            out[at : at + length] += 0.12 * burst / np.std(burst) * np.hanning(length)
            at += round(0.85 * length)
        target = np.array(_VOWELS[str(rng.choice(list(_VOWELS)))])
        length = round(rng.uniform(0.12, 0.28) * SAMPLE_RATE_HZ)
        voiced = _voiced(length, rng, start=formants, target=target, pitch_hz=128.0 - 4.0 * (syllable % 7))
        out[at : at + length] += rng.uniform(0.6, 1.0) * voiced / np.std(voiced)
        formants, syllable = target, syllable + 1
        at += round(0.95 * length)
        if syllable % 7 == 0:
            at += round(rng.uniform(0.25, 0.6) * SAMPLE_RATE_HZ)
    return out * rms_pa / np.std(out)


def _voiced(
    samples: int, rng: np.random.Generator, *, start: FloatArray, target: FloatArray, pitch_hz: float
) -> FloatArray:
    pulses = np.zeros(samples)
    at = 0.0
    while at < samples:
        pulses[int(at)] = 1.0 + 0.1 * rng.normal()
        glide = pitch_hz * (1.06 - 0.12 * at / samples)
        at += SAMPLE_RATE_HZ / glide * (1.0 + 0.012 * rng.normal())
    grain = round(0.010 * SAMPLE_RATE_HZ)
    source = np.convolve(pulses, np.hanning(grain // 7))[:samples]
    source = np.diff(source, prepend=0.0) + 0.004 * rng.normal(size=samples)
    out = np.zeros(samples)
    window = np.hanning(2 * grain + 1)[:-1]
    for centre in range(0, samples + grain, grain):
        first, last = max(centre - grain, 0), min(centre + grain, samples)
        if last - first < 2:
            continue
        share = 1.0 / (1.0 + np.exp(-10.0 * (centre / samples - 0.3)))
        filtered = _formant_filter(source[:last], (1.0 - share) * start + share * target, 90.0)[first:last]
        out[first:last] += filtered * window[first - (centre - grain) :][: last - first]
    edge = min(round(0.06 * SAMPLE_RATE_HZ), samples // 2)
    ramp = np.sin(0.5 * np.pi * np.arange(edge) / edge) ** 2
    out[:edge] *= ramp
    out[-edge:] *= ramp[::-1]
    return out


def _formant_filter(source: FloatArray, formants_hz: FloatArray, width_hz: float) -> FloatArray:
    from scipy.signal import lfilter

    for frequency in formants_hz:
        radius = np.exp(-np.pi * width_hz / SAMPLE_RATE_HZ)
        poles = [1.0, -2.0 * radius * np.cos(2.0 * np.pi * frequency / SAMPLE_RATE_HZ), radius**2]
        source = lfilter([sum(poles)], poles, source)
    return source
