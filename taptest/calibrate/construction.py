"""A construction learnt from skis presumed good: what each bending order is off by on all of them, and how well that predicts.

The deviation of order n of ski i from what the base construction predicts is taken as

    ln(f_measured/f_base) = m_n + a_i + r_in                                                                        (1)

with m_n what the base does not know of this construction, a_i what all modes of a ski share (rig, balance, build), and r_in its
own unevenness. Strange skis are left out, the rest is split robustly into levels and orders (`taptest.judge.group`). As most
first modes are never heard, m is a Gaussian vector whose prior is what the base admits not to know: a common scale, smooth
changes of stiffness and mass along the ski, shear, and a part of each order's own. Its posterior mean gives exp(m_n), the
factor of every order, heard or not, and its covariance how well that is determined.

What is stated as uncertainty is scaled to the errors found when every ski is predicted from the others (leave one out).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import ceil, exp, sqrt

import numpy as np
from numpy.typing import NDArray

from taptest import __version__
from taptest.beam.construction import Construction, Learned
from taptest.beam.predict import SHAPE_PARAMETERS, predict, reshaped
from taptest.errors import CalibrationError, shown
from taptest.judge.group import LEAST_GROUP, Ladder, TwoWay, percent, two_way
from taptest.judge.measure import MeasuredSki, log_deviations, measurements_of
from taptest.judge.statistics import robust

Real = NDArray[np.float64]

LEAST_SKIS = LEAST_GROUP
MOST_SHARED_PERCENT = (
    3.0  # skis that differ more at equal stiffness and mass are not of one kind (common practice, no source)
)
MOST_UNEVEN_PERCENT = 2.0
MOST_LEFT_OUT = 0.25
_LEAST_ORDERS = 3
_STRANGE = 3.5  # robust standard deviations; of 20 sound skis one in a hundred lots loses one to this
_LEAST_SPREAD = 0.001  # hanging a ski anew moves it about that much (common practice, no source)
_PRIOR_SCALE = 0.03
_PRIOR_SHEAR = 0.5 * 3e-4  # at (order + 1/2)²: half of what a bar of t/L = 0.014 has (derived)
_OWN_SHARE = 0.15  # of what the base admits not to know, the part that no smooth change of shape explains
_SHAPE_SHARES = (1.0, 1.0, 0.5, 1.0)  # of the rest, in the order of SHAPE_PARAMETERS
_RARE_STRANGE = 4.0
_NORMAL_95 = 1.959964
_LEAST_FOR_ERROR = 3  # skis in which an order was heard before its error is given on its own


@dataclass(frozen=True)
class LeftOut:
    """A ski that was not learnt from: ``lot`` and ``line`` of the table, and ``why``."""

    ski_id: str
    lot: str
    line: int
    why: str


@dataclass(frozen=True)
class LearnedOrder:
    """One bending order: ``factor`` on the base's prediction with its relative standard uncertainty, heard in ``skis``.

    ``error_percent``: root mean square error when each ski is predicted from the others, ``base_error_percent`` when the
    base predicts them; None where it was heard in fewer than three. ``u_percent``: stated standard uncertainty of the
    prediction of a new ski.
    """

    order: int
    skis: int
    factor: float
    factor_u_rel: float
    error_percent: float | None
    base_error_percent: float | None
    u_percent: float


@dataclass(frozen=True)
class LearnedShape:
    """A smooth change of the base's profile: ``amount`` with its uncertainty, and what share of it the lot determines.

    ``determined`` is 1 - u²/u_before²: 0 when the skis say nothing about it, 1 when it is known exactly.
    """

    name: str
    amount: float
    amount_u: float
    determined: float


@dataclass(frozen=True)
class LearnedConstruction:
    """The new ``construction`` and how well it predicts.

    ``error_percent`` and ``base_error_percent``: root mean square over all modes, each ski predicted from the others, and by
    the base. ``cover_percent``: share of those modes within 1.96 stated standard uncertainties. ``shared_percent`` and
    ``uneven_percent``: how the skis scatter, in what their modes share and in each mode. ``reshaped``: whether the
    profile was changed.
    """

    construction: Construction
    base: str
    lots: tuple[str, ...]
    orders: tuple[LearnedOrder, ...]
    shapes: tuple[LearnedShape, ...]
    skis: int
    left_out: tuple[LeftOut, ...]
    shared_percent: float
    uneven_percent: float
    error_percent: float
    base_error_percent: float
    cover_percent: float
    reshaped: bool

    def values(self) -> dict[str, object]:
        """As stored, see `taptest.calibrate.store`."""
        return {
            "name": self.construction.name,
            "base": self.base,
            "skis": self.skis,
            "left_out": [vars(each) for each in self.left_out],
            "error_percent": round(self.error_percent, 3),
            "base_error_percent": round(self.base_error_percent, 3),
            "within_stated_percent": round(self.cover_percent, 1),
            "shared_percent": round(self.shared_percent, 3),
            "uneven_percent": round(self.uneven_percent, 3),
            "profile_changed": self.reshaped,
            "orders": [
                {
                    "order": each.order,
                    "skis": each.skis,
                    "factor": round(each.factor, 5),
                    "factor_u_rel": round(each.factor_u_rel, 5),
                    "error_percent": None if each.error_percent is None else round(each.error_percent, 3),
                    "base_error_percent": None
                    if each.base_error_percent is None
                    else round(each.base_error_percent, 3),
                    "stated_u_percent": round(each.u_percent, 3),
                }
                for each in self.orders
            ],
            "shapes": [
                {
                    "name": each.name,
                    "amount": round(each.amount, 4),
                    "amount_u": round(each.amount_u, 4),
                    "determined": round(each.determined, 3),
                }
                for each in self.shapes
            ],
        }


@dataclass(frozen=True)
class Learner:
    """A measured ski and the lot it is from."""

    ski: MeasuredSki
    lot: str

    @property
    def ladder(self) -> Ladder:
        deviations = log_deviations(self.ski)
        return Ladder(*(tuple(column) for column in zip(*(each[:3] for each in deviations), strict=True)))


def learn(
    learners: Sequence[Learner],
    base: Construction,
    *,
    stem: str,
    name: str,
    made: datetime,
    change_profile: bool = False,
) -> LearnedConstruction:
    """A construction from measured skis, see the head of this module.

    Args:
        learners: skis measured against ``base``; those that could not be judged are left out and say why.
        base: the construction whose profile is taken; it must not be a learned one.
        stem: of the file that will be written.
        name: of the new construction, as shown in tables.
        made: when.
        change_profile: put what is smooth into stiffness and mass along the ski, and only the rest into the factors.

    Raises:
        CalibrationError: too few skis, too many strange ones, or skis that scatter too much; with the numbers.
    """
    usable, left_out = _usable(learners)
    _check_count(len(usable), left_out)
    usable, strange = _without_strange(usable)
    left_out += strange
    if len(strange) > MOST_LEFT_OUT * (len(usable) + len(strange)):
        raise CalibrationError(
            f"{len(strange)} of {len(usable) + len(strange)} skis differ from the rest ({_named(strange)}), more than "
            f"{100 * MOST_LEFT_OUT:.0f} %: the lot is not of one kind; give one construction and generation at a time"
        )
    _check_count(len(usable), left_out)
    model = _Prior(base, usable)
    ladders = [each.ladder for each in usable]
    fit = _fit(ladders, model)
    _check_scatter(fit)
    shapes = model.shapes(fit)
    if change_profile:
        base = reshaped(base, [each.amount for each in shapes])
        usable = [_against(each, base) for each in usable]
        model, ladders = _Prior(base, usable), [each.ladder for each in usable]
        fit = _fit(ladders, model)
    about = _About(base, stem, name, made, shapes, tuple(left_out), change_profile)
    return _result(usable, fit, _left_one_out(ladders, model), about)


def _usable(learners: Sequence[Learner]) -> tuple[list[Learner], list[LeftOut]]:
    usable, left_out = [], []
    for each in learners:
        if each.ski.obstacles:
            left_out.append(_left_out(each, each.ski.obstacles[0]))
        elif not log_deviations(each.ski):
            left_out.append(_left_out(each, "no bending mode was placed"))
        else:
            usable.append(each)
    return usable, left_out


def _left_out(learner: Learner, why: str) -> LeftOut:
    return LeftOut(learner.ski.row.ski_id, learner.lot, learner.ski.row.line, why)


def _named(skis: Sequence[LeftOut]) -> str:
    more = f" and {len(skis) - 6} more" if len(skis) > 6 else ""
    return ", ".join(shown(each.ski_id, 20) for each in skis[:6]) + more


def _check_count(count: int, left_out: Sequence[LeftOut]) -> None:
    if count < LEAST_SKIS:
        lost = f"; {len(left_out)} left out: {_named(left_out)}" if left_out else ""
        raise CalibrationError(
            f"{count} skis can be learnt from{lost}; {LEAST_SKIS} sound ones are needed: add skis, or keep the base"
        )


def _without_strange(learners: list[Learner]) -> tuple[list[Learner], list[LeftOut]]:
    """The skis that agree with each other, and those that do not: in what their modes share, or in evenness."""
    kept, left_out = list(learners), []
    while len(kept) >= LEAST_SKIS:
        table = two_way([each.ladder for each in kept])
        reasons = _strange(table)
        if not any(reasons):
            break
        left_out += [_left_out(each, why) for each, why in zip(kept, reasons, strict=True) if why]
        kept = [each for each, why in zip(kept, reasons, strict=True) if not why]
    return kept, left_out


def _strange(table: TwoWay) -> list[str]:
    """For each ski why it is strange, or nothing."""
    if len(table.orders) < _LEAST_ORDERS:
        raise CalibrationError(
            f"only {len(table.orders)} bending orders were heard in a third of the skis; {_LEAST_ORDERS} are needed: tap them "
            "again, closer to the microphone"
        )
    level = robust(table.level[table.usable])
    spread = max(level.spread, _LEAST_SPREAD)
    free = np.maximum(table.known.sum(axis=1) - 1, 1)
    square = np.where(table.known, table.residual**2 / table.variance, 0.0).sum(axis=1) / free
    # Wilson and Hilferty: the cube root of chi²/nu is nearly normal (see taptest.judge.group).
    uneven = (np.cbrt(square) - (1 - 2 / (9 * free))) / np.sqrt(2 / (9 * free))
    judged = table.known.sum(axis=1) >= _LEAST_ORDERS
    usual = robust(uneven[judged]) if judged.sum() >= LEAST_SKIS else None
    reasons = []
    for i, known in enumerate(table.usable):
        off = table.level[i] - level.centre
        if not known:
            reasons.append("only orders that hardly any other ski has")
        elif abs(off) > _STRANGE * spread:
            reasons.append(f"all modes {percent(off):+.1f} % against the others, which scatter by {100 * spread:.1f} %")
        elif usual is not None and judged[i] and uneven[i] - usual.centre > _STRANGE * max(usual.spread, 1.0):
            worst = int(np.argmax(np.abs(table.residual[i]) / np.sqrt(table.variance[i]) * table.known[i]))
            reasons.append(
                f"uneven: mode {table.orders[worst]} is {percent(table.residual[i][worst]):+.1f} % off its others"
            )
        else:
            reasons.append("")
    return reasons


@dataclass(frozen=True, eq=False)
class _Fit:
    """``mean`` m of all orders with its ``covariance``; ``shared`` and ``own`` variances of a ski about it; observations."""

    mean: Real
    covariance: Real
    shared: float
    own: Real
    observed: tuple[int, ...]
    values: Real
    noise: Real


class _Prior:
    """What is thought of m before any ski was heard: the base's uncertainty, as a linear model of a few unknowns."""

    def __init__(self, base: Construction, learners: Sequence[Learner]) -> None:
        predictions = [each.ski.prediction for each in learners]
        slopes = np.mean([each.bending_shape_slopes for each in predictions if each is not None], axis=0)
        self.count = slopes.shape[1]
        admitted = np.array([base.frequency_u_rel(order) for order in range(1, self.count + 1)])
        weighted = slopes * np.array(_SHAPE_SHARES)[:, None]
        explained = float((weighted**2).sum(axis=0).mean())
        # Together the shapes explain what the base admits not to know, but for its own share.
        size = sqrt((1 - _OWN_SHARE**2) * float((admitted**2).mean()) / max(explained, 1e-12))
        self.shape_u = size * np.array(_SHAPE_SHARES)
        self.slopes = slopes
        orders = np.arange(1, self.count + 1)
        shear = _PRIOR_SHEAR * (orders + 0.5) ** 2
        self.shape_covariance = (self.slopes.T * self.shape_u**2) @ self.slopes
        self.covariance = (
            self.shape_covariance + _PRIOR_SCALE**2 + np.outer(shear, shear) + np.diag((_OWN_SHARE * admitted) ** 2)
        )

    def posterior(self, observed: Sequence[int], values: Real, noise: Real) -> tuple[Real, Real]:
        """Mean and covariance of m given values of some orders with a covariance of their errors."""
        at = np.array(observed) - 1
        gain = np.linalg.solve(self.covariance[np.ix_(at, at)] + noise, self.covariance[at]).T
        return gain @ values, self.covariance - gain @ self.covariance[at]

    def unevenness(self, heard: Sequence[int], variance: float) -> Real:
        """Variance of each order about what a ski's modes share, where the orders ``heard`` have this one on average.

        Were a ski uneven because its shape differs smoothly, orders outside those heard would be more so: what all share is
        known from the others, and a first mode follows the rig, which bends the middle.
        """
        away = np.eye(self.count)
        away[:, np.array(heard) - 1] -= 1 / len(heard)
        smooth = np.diag(away @ self.shape_covariance @ away.T)
        return np.asarray(np.maximum(variance * smooth / smooth[np.array(heard) - 1].mean(), variance))

    def shapes(self, fit: _Fit) -> tuple[LearnedShape, ...]:
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


