"""Free-free bending against roots, nodes and closed forms that do not come from the finite elements."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import iv, jv, kv, yv

from taptest.beam.model import Beam, FloatArray, PointMass, bending_modes
from taptest.core.errors import ConstructionError


def uniform(length_m: float = 1.0, ei: float = 1.0, mu: float = 1.0, **more: object) -> Beam:
    return Beam(np.array([0.0, length_m]), np.full(2, ei), np.full(2, mu), **more)  # type: ignore[arg-type]


def roots(function: Callable[[float], float], start: float, stop: float, steps: int = 4000) -> list[float]:
    grid = np.linspace(start, stop, steps)
    values = [function(float(x)) for x in grid]
    return [
        brentq(function, grid[i], grid[i + 1], xtol=1e-13, rtol=1e-13)
        for i in range(steps - 1)
        if values[i] * values[i + 1] < 0
    ]


def lambdas(count: int) -> list[float]:
    # Derived: the free-free beam of Euler and Bernoulli, cos x cosh x = 1, divided by cosh x.
    return roots(lambda x: np.cos(x) - 1 / np.cosh(x), 1.0, (count + 1) * np.pi)[:count]


def test_root_finder_gives_the_published_eigenvalues() -> None:
    # Published: (beta L)² of the free-free beam, W. T. Thomson, Theory of Vibration, Appendix D.
    assert [x**2 for x in lambdas(3)] == pytest.approx([22.3733, 61.6728, 120.9034], rel=3e-6)


def test_uniform_bar_gives_the_eigenvalues() -> None:
    length_m, ei, mu = 1.9, 170.0, 0.26
    modes = bending_modes(uniform(length_m, ei, mu), 14)
    # Derived: f = lambda²/(2 pi L²) sqrt(EI/mu); 72 Hermite elements stay within 1.2e-4 at order 14.
    expected = np.array(lambdas(14)) ** 2 / (2 * np.pi * length_m**2) * np.sqrt(ei / mu)
    assert modes.frequencies_hz[:4] == pytest.approx(expected[:4], rel=3e-6)
    assert modes.frequencies_hz == pytest.approx(expected, rel=1.5e-4)
    # Derived: ratios of the squared roots.
    ratios = modes.frequencies_hz / modes.frequencies_hz[0]
    assert ratios[1:5] == pytest.approx([2.756539, 5.403918, 8.932950, 13.344287], rel=1e-5)
    # Control: the clamped-free ladder (1 : 6.27 : 17.5, from memory) is another one.
    assert ratios[1] != pytest.approx(6.267, rel=0.1)


def test_more_elements_bring_the_error_down_by_their_fourth_power() -> None:
    exact = np.array(lambdas(10)) ** 2 / (2 * np.pi)
    error = [bending_modes(uniform(), 10, elements=n).frequencies_hz[9] / exact[9] - 1 for n in (24, 48)]
    # Derived: cubic elements converge as h⁴ from above; at 24 elements the tenth mode is nearly there.
    assert 0 < error[1] < error[0]
    assert np.log2(error[0] / error[1]) == pytest.approx(4.0, abs=0.15)


def test_nodes_of_the_uniform_bar() -> None:
    modes = bending_modes(uniform(2.0), 3)
    # Derived: zeros of the free-free mode shape, from one end in lengths of the bar.
    for order, expected in ((1, [0.2242]), (2, [0.1321, 0.5]), (3, [0.0944, 0.3558])):
        nodes = modes.nodes_m(order) / 2
        assert nodes.size == order + 1
        assert nodes[: len(expected)] == pytest.approx(expected, abs=2e-4)
        assert nodes + nodes[::-1] == pytest.approx(np.ones(order + 1), abs=1e-7)
    assert np.abs(modes.shapes).max(axis=1) == pytest.approx(np.ones(3))


def with_a_mass_in_the_middle(share: float, stop: float) -> list[float]:
    """Derived: (beta L)² of the orders 1, 3, 5, ... of a uniform free bar with a mass of `share` of its own."""

    def half(x: float) -> float:
        # u and v are free at the end; at the middle the slope is 0 and w''' + (m/2) beta⁴ w = 0.
        z = x / 2
        u, v = np.cosh(z) + np.cos(z), np.sinh(z) + np.sin(z)
        du, dv = np.sinh(z) - np.sin(z), np.cosh(z) + np.cos(z)
        ddu, ddv = np.sinh(z) + np.sin(z), np.cosh(z) - np.cos(z)
        return float((du * (ddv + share / 2 * x * v) - dv * (ddu + share / 2 * x * u)) / np.cosh(z) ** 2)

    return [x**2 for x in roots(half, 1.0, stop)]


@pytest.mark.parametrize("share", [0.01, 0.05, 0.1, 0.2, 0.3])
def test_bar_with_a_mass_in_the_middle(share: float) -> None:
    found = bending_modes(uniform(point_masses=(PointMass(0.5, share),)), 11).frequencies_hz
    expected = np.array(with_a_mass_in_the_middle(share, 36.0)[:6]) / (2 * np.pi)
    # 6e-5 is the discretisation at order 11.
    assert found[0::2] == pytest.approx(expected, rel=6e-5)
    # Even orders have their node there and stay those of the bare bar.
    assert found[1::2] == pytest.approx(np.array(lambdas(10))[1::2] ** 2 / (2 * np.pi), rel=6e-5)
    # Control: spread evenly, the mass would lower every order by the same share, and order 1 by less.
    assert found[0] < 0.999 * lambdas(1)[0] ** 2 / (2 * np.pi) / np.sqrt(1 + share)


def test_first_order_with_a_mass_in_the_middle() -> None:
    base = bending_modes(uniform(), 1).frequencies_hz[0]
    # Derived: from the equation above, to four digits.
    for share, first in ((0.01, 0.9928), (0.05, 0.9664), (0.1, 0.9385), (0.2, 0.8947), (0.3, 0.8619)):
        ratio = bending_modes(uniform(point_masses=(PointMass(0.5, share),)), 1).frequencies_hz[0] / base
        assert ratio == pytest.approx(first, abs=5.1e-5)


@pytest.mark.parametrize("position", [0.31, 0.4137, 0.999, 1.0])
def test_a_mass_anywhere_does_not_depend_on_the_mesh(position: float) -> None:
    beam = uniform(point_masses=(PointMass(position, 0.25),))
    coarse, fine = (bending_modes(beam, 8, elements=n).frequencies_hz for n in (72, 200))
    assert coarse == pytest.approx(fine, rel=5e-5)
    assert fine[0] < bending_modes(uniform(), 1).frequencies_hz[0]


def test_a_spike_between_the_nodes_is_not_missed() -> None:
    # Derived: a triangle of mass far narrower than an element weighs what a point mass weighs.
    half, share, where = 2e-3, 0.1, 0.5137
    station = np.array([0.0, where - half, where, where + half, 1.0])
    mass = np.array([1.0, 1.0, 1.0 + share / half, 1.0, 1.0])
    spiked = bending_modes(Beam(station, np.ones(5), mass), 6).frequencies_hz
    point = bending_modes(uniform(point_masses=(PointMass(where, share),)), 6).frequencies_hz
    # The spike's own width of 0.2 % of the length is 4e-5 of order 6.
    assert spiked == pytest.approx(point, rel=1e-4)


def wedge(points: int = 400) -> tuple[Beam, float, float]:
    """EI = x³, mu = x between x = 0.25 and 1: a wedge with its edge cut off."""
    x = np.linspace(0.25, 1.0, points)
    return Beam(x - 0.25, x**3, x), 0.25, 1.0


def test_wedge_against_bessel_functions() -> None:
    beam, start, stop = wedge()

    def determinant(k: float) -> float:
        # Derived: (x³ w'')'' = k² x w has w = C1(z)/z with z = 2 sqrt(k x); moment and shear are C3(z) and C2(z)
        # (for K the shear changes sign). Scaled by exp so that the exponentials stay of order one.
        rows = []
        top = 2 * np.sqrt(k * stop)
        low = 2 * np.sqrt(k * start)
        for z in (low, top):
            grow, fall = np.exp(-top), np.exp(low)
            rows.append([jv(3, z), yv(3, z), iv(3, z) * grow, kv(3, z) * fall])
            rows.append([jv(2, z), yv(2, z), iv(2, z) * grow, -kv(2, z) * fall])
        return float(np.linalg.det(np.array(rows)))

    # k is omega for EI = x³ and mu = x.
    expected = np.array(roots(determinant, 2.0, 700.0)[:6]) / (2 * np.pi)
    found = bending_modes(beam, 6).frequencies_hz
    assert found == pytest.approx(expected, rel=3e-5)
    # Control: the uniform bar of the same length and the wedge's middle section is far off.
    plain = bending_modes(uniform(0.75, 0.625**3, 0.625), 6).frequencies_hz
    assert np.all(np.abs(plain / expected - 1) > 0.005)


def test_stepped_and_tapered_beam_against_scikit_fem() -> None:
    skfem = pytest.importorskip("skfem")
    helpers = pytest.importorskip("skfem.helpers")
    station = np.array([0.0, 0.2, 0.5, 0.502, 0.8, 1.9])
    ei, mu = np.array([20.0, 90.0, 150.0, 220.0, 180.0, 10.0]), np.array([0.2, 0.25, 0.3, 0.42, 0.3, 0.18])
    nodes = np.union1d(np.linspace(0, 1.9, 101), station)
    basis = skfem.Basis(skfem.MeshLine(nodes), skfem.ElementLineHermite(), intorder=8)

    @skfem.BilinearForm
    def stiffness(u, v, w):  # type: ignore[no-untyped-def]
        return np.interp(w.x[0], station, ei) * helpers.ddot(helpers.dd(u), helpers.dd(v))

    @skfem.BilinearForm
    def mass(u, v, w):  # type: ignore[no-untyped-def]
        return np.interp(w.x[0], station, mu) * u * v

    k, m = stiffness.assemble(basis).toarray(), mass.assemble(basis).toarray()
    expected = np.sqrt(np.sort(np.linalg.eigvals(np.linalg.solve(m, k)).real)[2:12]) / (2 * np.pi)
    found = bending_modes(Beam(station, ei, mu), 10).frequencies_hz
    # 0.02 %: what a hundred elements of a general-purpose code are good for here.
    assert found == pytest.approx(expected, rel=2e-4)
    # Control: without the step it is another beam.
    smooth = bending_modes(Beam(np.delete(station, 2), np.delete(ei, 2), np.delete(mu, 2)), 10).frequencies_hz
    assert np.any(np.abs(smooth / expected - 1) > 2e-3)


def test_rosewood_bar() -> None:
    # Published, an instrument maker's note of 11 February 2016: b 1.501 in, h 0.880 in, L 13 15/64 in, 1082 kg/m³,
    # 957 Hz, lambda taken as 4.73 -> E = 2.39697e10 Pa.
    inch = 0.0254
    width, height, length = 1.501 * inch, 0.880 * inch, (13 + 15 / 64) * inch
    bar = uniform(length, 2.39697e10 * width * height**3 / 12, 1082 * width * height)
    # (4.730041/4.73)² leaves 1.7e-5, and the six digits of E 2e-6.
    assert bending_modes(bar, 1).frequencies_hz[0] == pytest.approx(957.0, rel=3e-5)


def test_elastic_modulus_from_the_frequency_of_a_bar() -> None:
    # From memory: ASTM E1876, E = 0.9465 (m f²/b) (L³/t³) for a very thin bar. Derived: 48 pi²/lambda⁴ = 0.9464147.
    width, thickness, length, density, modulus = 0.03, 0.001, 0.5, 7800.0, 2.1e11
    area = width * thickness
    bar = uniform(length, modulus * width * thickness**3 / 12, density * area)
    f = bending_modes(bar, 1).frequencies_hz[0]
    unit = density * area * length * f**2 / width * (length / thickness) ** 3
    assert modulus / unit == pytest.approx(48 * np.pi**2 / lambdas(1)[0] ** 4, rel=1e-6)
    assert modulus / unit == pytest.approx(0.9464147, rel=1e-6)
    # Control: the rounded constant is 0.009 % high, which these digits tell apart.
    assert 0.9465 * unit / modulus - 1 == pytest.approx(9e-5, rel=0.03)


profiles = st.lists(st.floats(0.05, 2.0), min_size=2, max_size=9)


@settings(max_examples=25, deadline=None)
@given(profiles, st.floats(0.1, 10), st.floats(0.1, 10), st.floats(0.3, 3), st.floats(0.0, 1.0))
def test_scale_and_mirror(values: list[float], ei: float, mu: float, length: float, where: float) -> None:
    station = np.linspace(0, 1, len(values))
    bending, mass = np.array(values), np.array(values[::-1]) ** 0.5

    def ladder(x: FloatArray, b: FloatArray, m: FloatArray, at: float, extra: float) -> FloatArray:
        return bending_modes(Beam(x, b, m, point_masses=(PointMass(at, extra),)), 5).frequencies_hz

    base = ladder(station, bending, mass, where, 0.2)
    # Derived: f ~ sqrt(EI/mu)/L²; and a beam turned round is the same beam.
    scaled = ladder(station * length, bending * ei, mass * mu, where * length, 0.2 * mu * length)
    assert scaled == pytest.approx(base * np.sqrt(ei / mu) / length**2, rel=1e-5)
    turned = ladder(station, bending[::-1].copy(), mass[::-1].copy(), 1 - where, 0.2)
    assert turned == pytest.approx(base, rel=2e-4)


def test_impossible_beams_are_refused() -> None:
    line = np.array([0.0, 1.0])
    with pytest.raises(ConstructionError, match="increasing from 0"):
        Beam(np.array([0.1, 1.0]), line + 1, line + 1)
    with pytest.raises(ConstructionError, match=r"bending_stiffness_n_m2: value 1 is 0\.0"):
        Beam(line, line, line + 1)
    with pytest.raises(ConstructionError, match="mass_per_length_kg_per_m: 3 values for 2 stations"):
        Beam(line, line + 1, np.ones(3))
    with pytest.raises(ConstructionError, match=r"a point mass at 1\.2 m is off the beam"):
        uniform(point_masses=(PointMass(1.2, 0.1),))
    with pytest.raises(ConstructionError, match="0 kg or more"):
        uniform(point_masses=(PointMass(0.2, -0.1),))
    for count in (0, 37):
        with pytest.raises(ConstructionError, match="between 1 and 36"):
            bending_modes(uniform(), count)
