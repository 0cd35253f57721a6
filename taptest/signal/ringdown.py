"""Joint least-squares fit of exponentially damped sinusoids to the spectra of several truncated records.

The records of all taps share frequencies and decay rates; amplitudes and phases are free in each tap. A record of ``N``
samples that starts in the free decay is ``x[n] = sum_m Re(c_m z_m**n)`` with ``z = exp((-alpha + i omega) / sample_rate)``,
and its discrete Fourier transform is known exactly, truncation included:

    X[k] = sum_m (c_m G(z_m)[k] + conj(c_m) G(conj(z_m))[k]) / 2,   G(z)[k] = (1 - z**N) / (1 - z w**k),   (1)

``w = exp(-2 pi i / N)``. Fitting (1) to a band of bins, each divided by the standard deviation of the noise in it, is the
maximum-likelihood estimate under Gaussian noise (the transform is unitary), so nothing is widened by the cut and no window
is needed. Amplitudes are linear and are eliminated (variable projection); the Gauss-Newton step uses the simplification of
Kaufman that drops the part of the Jacobian lying in the span of the basis.

1. G. Golub, V. Pereyra, Separable nonlinear least squares: the variable projection method, Inverse Problems 19 (2003) R1.
2. L. Kaufman, A variable projection method for solving separable nonlinear least squares problems, BIT 15 (1975) 49-57.
3. S. M. Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), ch. 3 (Fisher information).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

_MOST_STEPS = 40
_STILL_FALLING = 0.01  # of the misfit, by one step


@dataclass(frozen=True)
class Spectra:
    """Discrete Fourier transforms of the records of several taps, with the noise in each bin.

    The range of frequencies may be put together from pieces, each transformed over a length of record that suits it; all
    records start at the same sample after the contact. ``values`` (taps, bins): plain sums ``sum x[n] exp(-2 pi i f n / fs)``
    [full scale]; ``frequencies_hz`` (bins,); ``lengths`` (bins,): number of samples summed, N; ``noise_power`` (bins,): expected
    ``|X|**2`` of the noise.
    """

    values: Complex
    frequencies_hz: Real
    lengths: NDArray[np.int64]
    noise_power: Real
    sample_rate_hz: float

    @property
    def taps(self) -> int:
        return int(self.values.shape[0])

    @cached_property
    def resolution_hz(self) -> Real:
        """Distance between bins, 1 / record length, at each bin."""
        return np.asarray(self.sample_rate_hz / self.lengths)

    @cached_property
    def _pieces(self) -> tuple[Real, NDArray[np.int64]]:
        lengths, which = np.unique(self.lengths, return_inverse=True)
        return lengths / self.sample_rate_hz, which

    @cached_property
    def _turns(self) -> Complex:
        return np.asarray(np.exp((-2j * np.pi / self.sample_rate_hz) * self.frequencies_hz))

    def take(self, part: slice) -> Spectra:
        """The same spectra in some of the bins."""
        return self._alike(self.values[:, part], part)

    def holding(self, values: Complex) -> Spectra:
        """Other values in the same bins."""
        return self._alike(values, slice(None))

    def _alike(self, values: Complex, part: slice) -> Spectra:
        alike = Spectra(
            values, self.frequencies_hz[part], self.lengths[part], self.noise_power[part], self.sample_rate_hz
        )
        # What follows from the bins alone need not be worked out again.
        durations, which = self._pieces
        alike.__dict__.update(_turns=self._turns[part], _pieces=(durations, which[part]))
        return alike

    def transform(self, decay: Real, omega: Real) -> Complex:
        """Equation (1): ``G`` for every pole, (poles, bins)."""
        return self._transformed(decay, omega)[0]

    def transform_and_slope(self, decay: Real, omega: Real) -> tuple[Complex, Complex]:
        """``G`` and its derivative by the exponent ``s = -alpha + i omega``, (poles, bins) each."""
        value, zw, below, end, durations = self._transformed(decay, omega)
        zw *= 1.0 / self.sample_rate_hz
        zw *= value
        zw -= (durations * end)[:, self._pieces[1]]
        zw *= below
        return value, zw

    def _transformed(self, decay: Real, omega: Real) -> tuple[Complex, Complex, Complex, Complex, Real]:
        s = (-decay + 1j * omega)[:, None]
        durations, which = self._pieces
        zw = np.exp(s / self.sample_rate_hz) * self._turns
        below = 1.0 / (1.0 - zw)
        # z**N exp(-i ...): N whole turns at a bin's frequency leave z**N alone.
        end = np.exp(s * durations)
        return (1.0 - end)[:, which] * below, zw, below, end, durations


def basis(spectra: Spectra, decay: Real, omega: Real) -> Complex:
    """Transforms of ``Re z**n`` and ``-Im z**n``, stacked: (2 modes, bins); the linear unknowns are Re c and Im c."""
    return _real_pairs(spectra.transform(np.concatenate((decay, decay)), np.concatenate((omega, -omega))))


def skirts(spectra: Spectra) -> Complex:
    """What sounds beyond the range, as it is seen from inside it: over within the first samples of the record, (4, bins).

    ``sum b_k delta^(k)(t)`` with real ``b_k`` has the transform ``sum b_k (i f)**k``, of which these are the first terms.
    """
    frequency = spectra.frequencies_hz
    level = np.ones(len(frequency))
    # Less its mean, so that a narrow part of the range tells it from the level.
    bent = (frequency**2 - np.mean(frequency**2)) / max(float(np.ptp(frequency**2)), np.finfo(float).tiny)
    tilt = 1j * frequency / frequency[-1]
    return np.array([level, tilt, bent, tilt * bent])


def hum(spectra: Spectra, lines_hz: Real) -> Complex:
    """Lines that do not decay, (2 lines, bins)."""
    return basis(spectra, np.full(len(lines_hz), 1e-9), 2 * np.pi * lines_hz)


def _real_pairs(value: Complex) -> Complex:
    half = len(value) // 2
    above, below = value[:half], value[half:]
    pairs = np.empty_like(value)
    np.add(above, below, out=pairs[:half])
    np.subtract(above, below, out=pairs[half:])
    pairs[:half] *= 0.5
    pairs[half:] *= 0.5j
    return pairs


def _rows(values: Complex, weight: Real) -> Real:
    """Weighted complex rows as real ones of twice the length (real and imaginary parts alternate)."""
    return np.ascontiguousarray(values * weight).view(np.float64)


@dataclass(frozen=True)
class Fit:
    """Damped sinusoids fitted to the spectra of all taps.

    ``decay`` alpha [1/s] and ``omega`` damped angular frequency [rad/s], (modes,); ``amplitude`` complex, (taps, modes) at
    the first sample of the record; ``information`` (taps, 2 modes, 2 modes): each tap's Fisher information on (alpha...,
    omega...) with all amplitudes eliminated; ``gradient`` (taps, 2 modes): each tap's remaining pull; ``misfit`` (taps,):
    weighted sum of squared residuals; ``freedom`` residual degrees of freedom of one tap.
    """

    decay: Real
    omega: Real
    amplitude: Complex
    information: Real
    gradient: Real
    misfit: Real
    freedom: int

    @property
    def reduced_misfit(self) -> float:
        """Residual power over its expectation from the noise: 1 when model and noise account for everything."""
        return float(self.misfit.sum() / max(self.freedom * len(self.misfit), 1))


class _Problem:
    """Data with their noise, and the columns that do not change during the fit."""

    def __init__(self, spectra: Spectra, values: Complex, alongside: Complex | None) -> None:
        self.spectra = spectra
        # Real and imaginary parts each carry half of the noise power.
        self.weight = np.sqrt(2.0 / spectra.noise_power)
        self.target = _rows(values, self.weight)
        self.power = np.einsum("jk,jk->j", self.target, self.target)
        self.alongside = np.zeros((0, self.target.shape[1])) if alongside is None else _rows(alongside, self.weight)

    def freedom(self, modes: int) -> int:
        return max(int(self.target.shape[1]) - 2 * modes - len(self.alongside), 1)


class _State:
    """Misfit, amplitudes, and the derivatives with the amplitudes eliminated, at one point of the parameter space.

    Everything follows from one Gram matrix of basis, derivatives and data, its columns scaled to unit length.
    """

    def __init__(self, problem: _Problem, decay: Real, omega: Real) -> None:
        self.decay, self.omega = decay, omega
        n = len(decay)
        value, slope = problem.spectra.transform_and_slope(
            np.concatenate((decay, decay)), np.concatenate((omega, -omega))
        )
        # The basis with what is fitted alongside first, then the derivatives.
        basis_rows, slope_rows = (_rows(_real_pairs(each), problem.weight) for each in (value, -slope))
        rows = np.concatenate((basis_rows, problem.alongside, slope_rows))
        scale = 1.0 / np.sqrt(np.einsum("ij,ij->i", rows, rows))
        gram = (rows @ rows.T) * scale[:, None] * scale[None, :]
        shadow = (rows @ problem.target.T) * scale[:, None]
        flat, tilt = slice(0, len(rows) - 2 * n), slice(len(rows) - 2 * n, len(rows))
        normal = gram[flat, flat].copy()
        normal[np.diag_indices(len(normal))] += 1e-13
        solved = np.linalg.solve(normal, np.concatenate((gram[flat, tilt], shadow[flat]), axis=1))
        across, weights = solved[:, : 2 * n], solved[:, 2 * n :]
        self.misfit = np.maximum(problem.power - np.einsum("pj,pj->j", shadow[flat], weights), 0.0)
        self.coefficients = (weights * scale[flat, None]).T[:, : 2 * n]
        unscale = 1.0 / scale[tilt]
        # What the basis cannot absorb of the derivatives (Kaufman), and the residual's pull on it.
        self._gram = (gram[tilt, tilt] - gram[tilt, flat] @ across) * unscale[:, None] * unscale[None, :]
        self._pull = (shadow[tilt] - gram[tilt, flat] @ weights).T * unscale

    def derivatives(self) -> tuple[Real, Real]:
        """Information (taps, 2n, 2n) and gradient (taps, 2n) on (alpha, omega), amplitudes eliminated."""
        n = len(self.decay)
        a, b = self.coefficients[:, :n], self.coefficients[:, n : 2 * n]
        # Basis rows b1 = F(Re z^n), b2 = F(-Im z^n) have the slopes d1, d2 by alpha and, as dz/d omega = -i dz/d alpha, the
        # slopes -d2, d1 by omega. So every tap shares one Gram matrix of d1 and d2.
        mix = np.zeros((len(a), 2 * n, 2 * n))
        index = np.arange(n)
        mix[:, index, index], mix[:, index, n + index] = a, b
        mix[:, n + index, index], mix[:, n + index, n + index] = b, -a
        return mix @ self._gram @ mix.transpose(0, 2, 1), np.einsum("jpq,jq->jp", mix, self._pull)


def fit_poles(
    spectra: Spectra,
    values: Complex,
    *,
    decay: Real,
    omega: Real,
    alongside: Complex | None = None,
    iterations: int = 25,
    tolerance: float = 1e-2,
) -> Fit:
    """Fit ``len(decay)`` damped sinusoids, shared by all taps, to ``values`` (taps, bins).

    ``alongside``: what else there is, with an amplitude of its own in every tap, (columns, bins): `hum`, `skirts`. Stops when
    a step is below ``tolerance`` of the parameters' standard uncertainty, or after ``iterations`` steps unless the misfit
    still falls by a hundredth a step. Levenberg-Marquardt; a decay rate changes by a factor of two a step at most.
    """
    problem = _Problem(spectra, values, alongside)
    state = _State(problem, decay, omega)
    information, gradient = state.derivatives()
    damping, falling = 1e-3, iterations > 0  # where a start is far off, the steps asked for are too few
    n = len(decay)
    # A pole may not leave its peak for a larger one near by that has none yet.
    leash = 3 * decay + 2 * np.pi * 2 * np.interp(omega / (2 * np.pi), spectra.frequencies_hz, spectra.resolution_hz)
    for number in range(max(iterations, _MOST_STEPS)):
        if number >= iterations and not falling:
            break
        total, pull = information.sum(axis=0), gradient.sum(axis=0)
        diagonal = np.diag(total) + 1e-300
        scale = 1.0 / np.sqrt(diagonal)
        normal = total * scale[:, None] * scale[None, :]
        step = scale * np.linalg.solve(normal + damping * np.eye(2 * n), scale * pull)
        if np.all(np.abs(step) * np.sqrt(diagonal) < tolerance) and damping < 1e-2:
            break
        # What is over within a sample has no shape that could tell anything more.
        new_decay = np.minimum(
            np.clip(state.decay + step[:n], state.decay / 2, state.decay * 2), spectra.sample_rate_hz
        )
        new_omega = np.clip(state.omega + np.clip(step[n:], -leash / 3, leash / 3), omega - leash, omega + leash)
        new = _State(problem, new_decay, np.maximum(new_omega, 1.0))
        if new.misfit.sum() <= state.misfit.sum() * (1 + 1e-12):
            falling = state.misfit.sum() - new.misfit.sum() > _STILL_FALLING * new.misfit.sum()
            state = new
            information, gradient = state.derivatives()
            damping = max(damping / 10, 1e-9)
        else:
            damping *= 10
            if damping > 1e6:
                break
    amplitude = state.coefficients[:, :n] + 1j * state.coefficients[:, n : 2 * n]
    return Fit(
        decay=state.decay,
        omega=state.omega,
        amplitude=amplitude,
        information=information,
        gradient=gradient,
        misfit=state.misfit,
        freedom=problem.freedom(n),
    )


def model(spectra: Spectra, *, decay: Real, omega: Real, amplitude: Complex) -> Complex:
    """The transform (1) of the given damped sinusoids in every tap, (taps, bins)."""
    return np.concatenate((amplitude.real, amplitude.imag), axis=1) @ basis(spectra, decay, omega)


def best_start(spectra: Spectra, values: Complex, *, omega: Real, decay: Real) -> tuple[float, float, float]:
    """The pole of a grid ``omega`` x ``decay`` that alone removes most misfit: (omega, decay, misfit removed)."""
    grid_omega, grid_decay = (g.ravel() for g in np.meshgrid(omega, decay))
    weight = 1.0 / np.sqrt(spectra.noise_power)
    value = spectra.transform(grid_decay, grid_omega) * weight
    # A resonance well above 0 Hz is nearly analytic, so one complex coefficient stands for the pair: good for a start.
    removed = 2 * (np.abs(value.conj() @ (values * weight).T) ** 2).sum(axis=1)
    removed /= np.einsum("ik,ik->i", value, value.conj()).real
    best = int(np.argmax(removed))
    return float(grid_omega[best]), float(grid_decay[best]), float(removed[best])
