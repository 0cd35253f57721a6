"""How well runs on snow tell skis apart: variance components after session and order effects, and a value per ski."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS

_LIMITS = LIMITS.snow

Real = NDArray[np.float64]
Index = NDArray[np.int64]

_NONE = -1


@dataclass(frozen=True)
class Runs:
    """Runs of one measure. ``value`` [its unit], ``ski``, ``session``: indices; ``against``: the other ski of a pair or -1.

    ``order`` within the session and ``temperature_c`` are NaN where not known. ``kind``: index of each ski's kind.
    """

    value: Real
    ski: Index
    against: Index
    session: Index
    order: Real
    temperature_c: Real
    kind: Index


@dataclass(frozen=True)
class Reliability:
    """What scatters how much, as standard deviations in the unit of the measure; None where the runs cannot tell.

    ``ski_sd``: between skis of one kind. ``session_sd``: between sessions. ``ski_by_session_sd``: of one ski from session
    to session beyond its runs. ``run_sd``: between runs of a ski in a session. ``single``: share of the variance of one
    ski in one session (one run, where ``by_session`` is false) that is the ski's: an intraclass correlation of consistency.
    ``mean``, ``low``, ``high``: the same for a ski's mean over all it ran, with 95 % interval. ``f``, ``p``: F test that
    skis do not differ, with ``dof`` degrees of freedom.
    """

    ski_sd: float | None
    session_sd: float | None
    ski_by_session_sd: float | None
    run_sd: float | None
    single: float | None
    mean: float | None
    low: float | None
    high: float | None
    f: float | None
    p: float | None
    dof: tuple[int, int]
    by_session: bool

    @property
    def separates(self) -> bool:
        """Whether the skis differ in what was measured."""
        return self.p is not None and self.p <= _LIMITS.significance

    @property
    def weak(self) -> bool:
        """Whether more than half of what is seen between the skis' means is error."""
        return self.mean is not None and self.mean < _LIMITS.weak


@dataclass(frozen=True)
class SnowValues:
    """``value``: each ski's own, about the mean of its stratum, NaN where there is none. ``stratum``: -1 where none.

    A stratum is skis of one kind that ran in sessions connected with each other, so that they can be compared.
    """

    value: Real
    stratum: Index
    reliability: Reliability


def snow_values(runs: Runs) -> SnowValues:
    """Values of skis, free of session, order and temperature, and how reliable they are.

    value = session + drift with order in that session + slope with temperature + ski + ski by session + run, by least
    squares. The drift is taken out first. Where skis ran in several sessions the means of a ski in a session are the
    sample: what a ski gains or loses for a whole day (wax, hand, place) is then error, as it should be. With one
    session only the runs themselves are the sample.

        F = MS_ski / MS_error, reliability of a mean = 1 - 1/F [1], with limits 1 - F_crit/F [1]
        sd_ski² = (MS_ski - MS_error) / k, k = trace(D' M D)/df_ski [2]

    Raises:
        ValueError: no runs.

    References:
        [1] McGraw and Wong, Psychological Methods 1 (1996) 30, ICC(C,k) (from memory).
        [2] Henderson, Biometrics 9 (1953) 226, method 3 (from memory).
    """
    if not len(runs.value):
        raise ValueError("no runs: reliability needs some")
    nuisance, slopes = _nuisance(runs.session, runs.against), _slopes(runs)
    skis = _design(runs.ski, runs.against, len(runs.kind))
    value, used = _without_drift(runs.value, nuisance, slopes, skis)
    cells, cell_of, count = np.unique(
        np.column_stack([runs.session, runs.ski, runs.against]), axis=0, return_inverse=True, return_counts=True
    )
    cell_of = cell_of.ravel()
    mean = np.bincount(cell_of, value) / count
    within = float(((value - mean[cell_of]) ** 2).sum())
    within_free = len(value) - len(count)
    run_variance = within / within_free if within_free > 0 else None
    session, ski, against = cells.T
    sample = _Sample(mean, _nuisance(session, against), _design(ski, against, len(runs.kind)), runs.kind, used)
    by_session = len(np.unique(session)) > 1 and sample.dof[1] >= _LIMITS.least_dof
    if not by_session:
        sample = _Sample(value, nuisance, skis, runs.kind, used)
    reliability = _reliability(sample, by_session, run_variance, float(len(count) / (1 / count).sum()))
    stratum = _strata(runs)
    own = np.where(stratum >= 0, sample.effects(), np.nan)
    for each in np.unique(stratum[stratum >= 0]):
        own[stratum == each] -= own[stratum == each].mean()
    return SnowValues(own, stratum, reliability)


class _Sample:
    """A least squares model: ``value`` on nuisance columns and skis, and the sums of squares that it splits into."""

    def __init__(self, value: Real, nuisance: Real, skis: Real, kind: Index, used: int) -> None:
        self.value, self.skis, self.nuisance = value, skis, nuisance
        kinds = np.zeros((len(kind), int(kind.max()) + 1))
        kinds[np.arange(len(kind)), kind] = 1.0
        below = np.hstack([nuisance, skis @ kinds])
        self.basis = _orthonormal(below)
        self.full = _orthonormal(np.hstack([nuisance, skis]))
        self.dof = (
            self.full.shape[1] - self.basis.shape[1],
            len(value) - self.full.shape[1] - used,
        )

    def squares(self, basis: Real) -> float:
        """Sum of squares that a basis leaves over."""
        left = self.value - basis @ (basis.T @ self.value)
        return float(left @ left)

    def share(self, columns: Real, basis: Real) -> float:
        """trace(C' M C): how often each column's variance is in the sum of squares beyond a basis."""
        return float(((columns - basis @ (basis.T @ columns)) ** 2).sum())

    def effects(self) -> Real:
        """One value per ski; differences between skis that are connected are estimable, the rest is arbitrary."""
        solution = np.linalg.lstsq(np.hstack([self.nuisance, self.skis]), self.value, rcond=None)[0]
        return np.asarray(solution[self.nuisance.shape[1] :])


