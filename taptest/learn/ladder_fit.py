"""How the modes of skis of one construction lie against a prediction: their means, their scatter, and which skis are outliers.

The deviation of order n of ski i from what the base construction predicts is taken as

    ln(f_measured/f_base) = m_n + a_i + r_in                                                                        (1)

with m_n what the base does not know of this construction, a_i what all modes of a ski share (rig, balance, build), and r_in its
own residual. Good skis are split robustly into levels and orders (`taptest.screen.group`). As most first modes are never
heard, m is a Gaussian vector whose prior is what the base admits not to know: a common scale, smooth changes of stiffness and
mass along the ski, shear, and a part of each order's own. Its posterior mean is given for every order, heard or not, and its
covariance says how well each is determined.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.beam.construction import Construction
from taptest.beam.predict import SHAPE_PARAMETERS, Prediction
from taptest.config.limits import LIMITS
from taptest.core.errors import CalibrationError
from taptest.ski.record import percent
from taptest.stats.robust import robust
from taptest.stats.two_way import Profile, TwoWay, two_way

_LIMITS = LIMITS.learning

Real = NDArray[np.float64]


@dataclass(frozen=True)
class LearnedShape:
    """A smooth change of the base's profile: ``amount`` with its uncertainty, and what share of it the lot determines.

    ``determined`` is 1 - u²/u_before²: 0 when the skis say nothing about it, 1 when it is known exactly.
    """

    name: str
    amount: float
    amount_u: float
    determined: float


@dataclass(frozen=True, eq=False)
class Fit:
    """``mean`` m of all orders with its ``covariance``; ``shared`` and ``own`` variances of a ski about it; observations."""

    mean: Real
    covariance: Real
    shared: float
    own: Real
    observed: tuple[int, ...]
    values: Real
    noise: Real


class Prior:
    """What is thought of m before any ski was heard: the base's uncertainty, as a linear model of a few unknowns."""

    def __init__(self, base: Construction, predictions: Sequence[Prediction]) -> None:
        slopes = np.mean([each.bending_shape_slopes for each in predictions], axis=0)
        self.count = slopes.shape[1]
        admitted = np.array([base.frequency_u_rel(order) for order in range(1, self.count + 1)])
        weighted = slopes * np.array(_LIMITS.prior_shapes)[:, None]
        explained = float((weighted**2).sum(axis=0).mean())
        # Together the shapes explain what the base admits not to know, but for its own share.
        size = sqrt((1 - _LIMITS.prior_own**2) * float((admitted**2).mean()) / max(explained, 1e-12))
        self.shape_u = size * np.array(_LIMITS.prior_shapes)
        self.slopes = slopes
        orders = np.arange(1, self.count + 1)
        shear = _LIMITS.prior_shear * (orders + 0.5) ** 2
        self.shape_covariance = (self.slopes.T * self.shape_u**2) @ self.slopes
        self.covariance = (
            self.shape_covariance
            + _LIMITS.prior_scale**2
            + np.outer(shear, shear)
            + np.diag((_LIMITS.prior_own * admitted) ** 2)
        )

    def posterior(self, observed: Sequence[int], values: Real, noise: Real) -> tuple[Real, Real]:
        """Mean and covariance of m given values of some orders with a covariance of their errors."""
        at = np.array(observed) - 1
        gain = np.linalg.solve(self.covariance[np.ix_(at, at)] + noise, self.covariance[at]).T
        return gain @ values, self.covariance - gain @ self.covariance[at]

    def own_variance(self, heard: Sequence[int], variance: float) -> Real:
        """Variance of each order about what a ski's modes share, where the orders ``heard`` have this one on average.

        Were a ski uneven because its shape differs smoothly, orders outside those heard would be more so: what all share is
        known from the others, and a first mode follows the rig, which bends the middle.
        """
        away = np.eye(self.count)
        away[:, np.array(heard) - 1] -= 1 / len(heard)
        smooth = np.diag(away @ self.shape_covariance @ away.T)
        return np.asarray(np.maximum(variance * smooth / smooth[np.array(heard) - 1].mean(), variance))

    def shapes(self, fit: Fit) -> tuple[LearnedShape, ...]:
        """The smooth changes of the profile that the fit asks for."""
        at = np.array(fit.observed) - 1
        cross = self.shape_u[:, None] ** 2 * self.slopes[:, at]
        inverse = np.linalg.inv(self.covariance[np.ix_(at, at)] + fit.noise)
        amounts = cross @ inverse @ fit.values
        left = self.shape_u**2 - np.einsum("pn,nm,pm->p", cross, inverse, cross)
        return tuple(
            LearnedShape(name, float(amount), sqrt(max(float(rest), 0.0)), 1 - float(rest / u**2))
            for name, amount, rest, u in zip(SHAPE_PARAMETERS, amounts, left, self.shape_u, strict=True)
        )