def _fit(ladders: Sequence[Ladder], prior: _Prior) -> _Fit:
    """Equation (1) fitted to sound skis."""
    table = two_way(ladders)
    used = table.usable
    count = int(used.sum())
    level = table.level[used]
    centre, shared = float(level.mean()), float(level.var(ddof=1))
    heard = table.known[used].sum(axis=0)
    variance = np.median(table.variance[used], axis=0)
    own = prior.unevenness(table.orders, float(np.average(variance, weights=heard)))
    own[np.array(table.orders) - 1] = variance
    known = _Means(list(table.orders), (centre + table.effect).tolist(), (variance / heard).tolist())
    mean, covariance = prior.posterior(known.orders, np.array(known.values), known.noise(shared / count))
    # Orders that few skis have: each value counts on its own, unless it contradicts what the others make likely.
    rare: dict[int, list[float]] = {}
    for i, ladder in enumerate(ladders):
        for order, value in zip(ladder.orders, ladder.values, strict=True):
            if order not in table.orders and used[i]:
                expected, doubt = mean[order - 1], sqrt(float(covariance[order - 1, order - 1] + own[order - 1]))
                if abs(value - table.level[i] + centre - expected) <= _RARE_STRANGE * doubt:
                    rare.setdefault(order, []).append(float(value - table.level[i] + centre))
    for order, values in rare.items():
        known.add(order, float(np.mean(values)), float(own[order - 1]) / len(values))
    noise = known.noise(shared / count)
    mean, covariance = prior.posterior(known.orders, np.array(known.values), noise)
    return _Fit(mean, covariance, shared, own, tuple(known.orders), np.array(known.values), noise)


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


