"""One ski over time: every measurement against the first, and whether it has changed by more than it repeats.

Frequencies are compared mode by mode, so that what the prediction does not know, and which modes were heard, cancel: the change
is the mean of ln(f / f_first) over the bending modes that both have, its uncertainty u that of both measurements, and it
counts where it exceeds 2 u (GUM, JCGM 100:2008, 6.2: expanded uncertainty with k = 2).

Has it gone soft? All bending frequencies of a beam go with the square root of stiffness over mass (Euler-Bernoulli, the ends
free: derived), so a tone lower by x percent is what about 2 x percent less bending stiffness does, or 2 x percent more mass.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, log, sqrt
from typing import Literal

import numpy as np

from taptest.config.limits import LIMITS
from taptest.logbook.reading import FoundSki, LoggedMode, LoggedVerdict, Reading, verdicts_of
from taptest.signal.analysis import combine_taps


@dataclass(frozen=True)
class Change:
    """A change against the first measurement in percent, with its standard uncertainty; ``exceeds`` twice of that."""

    percent: float
    u_percent: float

    @property
    def exceeds(self) -> bool:
        return abs(self.percent) > LIMITS.logbook.coverage_factor * self.u_percent


@dataclass(frozen=True)
class HistoryPoint:
    """A measurement and how it differs from the first; None for the first itself and where there is nothing to compare.

    ``tone``: of what all bending modes share, over the ``modes_shared`` that both have.
    """

    verdict: LoggedVerdict
    tone: Change | None = None
    damping: Change | None = None
    mass: Change | None = None
    stiffness: Change | None = None
    modes_shared: int = 0


@dataclass(frozen=True)
class History:
    """The measurements of a ski in the order in which they were made, and what there is to know about the comparison."""

    ski_id: str
    points: tuple[HistoryPoint, ...]
    notes: tuple[str, ...] = ()


def history_of(reading: Reading, ski: FoundSki, *, superseded: bool = False) -> History:
    """Every measurement of a ski; verdicts that were ``superseded`` only where they are asked for."""
    found = [each for each in verdicts_of(reading, ski) if superseded or not each.superseded]
    first = next((each for each in found if _bending(each)), found[0] if found else None)
    points = [_against(each, first) for each in found]
    return History(ski.ski_id, tuple(points), _notes(points))


def _against(verdict: LoggedVerdict, first: LoggedVerdict | None) -> HistoryPoint:
    if first is None or verdict is first:
        return HistoryPoint(verdict)
    tone, shared = tone_change(verdict, first)
    return HistoryPoint(
        verdict,
        tone=tone,
        damping=damping_change(verdict, first),
        mass=_ratio(verdict.mass_kg, first.mass_kg, hypot(verdict.mass_u_rel, first.mass_u_rel)),
        # Another span or another place on the ski is another quantity.
        stiffness=_ratio(
            verdict.stiffness_n_per_m,
            first.stiffness_n_per_m,
            hypot(verdict.stiffness_u_rel, first.stiffness_u_rel),
        )
        if verdict.span_m == first.span_m
        else None,
        modes_shared=shared,
    )


def tone_change(verdict: LoggedVerdict, first: LoggedVerdict) -> tuple[Change | None, int]:
    """What the bending modes that both have share of a change, and how many they are."""
    now, then = _bending(verdict), _bending(first)
    orders = sorted(now.keys() & then.keys())
    if not orders:
        return None, 0
    values = np.array([log(now[n].frequency_hz / then[n].frequency_hz) for n in orders])
    own = [hypot(*(m[n].frequency_u_hz / m[n].frequency_hz for m in (now, then))) for n in orders]
    mean, u = _mean(values, own)
    floor = hypot(*(each.shift_floor_u_rel or LIMITS.logbook.hung_anew_u_rel for each in (verdict, first)))
    clock = hypot(verdict.clock_u_rel, first.clock_u_rel) if verdict.station != first.station else 0.0
    return _change(mean, hypot(max(u, floor), clock, _warmth_u_rel(verdict, first))), len(orders)


def damping_change(verdict: LoggedVerdict, first: LoggedVerdict) -> Change | None:
    """The same of the damping, over the modes whose damping the room does not limit."""
    now, then = (
        {n: mode for n, mode in _bending(each).items() if mode.damping_ratio > 0 and "room-limited" not in mode.flags}
        for each in (verdict, first)
    )
    orders = sorted(now.keys() & then.keys())
    if not orders:
        return None
    values = np.array([log(now[n].damping_ratio / then[n].damping_ratio) for n in orders])
    own = [hypot(*(m[n].damping_ratio_u / m[n].damping_ratio for m in (now, then))) for n in orders]
    mean, u = _mean(values, own)
    floor = hypot(*(each.damping_floor_u_rel or LIMITS.logbook.damping_anew_u_rel for each in (verdict, first)))
    return _change(mean, max(u, floor))


def _mean(values: np.ndarray, own_u: Sequence[float]) -> tuple[float, float]:
    variances = np.maximum(np.array(own_u), 1e-6) ** 2
    weight = 1 / variances
    pooled, pooled_u = float((weight * values).sum() / weight.sum()), 1 / sqrt(float(weight.sum()))
    return combine_taps(values, variances, pooled, pooled_u) if len(values) > 1 else (pooled, pooled_u)


def _warmth_u_rel(verdict: LoggedVerdict, first: LoggedVerdict) -> float:
    if verdict.frequencies_at_c is None or first.frequencies_at_c is None:
        return 0.0
    return LIMITS.logbook.frequency_per_kelvin * abs(verdict.frequencies_at_c - first.frequencies_at_c)


def _ratio(now: float | None, then: float | None, u_rel: float) -> Change | None:
    return None if not now or not then else _change(log(now / then), u_rel)


def _change(log_ratio: float, u: float) -> Change:
    return Change(100 * (exp(log_ratio) - 1), 100 * exp(log_ratio) * u)


def _bending(verdict: LoggedVerdict) -> dict[int, LoggedMode]:
    return {mode.order: mode for mode in verdict.modes if mode.family == "bending"}


def _notes(points: Sequence[HistoryPoint]) -> tuple[str, ...]:
    notes = []
    compared = [each for each in points if each.tone is not None]
    if any(not each.verdict.shift_floor_u_rel for each in points) and compared:
        notes.append(
            f"no study of repeatability stood behind some of these: {100 * LIMITS.logbook.hung_anew_u_rel:g} % is assumed for "
            "hanging a ski anew; 'taptest calibrate repeatability' measures it"
        )
    warm = [each.verdict.frequencies_at_c for each in points]
    if compared and any(each is None for each in warm):
        notes.append("some have no temperature: frequencies fall by about 0.1 % a kelvin, which may look like a change")
    known = [each for each in warm if each is not None]
    if compared and known and max(known) - min(known) > 1:
        notes.append(
            f"measured between {min(known):.0f} and {max(known):.0f} °C: frequencies fall by about 0.1 % a kelvin, and a "
            "change counts only beyond that"
        )
    return tuple(notes)


# --- has it gone soft? ---------------------------------------------------------------------------------------------------

Answer = Literal["maybe softer", "no sign of it", "heavier", "not softer", "cannot tell"]


@dataclass(frozen=True)
class Softness:
    """The answer for one ski.

    ``stiffness``: what the change of tone means for the bending stiffness once the mass is accounted for; ``seen_above_percent``
    the least loss of stiffness that these two measurements would have shown; ``bends``: what the bending test says itself.
    """

    ski_id: str
    answer: Answer
    stiffness: Change | None = None
    seen_above_percent: float | None = None
    bends: Change | None = None
    mass_known: bool = False


def softness(history: History) -> Softness:
    """What the last measurement that can be compared says; a superseded one does not count."""
    last = next(
        (each for each in reversed(history.points) if each.tone is not None and not each.verdict.superseded), None
    )
    if last is None or last.tone is None:
        return Softness(history.ski_id, "cannot tell")
    implied = _implied(last.tone, last.mass)
    return Softness(
        history.ski_id,
        _answer(last, implied),
        stiffness=implied,
        seen_above_percent=LIMITS.logbook.coverage_factor * implied.u_percent,
        bends=last.stiffness,
        mass_known=last.mass is not None,
    )


def _implied(tone: Change, mass: Change | None) -> Change:
    """ln k = 2 ln f + ln m, and the uncertainties added up."""
    ratio = 2 * _log(tone) + (0.0 if mass is None else _log(mass))
    u_percent = hypot(2 * tone.u_percent, 0.0 if mass is None else mass.u_percent)
    return Change(100 * (exp(ratio) - 1), u_percent)


def _answer(last: HistoryPoint, implied: Change) -> Answer:
    bends_softer = last.stiffness is not None and last.stiffness.exceeds and last.stiffness.percent < 0
    if (implied.exceeds and implied.percent < 0) or bends_softer:
        return "maybe softer"
    if last.tone is not None and last.tone.exceeds and last.tone.percent < 0:
        return "heavier"
    return "not softer" if implied.exceeds else "no sign of it"


def _log(change: Change) -> float:
    return log(1 + change.percent / 100)
