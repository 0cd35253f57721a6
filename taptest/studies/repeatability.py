"""How well a measurement repeats when the ski is hung anew, and when somebody else does it.

A study has every operator measure every part several times. Analysis of variance splits the scatter into the equipment's
(repeatability, EV), the operators' (reproducibility, AV, with what operators do differently to different parts) and the
parts' own (PV). GRR² = EV² + AV², TV² = GRR² + PV².
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.core.errors import CalibrationError

_LIMITS = LIMITS.study

Real = NDArray[np.float64]
Quantity = Literal["frequency", "damping", "shift"]
QUANTITIES: tuple[Quantity, ...] = ("frequency", "damping", "shift")

# Common practice, no source: below 10 % of the total spread a gauge is good, above 30 % it is not fit.
_DRAWS = 100_000
_SEED = 2011
_CONFIDENCE = 0.95


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
        if self.gauge_percent.value < _LIMITS.good_percent:
            return "good"
        return "usable" if self.gauge_percent.value <= _LIMITS.fit_percent else "not fit"

    @property
    def few_operators(self) -> bool:
        """Whether so few took part that their spread is hardly known."""
        return self.operator_count < _LIMITS.few_operators


@dataclass(frozen=True)
class Component:
    """One standard deviation with its 95 % interval, in the unit of the values."""

    value: float
    low: float
    high: float


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
    dof = np.array([n - 1, k - 1, (n - 1) * (k - 1), n * k * (r - 1)], dtype=np.float64)
    observed = _mean_squares(data, dof)
    if observed[3] <= 0:
        raise CalibrationError(
            "all repeats are equal to the last digit: hang and measure anew every time, write all digits"
        )
    interaction_p = float(fdtrc(dof[2], dof[3], observed[2] / observed[3]))
    pooled = interaction_p > _LIMITS.pool_above
    if pooled:
        observed[2:] = (observed[2:] @ dof[2:]) / dof[2:].sum()
    best = np.sqrt(_variances(observed, n, k, r))
    spread = np.sqrt(_variances(_drawn(observed, dof, pooled=pooled), n, k, r))
    equipment, appraisers, gauge, parts = (
        Component(float(value), *_interval(drawn)) for value, drawn in zip(best, spread, strict=True)
    )
    total = hypot(gauge.value, parts.value)
    percent = 100 * spread[2] / np.hypot(spread[2], spread[3])
    return Gauge(
        quantity=quantity,
        unit=unit,
        mean=float(data.mean()),
        part_count=n,
        operator_count=k,
        trial_count=r,
        equipment=equipment,
        appraisers=appraisers,
        gauge=gauge,
        parts=parts,
        total=total,
        gauge_percent=Component(100 * gauge.value / total, *_interval(percent)),
        categories=max(int(sqrt(2) * parts.value / gauge.value), 1),
        interaction_p=interaction_p,
        pooled=pooled,
    )


def _mean_squares(data: Real, dof: Real) -> Real:
    """Of parts, operators, interaction and repeats."""
    n, k, r = data.shape
    mean = data.mean()
    part, operator, cell = data.mean(axis=(1, 2)), data.mean(axis=(0, 2)), data.mean(axis=2)
    sums = (
        k * r * ((part - mean) ** 2).sum(),
        n * r * ((operator - mean) ** 2).sum(),
        r * ((cell - part[:, None] - operator[None, :] + mean) ** 2).sum(),
        ((data - cell[:, :, None]) ** 2).sum(),
    )
    return np.array(sums) / dof


def _drawn(observed: Real, dof: Real, *, pooled: bool) -> Real:
    """Expected mean squares that the observed ones are compatible with: nu MS/chi², many draws of each; shape (4, draws)."""
    rng = np.random.default_rng(_SEED)
    kept = [0, 1, 3] if pooled else [0, 1, 2, 3]
    freedom = np.array([*dof[:2], dof[2] + dof[3]]) if pooled else dof
    drawn = [observed[at] * nu / rng.chisquare(nu, _DRAWS) for at, nu in zip(kept, freedom, strict=True)]
    return np.array([*drawn[:2], drawn[-1] if pooled else drawn[2], drawn[-1]])


def _variances(squares: Real, n: int, k: int, r: int) -> Real:
    """Of equipment, appraisers, both, and parts, from mean squares in the order of `_mean_squares`; never negative."""
    parts, operators, interaction, repeats = squares
    mixed = np.maximum((interaction - repeats) / r, 0.0)
    appraisers = np.maximum((operators - interaction) / (n * r), 0.0) + mixed
    return np.array([repeats, appraisers, repeats + appraisers, np.maximum((parts - interaction) / (k * r), 0.0)])


def _interval(drawn: Real) -> tuple[float, float]:
    low, high = np.quantile(drawn, [(1 - _CONFIDENCE) / 2, (1 + _CONFIDENCE) / 2])
    return float(low), float(high)
