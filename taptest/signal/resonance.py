"""From the spectra of the taps to resonances: candidates, how many there are, and what each is worth.

Candidates are peaks of what the resonances found so far leave over, in units of the noise. They are fitted together with
their neighbours, and each stays only if leaving it out would raise the misfit by more than chance and more than the model's
own imperfection explain (an F-like ratio: misfit explained over misfit left).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.signal.ringdown import Complex, Fit, Real, Spectra, basis, best_start, fit_poles, hum, model, skirts

ROUNDS = 3
_FIRST_AN_OCTAVE = 8  # starts taken from the raw spectrum
_MORE_AN_OCTAVE = 2
_GROUP = 12  # components fitted in one go
_TRIALS = 8
_IMPERFECT = 1e-3
_SILENCE_FREEDOM = 40.0
_START_DAMPING = np.array([0.0002, 0.0007, 0.002, 0.006, 0.015, 0.04])


@dataclass(frozen=True)
class Pole:
    """One damped sinusoid shared by all taps, with everything needed to judge it.

    ``decay`` [1/s], ``omega`` damped angular frequency [rad/s]; ``covariance`` (2, 2) of those two from noise and room (by the
    misfit left around it); ``each`` (taps, 2): every tap's own estimate of (decay, omega), ``each_covariance`` (taps, 2,
    2); ``amplitude`` (taps,) complex at the first sample of the record; ``strength`` (taps,): misfit that the component
    removes in each tap, in units of the noise; ``hidden``: in the shadow of a stronger one, so needed by the fit but not to be
    told from what a room adds; ``record_s``: length of the record it was fitted to.
    """

    decay: float
    omega: float
    covariance: Real
    each: Real
    each_covariance: Real
    amplitude: Complex
    strength: Real
    hidden: bool
    record_s: float

    @property
    def frequency_hz(self) -> float:
        """Undamped natural frequency [Hz]: sqrt(omega**2 + decay**2) / 2 pi."""
        return float(np.hypot(self.omega, self.decay) / (2 * np.pi))

    @property
    def damping_ratio(self) -> float:
        return float(self.decay / np.hypot(self.omega, self.decay))


class _Work:
    """The poles found so far with their amplitudes, and the noise they are judged against."""

    def __init__(self, spectra: Spectra, steady_hz: Real, *, loud_beyond: bool = False) -> None:
        self.spectra = spectra
        self.steady_hz = steady_hz
        self.loud_beyond = loud_beyond
        self.decay = np.zeros(0)
        self.omega = np.zeros(0)
        self.amplitude = np.zeros((spectra.taps, 0), dtype=complex)

    def sum_of(self, chosen: NDArray[np.int64], spectra: Spectra) -> Complex:
        return model(spectra, decay=self.decay[chosen], omega=self.omega[chosen], amplitude=self.amplitude[:, chosen])

    def residual(self) -> Complex:
        """What poles and what is fitted alongside leave over, (taps, bins)."""
        left = self.spectra.values - self.sum_of(np.arange(len(self.decay)), self.spectra)
        if len(self._alongside):
            rows = np.ascontiguousarray(left / self._deviation).view(np.float64)
            rows -= (rows @ self._alongside.T) @ self._alongside
            left = rows.view(np.complex128) * self._deviation
        return left

    def misfit(self) -> float:
        """Sum of squared residuals in units of the noise's standard deviation."""
        return float((2 * np.abs(self.residual()) ** 2 / self.spectra.noise_power).sum())

    @cached_property
    def _deviation(self) -> Real:
        return np.sqrt(self.spectra.noise_power)

    @cached_property
    def _alongside(self) -> Real:
        """Orthonormal rows that span what is fitted alongside."""
        columns = self.alongside(self.spectra, self.steady_hz) / self._deviation
        return np.ascontiguousarray(np.linalg.qr(columns.view(np.float64).T)[0].T)

    def alongside(self, spectra: Spectra, lines_hz: Real) -> Complex:
        """Hum, and the skirts of what sounds louder beyond the spectra, (columns, bins)."""
        lines = hum(spectra, lines_hz)
        return np.concatenate((lines, skirts(spectra))) if self.loud_beyond else lines

    def step_at(self, frequency_hz: Real) -> Real:
        """Distance between bins around a frequency."""
        return np.asarray(np.interp(frequency_hz, self.spectra.frequencies_hz, self.spectra.resolution_hz))

    def unexplained(self, chosen: NDArray[np.int64], *, bandwidths: float, bins: int) -> tuple[Real, Real]:
        """Power left over around each chosen component in units of the noise floor, and its degrees of freedom; (modes,) each.

        More than 1 where the model is not the whole truth, above all in a room: reverberation multiplies the spectrum by one
        plus a random function of frequency.
        """
        spectra = self.spectra
        left = (np.abs(self.residual()) ** 2).mean(axis=0) / spectra.noise_power
        total = np.cumsum(np.concatenate(([0.0], left)))
        centre = self.omega[chosen] / (2 * np.pi)
        reach = np.maximum(bandwidths * self.decay[chosen] / np.pi, bins / 2 * self.step_at(centre))
        low = np.searchsorted(spectra.frequencies_hz, centre - reach)
        high = np.maximum(np.searchsorted(spectra.frequencies_hz, centre + reach), low + 1)
        high = np.minimum(high, len(left))
        low = np.minimum(low, high - 1)
        # Each component has used up as many of the 2 x bins x taps residuals as it has unknowns.
        unknowns = (1 + spectra.taps) / spectra.taps
        free = np.maximum(high - low - unknowns, 1)
        return np.asarray((total[high] - total[low]) / free), np.asarray(2 * spectra.taps * free)

    def groups(self) -> list[NDArray[np.int64]]:
        """All components in order of frequency, cut at the widest gaps into groups small enough to fit in one go."""
        pieces = [np.argsort(self.omega)] if len(self.omega) else []
        result: list[NDArray[np.int64]] = []
        while pieces:
            piece = pieces.pop(0)
            if len(piece) <= _GROUP:
                result.append(piece)
                continue
            third = len(piece) // 3
            cut = third + 1 + int(np.argmax(np.diff(np.log(self.omega[piece]))[third:-third]))
            pieces[:0] = [piece[:cut], piece[cut:]]
        return result

    def part_of(self, group: NDArray[np.int64]) -> slice:
        """The bins to which a group is fitted: all of them for a single group, else as far as its skirts matter."""
        if len(group) == len(self.decay):
            return slice(0, len(self.spectra.frequencies_hz))
        centre = self.omega[group] / (2 * np.pi)
        reach = 8 * self.decay[group] / np.pi + 8 * self.step_at(centre)
        frequencies = self.spectra.frequencies_hz
        start = int(np.searchsorted(frequencies, float((centre - reach).min())))
        stop = int(np.searchsorted(frequencies, float((centre + reach).max())))
        return slice(max(start - 2 * len(group), 0), min(stop + 2 * len(group), len(frequencies)))

    def data_for(self, group: NDArray[np.int64]) -> tuple[Spectra, Real]:
        """Spectra in the group's bins, less all other poles, and the hum lines there."""
        part = self.part_of(group)
        spectra = self.spectra.take(part)
        rest = np.setdiff1d(np.arange(len(self.decay)), group)
        if len(rest):
            spectra = spectra.holding(spectra.values - self.sum_of(rest, spectra))
        low, high = spectra.frequencies_hz[[0, -1]]
        margin = float(spectra.resolution_hz.max())
        return spectra, self.steady_hz[(self.steady_hz > low - margin) & (self.steady_hz < high + margin)]

    def fit(self, group: NDArray[np.int64], *, iterations: int, tolerance: float) -> Fit:
        spectra, lines = self.data_for(group)
        fit = fit_poles(
            spectra,
            spectra.values,
            decay=self.decay[group],
            omega=self.omega[group],
            alongside=self.alongside(spectra, lines),
            iterations=iterations,
            tolerance=tolerance,
        )
        self.decay[group], self.omega[group] = fit.decay, fit.omega
        self.amplitude[:, group] = fit.amplitude
        return fit

    def fit_all(self, *, iterations: int, tolerance: float) -> None:
        groups = self.groups()
        for _ in range(1 if len(groups) == 1 else 2):
            for group in groups:
                self.fit(group, iterations=iterations, tolerance=tolerance)

    def fit_around(self, changed_hz: Real, *, iterations: int) -> None:
        """Fit the components near the given frequencies, in clusters of those whose peaks overlap."""
        order = np.argsort(self.omega)
        centre = self.omega[order] / (2 * np.pi)
        reach = 3 * self.decay[order] / np.pi + 3 * self.step_at(centre)
        cuts = np.flatnonzero(np.diff(centre) > reach[1:] + reach[:-1]) + 1
        for cluster in np.split(order, cuts):
            for start in range(0, len(cluster), _GROUP // 2):
                group = cluster[start : start + _GROUP // 2]
                near = np.abs(self.omega[group][:, None] / (2 * np.pi) - changed_hz).min(axis=1)
                if np.any(near < 3 * self.decay[group] / np.pi + 3 * self.step_at(self.omega[group] / (2 * np.pi))):
                    self.fit(group, iterations=iterations, tolerance=0.3)

    def add(self, omega: float, decay: float) -> None:
        self.omega = np.append(self.omega, omega)
        self.decay = np.append(self.decay, decay)
        self.amplitude = np.concatenate((self.amplitude, np.zeros((self.spectra.taps, 1), complex)), axis=1)

    def drop(self, index: NDArray[np.int64]) -> None:
        keep = np.setdiff1d(np.arange(len(self.decay)), index)
        self.decay, self.omega, self.amplitude = self.decay[keep], self.omega[keep], self.amplitude[:, keep]


def _threshold(taps: int) -> float:
    """Misfit that one component must remove: its 2 + 2 taps unknowns, five sigma, and the many places it was looked for."""
    unknowns = 2 + 2 * taps
    return unknowns + 5 * float(np.sqrt(2 * unknowns)) + 12


def find_poles(
    spectra: Spectra, *, steady_hz: Real, low_hz: float, high_hz: float, rounds: int = ROUNDS, loud_beyond: bool = False
) -> list[Pole]:
    """All damped sinusoids between two frequencies that the records of the taps demand.

    ``steady_hz``: hum lines, fitted along but never reported. ``rounds`` of search in what is left over; the first finds what
    stands out. ``loud_beyond``: louder tones are known to sound beyond the spectra, and their skirts are fitted. No resonance
    gives an empty list.
    """
    work = _Work(spectra, steady_hz, loud_beyond=loud_beyond)
    for number in range(rounds):
        starts = _candidates(work, low_hz, high_hz, most=_FIRST_AN_OCTAVE if number == 0 else _MORE_AN_OCTAVE)
        before = len(work.decay)
        for omega, decay in starts:
            work.add(omega, decay)
        _merge(work, before)
        if len(work.decay) == before:
            break
        if number == 0:
            work.fit_all(iterations=6, tolerance=0.3)
        else:
            work.fit_around(work.omega[before:] / (2 * np.pi), iterations=6)
        _prune(work, low_hz)
        if number and len(work.decay) <= before:
            break
    _join(work)
    return _finish(work)


def _join(work: _Work) -> None:
    """One pole in place of two that overlap, unless the data object: each stays only if a refit without it is worse by more than
    chance, and by more than taps that differ a little from each other explain. (That it removes misfit with the other held, as
    in pruning, proves little so close together.)
    """
    tried: set[float] = set()
    for _ in range(_TRIALS):
        order = np.argsort(work.omega)
        poles = -work.decay[order] + 1j * work.omega[order]
        reach = work.decay[order]
        close = np.flatnonzero(np.abs(np.diff(poles)) < reach[1:] + reach[:-1])
        pairs = [order[[i, i + 1]] for i in close]
        peak = np.abs(work.amplitude).sum(axis=0) / work.decay
        doubtful = [int(pair[np.argmin(peak[pair])]) for pair in pairs]
        doubtful = [d for d in doubtful if round(work.omega[d], 3) not in tried]
        if not doubtful:
            return
        weakest = min(doubtful, key=lambda d: peak[d])
        tried.add(round(float(work.omega[weakest]), 3))
        kept = (work.decay.copy(), work.omega.copy(), work.amplitude.copy())
        before = work.misfit()
        gone = work.omega[[weakest]] / (2 * np.pi)
        work.drop(np.array([weakest]))
        work.fit_around(gone, iterations=10)
        left = max(before / (2 * work.spectra.values.size), 1.0)
        stays = int(np.argmin(np.abs(work.omega / (2 * np.pi) - gone)))
        # Beyond chance, and beyond what a decay that is not quite exponential leaves.
        allowed = _threshold(work.spectra.taps) * left
        allowed = max(allowed, _IMPERFECT * float(_strengths(work, np.array([stays])).sum()))
        worse = work.misfit() - before
        if worse > allowed and worse - _scatter(work, stays) > allowed:
            work.decay, work.omega, work.amplitude = kept


def _scatter(work: _Work, index: int) -> float:
    """Misfit that would go if one component had its own frequency and damping in every tap (first order)."""
    spectra, lines = work.data_for(np.array([index]))
    fit = fit_poles(
        spectra,
        spectra.values,
        decay=work.decay[[index]],
        omega=work.omega[[index]],
        alongside=work.alongside(spectra, lines),
        iterations=0,
    )
    return float(np.einsum("jp,jp->", fit.gradient, np.linalg.solve(fit.information, fit.gradient[..., None])[..., 0]))


def _candidates(work: _Work, low_hz: float, high_hz: float, *, most: int) -> list[tuple[float, float]]:
    """Peaks of what is left, over the noise: starting values (omega, decay), at most the ``most`` strongest an octave."""
    spectra = work.spectra
    left = work.residual()
    power = (np.abs(left) ** 2).mean(axis=0) / spectra.noise_power
    smooth = np.convolve(power, [0.25, 0.5, 0.25], mode="same")
    # Tails of strong peaks make a slope: compare with the level a few bins to either side, not with the noise alone.
    padded = np.pad(smooth, 4, mode="edge")
    around = np.sqrt(padded[:-8] * padded[8:])
    tops = np.flatnonzero((smooth[1:-1] >= smooth[:-2]) & (smooth[1:-1] > smooth[2:])) + 1
    least = 1 + 7.0 / np.sqrt(spectra.taps)
    inside = (spectra.frequencies_hz[tops] >= low_hz) & (spectra.frequencies_hz[tops] <= high_hz)
    tops = tops[inside & (smooth[tops] > least)]
    found: list[tuple[float, float]] = []
    taken: list[tuple[float, float]] = []
    first_round = not len(work.decay)
    crowd: dict[int, int] = {}
    for top in tops[np.argsort(-smooth[tops])]:
        octave = int(np.log2(spectra.frequencies_hz[top] / low_hz))
        if crowd.get(octave, 0) >= most:
            continue
        frequency, step = float(spectra.frequencies_hz[top]), float(spectra.resolution_hz[top])
        if first_round and smooth[top] < 2.5 * around[top]:
            continue
        if any(abs(frequency - f) < r for f, r in taken):
            continue
        reach = max(0.03 * frequency, 6 * step)
        part = slice(*np.searchsorted(spectra.frequencies_hz, [frequency - reach, frequency + reach]))
        if part.stop - part.start < 5:
            continue
        omega, decay, gain = best_start(
            spectra.take(part),
            left[:, part],
            omega=2 * np.pi * (frequency + step * np.array([-0.75, -0.25, 0.25, 0.75])),
            decay=_START_DAMPING * 2 * np.pi * frequency,
        )
        taken.append((frequency, 1.5 * decay / np.pi + step))
        if gain > 0.8 * _threshold(spectra.taps):
            crowd[octave] = crowd.get(octave, 0) + 1
            found.append((omega, decay))
    return found


def _merge(work: _Work, first_new: int) -> None:
    """Two starts on one peak are one start."""
    order = np.argsort(work.omega)
    close = np.diff(work.omega[order]) < 0.3 * np.minimum(work.decay[order][1:], work.decay[order][:-1])
    doubled = [int(max(order[i], order[i + 1])) for i in np.flatnonzero(close)]
    doubled = [d for d in doubled if d >= first_new]
    if doubled:
        work.drop(np.array(doubled))


def _prune(work: _Work, low_hz: float) -> int:
    """Leave out the component that matters least, one of a group at a time, while it does not matter enough."""
    dropped = 0
    while len(work.decay):
        useless = np.concatenate([_not_earned(work, group, low_hz) for group in work.groups()])
        if not len(useless):
            break
        dropped += len(useless)
        gone = work.omega[useless] / (2 * np.pi)
        work.drop(useless)
        if len(work.decay):
            work.fit_around(gone, iterations=3)
    return dropped


def _not_earned(work: _Work, group: NDArray[np.int64], low_hz: float) -> NDArray[np.int64]:
    frequency = np.hypot(work.omega[group], work.decay[group]) / (2 * np.pi)
    damping = work.decay[group] / (2 * np.pi * frequency)
    record_s = 1 / work.step_at(frequency)
    unphysical = (work.decay[group] * record_s < 0.25) | (damping > LIMITS.mode.overdamped) | (frequency < 0.5 * low_hz)
    if len(work.steady_hz):
        distance = np.abs(frequency[:, None] - work.steady_hz[None, :]).min(axis=1)
        unphysical |= (distance < 1.5 / record_s) & (work.decay[group] * record_s < 1.5)
    if unphysical.any():
        return group[unphysical]
    gains = _strengths(work, group).sum(axis=1)
    left = np.maximum(work.unexplained(group, bandwidths=2, bins=5)[0], 1.0)
    # Against noise alone a component must be beyond chance; against what else is left there, an F ratio decides.
    unknowns = 2 + 2 * work.spectra.taps
    weak = np.flatnonzero(gains < np.maximum(_threshold(work.spectra.taps), LIMITS.mode.f_ratio * unknowns * left))
    # Several at once only when they are far from each other: one may take over what another leaves.
    return group[weak[np.argsort(gains[weak])][: max(1, len(weak) // 3)]]


def _in_shadow(work: _Work, members: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Components whose peak lies in the shadow of a stronger one, (modes,).

    A room, an uneven decay or a rattle surround each strong resonance with small peaks that fit as well as any mode; nobody
    could tell them from modes of the ski.
    """
    # A peak is no higher than the record is long.
    peak = (np.abs(work.amplitude) ** 2).mean(axis=0) / (work.decay + work.step_at(work.omega / (2 * np.pi))) ** 2
    peak[_wild(work)] = 0.0
    distance = (work.omega[members][:, None] - work.omega[None, :]) / work.omega[members][:, None]
    shadow = peak[None, :] * 10 ** (LIMITS.mode.shadow_db / 10) / (1 + (distance / LIMITS.mode.shadow_width) ** 2)
    shadow[np.arange(len(members)), members] = 0
    return np.asarray(peak[members] <= shadow.max(axis=1))


def _wild(work: _Work) -> NDArray[np.bool_]:
    """Components that are no peak in what was transformed: overdamped, or run off beyond it; (modes,)."""
    centre = work.omega / (2 * np.pi)
    low, high = work.spectra.frequencies_hz[[0, -1]]
    return np.asarray(
        (work.decay > LIMITS.mode.overdamped * np.hypot(work.omega, work.decay)) | (centre < low) | (centre > high)
    )


def _left_by_room(work: _Work, group: NDArray[np.int64]) -> Real:
    """Power left around each component beyond what chance leaves, in units of the noise; (modes,).

    That is more than chance leaves in one of a thousand; in every second among faint low tones, which a room moves although
    its traces are lost in the noise.
    """
    left, freedom = work.unexplained(group, bandwidths=2, bins=9)
    score = 0.0 if work.loud_beyond else 3.09  # of the normal distribution
    # Points of chi-squared over its degrees of freedom (Wilson and Hilferty 1931).
    chance = (1 - 2 / (9 * freedom) + score * np.sqrt(2 / (9 * freedom))) ** 3
    return np.asarray(np.maximum(left - chance, 0.0))


def _strengths(work: _Work, group: NDArray[np.int64]) -> Real:
    """Misfit each component of a group removes in each tap, the others' amplitudes refitted: (modes, taps)."""
    spectra, lines = work.data_for(group)
    weight = np.sqrt(2.0 / spectra.noise_power)
    columns = np.concatenate((basis(spectra, work.decay[group], work.omega[group]), work.alongside(spectra, lines)))
    rows = (columns * weight).view(np.float64)
    target = np.ascontiguousarray(spectra.values * weight).view(np.float64)
    rows /= np.sqrt(np.einsum("ij,ij->i", rows, rows))[:, None]
    gram = rows @ rows.T
    inverse = np.linalg.inv(gram + 1e-13 * np.eye(len(gram)))
    amplitude = target @ rows.T @ inverse
    pairs = np.arange(len(group))[:, None] + np.array([0, len(group)])
    block = np.linalg.inv(inverse[pairs[:, :, None], pairs[:, None, :]])
    return np.asarray(np.einsum("jmp,mpq,jmq->mj", amplitude[:, pairs], block, amplitude[:, pairs]))


def _finish(work: _Work) -> list[Pole]:
    poles: list[Pole] = []
    groups = work.groups()
    for group in groups if len(groups) > 1 else []:
        work.fit(group, iterations=8, tolerance=0.1)
    wild = np.flatnonzero(_wild(work))
    if len(wild):
        work.drop(wild)
        work.fit_all(iterations=8, tolerance=0.1)
        groups = work.groups()
    for group in groups:
        fit = work.fit(group, iterations=8, tolerance=0.02)
        strengths = _strengths(work, group)
        left, freedom = work.unexplained(group, bandwidths=8, bins=24)
        # Residual and silence both tell the noise; each counts by its degrees of freedom.
        noise = (_SILENCE_FREEDOM + freedom * np.minimum(left, 2.0)) / (_SILENCE_FREEDOM + freedom)
        room = _left_by_room(work, group)
        # What a room leaves is the same in every tap, so that it does not average out.
        scales = noise + LIMITS.mode.room_scale**2 * work.spectra.taps * room
        n = len(group)
        hidden = _in_shadow(work, group) | (work.decay[group] < 0.25 * work.step_at(work.omega[group] / (2 * np.pi)))
        hidden |= strengths.sum(axis=1) < _threshold(work.spectra.taps)
        covariance = np.linalg.pinv(fit.information.sum(axis=0), hermitian=True)
        # A tap's own estimate: the Gauss-Newton step of that tap alone, from the pooled one.
        ridge = 1e-10 * np.einsum("jpp->jp", fit.information)[:, :, None] * np.eye(2 * n) + 1e-30 * np.eye(2 * n)
        inverse = np.linalg.inv(fit.information + ridge)
        steps = np.einsum("jpq,jq->jp", inverse, fit.gradient)
        for i in range(n):
            pair = np.array([i, n + i])
            poles.append(
                Pole(
                    decay=float(fit.decay[i]),
                    omega=float(fit.omega[i]),
                    covariance=covariance[np.ix_(pair, pair)] * scales[i],
                    each=np.array([fit.decay[i], fit.omega[i]]) + steps[:, pair],
                    each_covariance=inverse[:, pair[:, None], pair[None, :]] * (noise[i] + room[i]),
                    amplitude=fit.amplitude[:, i],
                    strength=strengths[i],
                    hidden=bool(hidden[i]),
                    record_s=float(1 / work.step_at(np.array(fit.omega[i] / (2 * np.pi)))),
                )
            )
    return sorted(poles, key=lambda p: p.omega)
