"""A construction learnt from skis presumed good: what each bending order is off by on all of them, and how well that predicts.

Strange skis are left out and named. Of the others `taptest.calibrate.ladder_fit` takes the mean deviation m_n of every order,
whose exp(m_n) becomes the order's factor, and how the skis scatter about it. What is stated as uncertainty is scaled to the
errors found when every ski is predicted from the others (leave one out).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import ceil, exp, sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.beam.construction import Construction, Learned
from taptest.beam.predict import predict, reshaped
from taptest.calibrate.ladder_fit import Errors, Fit, LearnedShape, Prior, fit_ladders, left_one_out, strange
from taptest.core.errors import CalibrationError, shown
from taptest.core.version import VERSION
from taptest.identify.measure import MeasuredSki, log_deviations, measurements_of
from taptest.screen.group import Ladder, two_way

Real = NDArray[np.float64]

LEAST_SKIS = 10
# Skis that differ more at equal stiffness and mass are not of one kind (common practice, no source).
MOST_SHARED_PERCENT = 3.0
MOST_UNEVEN_PERCENT = 2.0
MOST_LEFT_OUT = 0.25
_NORMAL_95 = 1.959964
_LEAST_OWN = 0.25  # of the variance of single modes, at least, is not the taps'
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
class LearnedConstruction:
    """The new ``construction`` and how well it predicts.

    ``error_percent`` and ``base_error_percent``: root mean square over all modes, each ski predicted from the others, and by
    the base. ``cover_percent``: share of those modes within 1.96 stated standard uncertainties. ``shared_percent``
    and ``uneven_percent``: how the skis scatter, in what their modes share and in each mode. ``reshaped``: whether the
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
    change_profile: bool = True,
) -> LearnedConstruction:
    """A construction from measured skis, see the head of this module.

    Args:
        learners: skis measured against ``base``; those that could not be judged are left out and say why.
        base: the construction whose profile is taken; it must not be a learned one.
        stem: of the file that will be written.
        name: of the new construction, as shown in tables.
        made: when.
        change_profile: put what is smooth into stiffness and mass along the ski, and only the rest into the factors, so that
            it holds for other spans and bindings too.

    Raises:
        CalibrationError: too few skis, too many strange ones, or skis that scatter too much; with the numbers.
    """
    usable, left_out = _usable(learners)
    _check_count(len(usable), left_out)
    usable, odd = _without_strange(usable)
    left_out += odd
    if len(odd) > MOST_LEFT_OUT * (len(usable) + len(odd)):
        raise CalibrationError(
            f"{len(odd)} of {len(usable) + len(odd)} skis differ from the rest ({_named(odd)}), more than "
            f"{100 * MOST_LEFT_OUT:.0f} %: the lot is not of one kind; give one construction and generation at a time"
        )
    _check_count(len(usable), left_out)
    model = _prior(base, usable)
    ladders = [each.ladder for each in usable]
    fit = fit_ladders(ladders, model)
    _check_scatter(fit)
    shapes = model.shapes(fit)
    about = _About(base, stem, name, made, shapes, tuple(left_out), change_profile)
    # Errors are those of the base's own profile: the changed one has seen every ski.
    errors, profile, moved = left_one_out(ladders, model), base, fit
    if change_profile:
        profile = reshaped(base, [each.amount for each in shapes])
        usable = [_against(each, profile) for each in usable]
        moved = fit_ladders([each.ladder for each in usable], _prior(profile, usable))
    return _result(usable, fit, errors, replace(profile, stem=stem, name=name), np.exp(moved.mean), about)


def _prior(base: Construction, learners: Sequence[Learner]) -> Prior:
    return Prior(base, [each.ski.prediction for each in learners if each.ski.prediction is not None])


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
        lost = f"; {len(left_out)} left out: {_named(left_out)} (the first: {left_out[0].why})" if left_out else ""
        raise CalibrationError(
            f"{count} skis can be learnt from{lost}; {LEAST_SKIS} sound ones are needed: add skis, or keep the base"
        )


def _without_strange(learners: list[Learner]) -> tuple[list[Learner], list[LeftOut]]:
    """The skis that agree with each other, and those that do not: in what their modes share, or in evenness."""
    kept, left_out = list(learners), []
    while len(kept) >= LEAST_SKIS:
        table = two_way([each.ladder for each in kept])
        reasons = strange(table)
        if not any(reasons):
            break
        left_out += [_left_out(each, why) for each, why in zip(kept, reasons, strict=True) if why]
        kept = [each for each, why in zip(kept, reasons, strict=True) if not why]
    return kept, left_out


def _check_scatter(fit: Fit) -> None:
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


def _result(
    learners: Sequence[Learner], fit: Fit, errors: Errors, profile: Construction, factors: Real, about: _About
) -> LearnedConstruction:
    # The errors found, over those that the fits expected: the model's own mistakes.
    scale = sqrt(float((errors.others**2 / errors.variance).mean()))
    # Few skis fix a standard deviation poorly, so 95 % of new ones need Student's t instead of the normal 1.96 [GUM, G.3].
    shared = scale * sqrt(fit.shared) * _wider(len(learners) - 1)
    # A check adds what the taps are uncertain by, so that is taken out here.
    found = scale**2 * (fit.own + np.diag(fit.covariance))
    heard = [errors.noise[errors.order == order] ** 2 for order in range(1, len(found) + 1)]
    taps = np.array([float(each.mean()) if len(each) else 0.0 for each in heard])
    own = np.sqrt(np.maximum(found - taps, _LEAST_OWN * found))
    stated = np.hypot(shared, own)
    expected = np.hypot(stated[errors.order - 1], errors.noise)
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
        frequency_factor=tuple(round(float(factor), 5) for factor in factors),
        shared_percent=_rounded(100 * shared),
        error_percent=tuple(round(each.error_percent or 0.0, 2) for each in orders),
        skis_per_order=tuple(each.skis for each in orders),
        skis=len(learners),
        left_out=len(about.left_out),
        base=about.base.stem,
        lots=lots,
        made=about.made.isoformat(timespec="seconds").replace("+00:00", "Z"),
        software=f"taptest {VERSION}",
    )
    construction = replace(
        profile,
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
        cover_percent=100 * float((np.abs(errors.others) <= _NORMAL_95 * expected).mean()),
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
    places = ", ".join(shown(lot, 40) for lot in lots[:3]) + (f" and {len(lots) - 3} more" if len(lots) > 3 else "")
    done = "changed smoothly to what the skis ask for" if about.reshaped else "unchanged"
    return (
        f"Profile of {about.base.stem}, {done}.\n"
        f"Learnt from {skis} skis of {places} on {about.made:%Y-%m-%d}; {len(about.left_out)} left out.\n"
        "Holds for skis of this construction measured with the same rig and balance, hung and tapped the same way."
    )
