"""Noise density and mains hum measured from silence, against noise made with a known density and hum of known frequency."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from support.struck_sounds import LOUD, free_decay, hum

from taptest.io.recording import from_samples
from taptest.signal.analysis import Analysis, analyse
from taptest.signal.spectrum import find_hum, measure_noise

Real = NDArray[np.float64]
RATE_HZ = 16_000
NO_FLOOR = 1e-30


def tilted(rng: np.random.Generator, seconds: float, slope: float, rate_hz: int = RATE_HZ) -> Real:
    """Noise whose power density is (f / 1 kHz)**slope [full scale**2 / Hz] above 10 Hz, made in the frequency domain."""
    count = round(seconds * rate_hz)
    frequency = np.maximum(np.fft.rfftfreq(count, 1 / rate_hz), 10.0)
    # One-sided density S: each bin has E|X|**2 = S N fs / 2.
    deviation = np.sqrt((frequency / 1000.0) ** slope * count * rate_hz / 2)
    spectrum = deviation * (rng.standard_normal(len(frequency)) + 1j * rng.standard_normal(len(frequency))) / np.sqrt(2)
    return np.asarray(np.fft.irfft(spectrum, count))


@pytest.mark.parametrize("seconds", [[0.7], [0.7, 0.6, 0.5, 0.8], [3.0]])
def test_density_of_white_noise(seconds: list[float]) -> None:
    sigma = 1e-3
    true = 2 * sigma**2 / RATE_HZ  # one-sided density of white noise: variance over the Nyquist frequency
    ratios = []
    for seed in range(20):
        rng = np.random.default_rng([1, seed])
        silences = [sigma * rng.standard_normal(round(s * RATE_HZ)) for s in seconds]
        noise = measure_noise(silences, float(RATE_HZ), floor_density=NO_FLOOR)
        band = (noise.frequencies_hz > 30) & (noise.frequencies_hz < 7000)
        ratios.append(noise.density[band] / true)
        assert noise.seconds == pytest.approx(sum(seconds), abs=1e-3)
        # Variance in a band is density times its width.
        assert noise.rms(1000, 3000) ** 2 == pytest.approx(true * 2000, rel=0.15)
        assert noise.bin_power(np.array([500.0]), 4000, RATE_HZ)[0] == pytest.approx(4000 * sigma**2, rel=0.5)
    assert np.mean(ratios) == pytest.approx(1.0, rel=0.10)
    # Control: a density taken for two-sided would be half of it.
    assert abs(np.mean(ratios) / 0.5 - 1) > 0.5


@pytest.mark.parametrize("slope", [-2.0, -1.0, 1.0])
def test_density_of_tilted_noise(slope: float) -> None:
    frequencies = np.array([40.0, 80.0, 160.0, 320.0, 640.0, 1280.0, 2560.0, 5120.0])
    ratios = []
    for seed in range(60):
        rng = np.random.default_rng([2, seed])
        silences = [tilted(rng, 0.7, slope) for _ in range(5)]
        noise = measure_noise(silences, float(RATE_HZ), floor_density=NO_FLOOR)
        got = noise.bin_power(frequencies, 1000, RATE_HZ) / (1000 * RATE_HZ / 2)
        ratios.append(got / (frequencies / 1000.0) ** slope)
    # A tenth, and twice the standard error of the mean of sixty.
    spread = 2 * np.std(ratios, axis=0) / np.sqrt(60)
    assert np.all(np.abs(np.mean(ratios, axis=0) - 1) < 0.10 + spread), np.mean(ratios, axis=0)


def test_a_ring_in_the_stretch_is_not_taken_for_noise_where_there_is_no_silence() -> None:
    sigma, seconds = 1e-3, 0.3
    true = 2 * sigma**2 / RATE_HZ  # white noise, as above
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    near = {}
    for silent in (False, True):
        ratios = []
        for seed in range(20):
            ringing = 1.0 * (free_decay(t, 430.0, 0.0002, 0.3) + free_decay(t, 1100.0, 0.0002, 1.1))
            stretch = ringing + sigma * np.random.default_rng([9, seed]).standard_normal(len(t))
            noise = measure_noise([stretch], float(RATE_HZ), floor_density=NO_FLOOR, silent=silent)
            power = noise.bin_power(np.array([430.0, 500.0, 1100.0, 4000.0]), 1000, RATE_HZ) / (1000 * RATE_HZ / 2)
            ratios.append(power / true)
        near[silent] = np.mean(ratios, axis=0)
    # Two blocks of 0.2 s: each estimate is good to half; a ring of 60 dB over the noise would show as thousands.
    assert np.all((near[False] > 0.5) & (near[False] < 2.0))
    # Control: what a true silence allows, narrow structure, here takes the ring for noise.
    assert near[True][0] > 5


def test_the_word_length_is_the_least_noise() -> None:
    floor = (2.0**-15) ** 2 / 12 * 2 / RATE_HZ  # uniform rounding error of 16 bits: step**2 / 12
    noise = measure_noise([np.zeros(RATE_HZ)], float(RATE_HZ), floor_density=floor)
    assert noise.hum is None
    assert np.all(noise.density >= floor)
    assert noise.density[100] == pytest.approx(floor, rel=0.1)


def silences_with_hum(rng: np.random.Generator, fundamental_hz: float, level: float, hiss: float = 1e-3) -> list[Real]:
    """Five stretches between taps, as cut out of one recording; six harmonics, those above the second weaker."""
    seconds = 7.0
    levels = level * np.array([1.0, 0.5, 0.7, 0.2, 0.4, 0.2])
    whole = hum(seconds, RATE_HZ, fundamental_hz, list(levels)) + hiss * rng.standard_normal(round(seconds * RATE_HZ))
    return [whole[round(a * RATE_HZ) : round((a + 0.7) * RATE_HZ)] for a in (0.0, 1.5, 3.0, 4.5, 6.0)]


@pytest.mark.parametrize(
    "fundamental_hz", [49.5, 49.8, 49.95, 50.0, 50.03, 50.2, 50.5, 59.4, 59.7, 59.98, 60.0, 60.05, 60.3, 60.6]
)
def test_hum_frequency(fundamental_hz: float) -> None:
    # Cramer-Rao bound of one steady line over T, sd(f) = sqrt(6) sigma / (pi A T sqrt(N)) [derived], is below 0.002 Hz for
    # the fundamental alone here; 0.01 Hz is a thirtieth of the width of the line.
    for seed in range(5):
        rng = np.random.default_rng([3, seed])
        found = find_hum(silences_with_hum(rng, fundamental_hz, 3e-3), float(RATE_HZ))
        assert found is not None
        assert found.fundamental_hz == pytest.approx(fundamental_hz, abs=0.01)
        orders = np.round(np.array(found.lines_hz) / fundamental_hz)
        assert {1, 2, 3, 5} <= set(orders.astype(int))
        assert np.abs(np.array(found.lines_hz) - orders * fundamental_hz).max() < 0.06
        # Amplitude 3e-3 has the power (3e-3)**2 / 2; levels are those of the power.
        strongest = max(found.levels_db)
        assert strongest == pytest.approx(10 * np.log10(3e-3**2 / 2), abs=0.7)


@pytest.mark.parametrize(
    ("stretches", "seconds"),
    [(1, 0.4), (1, 0.7), *(pytest.param(*each, marks=pytest.mark.slow) for each in ((1, 2.0), (4, 0.7)))],
)
def test_no_hum_is_found_where_there_is_none(stretches: int, seconds: float) -> None:
    """False alarms in 200 recordings of hiss, white and tilted."""
    alarms = 0
    for seed in range(200):
        rng = np.random.default_rng([4, stretches, seed])
        slope = float(rng.choice([0.0, -1.0, -2.0]))
        silences = [1e-2 * tilted(rng, seconds, slope) for _ in range(stretches)]
        alarms += find_hum(silences, float(RATE_HZ)) is not None
    # A false line costs next to nothing (two linear unknowns in the fit, and a flag beside it). One or two in a hundred are
    # expected; of 200 more than 9 would then come by chance in less than one run of a hundred.
    assert alarms <= 9, alarms


@pytest.mark.parametrize("tone_hz", [46.0, 54.7, 57.0, 123.4])
def test_another_tone_is_no_hum(tone_hz: float) -> None:
    """A fan outside the range of the mains (49.4 to 50.6 and 59.3 to 60.7 Hz) and its harmonics are no hum."""
    rng = np.random.default_rng(5)
    found = find_hum(silences_with_hum(rng, tone_hz, 3e-3), float(RATE_HZ))
    if found is not None:
        distance = np.abs(np.array(found.lines_hz)[:, None] - tone_hz * np.arange(1, 7)).min(axis=1)
        assert np.all(np.abs(np.array([found.fundamental_hz / n - 1 for n in (50, 60)])).min() <= 0.0121)
        assert len(found.lines_hz) <= 2 or distance.max() < 3.0


def struck_in_hum(
    rng: np.random.Generator, mode_hz: float, *, mains_hz: float = 50.0, damping: float = 0.006, level: float = 0.01
) -> Analysis:
    """Five taps of two modes; the one at 437 Hz is far from any harmonic."""
    seconds = 0.8 + 5 * 1.5
    samples = 2e-4 * rng.standard_normal(round(seconds * RATE_HZ))
    samples += hum(seconds, RATE_HZ, mains_hz, [LOUD * level] * 7)
    for number in range(5):
        start = round((0.8 + 1.5 * number) * RATE_HZ)
        time = np.arange(len(samples) - start) / RATE_HZ
        samples[start:] += 0.5 * LOUD * free_decay(time, mode_hz, damping, -np.pi / 2)
        samples[start:] += 0.5 * LOUD * free_decay(time, 437.0, 0.008, -np.pi / 2)
    return analyse(from_samples(samples, RATE_HZ))


@pytest.mark.parametrize("beside_hz", [-3.0, -1.0, -0.3, 0.3, 1.0, 3.0])
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_a_mode_beside_a_harmonic_is_kept(mains_hz: float, beside_hz: float) -> None:
    true = 3 * mains_hz + beside_hz
    within = 0
    for seed in range(4):
        analysis = struck_in_hum(np.random.default_rng([6, seed]), true, mains_hz=mains_hz)
        assert all(t.accepted for t in analysis.taps)
        mode = min(analysis.modes, key=lambda m: abs(m.frequency_hz - true))
        assert mode.frequency_hz == pytest.approx(true, abs=0.2)
        within += abs(mode.frequency_hz - true) <= 3 * mode.frequency_u_hz
        if abs(beside_hz) <= 1.0:
            assert "hum" in mode.flags
        far = min(analysis.modes, key=lambda m: abs(m.frequency_hz - 437.0))
        assert "hum" not in far.flags
    assert within >= 3, within


def test_without_hum_nothing_is_flagged_as_hum() -> None:
    analysis = struck_in_hum(np.random.default_rng(7), 150.3, level=0.0)
    assert all("hum" not in m.flags for m in analysis.modes)
    assert min(abs(m.frequency_hz - 150.3) for m in analysis.modes) < 0.1


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_alone_gives_no_mode(mains_hz: float) -> None:
    rng = np.random.default_rng(8)
    samples = hum(6.0, RATE_HZ, mains_hz, [0.01] * 8) + 1e-4 * rng.standard_normal(6 * RATE_HZ)
    analysis = analyse(from_samples(samples, RATE_HZ))
    assert analysis.modes == ()
    # Nor does it add one to a tap.
    analysis = struck_in_hum(rng, 173.0, mains_hz=mains_hz, level=0.03)
    assert len(analysis.modes) == 2
    assert [m.frequency_hz for m in analysis.modes] == pytest.approx([173.0, 437.0], abs=0.3)
