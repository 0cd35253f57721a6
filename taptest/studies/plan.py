"""How much must be measured to find a stated difference: skis in each of two groups, hangings of each ski, runs on snow.

A ski's value scatters by what skis of one kind differ and by what one measurement of it repeats; only the second shrinks when
it is measured again. Two groups of n skis are compared by a two-sided t test.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, hypot, sqrt

from taptest.calibrate.store import Calibration
from taptest.calibrate.values import RepeatabilityValues, values_of
from taptest.config.limits import LIMITS
from taptest.core.errors import CalibrationError, shown
from taptest.studies.repeatability import Quantity

_LIMITS = LIMITS.plan

HANGINGS = (1, 2, 3, 5)
DAYS_AND_RUNS = ((1, 2), (1, 4), (2, 2), (3, 2), (3, 3))


@dataclass(frozen=True)
class Scatter:
    """Relative standard deviations: ``between`` skis of one kind, ``repeat`` of one hanging with its taps, hung anew.

    On snow ``repeat`` is from run to run and ``day`` what a ski's result changes by from one day to the next besides.
    """

    between: float
    repeat: float
    day: float = 0.0

    def of_a_ski(self, repeats: int, days: int = 1) -> float:
        """Standard deviation of a ski's mean over ``days`` with ``repeats`` each, what skis differ included."""
        return hypot(self.between, self.day / sqrt(days), self.repeat / sqrt(days * repeats))


@dataclass(frozen=True)
class Effort:
    """One way to find the difference: ``skis`` in each group (None: more than 2000), each measured ``days`` x ``repeats`` times.

    ``measurements`` in all, both groups together.
    """

    days: int
    repeats: int
    scatter: float
    skis: int | None

    @property
    def measurements(self) -> int | None:
        return None if self.skis is None else 2 * self.skis * self.days * self.repeats


@dataclass(frozen=True)
class Plan:
    """Ways to find a relative ``difference`` with ``power``; ``pair_repeats``: how often each of two single skis must be
    measured, every time on another day, to tell them apart by that much. ``basis`` says where the scatter of a measurement
    comes from.
    """

    what: str
    difference: float
    power: float
    scatter: Scatter
    efforts: tuple[Effort, ...]
    pair_repeats: int
    on_snow: bool
    basis: str


def power_of(skis: int, effect: float, *, significance: float = _LIMITS.significance) -> float:
    """Power of the two-sided t test between two groups of ``skis`` whose means differ by ``effect`` standard deviations.

    T is noncentral t with 2 n - 2 degrees of freedom and noncentrality effect sqrt(n/2) [1].

    References:
        [1] J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988), 12.2 (from memory).
    """
    from scipy.special import nctdtr, stdtrit

    freedom, shift = 2 * skis - 2, abs(effect) * sqrt(skis / 2)
    critical = float(stdtrit(freedom, 1 - significance / 2))
    return float(1 - nctdtr(freedom, shift, critical) + nctdtr(freedom, shift, -critical))


def skis_needed(effect: float, *, power: float, significance: float = _LIMITS.significance) -> int | None:
    """The fewest skis a group with which an effect is found; None when 2000 do not suffice."""
    low, high = 1, 2
    while power_of(high, effect, significance=significance) < power:
        low, high = high, 2 * high
        if low >= _LIMITS.most_skis:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        if power_of(middle, effect, significance=significance) < power:
            low = middle
        else:
            high = middle
    return high if high <= _LIMITS.most_skis else None


def plan(
    what: str, difference: float, scatter: Scatter, *, power: float = 0.8, on_snow: bool = False, basis: str = ""
) -> Plan:
    """Ways to find a difference between two groups, and what tells two single skis apart.

    Args:
        what: the quantity, for whoever reads it.
        difference: relative, of the two groups' means.
        scatter: relative standard deviations.
        power: probability with which it is to be found, 0.5 to 0.99.
        on_snow: repeats are runs on several days, otherwise hangings.
        basis: where the scatter comes from.

    Raises:
        CalibrationError: a difference, scatter or power that makes no sense.
    """
    from scipy.special import ndtri

    if not 0 < abs(difference) <= 2 or not 0.5 <= power <= 0.99:
        raise CalibrationError(
            f"a difference of {100 * difference:g} % found with {100 * power:g} %: 0 to 200 % and 50 to 99 % can be planned for"
        )
    if min(scatter.between, scatter.repeat, scatter.day) < 0 or scatter.repeat == 0 or scatter.of_a_ski(1) > 2:
        raise CalibrationError("scatter must be 0 or more, that of a measurement above 0, and all below 200 %")
    ways = DAYS_AND_RUNS if on_snow else tuple((1, hangings) for hangings in HANGINGS)
    efforts = []
    for days, repeats in ways:
        size = scatter.of_a_ski(repeats, days)
        efforts.append(Effort(days, repeats, size, skis_needed(difference / size, power=power)))
    reach = float(ndtri(1 - _LIMITS.significance / 2) + ndtri(power))
    single = ceil(2 * (reach * hypot(scatter.repeat, scatter.day) / difference) ** 2 - 1e-9)
    return Plan(what, difference, power, scatter, tuple(efforts), max(single, 1), on_snow, basis)


def repeat_of(calibration: Calibration, quantity: Quantity) -> float:
    """Relative repeatability of one measurement out of a stored study: its EV over its mean; a shift's is in percent.

    Raises:
        CalibrationError: the study did not judge this quantity.
    """
    for study in values_of(calibration, RepeatabilityValues).studies:
        if study.quantity == quantity and study.repeatability > 0 and (study.mean or quantity == "shift"):
            return study.repeatability / (100 if quantity == "shift" else abs(study.mean))
    raise CalibrationError(
        f"{shown(calibration.file)}: holds no study of {quantity}; make one with 'taptest calibrate repeatability', or "
        "give --repeat"
    )
