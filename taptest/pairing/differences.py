"""How far two skis lie apart in mass, stiffness, frequency, damping and balance, with uncertainties: many at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.pairing.limits import QUANTITIES, PairLimits, Quantity, size_of
from taptest.ski.record import Ski

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]
Index = NDArray[np.int64]

_PAIRING = LIMITS.pairing
_BOTH = 2**0.5  # two skis of the same uncertainty


@dataclass(frozen=True)
class Columns:
    """What is compared of every ski, one row each, since a pile has millions of pairs; NaN where it is not known.

    Attributes:
        known: by quantity but frequency and damping, in kg, m and logarithms; "section": ln of the bending stiffness of the
            middle section, from rig and construction; "length": in m; "predicted": ln of the predicted first mode.
        by_order: of frequency and damping the logarithms and their uncertainties, a column for every bending order.
        rig: numbers the different places of supports and load.
        shift_u: least uncertainty of what all modes of a ski share that a study of repeatability left, 0 without.
        kind: numbers constructions and binding states.
        side: 1 for left, -1 for right, 0 where not known.
    """

    known: dict[str, Real]
    by_order: dict[Quantity, tuple[Real, Real]]
    rig: Index
    shift_u: Real
    kind: Index
    side: Index


@dataclass(frozen=True)
class Differences:
    """Second minus first of many pairs, shape (pairs,); NaN where one of the two is not known.

    Units: kg for mass, m for balance, the logarithm of the ratio for the others. ``unexpected`` is the logarithm by
    which the second rings higher against the first than their masses and stiffnesses say, and NaN unless that is sure.
    ``mode_spread``: standard deviation of the log ratios between modes beyond what taps and hanging explain.
    """

    value: dict[Quantity, Real]
    u: dict[Quantity, Real]
    expected: Real
    unexpected: Real
    mode_spread: Real


def columns_of(skis: Sequence[Ski]) -> Columns:
    """The columns of measured skis, in their order."""
    facts, predictions = [ski.facts for ski in skis], [ski.prediction for ski in skis]
    modes = [_heard(ski) for ski in skis]
    dampings = [
        {order: (value, u) for order, value, u in ski.evidence.damping.rows()} if heard else {}
        for ski, heard in zip(skis, modes, strict=True)
    ]
    orders = sorted({order for each in modes for order in each})
    return Columns(
        known={
            "mass": _column(row.mass_kg for row in facts),
            "balance": _column(row.balance_m for row in facts),
            "length": _column(row.length_m for row in facts),
            "stiffness": np.log(_column(row.stiffness_n_per_m for row in facts)),
            "section": np.log(_column(each.ei_mid_n_m2 if each else None for each in predictions)),
            "predicted": np.log(_column(each.bending_hz[0] if each else None for each in predictions)),
        },
        by_order={"frequency": _by_order(modes, orders), "damping": _by_order(dampings, orders)},
        rig=_numbered([(_mm(row.span_m), _mm(row.rig_centre_m)) for row in facts]),
        shift_u=np.array([ski.evidence.least_shift_u for ski in skis]),
        kind=_numbered([(row.construction, row.binding_mass_kg > 0) for row in facts]),
        side=np.array([{"L": 1, "R": -1, None: 0}[row.side] for row in facts], dtype=np.int64),
    )


def differences(of: Columns, first: Index, second: Index, limits: PairLimits) -> Differences:
    """Second minus first for pairs of rows.

    Frequencies are compared mode by mode, and so are dampings: what the modes that both have share is the mean of
    their log ratios, as different modes of one pair may truly differ (random effects). Stiffness is compared as the rig
    gave it where both lay on the rig alike, otherwise as that of the middle section.
    """
    apart = {name: column[second] - column[first] for name, column in of.known.items()}
    frequency, frequency_u, mode_spread = _shared(
        *of.by_order["frequency"], first, second, mode_u=_PAIRING.mode_anew_u_rel
    )
    damping, damping_u, _ = _shared(*of.by_order["damping"], first, second, mode_u=_PAIRING.damping_anew_u_rel)
    flat = np.full(len(first), _BOTH)
    hung_u = np.hypot(frequency_u, _BOTH * _PAIRING.hung_anew_u_rel)
    value: dict[Quantity, Real] = {
        "mass": apart["mass"],
        "stiffness": np.where(of.rig[first] == of.rig[second], apart["stiffness"], apart["section"]),
        "frequency": frequency,
        "damping": damping,
        "balance": apart["balance"],
    }
    u: dict[Quantity, Real] = {
        "mass": limits.mass_u_kg * flat,
        "stiffness": limits.stiffness_u_rel * flat,
        "frequency": np.maximum(hung_u, np.hypot(of.shift_u[first], of.shift_u[second])),
        "damping": np.hypot(damping_u, _BOTH * _PAIRING.damping_anew_u_rel),
        "balance": limits.balance_u_m * flat,
    }
    beyond = frequency - apart["predicted"]
    scale_u = 0.5 * np.hypot(u["stiffness"], u["mass"] / of.known["mass"][first])
    sure = np.abs(beyond) > _PAIRING.sure * np.sqrt(scale_u**2 + u["frequency"] ** 2 + 2 * _PAIRING.build_u_rel**2)
    return Differences(value, u, apart["predicted"], np.where(sure, beyond, np.nan), mode_spread)


def weighed(found: Differences, limits: PairLimits) -> tuple[Real, Flags, Flags]:
    """Cost of pairs, whether they can be compared, and whether they may be a pair; each of shape (pairs,).

    The cost is the sum over the compared quantities of (difference over its ``matched`` limit)². What is not known counts
    as a difference at that limit, so that a ski of which little is known looks no better. Compared they can be where mass,
    stiffness or frequency of both is known, and a pair where no difference, as measured, is beyond ``close`` either.
    """
    cost = np.zeros(len(found.expected))
    known, beyond = np.zeros(len(cost), dtype=bool), np.zeros(len(cost), dtype=bool)
    for quantity in QUANTITIES:
        if quantity in limits.limits:
            limit, size = limits.limits[quantity], size_of(quantity, found.value[quantity])
            cost += np.where(np.isfinite(size), (size / limit.matched) ** 2, 1.0)
            beyond |= size > limit.close
            known |= np.isfinite(size) & (quantity in ("mass", "stiffness", "frequency"))
    return cost, known, known & ~beyond


def _shared(values: Real, u: Real, first: Index, second: Index, *, mode_u: float) -> tuple[Real, Real, Real]:
    """Mean of the log ratios over the modes that both skis have, its standard uncertainty, and the spread between modes.

    The variance between modes is that of DerSimonian and Laird [1]; u is at least what the scatter says.

    References:
        [1] R. DerSimonian, N. Laird, Controlled Clinical Trials 7 (1986) 177-188 (from memory).
    """
    ratio = values[second] - values[first]
    weight = np.nan_to_num(1 / (u[second] ** 2 + u[first] ** 2 + 2 * mode_u**2))
    ratio = np.nan_to_num(ratio)
    count = (weight > 0).sum(axis=1)
    between = _between(ratio, weight, count)
    weight = np.where(weight > 0, 1 / (1 / np.maximum(weight, 1e-300) + between[:, None]), 0.0)
    total = np.where(count > 0, weight.sum(axis=1), np.nan)
    mean = (weight * ratio).sum(axis=1) / total
    return mean, np.sqrt(1 / total), np.where(count > 1, np.sqrt(between), np.nan)


def _between(ratio: Real, weight: Real, count: NDArray[np.intp]) -> Real:
    total = np.maximum(weight.sum(axis=1), 1e-300)
    mean = (weight * ratio).sum(axis=1) / total
    scatter = (weight * (ratio - mean[:, None]) ** 2).sum(axis=1)
    room = total - (weight**2).sum(axis=1) / total
    # With one mode there is nothing to tell a scatter from; 0 then, as where the modes agree.
    return np.where(count > 1, np.maximum(scatter - (count - 1), 0.0) / np.maximum(room, 1e-9), 0.0)


def _heard(ski: Ski) -> dict[int, tuple[float, float]]:
    """ln of the frequency and its u, no less than was repeated, by bending order; nothing where the places are uncertain."""
    if ski.placed is None or ski.placed.ambiguous:
        return {}
    return {
        mode.order: (log(mode.frequency_hz), mode.frequency_u_hz / mode.frequency_hz)
        for mode in ski.evidence.bending()
        if mode.order is not None
    }


def _by_order(rows: Sequence[Mapping[int, tuple[float, float]]], orders: Sequence[int]) -> tuple[Real, Real]:
    nothing = (np.nan, np.nan)
    both = np.array([[row.get(order, nothing) for order in orders] for row in rows]).reshape(len(rows), len(orders), 2)
    return both[..., 0], both[..., 1]


def _column(values: Iterable[float | None]) -> Real:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _numbered(keys: Sequence[tuple[object, ...]]) -> Index:
    numbers: dict[tuple[object, ...], int] = {}
    return np.array([numbers.setdefault(key, len(numbers)) for key in keys], dtype=np.int64)


def _mm(value_m: float | None) -> int | None:
    return None if value_m is None else round(1000 * value_m)