def _reliability(sample: _Sample, by_session: bool, run_variance: float | None, runs_per_cell: float) -> Reliability:
    from scipy.special import fdtrc, fdtri

    between, error = sample.dof
    run_sd = None if run_variance is None else sqrt(run_variance)
    if between < 1 or error < _LIMITS.least_dof:
        empty = (None,) * 3
        return Reliability(*empty, run_sd, *(None,) * 6, (between, max(error, 0)), by_session)
    left = sample.squares(sample.full)
    ms_error = left / error
    ms_ski = max(sample.squares(sample.basis) - left, 0.0) / between
    k = sample.share(sample.skis, sample.basis) / between
    tiny = 1e-18 * float(sample.value @ sample.value) + 1e-300
    f = ms_ski / max(ms_error, tiny)
    ski_variance = max(ms_ski - ms_error, 0.0) / k
    session_sd = by_session_sd = None
    if by_session and sample.nuisance.shape[1] > 1:
        session_sd = _session_sd(sample, left, ms_error)
    if by_session and run_variance is not None:
        by_session_sd = sqrt(max(ms_error - run_variance / runs_per_cell, 0.0))
    total = ski_variance + ms_error
    low, high = fdtri(between, error, 0.975), fdtri(between, error, 0.025)
    return Reliability(
        ski_sd=sqrt(ski_variance),
        session_sd=session_sd,
        ski_by_session_sd=by_session_sd,
        run_sd=run_sd,
        single=ski_variance / total if total > 0 else 0.0,
        mean=max(1 - 1 / max(f, 1e-12), 0.0),
        low=max(1 - low / max(f, 1e-12), 0.0),
        high=max(1 - high / max(f, 1e-12), 0.0),
        f=f,
        p=float(fdtrc(between, error, f)),
        dof=(between, error),
        by_session=by_session,
    )


def _session_sd(sample: _Sample, left: float, ms_error: float) -> float | None:
    alone = _orthonormal(sample.skis)
    free = sample.full.shape[1] - alone.shape[1]
    if free < 1:
        return None
    k = sample.share(sample.nuisance, alone) / free
    return sqrt(max((sample.squares(alone) - left) / free - ms_error, 0.0) / k)


def _nuisance(session: Index, against: Index) -> Real:
    """A column per session; none for paired glides, in whose difference the session drops out."""
    if (against != _NONE).any():
        return np.zeros((len(session), 0))
    names, at = np.unique(session, return_inverse=True)
    columns = np.zeros((len(session), len(names)))
    columns[np.arange(len(session)), at.ravel()] = 1.0
    return columns


def _slopes(runs: Runs) -> Real:
    """Drift with the order of each session that has enough runs, and one slope with temperature."""
    if (runs.against != _NONE).any():
        return np.zeros((len(runs.value), 0))
    columns = []
    warm = np.zeros(len(runs.value))
    for session in np.unique(runs.session):
        here = runs.session == session
        order, temperature = runs.order[here], runs.temperature_c[here]
        if here.sum() >= _LIMITS.least_runs_for_drift and np.isfinite(order).all() and np.ptp(order) > 0:
            column = np.zeros(len(runs.value))
            column[here] = (order - order.mean()) / np.ptp(order)
            columns.append(column)
        if np.isfinite(temperature).all():
            warm[here] = temperature - temperature.mean()
    if np.ptp(warm) > 0.5:
        columns.append(warm / np.ptp(warm))
    return np.column_stack(columns) if columns else np.zeros((len(runs.value), 0))


def _without_drift(value: Real, nuisance: Real, slopes: Real, skis: Real) -> tuple[Real, int]:
    """The values without drift, and how many slopes that took. Slopes that the skis' own values explain stay in."""
    basis = _orthonormal(np.hstack([nuisance, skis]))
    free = slopes - basis @ (basis.T @ slopes)
    if not slopes.shape[1] or len(value) - basis.shape[1] - slopes.shape[1] < _LIMITS.least_dof:
        return value, 0
    slope, _, rank, _ = np.linalg.lstsq(free, value, rcond=1e-8)
    return value - slopes @ slope, int(rank)


def _design(ski: Index, against: Index, count: int) -> Real:
    columns = np.zeros((len(ski), count))
    columns[np.arange(len(ski)), ski] = 1.0
    paired = np.flatnonzero(against != _NONE)
    columns[paired, against[paired]] -= 1.0
    return columns


def _orthonormal(columns: Real) -> Real:
    """An orthonormal basis of the space that the columns span."""
    from scipy.linalg import orth

    return np.asarray(orth(columns, rcond=1e-9)) if columns.shape[1] else columns


def _strata(runs: Runs) -> Index:
    """Kind and connected sessions of each ski, numbered; skis are connected by a shared session or a paired glide."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count = len(runs.kind)
    paired = runs.against != _NONE
    other = np.where(paired, runs.against, count + runs.session)
    size = count + int(runs.session.max()) + 1
    links = coo_array((np.ones(len(other)), (runs.ski, other)), shape=(size, size))
    part = connected_components(links, directed=False)[1][:count]
    ran = np.zeros(count, dtype=bool)
    ran[runs.ski] = True
    ran[runs.against[paired]] = True
    stratum = np.full(count, _NONE, dtype=np.int64)
    _, at = np.unique(np.column_stack([runs.kind, part])[ran], axis=0, return_inverse=True)
    stratum[ran] = at.ravel()
    return stratum
