"""A construction learnt from skis presumed good: what each bending order is off by on all of them, and how well that predicts.

Outliers are left out and named. Of the others `taptest.learn.ladder_fit` takes the mean deviation m_n of every order,
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
from taptest.config.limits import LIMITS
from taptest.core.errors import CalibrationError, shown
from taptest.core.version import VERSION
from taptest.identify.predicted import measurements_of
from taptest.learn.ladder_fit import Errors, Fit, LearnedShape, Prior, fit_ladders, left_one_out, outliers
from taptest.ski.record import Ski
from taptest.stats.two_way import Profile, two_way

_LIMITS = LIMITS.learning

Real = NDArray[np.float64]

# Skis that differ more at equal stiffness and mass are not of one kind (common practice, no source).
_NORMAL_95 = 1.959964


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
    profile was changed; ``written``: the file that it was written to.
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
    written: str = ""


@dataclass(frozen=True)
class Learner:
    """A measured ski and the lot it is from."""

    ski: Ski
    lot: str

    @property
    def ladder(self) -> Profile:
        """Its deviations from the base."""
        return self.ski.evidence.deviations


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
        CalibrationError: too few skis, too many outliers, or skis that scatter too much; with the numbers.
    """
    usable, left_out = _usable(learners)
    _check_count(len(usable), left_out)
    usable, odd = _without_outliers(usable)
    left_out += odd
    if len(odd) > _LIMITS.most_left_out * (len(usable) + len(odd)):
        raise CalibrationError(
            f"{len(odd)} of {len(usable) + len(odd)} skis differ from the rest ({_named(odd)}), more than "
            f"{100 * _LIMITS.most_left_out:.0f} %: the lot is not of one kind; give one construction and generation at a time"
        )
    _check_count(len(usable), left_out)
    model = _prior(base, usable)
    ladders = [each.ladder for each in usable]
    fit = fit_ladders(ladders, model)
    _check_scatter(fit)
    shapes = model.shapes(fit)
    # Errors are those of the base's own profile: the changed one has seen every ski.
    errors, profile, moved = left_one_out(ladders, model), base, fit
    if change_profile:
        profile = reshaped(base, [each.amount for each in shapes])
        usable = [_against(each, profile) for each in usable]
        moved = fit_ladders([each.ladder for each in usable], _prior(profile, usable))
    shared, own = _stated(fit, errors, len(usable))
    stated = np.hypot(shared, own)
    expected = np.hypot(stated[errors.order - 1], errors.noise)
    orders = _orders(fit, errors, stated)
    lots = tuple(dict.fromkeys(each.lot for each in usable))
    learned = Learned(
        frequency_factor=tuple(round(exp(mean), 5) for mean in moved.mean),
        shared_percent=_rounded(100 * shared),
        error_percent=tuple(round(each.error_percent or 0.0, 2) for each in orders),
        skis_per_order=tuple(each.skis for each in orders),
        skis=len(usable),
        left_out=len(left_out),
        base=base.stem,
        lots=lots,
        made=made.isoformat(timespec="seconds").replace("+00:00", "Z"),
        software=f"taptest {VERSION}",
    )
    construction = replace(
        profile,
        stem=stem,
        name=name,
        note=_note(learned, made, changed=change_profile),
        frequency_percent=tuple(_rounded(100 * float(u)) for u in own),
        learned=learned,
    )
    return LearnedConstruction(
        construction=construction,
        base=base.stem,
        lots=lots,
        orders=orders,
        shapes=shapes,
        skis=len(usable),
        left_out=tuple(left_out),
        shared_percent=100 * sqrt(fit.shared),
        uneven_percent=100 * sqrt(float(np.median(fit.own))),
        error_percent=_rms_percent(errors.others, least=1) or 0.0,
        base_error_percent=_rms_percent(errors.base, least=1) or 0.0,
        cover_percent=100 * float((np.abs(errors.others) <= _NORMAL_95 * expected).mean()),
        reshaped=change_profile,
    )


def _prior(base: Construction, learners: Sequence[Learner]) -> Prior:
    return Prior(base, [each.ski.prediction for each in learners if each.ski.prediction is not None])


def _usable(learners: Sequence[Learner]) -> tuple[list[Learner], list[LeftOut]]:
    usable, left_out = [], []
    for each in learners:
        if each.ski.obstacles:
            left_out.append(_left_out(each, str(each.ski.obstacles[0])))
        elif not each.ski.evidence.deviations.orders:
            left_out.append(_left_out(each, "no bending mode was placed"))
        else:
            usable.append(each)
    return usable, left_out


def _left_out(learner: Learner, why: str) -> LeftOut:
    return LeftOut(learner.ski.facts.ski_id, learner.lot, learner.ski.facts.line, why)


def _named(skis: Sequence[LeftOut]) -> str:
    more = f" and {len(skis) - 6} more" if len(skis) > 6 else ""
    return ", ".join(shown(each.ski_id, 20) for each in skis[:6]) + more


