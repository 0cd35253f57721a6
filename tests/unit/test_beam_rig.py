"""The two-support rig and the twisted shaft against closed forms."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from taptest.beam.model import Beam, Shaft, bending_modes, rig_stiffness_n_per_m, torsion_modes
from taptest.core.errors import ConstructionError

LINE = np.array([0.0, 1.9])


def bar(ei: float = 170.0) -> Beam:
    return Beam(LINE, np.full(2, ei), np.full(2, 0.26))


@pytest.mark.parametrize("span", [0.4, 1.0, 1.4, 1.9])
def test_mid_span_load(span: float) -> None:
    k = rig_stiffness_n_per_m(bar(), supports_m=(0.95 - span / 2, 0.95 + span / 2), load_m=0.95)
    # Derived: k = 48 EI/S³.
    assert k == pytest.approx(48 * 170 / span**3, rel=1e-8)
    assert k != pytest.approx(192 * 170 / span**3, rel=0.1)  # control: clamped ends


@pytest.mark.parametrize(("lower", "upper", "load"), [(0.1, 1.5, 0.4), (0.0, 1.9, 1.8), (0.3001, 0.9, 0.61)])
def test_load_off_centre(lower: float, upper: float, load: float) -> None:
    k = rig_stiffness_n_per_m(bar(), supports_m=(lower, upper), load_m=load)
    a, b = load - lower, upper - load
    # Derived, as in R. J. Roark, Formulas for Stress and Strain: k = 3 EI S/(a² b²). Support and load may lie between
    # nodes when they are closer than a quarter element, which costs 1e-5 here.
    assert k == pytest.approx(3 * 170 * (a + b) / (a * b) ** 2, rel=1e-5)


def test_shear_softens_the_rig() -> None:
    beam = Beam(LINE, np.full(2, 170.0), np.full(2, 0.26), np.full(2, 5e4))
    k = rig_stiffness_n_per_m(beam, supports_m=(0.25, 1.65), load_m=0.95)
    # Derived: deflection per load S³/(48 EI) + S/(4 kappa G A).
    assert 1 / k == pytest.approx(1.4**3 / (48 * 170) + 1.4 / (4 * 5e4), rel=1e-7)


def test_tapered_beam_against_the_unit_load_integral() -> None:
    station = np.array([0.0, 0.3, 0.5, 0.52, 0.9, 1.3, 1.9])
    ei = np.array([10.0, 60.0, 100.0, 160.0, 200.0, 150.0, 8.0])
    lower, upper, load = 0.21, 1.63, 0.88

    def moment(x: float) -> float:
        return (upper - load) * (x - lower) if x < load else (load - lower) * (upper - x)

    # Derived: unit load, 1/k = integral of M²/EI; the beam is statically determinate.
    span = upper - lower
    edges = [lower, *(x for x in (0.3, 0.5, 0.52, load, 0.9, 1.3) if lower < x < upper), upper]
    compliance = sum(
        quad(lambda x: (moment(x) / span) ** 2 / np.interp(x, station, ei), start, stop)[0]
        for start, stop in pairwise(edges)
    )
    beam = Beam(station, ei, np.ones(7))
    assert rig_stiffness_n_per_m(beam, supports_m=(lower, upper), load_m=load) == pytest.approx(
        1 / compliance, rel=2e-5
    )


def test_what_lies_outside_the_supports_does_not_matter() -> None:
    station = np.array([0.0, 0.25, 1.65, 1.9])
    beam = Beam(station, np.array([5.0, 170.0, 170.0, 9.0]), np.ones(4))
    k = rig_stiffness_n_per_m(beam, supports_m=(0.25, 1.65), load_m=0.95)
    assert k == pytest.approx(48 * 170 / 1.4**3, rel=1e-8)


def test_impossible_rigs_are_refused() -> None:
    for supports, load, said in (
        ((-0.1, 1.5), 0.7, r"a support at -0\.1 m is off the beam"),
        ((0.1, 2.0), 0.7, "a support at 2 m is off the beam"),
        ((0.1, 1.5), 2.0, "the load at 2 m is off the beam"),
        ((1.5, 0.1), 0.7, "nearer to the tail"),
        ((0.1, 1.5), 1.5, "is on a support"),
    ):
        with pytest.raises(ConstructionError, match=said):
            rig_stiffness_n_per_m(bar(), supports_m=supports, load_m=load)


def test_uniform_shaft_has_harmonic_orders() -> None:
    modes = torsion_modes(Shaft(LINE, np.full(2, 30.0), np.full(2, 5e-5)), 10)
    # Derived: f_n = n/(2L) sqrt(GJ/I), free at both ends.
    expected = np.arange(1, 11) / (2 * 1.9) * np.sqrt(30.0 / 5e-5)
    assert modes.frequencies_hz == pytest.approx(expected, rel=2e-5)
    assert modes.nodes_m(1) == pytest.approx([0.95], abs=1e-9)
    assert modes.nodes_m(2) == pytest.approx([1.9 / 4, 1.9 * 3 / 4], abs=2e-3)
    # Control: a shaft held at one end has odd orders only.
    assert modes.frequencies_hz[1] / modes.frequencies_hz[0] != pytest.approx(3.0, rel=0.1)


def test_shaft_that_tapers_against_its_frequency_equation() -> None:
    start, stop = 0.3, 1.0
    x = np.linspace(start, stop, 400)
    # Derived: GJ = I = x² has theta = phi/x with phi'' = -k² phi, and x phi' = phi at a free end.
    length = stop - start

    def condition(k: float) -> float:
        c, s = np.cos(k * length), np.sin(k * length)
        return float(stop * k * (c - k * start * s) - (s + k * start * c))

    grid = np.linspace(0.5, 30, 2000)
    found = [brentq(condition, low, high) for low, high in pairwise(grid) if condition(low) * condition(high) < 0]
    modes = torsion_modes(Shaft(x - start, x**2, x**2), 5)
    assert modes.frequencies_hz * 2 * np.pi == pytest.approx(found[:5], rel=1e-5)
    # Control: the harmonic ladder is 5 % away.
    assert found[0] * length / np.pi > 1.05


def test_shaft_with_a_disc_in_the_middle() -> None:
    disc = 0.4
    modes = torsion_modes(Shaft(np.array([0.0, 1.0]), np.ones(2), np.ones(2), ((0.5, disc),)), 4)
    # Derived: theta = cos kx from the free end and 2 GJ theta' = omega² I theta at the disc: tan(k/2) = -k I/2;
    # odd orders have their node there.
    even = [brentq(lambda k: np.sin(k / 2) + k * disc / 2 * np.cos(k / 2), low, low + 3.1) for low in (3.3, 9.6)]
    assert modes.frequencies_hz * 2 * np.pi == pytest.approx([np.pi, even[0], 3 * np.pi, even[1]], rel=1e-5)


def test_impossible_shafts_are_refused() -> None:
    with pytest.raises(ConstructionError, match="torsional_stiffness_n_m2"):
        Shaft(LINE, np.array([1.0, -1.0]), np.ones(2))
    with pytest.raises(ConstructionError, match="a point inertia at 3 m"):
        Shaft(LINE, np.ones(2), np.ones(2), ((3.0, 0.1),))


def test_rig_and_ladder_share_one_stiffness() -> None:
    # Derived: f1² / k = lambda⁴ S³/(4 pi² 48 mu L⁴) whatever EI is.
    for ei in (20.0, 170.0, 3000.0):
        k = rig_stiffness_n_per_m(bar(ei), supports_m=(0.25, 1.65), load_m=0.95)
        f = bending_modes(bar(ei), 1).frequencies_hz[0]
        assert f**2 / k == pytest.approx(500.5639 * 1.4**3 / (4 * np.pi**2 * 48 * 0.26 * 1.9**4), rel=1e-6)
