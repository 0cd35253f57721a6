"""Sounds of struck things for the tests of the analysis: closed forms and a blow of finite length, no finite elements."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
LOUD = 0.3

# Frequency [Hz], damping ratio, relative amplitude of what a small microphone hears of a ski (invented).
SKI = (
    (62.0, 0.010, 0.10),
    (110.0, 0.010, 0.50),
    (168.0, 0.011, 1.00),
    (205.0, 0.020, 0.30),
    (246.0, 0.009, 0.80),
    (335.0, 0.010, 0.90),
    (520.0, 0.008, 0.50),
    (690.0, 0.009, 0.30),
    (905.0, 0.010, 0.20),
    (1240.0, 0.012, 0.15),
)


def free_decay(time_s: Real, frequency_hz: float, damping_ratio: float, phase: float = 0.0) -> Real:
    """exp(-zeta omega t) cos(omega_d t + phase) for t >= 0, the free response of one degree of freedom."""
    omega = 2 * np.pi * frequency_hz
    decay = np.exp(-np.minimum(damping_ratio * omega * time_s, 700.0))
    return np.asarray(decay * np.cos(omega * np.sqrt(1 - damping_ratio**2) * time_s + phase))


def ring(
    seconds: float,
    rate_hz: int,
    *,
    modes: Sequence[tuple[float, float, float]] = SKI,
    contact: str = "half-sine",
    contact_s: float = 0.0015,
) -> Real:
    """What follows one blow: the modes' impulse responses folded with the force, loudest sample ``LOUD``.

    ``contact``: ``half-sine`` (an elastic hammer), ``sawtooth`` (hard at first, a slow release) or ``sudden`` (no length).
    """
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    response = np.zeros(len(time))
    for frequency, damping, level in modes:
        if frequency < 0.45 * rate_hz:
            response += level * free_decay(time, frequency, damping, -np.pi / 2)
    count = max(round(contact_s * rate_hz), 2)
    phase = (np.arange(count) + 0.5) / count
    force = {"half-sine": np.sin(np.pi * phase), "sawtooth": 1 - phase, "sudden": np.array([1.0])}[contact]
    sound = np.convolve(response, force)[: len(time)]
    return np.asarray(LOUD * sound / np.abs(sound).max())


def struck(
    rng: np.random.Generator,
    onsets_s: Sequence[float],
    *,
    seconds: float,
    rate_hz: int = 16_000,
    strengths: Sequence[float] | None = None,
    snr_db: float = 50.0,
    modes: Sequence[tuple[float, float, float]] = SKI,
    contact: str = "half-sine",
    contact_s: float = 0.0015,
) -> Real:
    """Blows at the given times, in noise ``snr_db`` below the loudest sample of a blow of strength 1."""
    samples = np.zeros(round(seconds * rate_hz))
    for onset, strength in zip(onsets_s, [1.0] * len(onsets_s) if strengths is None else strengths, strict=True):
        start = round(onset * rate_hz)
        samples[start:] += strength * ring(
            (len(samples) - start) / rate_hz, rate_hz, modes=modes, contact=contact, contact_s=contact_s
        )
    return samples + LOUD * 10 ** (-snr_db / 20) * rng.standard_normal(len(samples))


def hum(seconds: float, rate_hz: int, fundamental_hz: float, levels: Sequence[float]) -> Real:
    """Mains hum: amplitudes of harmonics 1, 2, ... in full scale, with phases that differ."""
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    total = np.zeros(len(time))
    for order, level in enumerate(levels, start=1):
        total += level * np.sin(2 * np.pi * order * fundamental_hz * time + 1.7 * order)
    return total


RATE_HZ = 16_000


def random_recording(seed: int) -> tuple[Real, int, list[float]]:
    """One to seven taps within 20 dB of each other, in hiss and hum, on a thing with random modes."""
    rng = np.random.default_rng([99, seed])
    rate_hz = int(rng.choice([8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000]))
    count = int(rng.integers(1, 8))
    onsets = 0.6 + np.concatenate(([0.0], np.cumsum(rng.uniform(0.9, 1.8, count - 1))))
    seconds = float(onsets[-1]) + 1.2
    modes, frequency = [], rng.uniform(50, 100)
    while frequency < 1500:
        modes.append((frequency, float(np.exp(rng.uniform(np.log(0.006), np.log(0.02)))), rng.uniform(0.1, 1.0)))
        frequency *= rng.uniform(1.15, 1.6)
    weaker_db = rng.uniform(0, 20, count)
    samples = struck(
        rng,
        list(onsets),
        seconds=seconds,
        rate_hz=rate_hz,
        strengths=list(10 ** (-(weaker_db - weaker_db.min()) / 20)),
        snr_db=rng.uniform(40, 65),
        modes=modes,
        contact=str(rng.choice(["half-sine", "sawtooth"])),
        contact_s=rng.uniform(0.0008, 0.0025),
    )
    samples += hum(seconds, rate_hz, rng.choice([50.0, 60.0]), 10 ** (-rng.uniform(50, 70, 4) / 20))
    return samples, rate_hz, list(onsets)


ONSETS = [0.7, 2.2, 3.7]


def good(seed: int = 1, *, snr_db: float = 50.0, rate_hz: int = RATE_HZ) -> Real:
    """Three taps with which nothing is wrong."""
    return struck(np.random.default_rng(seed), ONSETS, seconds=5.2, snr_db=snr_db, rate_hz=rate_hz)


def voice(rng: np.random.Generator, seconds: float, rate_hz: int = RATE_HZ) -> Real:
    """Syllables: noise through three formants, 4 a second (an invented stand-in; real speech is in test_real_sounds)."""
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    total = np.zeros(len(time))
    noise = rng.standard_normal(len(time))
    for formant in (500.0, 1500.0, 2500.0):
        kernel = free_decay(np.arange(round(0.02 * rate_hz)) / rate_hz, formant, 0.05)
        total += np.convolve(noise, kernel)[: len(time)]
    return np.asarray(total / np.abs(total).max() * np.sin(4 * np.pi * time) ** 2)


def follower(samples: Real, rate_hz: int, attack_s: float, release_s: float) -> Real:
    """Level meter of a recorder: one time constant up, another down."""
    up, down = np.exp(-1 / (attack_s * rate_hz)), np.exp(-1 / (release_s * rate_hz))
    level, out = 0.0, np.empty(len(samples))
    for i, size in enumerate(np.abs(samples)):
        level = size + (level - size) * (up if size > level else down)
        out[i] = level
    return out
