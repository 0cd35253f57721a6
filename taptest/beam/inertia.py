"""How heavy a ski swings: its moment of inertia about the binding, from mass, balance point and the shape of its mass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from taptest.beam.construction import Construction
from taptest.core.errors import ConstructionError


@dataclass(frozen=True)
class Swing:
    """Moment of inertia about `pivot_m` (from the tail), and what a gram at the tip counts for.

    ``tip_factor``: so many grams spread over the ski like the rest of its mass weigh as much in the swing as one at
    the tip.
    """

    inertia_kg_m2: float
    pivot_m: float
    tip_factor: float


def swing(
    construction: Construction,
    *,
    length_m: float,
    mass_kg: float,
    balance_m: float | None = None,
    pivot_m: float | None = None,
) -> Swing:
    """Moment of inertia of a ski without binding about a point, for the swing in the plane of its length.

    I = m L² (∫ μ s² ds - c²) + m (p - b)², with s = x/L from the tail, μ the construction's mass per length (mean 1),
    c = ∫ μ s ds, m [kg], L [m], balance point b [m] and pivot p [m] from the tail: the shape gives the inertia about the
    centre of mass, the measured balance says where that is (parallel axes [1]).

    Args:
        construction: gives the shape of the mass.
        length_m: length.
        mass_kg: mass without the binding, which hardly counts as it sits at the pivot.
        balance_m: balance point of the ski without the binding; the construction's own when left out.
        pivot_m: the binding; the balance point when left out, where most bindings sit (common practice, no source).

    Raises:
        ConstructionError: a length or mass that is not above 0, or a pivot or balance point beside the ski.

    References:
        [1] Huygens and Steiner; any textbook of mechanics.
    """
    if not (length_m > 0 and mass_kg > 0):
        raise ConstructionError(f"length_m is {length_m:g} and mass_kg {mass_kg:g}: both must be above 0")
    station, mass = np.array(construction.station), np.array(construction.mass_per_length)
    centre, square = _moment(station, mass, 1), _moment(station, mass, 2)
    balance = centre * length_m if balance_m is None else balance_m
    pivot = balance if pivot_m is None else pivot_m
    for place, what in ((balance, "balance_m"), (pivot, "pivot_m")):
        if not 0 <= place <= length_m:
            raise ConstructionError(f"{what} is {place:g}: from the tail it must lie within 0 to {length_m:g}")
    inertia = mass_kg * (length_m**2 * (square - centre**2) + (pivot - balance) ** 2)
    return Swing(inertia, pivot, (length_m - pivot) ** 2 * mass_kg / inertia)


def _moment(station: np.ndarray, mass: np.ndarray, power: int) -> float:
    """∫ μ s^power ds over the ski, exact for a mass that is linear between stations (Simpson's rule, degree 3)."""
    middle = (station[1:] + station[:-1]) / 2
    values = mass * station**power
    between = (mass[1:] + mass[:-1]) / 2 * middle**power
    return float((np.diff(station) * (values[1:] + values[:-1] + 4 * between)).sum() / 6)