def _check_scatter(fit: _Fit) -> None:
    shared, uneven = 100 * sqrt(fit.shared), 100 * sqrt(float(np.median(fit.own)))
    for size, most, what in (
        (shared, MOST_SHARED_PERCENT, "in what the modes of a ski share (rig, balance, build)"),
        (uneven, MOST_UNEVEN_PERCENT, "in single modes (unevenness)"),
    ):
        if size > most:
            raise CalibrationError(
                f"the skis scatter by {size:.1f} % {what}, at most {most:g} % can be learnt from: check rig and balance, and "
                "give one construction and generation at a time"
            )


@dataclass(frozen=True, eq=False)
class _Errors:
    """ln(measured/predicted) of every mode that was heard: predicted from the ``others``, and by the ``base``.

    ``variance``: of the error from the others, as their fit expects it.
    """

    order: NDArray[np.int64]
    others: Real
    base: Real
    variance: Real


def _left_one_out(ladders: Sequence[Ladder], prior: _Prior) -> _Errors:
    rows: list[tuple[int, float, float, float]] = []
    for i, ladder in enumerate(ladders):
        fit = _fit([*ladders[:i], *ladders[i + 1 :]], prior)
        for order, value in zip(ladder.orders, ladder.values, strict=True):
            expected = fit.shared + fit.own[order - 1] + fit.covariance[order - 1, order - 1]
            rows.append((order, value - fit.mean[order - 1], value, expected))
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    return _Errors(columns[0].astype(np.int64), columns[1], columns[2], columns[3])