def _check_count(count: int, left_out: Sequence[LeftOut]) -> None:
    if count < _LIMITS.least_skis:
        lost = f"; {len(left_out)} left out: {_named(left_out)} (the first: {left_out[0].why})" if left_out else ""
        raise CalibrationError(
            f"{count} skis can be learnt from{lost}; {_LIMITS.least_skis} good ones are needed: add skis, or keep the base"
        )


def _without_outliers(learners: list[Learner]) -> tuple[list[Learner], list[LeftOut]]:
    """The skis that agree with each other, and those that do not: in what their modes share, or in evenness."""
    kept, left_out = list(learners), []
    while len(kept) >= _LIMITS.least_skis:
        table = two_way([each.ladder for each in kept])
        reasons = outliers(table)
        if not any(reasons):
            break
        left_out += [_left_out(each, why) for each, why in zip(kept, reasons, strict=True) if why]
        kept = [each for each, why in zip(kept, reasons, strict=True) if not why]
    return kept, left_out


def _check_scatter(fit: Fit) -> None:
    shared, uneven = 100 * sqrt(fit.shared), 100 * sqrt(float(np.median(fit.own)))
    for size, most, what in (
        (shared, _LIMITS.most_shared_percent, "in what the modes of a ski share (rig, balance, build)"),
        (uneven, _LIMITS.most_single_percent, "in single modes (unevenness)"),
    ):
        if size > most:
            raise CalibrationError(
                f"the skis scatter by {size:.1f} % {what}, at most {most:g} % can be learnt from: check rig and balance, and "
                "give one construction and generation at a time"
            )


def _against(learner: Learner, base: Construction) -> Learner:
    """The same measured ski against another construction."""
    found, before = learner.ski.placed, learner.ski.prediction
    assert found is not None and before is not None
    # The rig's uncertainty, which is the same against any construction, is in what was predicted before.
    prediction = replace(predict(base, measurements_of(learner.ski.facts)), scale_u_rel=before.scale_u_rel)
    modes = tuple(
        replace(mode, predicted_hz=prediction.bending_hz[mode.order - 1])
        if mode.family == "bending" and mode.order is not None
        else mode
        for mode in found.modes
    )
    return replace(learner, ski=replace(learner.ski, prediction=prediction, placed=replace(found, modes=modes)))


def _stated(fit: Fit, errors: Errors, skis: int) -> tuple[float, Real]:
    """Relative standard uncertainties of a new ski's prediction: of what its modes share, and of each order on its own."""
    # The errors found, over those that the fits expected: the model's own mistakes.
    scale = sqrt(float((errors.others**2 / errors.variance).mean()))
    # Few skis fix a standard deviation poorly, so 95 % of new ones need Student's t instead of the normal 1.96 [GUM, G.3].
    shared = scale * sqrt(fit.shared) * _wider(skis - 1)
    # A check adds what the taps are uncertain by, so that is taken out here.
    found = scale**2 * (fit.own + np.diag(fit.covariance))
    heard = [errors.noise[errors.order == order] ** 2 for order in range(1, len(found) + 1)]
    taps = np.array([float(each.mean()) if len(each) else 0.0 for each in heard])
    return shared, np.sqrt(np.maximum(found - taps, _LIMITS.least_own * found))


def _orders(fit: Fit, errors: Errors, stated: Real) -> tuple[LearnedOrder, ...]:
    return tuple(
        LearnedOrder(
            order=order,
            skis=int(here.sum()),
            factor=exp(fit.mean[order - 1]),
            factor_u_rel=sqrt(float(fit.covariance[order - 1, order - 1])),
            error_percent=_rms_percent(errors.others[here]),
            base_error_percent=_rms_percent(errors.base[here]),
            u_percent=100 * float(stated[order - 1]),
        )
        for order in range(1, len(stated) + 1)
        for here in (errors.order == order,)
    )


def _wider(freedom: int) -> float:
    """Student's t over the normal value for 95 %."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.975)) / _NORMAL_95


def _rms_percent(errors: Real, *, least: int = _LIMITS.least_for_error) -> float | None:
    return 100 * sqrt(float((errors**2).mean())) if len(errors) >= least else None


def _rounded(percent_: float) -> float:
    """Upwards to a hundredth, never nothing."""
    return max(ceil(100 * percent_ - 1e-9), 1) / 100


def _note(learned: Learned, made: datetime, *, changed: bool) -> str:
    lots = learned.lots
    places = ", ".join(shown(lot, 40) for lot in lots[:3]) + (f" and {len(lots) - 3} more" if len(lots) > 3 else "")
    done = "changed smoothly to what the skis ask for" if changed else "unchanged"
    return (
        f"Profile of {learned.base}, {done}.\n"
        f"Learnt from {learned.skis} skis of {places} on {made:%Y-%m-%d}; {learned.left_out} left out.\n"
        "Holds for skis of this construction measured with the same rig and balance, hung and tapped the same way."
    )
