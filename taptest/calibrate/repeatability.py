"""How well a measurement repeats when the ski is hung anew, and when somebody else does it.

A study has every operator measure every part several times. Analysis of variance splits the scatter into the equipment's
(repeatability, EV), the operators' (reproducibility, AV, with what operators do differently to different parts) and the
parts' own (PV). GRR² = EV² + AV², TV² = GRR² + PV².
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.core.errors import CalibrationError

Real = NDArray[np.float64]
Quantity = Literal["frequency", "damping", "shift"]
QUANTITIES: tuple[Quantity, ...] = ("frequency", "damping", "shift")

# Common practice, no source: below 10 % of the total spread a gauge is good, above 30 % it is not fit.
GOOD_PERCENT, FIT_PERCENT = 10.0, 30.0
LEAST_CATEGORIES = 5
_POOL_ABOVE = 0.25  # significance above which the interaction is taken for chance (common practice, no source)
_DRAWS = 100_000
_SEED = 2011
_CONFIDENCE = 0.95
_FEW_OPERATORS = 5


@dataclass(frozen=True)
class Component:
    """One standard deviation with its 95 % interval, in the unit of the values."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Gauge:
    """What a study says about one quantity; standard deviations in the unit of ``mean``.

    ``equipment`` EV, ``appraisers`` AV (with the interaction, where that is not chance), ``gauge`` GRR, ``parts`` PV,
    ``total`` TV. ``gauge_percent`` 100 GRR/TV with its interval, ``categories`` that the parts can be told into (ndc).
    ``interaction_p``: significance of the interaction, which was ``pooled`` with the repeatability where it exceeds 0.25.
    """

    quantity: Quantity
    unit: str
    mean: float
    part_count: int
    operator_count: int
    trial_count: int
    equipment: Component
    appraisers: Component
    gauge: Component
    parts: Component
    total: float
    gauge_percent: Component
    categories: int
    interaction_p: float
    pooled: bool

    @property
    def u_rel(self) -> float:
        """Relative standard uncertainty of one measurement by anybody; a shift is one already, in percent."""
        return self.gauge.value / 100 if self.quantity == "shift" else self.gauge.value / abs(self.mean)

    @property
    def fitness(self) -> Literal["good", "usable", "not fit"]:
        """The custom's word for ``gauge_percent``."""
        if self.gauge_percent.value < GOOD_PERCENT:
            return "good"
        return "usable" if self.gauge_percent.value <= FIT_PERCENT else "not fit"

    @property
    def few_operators(self) -> bool:
        """Whether so few took part that their spread is hardly known."""
        return self.operator_count < _FEW_OPERATORS


@dataclass(frozen=True)
class _MeanSquares:
    """Of parts, operators, interaction and repeats: the observed ones, or many that could stand behind them."""

    parts: Real
    operators: Real
    interaction: Real
    repeats: Real


