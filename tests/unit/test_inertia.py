"""Swing inertia against closed forms and numerical integration by scipy."""

import numpy as np
import pytest
from scipy.integrate import quad

from taptest.beam.construction import load_construction
from taptest.beam.inertia import swing
from taptest.core.errors import ConstructionError

BAR, SKI = load_construction("uniform_bar"), load_construction("classic_generic")


@pytest.mark.parametrize("pivot", [0.0, 0.3, 1.0, 1.2, 2.0])
def test_a_uniform_rod_about_a_point(pivot):
    # m L²/12 + m d² (any textbook of mechanics); about an end m L²/3.
    found = swing(BAR, length_m=2.0, mass_kg=0.5, pivot_m=pivot)
    assert found.inertia_kg_m2 == pytest.approx(0.5 * 4 / 12 + 0.5 * (pivot - 1) ** 2, rel=1e-12)
    assert swing(BAR, length_m=2.0, mass_kg=0.5, pivot_m=0.0).inertia_kg_m2 == pytest.approx(0.5 * 4 / 3)


def test_a_gram_at_the_tip_of_a_rod_counts_three():
    # About the middle: (L/2)² m over m L²/12 = 3.
    assert swing(BAR, length_m=1.9, mass_kg=0.52).tip_factor == pytest.approx(3.0)


def test_a_tapered_ski_against_numerical_integration():
    length, mass, pivot = 2.0, 0.52, 0.93

    def mu(s):
        return np.interp(s, SKI.station, SKI.mass_per_length)

    points = SKI.station[1:-1]
    whole = quad(mu, 0, 1, points=points)[0]
    expected = mass * quad(lambda s: mu(s) * (s * length - pivot) ** 2, 0, 1, points=points)[0] / whole
    found = swing(SKI, length_m=length, mass_kg=mass, pivot_m=pivot)
    assert found.inertia_kg_m2 == pytest.approx(expected, rel=1e-9)
    uniform = swing(BAR, length_m=length, mass_kg=mass, pivot_m=pivot)
    assert found.inertia_kg_m2 < 0.95 * uniform.inertia_kg_m2  # control: the profile matters


def test_the_measured_balance_point_moves_the_mass():
    own = swing(SKI, length_m=2.0, mass_kg=0.52, pivot_m=0.9)
    forward = swing(SKI, length_m=2.0, mass_kg=0.52, balance_m=1.05, pivot_m=0.9)
    centre = swing(SKI, length_m=2.0, mass_kg=0.52).pivot_m
    # Parallel axes: only the distance between pivot and balance point changes.
    assert forward.inertia_kg_m2 - own.inertia_kg_m2 == pytest.approx(0.52 * (0.15**2 - (0.9 - centre) ** 2))
    assert swing(SKI, length_m=2.0, mass_kg=0.52, balance_m=1.05).pivot_m == 1.05


@pytest.mark.parametrize("change", [{"length_m": 0.0}, {"mass_kg": -0.5}, {"pivot_m": 2.1}, {"balance_m": -0.1}])
def test_impossible_skis_are_refused(change):
    with pytest.raises(ConstructionError):
        swing(SKI, **{"length_m": 2.0, "mass_kg": 0.52, **change})