def fit_ladders(ladders: Sequence[Profile], prior: Prior) -> Fit:
    """Equation (1) fitted to good skis."""
    table = two_way(ladders)
    used = table.usable
    count = int(used.sum())
    level = table.level[used]
    centre, shared = float(level.mean()), float(level.var(ddof=1))
    heard = table.known[used].sum(axis=0)
    variance = np.median(table.variance[used], axis=0)
    own = prior.own_variance(table.orders, float(np.average(variance, weights=heard)))
    own[np.array(table.orders) - 1] = variance
    known = _Means(list(table.orders), (centre + table.effect).tolist(), (variance / heard).tolist())
    mean, covariance = prior.posterior(known.orders, np.array(known.values), known.noise(shared / count))
    # Orders that few skis have: each value counts on its own, unless it contradicts what the others make likely.
    rare: dict[int, list[float]] = {}
    for i, ladder in enumerate(ladders):
        for order, value in zip(ladder.orders, ladder.values, strict=True):
            if order not in table.orders and used[i]:
                expected, doubt = mean[order - 1], sqrt(float(covariance[order - 1, order - 1] + own[order - 1]))
                if abs(value - table.level[i] + centre - expected) <= _LIMITS.rare_z * doubt:
                    rare.setdefault(order, []).append(float(value - table.level[i] + centre))
    for order, values in rare.items():
        known.add(order, float(np.mean(values)), float(own[order - 1]) / len(values))
    noise = known.noise(shared / count)
    mean, covariance = prior.posterior(known.orders, np.array(known.values), noise)
    return Fit(mean, covariance, shared, own, tuple(known.orders), np.array(known.values), noise)


@dataclass
class _Means:
    """Mean deviation of every order heard, and the variance of that mean about what all orders share."""

    orders: list[int]
    values: list[float]
    variance: list[float]

    def add(self, order: int, value: float, variance: float) -> None:
        self.orders.append(order)
        self.values.append(value)
        self.variance.append(variance)

    def noise(self, shared: float) -> Real:
        """Covariance of the means' errors, of which ``shared`` is common to all."""
        return np.asarray(shared + np.diag(self.variance))


@dataclass(frozen=True, eq=False)
class Errors:
    """ln(measured/predicted) of every mode that was heard: predicted from the ``others``, and by the ``base``.

    ``variance``: of the error from the others, as their fit expects it; ``noise``: standard uncertainty of the measured mode.
    """

    order: NDArray[np.int64]
    others: Real
    base: Real
    variance: Real
    noise: Real


def left_one_out(ladders: Sequence[Profile], prior: Prior) -> Errors:
    rows: list[tuple[int, float, float, float, float]] = []
    for i, ladder in enumerate(ladders):
        fit = fit_ladders([*ladders[:i], *ladders[i + 1 :]], prior)
        for order, value, u in zip(ladder.orders, ladder.values, ladder.u, strict=True):
            expected = fit.shared + fit.own[order - 1] + fit.covariance[order - 1, order - 1]
            rows.append((order, value - fit.mean[order - 1], value, expected, u))
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    return Errors(columns[0].astype(np.int64), columns[1], *columns[2:])


def outliers(table: TwoWay) -> list[str]:
    """For each ski why it is an outlier, or nothing."""
    if len(table.orders) < _LIMITS.least_orders:
        raise CalibrationError(
            f"only {len(table.orders)} bending orders were heard in a third of the skis; {_LIMITS.least_orders} are needed: tap "
            "them again, closer to the microphone"
        )
    level = robust(table.level[table.usable])
    spread = max(level.spread, _LIMITS.least_spread)
    free = np.maximum(table.known.sum(axis=1) - 1, 1)
    square = np.where(table.known, table.residual**2 / table.variance, 0.0).sum(axis=1) / free
    # Wilson and Hilferty: the cube root of chi²/nu is nearly normal (see taptest.screen.group).
    uneven = (np.cbrt(square) - (1 - 2 / (9 * free))) / np.sqrt(2 / (9 * free))
    judged = table.known.sum(axis=1) >= _LIMITS.least_orders
    usual = robust(uneven[judged]) if judged.sum() >= _LIMITS.least_judged else None
    reasons = []
    for i, known in enumerate(table.usable):
        off = table.level[i] - level.centre
        if not known:
            reasons.append("only orders that hardly any other ski has")
        elif abs(off) > _LIMITS.outlier_z * spread:
            reasons.append(f"all modes {percent(off):+.1f} % against the others, which scatter by {100 * spread:.1f} %")
        elif usual is not None and judged[i] and uneven[i] - usual.centre > _LIMITS.outlier_z * max(usual.spread, 1.0):
            worst = int(np.argmax(np.abs(table.residual[i]) / np.sqrt(table.variance[i]) * table.known[i]))
            reasons.append(
                f"uneven: mode {table.orders[worst]} is {percent(table.residual[i][worst]):+.1f} % off its others"
            )
        else:
            reasons.append("")
    return reasons
