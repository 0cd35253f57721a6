"""Shear and rotary inertia against the exact frequency equation of a thick bar."""

import numpy as np
import pytest
from support.thick_bars import RIGIDITY, exact_hz

from taptest.beam.construction import load_construction
from taptest.beam.model import Beam, bending_modes
from taptest.beam.predict import SkiMeasurements, predict


def thick(slenderness: float, **more: float) -> Beam:
    """A bar with EI, mu and L of 1 and t/L of `slenderness`."""
    shear = np.full(2, more.get("shear", RIGIDITY / slenderness**2))
    rotary = np.full(2, more.get("rotary", slenderness**2 / 12))
    return Beam(np.array([0.0, 1.0]), np.ones(2), np.ones(2), shear, rotary)


@pytest.mark.parametrize("slenderness", [0.02, 0.03, 0.04, 0.05, 0.1])
def test_thick_bar_against_the_frequency_equation(slenderness: float) -> None:
    expected = np.array(exact_hz(slenderness, 8))
    found = bending_modes(thick(slenderness), 8).frequencies_hz
    assert found == pytest.approx(expected, rel=1.5e-5)
    # Controls: without shear, or without rotary inertia, the same bar is visibly another one.
    stiff = bending_modes(thick(slenderness, shear=np.inf), 8).frequencies_hz
    light = bending_modes(thick(slenderness, rotary=1e-12), 8).frequencies_hz
    assert stiff[3] / expected[3] - 1 > slenderness**2 * 4
    assert light[3] / expected[3] - 1 > slenderness**2 * 4


@pytest.mark.parametrize(
    ("slenderness", "expected"),
    [
        # Derived: ratios to order 1 from Huang's equation.
        (0.02, [2.7491, 5.3683, 8.8281]),
        (0.03, [2.7401, 5.3253, 8.7044]),
        (0.04, [2.7277, 5.2678, 8.5431]),
        (0.05, [2.7123, 5.1983, 8.3536]),
    ],
)
def test_ratios_of_thick_bars(slenderness: float, expected: list[float]) -> None:
    found = bending_modes(thick(slenderness), 4).frequencies_hz
    assert found[1:] / found[0] == pytest.approx(expected, rel=3e-5)


def test_infinite_shear_rigidity_is_the_thin_beam_exactly() -> None:
    station = np.array([0.0, 0.3, 1.0])
    bending, mass = np.array([0.5, 1.0, 0.2]), np.array([1.0, 1.2, 0.8])
    thin = bending_modes(Beam(station, bending, mass), 10)
    rigid = bending_modes(Beam(station, bending, mass, np.full(3, np.inf)), 10)
    assert rigid.frequencies_hz == pytest.approx(thin.frequencies_hz, rel=1e-12)
    almost = bending_modes(Beam(station, bending, mass, np.full(3, 1e12)), 10)
    assert almost.frequencies_hz == pytest.approx(thin.frequencies_hz, rel=1e-6)


def test_a_very_thin_bar_does_not_lock() -> None:
    # Derived: t/L = 1e-4 differs from the thin beam by less than 1e-5; a locking element would be far too stiff.
    found = bending_modes(thick(1e-4), 3, elements=24).frequencies_hz
    thin = bending_modes(Beam(np.array([0.0, 1.0]), np.ones(2), np.ones(2)), 3, elements=24).frequencies_hz
    assert found == pytest.approx(thin, rel=1e-5)


def test_shipped_thick_bar_has_the_ladder_of_three_percent() -> None:
    bar = load_construction("thick_bar")
    # A bar 400 mm long and 12 mm thick, weight and stiffness arbitrary.
    ladder = np.array(predict(bar, SkiMeasurements(0.4, 1.0, 30e3, 0.3)).bending_hz)
    assert ladder[1:4] / ladder[0] == pytest.approx([2.7401, 5.3253, 8.7044], rel=3e-5)
    longer = np.array(predict(bar, SkiMeasurements(0.8, 1.0, 30e3, 0.6)).bending_hz)
    assert longer[3] / longer[0] != pytest.approx(8.7044, rel=1e-4)


def test_modulus_correction_for_thick_bars() -> None:
    # From memory: ASTM E1876, correction of the flexural modulus for a Poisson ratio nu,
    # T1 = 1 + 6.585 (1 + 0.0752 nu + 0.8109 nu²) r² - 0.868 r⁴ - 8.340 (1 + 0.2023 nu + 2.173 nu²) r⁴ /
    #      (1 + 6.338 (1 + 0.1408 nu + 1.536 nu²) r²), r = t/L. It is a fit of its own: 5e-4.
    nu = 0.3
    thin = bending_modes(thick(1e-4), 1).frequencies_hz[0]
    for r in (0.02, 0.05, 0.1):
        bend = 8.340 * (1 + 0.2023 * nu + 2.173 * nu**2) * r**4
        bend /= 1 + 6.338 * (1 + 0.1408 * nu + 1.536 * nu**2) * r**2
        t1 = 1 + 6.585 * (1 + 0.0752 * nu + 0.8109 * nu**2) * r**2 - 0.868 * r**4 - bend
        ratio = (thin / bending_modes(thick(r), 1).frequencies_hz[0]) ** 2
        assert ratio == pytest.approx(t1, rel=5e-4)
        # Control: the short form 1 + 6.585 r² has no Poisson ratio and falls short.
        assert ratio - 1 > 1.05 * 6.585 * r**2
