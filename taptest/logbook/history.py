"""One ski over time: every measurement against the first, and whether it has changed by more than it repeats.

Frequencies are compared mode by mode, so that what the prediction does not know, and which modes were heard, cancel: the change
is the mean of ln(f / f_first) over the bending modes that both have, its uncertainty u that of both measurements, and it
counts where it exceeds 2 u (GUM, JCGM 100:2008, 6.2: expanded uncertainty with k = 2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, log, sqrt

import numpy as np
from sqlalchemy import Connection

from taptest.logbook.reading import FoundSki, LoggedMode, LoggedVerdict, verdicts_of
from taptest.signal.analysis import combine_taps

COVERAGE = 2.0
# Where no study has told how well it repeats to hang a ski anew (common practice, no source).
HUNG_ANEW_U_REL = 0.001
DAMPING_ANEW_U_REL = 0.05
# Frequencies of skis fall by about this much a kelvin, as checks warn too; the part that is not corrected is uncertain by it.
_PER_KELVIN = 0.001


@dataclass(frozen=True)
class Change:
    """A change against the first measurement in percent, with its standard uncertainty; ``exceeds`` twice of that."""

    percent: float
    u_percent: float

    @property
    def exceeds(self) -> bool:
        return abs(self.percent) > COVERAGE * self.u_percent


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


def history_of(connection: Connection, ski: FoundSki, *, superseded: bool = False) -> History:
    """Every measurement of a ski; verdicts that were ``superseded`` only where they are asked for."""
    found = [each for each in verdicts_of(connection, ski) if superseded or not each.superseded]
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
    floor = hypot(*(each.shift_floor_u_rel or HUNG_ANEW_U_REL for each in (verdict, first)))
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
    floor = hypot(*(each.damping_floor_u_rel or DAMPING_ANEW_U_REL for each in (verdict, first)))
    return _change(mean, max(u, floor))


def _mean(values: np.ndarray, own_u: Sequence[float]) -> tuple[float, float]:
    variances = np.maximum(np.array(own_u), 1e-6) ** 2
    weight = 1 / variances
    pooled, pooled_u = float((weight * values).sum() / weight.sum()), 1 / sqrt(float(weight.sum()))
    return combine_taps(values, variances, pooled, pooled_u) if len(values) > 1 else (pooled, pooled_u)


def _warmth_u_rel(verdict: LoggedVerdict, first: LoggedVerdict) -> float:
    if verdict.frequencies_at_c is None or first.frequencies_at_c is None:
        return 0.0
    return _PER_KELVIN * abs(verdict.frequencies_at_c - first.frequencies_at_c)


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
            f"no study of repeatability stood behind some of these: {100 * HUNG_ANEW_U_REL:g} % is assumed for hanging a ski "
            "anew; 'taptest calibrate repeatability' measures it"
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
