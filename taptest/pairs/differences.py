"""How far two skis lie apart in mass, stiffness, frequency, damping and balance, with uncertainties: many at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from taptest.pairs.limits import QUANTITIES, PairLimits, Quantity
from taptest.ski.record import Ski

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]
Index = NDArray[np.int64]

# However alike two skis, hanging one anew moves its modes and their damping this much (common practice, no source).
_HANG_U = 0.001
_HANG_MODE_U = 0.0005
_HANG_DAMPING_U = 0.02
# What skis of one kind scatter by about what stiffness and mass predict; 0.5 % is assumed in the README's figures too.
_BUILD_U = 0.005
_SURE = 2.576  # holds 99 % of a normal distribution


@dataclass(frozen=True)
class Columns:
    """What is compared of every ski, one row each; NaN where it is not known.

    ``shift_u`` is the least standard uncertainty of what all modes of a ski share that a study of repeatability left, 0 without.
    ``log_section`` is ln of the bending stiffness of the middle section, from rig and construction; ``rig`` numbers the
    different places of supports and load; ``log_hz``, ``log_damping`` have a column for every bending order.
    """

    mass_kg: Real
    log_stiffness: Real
    log_section: Real
    rig: Index
    balance_m: Real
    length_m: Real
    log_predicted: Real
    log_hz: Real
    log_hz_u: Real
    log_damping: Real
    log_damping_u: Real
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
    rows = [ski.facts for ski in skis]
    modes = [_heard(ski) for ski in skis]
    dampings = [
        {order: (value, u) for order, value, u in ski.evidence.damping.rows()} if heard else {}
        for ski, heard in zip(skis, modes, strict=True)
    ]
    orders = sorted({order for each in modes for order in each})
    log_hz, log_hz_u = _by_order(modes, orders)
    log_damping, log_damping_u = _by_order(dampings, orders)
    predicted = [ski.prediction for ski in skis]
    return Columns(
        mass_kg=_column(row.mass_kg for row in rows),
        log_stiffness=np.log(_column(row.stiffness_n_per_m for row in rows)),
        log_section=np.log(_column(None if each is None else each.ei_mid_n_m2 for each in predicted)),
        rig=_numbered([(_mm(row.span_m), _mm(row.rig_centre_m)) for row in rows]),
        balance_m=_column(row.balance_m for row in rows),
        length_m=_column(row.length_m for row in rows),
        log_predicted=np.log(_column(None if each is None else each.bending_hz[0] for each in predicted)),
        log_hz=log_hz,
        log_hz_u=log_hz_u,
        log_damping=log_damping,
        log_damping_u=log_damping_u,
        shift_u=np.array([ski.evidence.least_shift_u for ski in skis]),
        kind=_numbered([(row.construction, row.binding_mass_kg > 0) for row in rows]),
        side=np.array([{"L": 1, "R": -1, None: 0}[row.side] for row in rows], dtype=np.int64),
    )


def differences(of: Columns, first: Index, second: Index, limits: PairLimits) -> Differences:
    """Second minus first for pairs of rows.

    Frequencies are compared mode by mode, and so are dampings: what the modes that both have share is the mean of
    their log ratios, as different modes of one pair may truly differ (random effects). Stiffness is compared as the rig
    gave it where both lay on the rig alike, otherwise as that of the middle section.
    """
    same_rig = of.rig[first] == of.rig[second]
    k, section = (column[second] - column[first] for column in (of.log_stiffness, of.log_section))
    frequency, frequency_u, mode_spread = _shared(of.log_hz, of.log_hz_u, first, second, mode_u=_HANG_MODE_U)
    damping, damping_u, _ = _shared(of.log_damping, of.log_damping_u, first, second, mode_u=_HANG_DAMPING_U)
    both = np.sqrt(2.0)
    value: dict[Quantity, Real] = {
        "mass": of.mass_kg[second] - of.mass_kg[first],
        "stiffness": np.where(same_rig, k, section),
        "frequency": frequency,
        "damping": damping,
        "balance": of.balance_m[second] - of.balance_m[first],
    }
    flat = np.ones(len(first))
    u: dict[Quantity, Real] = {
        "mass": both * limits.mass_u_kg * flat,
        "stiffness": both * limits.stiffness_u_rel * flat,
        "frequency": np.maximum(np.hypot(frequency_u, both * _HANG_U), np.hypot(of.shift_u[first], of.shift_u[second])),
        "damping": np.hypot(damping_u, both * _HANG_DAMPING_U),
        "balance": both * limits.balance_u_m * flat,
    }
    expected = of.log_predicted[second] - of.log_predicted[first]
    scale_u = 0.5 * np.hypot(u["stiffness"], u["mass"] / of.mass_kg[first])
    beyond = frequency - expected
    sure = np.abs(beyond) > _SURE * np.sqrt(scale_u**2 + u["frequency"] ** 2 + 2 * _BUILD_U**2)
    return Differences(value, u, expected, np.where(sure, beyond, np.nan), mode_spread)


def beyond_close(found: Differences, limits: PairLimits) -> Flags:
    """Pairs, shape (pairs,), in which some known difference, as measured, is beyond ``close``."""
    out = np.zeros(len(found.expected), dtype=bool)
    for quantity, limit in limits.limits.items():
        out |= _size(found, quantity) > limit.close
    return out


def known(found: Differences, limits: PairLimits) -> Flags:
    """Pairs, shape (pairs,), of which mass, stiffness or frequency can be compared."""
    there = np.zeros(len(found.expected), dtype=bool)
    for quantity in ("mass", "stiffness", "frequency"):
        if quantity in limits.limits:
            there |= np.isfinite(found.value[quantity])
    return there


def cost(found: Differences, limits: PairLimits) -> Real:
    """Sum over the compared quantities of (difference over its ``matched`` limit)², shape (pairs,).

    What is not known counts as a difference at that limit, so that a ski of which little is known looks no better.
    """
    total = np.zeros(len(found.expected))
    for quantity in QUANTITIES:
        if quantity in limits.limits:
            share = (_size(found, quantity) / limits.limits[quantity].matched) ** 2
            total += np.where(np.isfinite(share), share, 1.0)
    return total


def _size(found: Differences, quantity: Quantity) -> Real:
    """Difference as the limits count it: where a logarithm is kept, as a share of the mean of both, 2 tanh(value/2)."""
    size = np.abs(found.value[quantity])
    return size if quantity in ("mass", "balance") else 2 * np.tanh(size / 2)


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
    values, u = np.full((len(rows), len(orders)), np.nan), np.full((len(rows), len(orders)), np.nan)
    for i, row in enumerate(rows):
        for n, order in enumerate(orders):
            if order in row:
                values[i, n], u[i, n] = row[order]
    return values, u


def _column(values: Iterable[float | None]) -> Real:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _numbered(keys: Sequence[tuple[object, ...]]) -> Index:
    numbers: dict[tuple[object, ...], int] = {}
    return np.array([numbers.setdefault(key, len(numbers)) for key in keys], dtype=np.int64)


def _mm(value_m: float | None) -> int | None:
    return None if value_m is None else round(1000 * value_m)