def gauge_study(values: Sequence[Sequence[Sequence[float]]] | Real, *, quantity: Quantity, unit: str) -> Gauge:
    """Analysis of variance of a balanced study, two random factors crossed [1].

    With the interaction pooled (MS of interaction and repeats together: MS_p), EV² = MS_p, AV² = (MS_o - MS_p)/(n r),
    PV² = (MS_part - MS_p)/(k r); otherwise EV² = MS_e, the interaction's variance (MS_i - MS_e)/r belongs to AV, and MS_i
    stands for MS_p in the other two. What comes out below zero is zero. ndc = floor(sqrt(2) PV/GRR). The intervals are
    generalised confidence intervals [2]: each mean square is MS = E(MS) chi²/nu, solved for E(MS) with drawn chi².

    Args:
        values: shape (parts, operators, trials).
        quantity: what was measured.
        unit: of the values.

    Raises:
        CalibrationError: fewer than two parts, operators or trials, values that are not finite, or no scatter at all.

    References:
        [1] AIAG, Measurement Systems Analysis, 4th ed. (2010), appendix A (formulas from memory, its data in the tests).
        [2] S. Weerahandi, J. American Statistical Association 88 (1993) 899-905 (from memory).
    """
    from scipy.special import fdtrc

    data = np.asarray(values, dtype=np.float64)
    if data.ndim != 3 or min(data.shape) < 2:
        found = " x ".join(map(str, data.shape))
        raise CalibrationError(
            f"a study of {found} (parts x operators x trials): at least two of each are needed, ten, three and three "
            "are usual"
        )
    if not np.isfinite(data).all():
        raise CalibrationError("every value of a study must be a finite number")
    n, k, r = data.shape
    freedom = (n - 1, k - 1, (n - 1) * (k - 1), n * k * (r - 1))
    observed = _mean_squares(data, freedom)
    if observed.repeats <= 0:
        raise CalibrationError(
            "all repeats are equal to the last digit: hang and measure anew every time, write all digits"
        )
    interaction_p = float(fdtrc(freedom[2], freedom[3], observed.interaction / observed.repeats))
    pooled = interaction_p > _POOL_ABOVE
    if pooled:
        both = (observed.interaction * freedom[2] + observed.repeats * freedom[3]) / (freedom[2] + freedom[3])
        observed = replace(observed, interaction=both, repeats=both)
    best = _variances(observed, n, k, r)
    spread = _variances(_drawn(observed, freedom, pooled), n, k, r)
    percent = 100 * np.sqrt(spread.gauge / (spread.gauge + spread.parts))
    gauge, parts = sqrt(float(best.gauge)), sqrt(float(best.parts))
    total = sqrt(float(best.gauge + best.parts))
    return Gauge(
        quantity=quantity,
        unit=unit,
        mean=float(data.mean()),
        part_count=n,
        operator_count=k,
        trial_count=r,
        equipment=_component(best.equipment, spread.equipment),
        appraisers=_component(best.appraisers, spread.appraisers),
        gauge=_component(best.gauge, spread.gauge),
        parts=_component(best.parts, spread.parts),
        total=total,
        gauge_percent=Component(100 * gauge / total, *_interval(percent)),
        categories=max(int(sqrt(2) * parts / gauge), 1),
        interaction_p=interaction_p,
        pooled=pooled,
    )


def _mean_squares(data: Real, freedom: tuple[int, int, int, int]) -> _MeanSquares:
    n, k, r = data.shape
    mean = data.mean()
    part, operator, cell = data.mean(axis=(1, 2)), data.mean(axis=(0, 2)), data.mean(axis=2)
    sums = (
        k * r * ((part - mean) ** 2).sum(),
        n * r * ((operator - mean) ** 2).sum(),
        r * ((cell - part[:, None] - operator[None, :] + mean) ** 2).sum(),
        ((data - cell[:, :, None]) ** 2).sum(),
    )
    return _MeanSquares(*(np.asarray(s / f) for s, f in zip(sums, freedom, strict=True)))


def _drawn(observed: _MeanSquares, freedom: tuple[int, int, int, int], pooled: bool) -> _MeanSquares:
    """Expected mean squares that the observed ones are compatible with: nu MS/chi², many draws of each."""
    rng = np.random.default_rng(_SEED)

    def compatible(square: Real, free: int) -> Real:
        return np.asarray(square * free / rng.chisquare(free, _DRAWS))

    parts, operators = compatible(observed.parts, freedom[0]), compatible(observed.operators, freedom[1])
    if pooled:
        both = compatible(observed.repeats, freedom[2] + freedom[3])
        return _MeanSquares(parts, operators, both, both)
    inner, repeats = compatible(observed.interaction, freedom[2]), compatible(observed.repeats, freedom[3])
    return _MeanSquares(parts, operators, inner, repeats)


@dataclass(frozen=True)
class _Variances:
    """Of equipment, operators, both, and parts; never negative."""

    equipment: Real
    appraisers: Real
    gauge: Real
    parts: Real


def _variances(of: _MeanSquares, n: int, k: int, r: int) -> _Variances:
    mixed = np.maximum((of.interaction - of.repeats) / r, 0.0)
    appraisers = np.maximum((of.operators - of.interaction) / (n * r), 0.0) + mixed
    return _Variances(
        of.repeats, appraisers, of.repeats + appraisers, np.maximum((of.parts - of.interaction) / (k * r), 0.0)
    )


def _component(best: Real, drawn: Real) -> Component:
    return Component(sqrt(float(best)), *_interval(np.sqrt(drawn)))


def _interval(drawn: Real) -> tuple[float, float]:
    low, high = np.quantile(drawn, [(1 - _CONFIDENCE) / 2, (1 + _CONFIDENCE) / 2])
    return float(low), float(high)