def _against(learner: Learner, base: Construction) -> Learner:
    """The same measured ski against another construction."""
    found = learner.ski.identification
    assert found is not None
    prediction = predict(base, measurements_of(learner.ski.row))
    modes = tuple(
        replace(mode, predicted_hz=prediction.bending_hz[mode.order - 1])
        if mode.family == "bending" and mode.order is not None
        else mode
        for mode in found.modes
    )
    return replace(learner, ski=replace(learner.ski, prediction=prediction, identification=replace(found, modes=modes)))


@dataclass(frozen=True)
class _About:
    """What goes into the result beside the numbers."""

    base: Construction
    stem: str
    name: str
    made: datetime
    shapes: tuple[LearnedShape, ...]
    left_out: tuple[LeftOut, ...]
    reshaped: bool


def _result(learners: Sequence[Learner], fit: _Fit, errors: _Errors, about: _About) -> LearnedConstruction:
    # The errors found, over those that the fits expected: the model's own mistakes.
    scale = sqrt(float((errors.others**2 / errors.variance).mean()))
    # Few skis fix a standard deviation poorly, so 95 % of new ones need Student's t instead of the normal 1.96 [GUM, G.3].
    shared = scale * sqrt(fit.shared) * _wider(len(learners) - 1)
    own = scale * np.sqrt(fit.own + np.diag(fit.covariance))
    stated = np.hypot(shared, own)
    orders = tuple(
        LearnedOrder(
            order=order,
            skis=int((errors.order == order).sum()),
            factor=exp(fit.mean[order - 1]),
            factor_u_rel=sqrt(float(fit.covariance[order - 1, order - 1])),
            error_percent=_rms_percent(errors.others[errors.order == order]),
            base_error_percent=_rms_percent(errors.base[errors.order == order]),
            u_percent=100 * float(stated[order - 1]),
        )
        for order in range(1, len(stated) + 1)
    )
    lots = tuple(dict.fromkeys(each.lot for each in learners))
    learned = Learned(
        frequency_factor=tuple(round(each.factor, 5) for each in orders),
        shared_percent=_rounded(100 * shared),
        error_percent=tuple(round(each.error_percent or 0.0, 2) for each in orders),
        skis_per_order=tuple(each.skis for each in orders),
        skis=len(learners),
        left_out=len(about.left_out),
        base=about.base.stem,
        lots=lots,
        made=about.made.isoformat(timespec="seconds").replace("+00:00", "Z"),
        software=f"taptest {__version__}",
    )
    construction = replace(
        about.base,
        stem=about.stem,
        name=about.name,
        note=_note(about, len(learners), lots),
        frequency_percent=tuple(_rounded(100 * float(u)) for u in own),
        learned=learned,
    )
    return LearnedConstruction(
        construction=construction,
        base=about.base.stem,
        lots=lots,
        orders=orders,
        shapes=about.shapes,
        skis=len(learners),
        left_out=about.left_out,
        shared_percent=100 * sqrt(fit.shared),
        uneven_percent=100 * sqrt(float(np.median(fit.own))),
        error_percent=_rms_percent(errors.others, least=1) or 0.0,
        base_error_percent=_rms_percent(errors.base, least=1) or 0.0,
        cover_percent=100 * float((np.abs(errors.others) <= _NORMAL_95 * stated[errors.order - 1]).mean()),
        reshaped=about.reshaped,
    )


def _wider(freedom: int) -> float:
    """Student's t over the normal value for 95 %."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.975)) / _NORMAL_95


def _rms_percent(errors: Real, *, least: int = _LEAST_FOR_ERROR) -> float | None:
    return 100 * sqrt(float((errors**2).mean())) if len(errors) >= least else None


def _rounded(percent_: float) -> float:
    """Upwards to a hundredth, never nothing."""
    return max(ceil(100 * percent_ - 1e-9), 1) / 100


def _note(about: _About, skis: int, lots: Sequence[str]) -> str:
    profile = f"Profile of {about.base.stem}" + (
        ", changed smoothly to what the skis ask for." if about.reshaped else ", unchanged."
    )
    places = ", ".join(shown(lot, 60) for lot in lots[:5])
    return (
        f"{profile} Factors learnt from {skis} skis of {places} on {about.made:%Y-%m-%d}, {len(about.left_out)} left out.\n"
        "They hold for skis of this construction measured with the same rig and balance, hung and tapped the same way."
    )
