"""The fit of damped sinusoids against numpy's transform, the time-domain Fisher information and published closed forms."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from support.struck_sounds import free_decay

from taptest.signal.ringdown import Spectra, basis, best_start, fit_poles, hum, model

Real = NDArray[np.float64]
RATE_HZ = 4000.0

# (frequency of the undamped mode [Hz], damping ratio)
THREE = ((150.0, 0.010), (157.0, 0.012), (420.0, 0.006))


def decay_rates(modes: Sequence[tuple[float, float]]) -> Real:
    return np.array([z * 2 * np.pi * f for f, z in modes])


def damped_omegas(modes: Sequence[tuple[float, float]]) -> Real:
    return np.array([2 * np.pi * f * np.sqrt(1 - z * z) for f, z in modes])


def records(rng: np.random.Generator, modes: Sequence[tuple[float, float]], *, taps: int, samples: int) -> Real:
    """Free decays with random amplitudes (1 to 2) and phases, (taps, samples)."""
    t = np.arange(samples) / RATE_HZ
    return np.array(
        [sum(rng.uniform(1, 2) * free_decay(t, f, z, rng.uniform(0, 2 * np.pi)) for f, z in modes) for _ in range(taps)]
    )


def spectra_of(taps: Real, *, sigma: float = 1e-3, pieces: Sequence[tuple[float, float, int]] | None = None) -> Spectra:
    """Transforms of ``taps`` (taps, samples) in pieces (low Hz, high Hz, samples); by default all bins but 0 and the last."""
    samples = taps.shape[1]
    values, frequencies, lengths = [], [], []
    for low, high, count in pieces or [(0.0, RATE_HZ / 2, samples)]:
        grid = np.fft.rfftfreq(count, 1 / RATE_HZ)
        chosen = np.flatnonzero((grid >= low) & (grid < high) & (grid > 0) & (grid < RATE_HZ / 2 - 1e-6))
        values.append(np.fft.rfft(taps[:, :count])[:, chosen])
        frequencies.append(grid[chosen])
        lengths.append(np.full(len(chosen), count))
    length = np.concatenate(lengths)
    # White noise of standard deviation sigma has the power N sigma**2 in every bin of a plain sum over N samples.
    return Spectra(np.concatenate(values, axis=1), np.concatenate(frequencies), length, length * sigma**2, RATE_HZ)


def test_transform_is_that_of_the_truncated_record_for_every_length_at_once() -> None:
    lengths = (1000, 800, 333)
    frequencies = np.concatenate([np.fft.rfftfreq(n, 1 / RATE_HZ)[3:60] for n in lengths])
    counts = np.repeat(lengths, 57)
    spectra = Spectra(np.zeros((1, len(counts)), complex), frequencies, counts, np.ones(len(counts)), RATE_HZ)
    decay, omega = np.array([1.0, 15.0, 80.0]), 2 * np.pi * np.array([90.0, 200.0, -140.0])
    value, slope = spectra.transform_and_slope(decay, omega)
    for i in range(3):
        s = -decay[i] + 1j * omega[i]

        def transformed(s: complex) -> NDArray[np.complex128]:
            return np.concatenate([np.fft.fft(np.exp(s * np.arange(n) / RATE_HZ))[3:60] for n in lengths])

        # The sum of a truncated record is exact, so only rounding separates it from numpy's transform of the samples.
        np.testing.assert_allclose(value[i], transformed(s), rtol=1e-9)
        # Central difference: its own error is about 1e-8 of the slope's size.
        step = 1e-3
        numeric = (transformed(s + step) - transformed(s - step)) / (2 * step)
        np.testing.assert_allclose(slope[i], numeric, atol=1e-6 * np.abs(numeric).max())
        along_omega = (transformed(s + 1j * step) - transformed(s - 1j * step)) / (2 * step)
        np.testing.assert_allclose(1j * slope[i], along_omega, atol=1e-6 * np.abs(numeric).max())
    # Control: the transform of the endless decay, a Lorentzian peak, is off by the share exp(-alpha T) that is cut.
    endless = 1 / (1 - np.exp((-decay[1] + 1j * omega[1] - 2j * np.pi * frequencies) / RATE_HZ))
    cut = np.abs(endless - value[1])[counts == 333].max() / np.abs(endless)[counts == 333].max()
    assert cut == pytest.approx(np.exp(-15.0 * 333 / RATE_HZ), rel=0.01)


def test_model_is_the_spectrum_of_the_real_decay() -> None:
    t = np.arange(700) / RATE_HZ
    f, z, phase = 123.4, 0.02, 0.7
    spectra = spectra_of(free_decay(t, f, z, phase)[None, :])
    amplitude = np.array([[np.exp(1j * phase)]])
    rebuilt = model(spectra, decay=decay_rates([(f, z)]), omega=damped_omegas([(f, z)]), amplitude=amplitude)
    np.testing.assert_allclose(rebuilt, spectra.values, atol=1e-9 * np.abs(spectra.values).max())
    rows = basis(spectra, decay_rates([(f, z)]), damped_omegas([(f, z)]))
    by_hand = np.fft.rfft(np.array([free_decay(t, f, z), free_decay(t, f, z, np.pi / 2)]))[:, 1:350]
    np.testing.assert_allclose(rows, by_hand, atol=1e-9 * np.abs(by_hand).max())


@pytest.mark.parametrize("pieces", [None, [(100.0, 300.0, 2400), (300.0, 700.0, 900)]])
def test_noiseless_records_give_the_truth(pieces: list[tuple[float, float, int]] | None) -> None:
    taps = records(np.random.default_rng(1), THREE, taps=3, samples=2400)
    spectra = spectra_of(taps, sigma=1e-7, pieces=pieces)
    start = np.random.default_rng(2).uniform(-1, 1, (2, 3))
    fit = fit_poles(
        spectra,
        spectra.values,
        decay=decay_rates(THREE) * (1 + 0.2 * start[0]),
        omega=damped_omegas(THREE) + decay_rates(THREE) * 0.3 * start[1],
        tolerance=1e-6,
    )
    np.testing.assert_allclose(fit.omega, damped_omegas(THREE), rtol=1e-9)
    np.testing.assert_allclose(fit.decay, decay_rates(THREE), rtol=1e-9)
    np.testing.assert_allclose(fit.amplitude, amplitudes(taps, THREE), rtol=1e-6)


def amplitudes(taps: Real, modes: Sequence[tuple[float, float]]) -> NDArray[np.complex128]:
    """Complex amplitudes c of sum Re(c z**n) by least squares in the time domain, (taps, modes)."""
    t = np.arange(taps.shape[1]) / RATE_HZ
    columns = [free_decay(t, f, z) for f, z in modes] + [free_decay(t, f, z, np.pi / 2) for f, z in modes]
    weights = np.linalg.lstsq(np.array(columns).T, taps.T, rcond=None)[0]
    return np.asarray((weights[: len(modes)] + 1j * weights[len(modes) :]).T)


def fisher(taps: Real, modes: Sequence[tuple[float, float]], sigma: float, *, known_amplitudes: bool = False) -> Real:
    """Fisher information on (alpha..., omega...) of each tap, amplitudes and phases unknown, in the time domain.

    For white Gaussian noise I = (ds/dp . ds/dq) / sigma**2 (S. M. Kay, Fundamentals of Statistical Signal Processing: Estimation
    Theory, 1993, eq. 3.31), here after projecting out the unknown amplitudes (the Schur complement of their block).
    """
    t = np.arange(taps.shape[1]) / RATE_HZ
    cosine = np.array([free_decay(t, f, z) for f, z in modes])
    sine = np.array([free_decay(t, f, z, -np.pi / 2) for f, z in modes])
    span = np.concatenate((cosine, sine))
    result = []
    for tap in taps:
        a, b = np.split(np.linalg.lstsq(span.T, tap, rcond=None)[0], 2)
        by_decay = -t * (a[:, None] * cosine + b[:, None] * sine)
        by_omega = t * (-a[:, None] * sine + b[:, None] * cosine)
        slopes = np.concatenate((by_decay, by_omega))
        free = slopes
        if not known_amplitudes:
            free = slopes - np.linalg.lstsq(span.T, slopes.T, rcond=None)[0].T @ span
        result.append(free @ free.T / sigma**2)
    return np.array(result)


def test_a_start_far_off_converges_although_few_steps_are_asked_for() -> None:
    """Loud decays against hardly any noise: six steps do not suffice, and stopping there would leave most unexplained."""
    modes = ((150.0, 0.0002), (157.0, 0.012), (420.0, 0.0001))
    spectra = spectra_of(records(np.random.default_rng(8), modes, taps=2, samples=4000), sigma=1e-6)
    true_decay, true_omega = decay_rates(modes), damped_omegas(modes)
    fit = fit_poles(
        spectra,
        spectra.values,
        decay=true_decay * np.array([8.0, 0.5, 10.0]),
        omega=true_omega + 2 * np.pi * np.array([0.8, -0.8, 0.8]),
        iterations=3,
    )
    # Without noise the truth is exact up to what the last step, a hundredth of the misfit, leaves.
    np.testing.assert_allclose(fit.omega, true_omega, rtol=1e-6)
    np.testing.assert_allclose(fit.decay, true_decay, rtol=1e-3)


def test_information_is_the_fisher_matrix() -> None:
    sigma = 0.01
    taps = records(np.random.default_rng(3), THREE, taps=2, samples=2000)
    spectra = spectra_of(taps, sigma=sigma)
    fit = fit_poles(spectra, spectra.values, decay=decay_rates(THREE), omega=damped_omegas(THREE))
    expected = fisher(taps, THREE, sigma)
    scale = np.sqrt(np.einsum("jpp->jp", expected))
    scale = scale[:, :, None] * scale[:, None, :]
    # The two real bins left out (0 Hz and half the sample rate) hold less than a thousandth of this signal's information.
    np.testing.assert_allclose(fit.information / scale, expected / scale, atol=1e-3)
    # Control: with the amplitudes taken for known there would be about twice as much.
    known = fisher(taps, THREE, sigma, known_amplitudes=True)
    assert np.all(np.einsum("jpp->jp", known) > 1.5 * np.einsum("jpp->jp", fit.information))


def test_cramer_rao_bound_of_a_long_record() -> None:
    """Closed form for one real damped sinusoid and a long record [derived]: sd(f) = (2/pi) (zeta omega)**1.5 sqrt(dt) sigma/A."""
    f, z, sigma, amplitude = 300.0, 0.002, 0.01, 1.3
    omega = 2 * np.pi * f
    samples = round(10 / (z * omega) * RATE_HZ)
    taps = amplitude * free_decay(np.arange(samples) / RATE_HZ, f, z, 0.4)[None, :]
    spectra = spectra_of(taps, sigma=sigma)
    fit = fit_poles(spectra, spectra.values, decay=decay_rates([(f, z)]), omega=damped_omegas([(f, z)]))
    covariance = np.linalg.inv(fit.information[0])
    bound_hz = 2 / np.pi * (z * omega) ** 1.5 * np.sqrt(1 / RATE_HZ) * sigma / amplitude
    assert np.sqrt(covariance[1, 1]) / (2 * np.pi) == pytest.approx(bound_hz, rel=0.01)
    assert np.sqrt(covariance[0, 0]) / omega == pytest.approx(bound_hz / f, rel=0.01)


def test_noise_misfit_is_one() -> None:
    rng = np.random.default_rng(4)
    sigma = 0.05
    taps = records(rng, THREE, taps=4, samples=2000)
    spectra = spectra_of(taps + sigma * rng.standard_normal(taps.shape), sigma=sigma)
    fit = fit_poles(spectra, spectra.values, decay=decay_rates(THREE), omega=damped_omegas(THREE))
    # About 8000 residuals: the standard deviation of their mean square is sqrt(2 / 8000) = 1.6 %.
    assert fit.reduced_misfit == pytest.approx(1.0, abs=0.06)
    # Control: one mode left out.
    fewer = fit_poles(spectra, spectra.values, decay=decay_rates(THREE[:2]), omega=damped_omegas(THREE[:2]))
    assert fewer.reduced_misfit > 10


@pytest.mark.parametrize("line_hz", [148.0, 150.0, 151.3])
def test_hum_in_the_band_does_not_pull_the_mode(line_hz: float) -> None:
    f, z = 150.5, 0.01
    t = np.arange(3000) / RATE_HZ
    # As loud as the mode itself, at any phase of its own.
    tap = free_decay(t, f, z, 1.1) + 1.0 * np.cos(2 * np.pi * line_hz * t + 0.3)
    spectra = spectra_of(tap[None, :], sigma=1e-6)

    def fitted(lines: Sequence[float]) -> tuple[float, float]:
        fit = fit_poles(
            spectra,
            spectra.values,
            decay=decay_rates([(f, z)]) * 1.1,
            omega=damped_omegas([(f, z)]) + 1.0,
            alongside=hum(spectra, np.array(lines)),
            tolerance=1e-5,
        )
        return float(fit.omega[0]), float(fit.decay[0])

    omega, decay = fitted([line_hz])
    assert omega == pytest.approx(damped_omegas([(f, z)])[0], rel=1e-7)
    assert decay == pytest.approx(decay_rates([(f, z)])[0], rel=1e-5)
    # Control: left out of the model, the line takes the mode with it.
    omega, decay = fitted([])
    assert abs(decay / decay_rates([(f, z)])[0] - 1) > 0.1


# Bandwidth read at half power from a record cut at alpha T, as a multiple of the true one, [derived]: the width of
# |(1 - exp(-(alpha + i d) T)) / (alpha + i d)| (rectangular), and of its three shifted copies that make the Hann window.
BANDWIDTH_READ = {
    1: (2.869, 4.55),
    2: (1.565, 2.31),
    3: (1.192, 1.58),
    4: (1.055, 1.23),
    5: (1.009, 1.03),
    8: (1.001, 0.75),
}


def width_read_off(record: Real, window: Real) -> float:
    """The naive reading [Hz]: distance of the half-power points of the padded spectrum."""
    padded = 1 << 20
    power = np.abs(np.fft.rfft(record * window, padded)) ** 2
    top = int(np.argmax(power))
    above = power > power[top] / 2
    low, high = top - int(np.argmin(above[top::-1])), top + int(np.argmin(above[top:]))
    ends = []
    for inside, outside in ((low + 1, low), (high - 1, high)):
        share = (power[inside] - power[top] / 2) / (power[inside] - power[outside])
        ends.append(inside + share * (outside - inside))
    return float((ends[1] - ends[0]) * RATE_HZ / padded)


@pytest.mark.parametrize("cut", BANDWIDTH_READ)
def test_a_cut_record_widens_the_naive_reading_but_not_the_fit(cut: int) -> None:
    f, z = 500.0, 0.004
    alpha = z * 2 * np.pi * f
    samples = round(cut / alpha * RATE_HZ)
    t = np.arange(samples) / RATE_HZ
    record = free_decay(t, f, z, 0.5)
    rectangular, hann = BANDWIDTH_READ[cut]
    true_hz = 2 * z * f
    # The table has three to four digits, and it leaves out the mirror image at -f (below 0.3 % here).
    assert width_read_off(record, np.ones(samples)) / true_hz == pytest.approx(rectangular, rel=0.006)
    assert width_read_off(record, np.hanning(samples + 1)[:-1]) / true_hz == pytest.approx(hann, rel=0.006)
    spectra = spectra_of(record[None, :], sigma=1e-5)
    omega, decay, _ = best_start(
        spectra,
        spectra.values,
        omega=2 * np.pi * np.arange(490.0, 510.0, 0.5),
        decay=2 * np.pi * f * np.array([0.001, 0.003, 0.01]),
    )
    fit = fit_poles(spectra, spectra.values, decay=np.array([decay]), omega=np.array([omega]))
    assert fit.decay[0] / np.pi == pytest.approx(true_hz, rel=1e-3)


@pytest.mark.parametrize("cut", [2, 3, 5])
def test_damping_is_unbiased_in_noise(cut: int) -> None:
    """30 dB of initial signal over noise, record cut at alpha T: less than 1 % on average over 200 records."""
    f, z = 200.0, 0.005
    alpha = z * 2 * np.pi * f
    t = np.arange(round(cut / alpha * RATE_HZ)) / RATE_HZ
    sigma = 10 ** (-30 / 20)
    ratios, naive = [], []
    for seed in range(200):
        rng = np.random.default_rng([cut, seed])
        record = free_decay(t, f, z, rng.uniform(0, 2 * np.pi)) + sigma * rng.standard_normal(len(t))
        spectra = spectra_of(record[None, :], sigma=sigma)
        fit = fit_poles(
            spectra,
            spectra.values,
            decay=np.array([alpha * 1.5]),
            omega=damped_omegas([(f, z)]) + 0.3 * alpha,
        )
        ratios.append(float(fit.decay[0]) / alpha)
        if seed < 10:
            naive.append(width_read_off(record, np.ones(len(t))) * np.pi / alpha)
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.01)
    # Control: what the same records give when the width is read off.
    assert np.mean(naive) == pytest.approx(BANDWIDTH_READ[cut][0], rel=0.05)
