"""Bending and torsion of a free-free beam whose stiffness and mass vary along its length, and the same beam on a rig.

Two-node elements with interdependent cubic and quadratic interpolation of deflection and rotation [1]. They do not
lock, they carry shear and rotary inertia, and without shear they are the Hermite elements of Euler and Bernoulli.

References:
    [1] Z. Friedman, J. B. Kosmatka, An improved two-node Timoshenko beam finite element, Computers & Structures 47
        (1993) 473-481.
"""

from bisect import bisect
from collections.abc import Iterable
from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh, solveh_banded

from taptest.core.errors import ConstructionError

FloatArray = NDArray[np.float64]

BENDING_ELEMENTS = 72
TORSION_ELEMENTS = 28

# Every profile is linear between its stations, so four points integrate cubic x cubic x linear (degree 7) exactly.
_GAUSS_POINT, _GAUSS_WEIGHT = np.polynomial.legendre.leggauss(4)
# A node nearer than this share of an element to its neighbour would cost digits of the lowest eigenvalues.
_SMALLEST_ELEMENT = 0.4


@dataclass(frozen=True)
class PointMass:
    """A mass of `mass_kg` fixed at `position_m` from the tail, without rotary inertia of its own."""

    position_m: float
    mass_kg: float


@dataclass(frozen=True, eq=False)
class Beam:
    """Profiles over `station_m` (from the tail, 0 to the length), linear in between.

    `shear_rigidity_n` is kappa*G*A [N] and `rotary_inertia_kg_m` rho*I [kg m]; leaving both out gives Euler-Bernoulli.

    Raises:
        ConstructionError: stations that do not increase from 0, or a profile of another length, not finite or not > 0.
    """

    station_m: FloatArray
    bending_stiffness_n_m2: FloatArray
    mass_per_length_kg_per_m: FloatArray
    shear_rigidity_n: FloatArray | None = None
    rotary_inertia_kg_m: FloatArray | None = None
    point_masses: tuple[PointMass, ...] = ()

    def __post_init__(self) -> None:
        _check_profile(self.station_m, self.bending_stiffness_n_m2, "bending_stiffness_n_m2")
        _check_profile(self.station_m, self.mass_per_length_kg_per_m, "mass_per_length_kg_per_m")
        if self.shear_rigidity_n is not None:
            _check_profile(self.station_m, self.shear_rigidity_n, "shear_rigidity_n", infinite=True)
        if self.rotary_inertia_kg_m is not None:
            _check_profile(self.station_m, self.rotary_inertia_kg_m, "rotary_inertia_kg_m")
        for mass in self.point_masses:
            _check_position(mass.position_m, self.length_m, "a point mass")
            if not (np.isfinite(mass.mass_kg) and mass.mass_kg >= 0):
                raise ConstructionError(f"a point mass of {mass.mass_kg} kg: it must be 0 kg or more")

    @property
    def length_m(self) -> float:
        return float(self.station_m[-1])


@dataclass(frozen=True, eq=False)
class Shaft:
    """Torsional rigidity GJ [N m²] and polar inertia per length [kg m] over `station_m`, linear in between.

    `point_inertias` are (position from the tail [m], polar inertia [kg m²]).
    """

    station_m: FloatArray
    torsional_stiffness_n_m2: FloatArray
    polar_inertia_kg_m: FloatArray
    point_inertias: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        _check_profile(self.station_m, self.torsional_stiffness_n_m2, "torsional_stiffness_n_m2")
        _check_profile(self.station_m, self.polar_inertia_kg_m, "polar_inertia_kg_m")
        for position_m, _ in self.point_inertias:
            _check_position(position_m, self.length_m, "a point inertia")

    @property
    def length_m(self) -> float:
        return float(self.station_m[-1])


@dataclass(frozen=True, eq=False)
class Modes:
    """Natural frequencies, rising, and one row of `shapes` per mode: its value at each of `station_m`, largest 1."""

    frequencies_hz: FloatArray
    station_m: FloatArray
    shapes: FloatArray

    def nodes_m(self, order: int) -> FloatArray:
        """Stations [m] at which mode `order` (1 is the lowest) stands still."""
        shape = self.shapes[order - 1]
        before = np.flatnonzero(np.signbit(shape[:-1]) != np.signbit(shape[1:]))
        share = shape[before] / (shape[before] - shape[before + 1])
        return np.asarray(self.station_m[before] + share * (self.station_m[before + 1] - self.station_m[before]))


def bending_modes(beam: Beam, count: int, *, elements: int = BENDING_ELEMENTS) -> Modes:
    """Lowest `count` free-free bending modes, from K w = (2 pi f)² M w.

    Raises:
        ConstructionError: `count` below 1, or more than a quarter of the element nodes can carry.
    """
    nodes = _nodes_for(beam.station_m, (mass.position_m for mass in beam.point_masses), count, elements)
    stiffness, mass = _bending_matrices(beam, nodes)
    eigenvalue, vector = _lowest(stiffness, mass, rigid=2, count=count)
    if beam.shear_rigidity_n is not None:
        eigenvalue = eigenvalue - _uneven_shear(beam, nodes, eigenvalue, vector)
    return Modes(np.sqrt(eigenvalue) / (2 * pi), nodes, _scaled(vector[0::2].T))


def torsion_modes(shaft: Shaft, count: int, *, elements: int = TORSION_ELEMENTS) -> Modes:
    """Lowest `count` free-free torsion modes of a shaft, with cubic elements.

    Raises:
        ConstructionError: `count` below 1, or more than a quarter of the element nodes can carry.
    """
    nodes = _nodes_for(shaft.station_m, (position for position, _ in shaft.point_inertias), count, elements)
    station, stiffness, inertia = _torsion_matrices(shaft, nodes)
    eigenvalue, vector = _lowest(stiffness, inertia, rigid=1, count=count)
    return Modes(np.sqrt(eigenvalue) / (2 * pi), station, _scaled(vector.T))


def rig_stiffness_n_per_m(
    beam: Beam, *, supports_m: tuple[float, float], load_m: float, elements: int = BENDING_ELEMENTS
) -> float:
    """Load over deflection [N/m] under the load, on simple supports at two stations.

    A uniform beam gives k = 3 EI S / (a² b²), with S = a + b between the supports and a, b from them to the load; at
    mid-span k = 48 EI / S³.

    Raises:
        ConstructionError: supports outside the beam or not apart, or a load that is on a support.
    """
    lower, upper = supports_m
    for position, what in ((lower, "a support"), (upper, "a support"), (load_m, "the load")):
        _check_position(position, beam.length_m, what)
    if not lower < upper:
        raise ConstructionError(f"supports at {lower:g} m and {upper:g} m: the first must be nearer to the tail")
    if load_m in (lower, upper):
        raise ConstructionError(f"the load at {load_m:g} m is on a support: it deflects nothing there")
    nodes = _mesh(beam.length_m, (lower, upper, load_m), beam.station_m, elements)
    band = _to_band(_bending_matrices(beam, nodes)[0])
    # The load and its two reactions balance, so the deflection from the chord through the supports does not depend on
    # where the beam is held: here by the first node, which leaves a matrix that can be solved.
    share = (load_m - lower) / (upper - lower)
    load = _at(nodes, load_m) - (1 - share) * _at(nodes, lower) - share * _at(nodes, upper)
    grounded = np.delete(load, [0, 1])
    deflection = solveh_banded(band[:, 2:], grounded, lower=True)
    return float(1.0 / (grounded @ deflection))


def _check_profile(station: FloatArray, values: FloatArray, what: str, *, infinite: bool = False) -> None:
    if station.ndim != 1 or station.size < 2 or station[0] != 0 or not np.all(np.diff(station) > 0):
        raise ConstructionError("station_m: at least two stations are needed, increasing from 0 at the tail")
    if values.shape != station.shape:
        raise ConstructionError(f"{what}: {values.size} values for {station.size} stations, one each is needed")
    if not np.all(values > 0) or not (infinite or np.all(np.isfinite(values))):
        bad = int(np.flatnonzero(~((values > 0) & np.isfinite(values)))[0])
        raise ConstructionError(f"{what}: value {bad + 1} is {values[bad]}, it must be finite and above 0")


def _check_position(position_m: float, length_m: float, what: str) -> None:
    if not 0 <= position_m <= length_m:
        raise ConstructionError(f"{what} at {position_m:g} m is off the beam, which is {length_m:g} m long")


def _nodes_for(station: FloatArray, positions: Iterable[float], count: int, elements: int) -> FloatArray:
    if not 1 <= count <= elements // 2:
        raise ConstructionError(f"{count} modes of {elements} elements: between 1 and {elements // 2} can be had")
    return _mesh(float(station[-1]), positions, station, elements)


def _mesh(length: float, wanted: Iterable[float], station: FloatArray, elements: int) -> FloatArray:
    """Nodes about length/elements apart, at the wanted positions and then at the stations where there is room."""
    room = _SMALLEST_ELEMENT * length / elements
    breaks = [0.0, length]
    for position in (*sorted(wanted), *station.tolist()):
        after = bisect(breaks, position)
        if min(abs(position - other) for other in breaks[max(after - 1, 0) : after + 1]) >= room:
            breaks.insert(after, position)
    sizes = np.diff(breaks)
    parts = np.maximum(np.rint(sizes / length * elements), 1).astype(np.intp)
    number = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    inner = np.repeat(breaks[:-1], parts) + number * np.repeat(sizes / parts, parts)
    return np.append(inner, length)


def _quadrature(nodes: FloatArray, station: FloatArray) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Points, weights and the element of each point; split at every station, so that a kink costs nothing."""
    edges = np.union1d(nodes, station)
    half = np.diff(edges)[:, None] / 2
    point = (edges[:-1, None] + half * (1 + _GAUSS_POINT)).ravel()
    weight = (half * _GAUSS_WEIGHT).ravel()
    return point, weight, np.searchsorted(nodes, point, side="right") - 1


def _gather(values: FloatArray, element: NDArray[np.intp]) -> FloatArray:
    """Sum over the points of each element; points are sorted by element."""
    starts = np.flatnonzero(np.diff(element, prepend=-1))
    return np.add.reduceat(values, starts, axis=0)


def _shape(share: FloatArray, size: FloatArray, phi: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Deflection, rotation and curvature of the freedoms w, rotation, w, rotation; phi = 12 EI/(kappa G A h²)."""
    x, h, d = share, size, 1 + phi
    deflection = np.stack(
        [
            (1 - 3 * x**2 + 2 * x**3 + phi * (1 - x)) / d,
            h * (x - 2 * x**2 + x**3 + phi / 2 * (x - x**2)) / d,
            (3 * x**2 - 2 * x**3 + phi * x) / d,
            h * (x**3 - x**2 - phi / 2 * (x - x**2)) / d,
        ],
        axis=1,
    )
    tilt = 6 * (x**2 - x) / (h * d)
    rotation = np.stack(
        [tilt, (1 - 4 * x + 3 * x**2 + phi * (1 - x)) / d, -tilt, (3 * x**2 - 2 * x + phi * x) / d], axis=1
    )
    bend = 6 * (2 * x - 1) / (h**2 * d)
    curvature = np.stack([bend, (6 * x - 4 - phi) / (h * d), -bend, (6 * x - 2 + phi) / (h * d)], axis=1)
    return deflection, rotation, curvature


def _phi(beam: Beam, nodes: FloatArray) -> FloatArray:
    """12 EI/(kappa G A h²) of each element, with the means of EI and kappa G A; 0 without shear."""
    size = np.diff(nodes)
    if beam.shear_rigidity_n is None:
        return np.zeros_like(size)
    point, weight, element = _quadrature(nodes, beam.station_m)
    bending = _gather(weight * np.interp(point, beam.station_m, beam.bending_stiffness_n_m2), element)
    shear = _gather(weight * np.interp(point, beam.station_m, beam.shear_rigidity_n), element)
    return np.asarray(12 * bending / (size**2 * shear))


def _uneven_shear(beam: Beam, nodes: FloatArray, eigenvalue: FloatArray, vector: FloatArray) -> FloatArray:
    """How far each eigenvalue is too high because the elements take their shear strain from the nodal forces alone.

    Inertia between the nodes adds strain: an even part, with a rotation that bulges by -6 x (1 - x), and a linear part
    z = 2 x - 1, x from 0 to 1. Condensing them out leaves, to first order, omega⁴ (coupling)² / rigidity of every part
    of every element, without which the frequencies converge as h² only.
    """
    assert beam.shear_rigidity_n is not None
    point, weight, element = _quadrature(nodes, beam.station_m)
    h = np.diff(nodes)[element]
    x = (point - nodes[element]) / h
    z = 2 * x - 1
    deflection, rotation, _ = _shape(x, h, _phi(beam, nodes)[element])
    mass = weight * np.interp(point, beam.station_m, beam.mass_per_length_kg_per_m)
    shear = weight * np.interp(point, beam.station_m, beam.shear_rigidity_n)
    bending = weight * np.interp(point, beam.station_m, beam.bending_stiffness_n_m2)
    even = (mass * h * (x - 3 * x**2 + 2 * x**3))[:, None] * deflection
    if beam.rotary_inertia_kg_m is not None:
        rotary = weight * np.interp(point, beam.station_m, beam.rotary_inertia_kg_m)
        even -= (rotary * 6 * x * (1 - x))[:, None] * rotation
    linear = (mass * h / 4 * (z**2 - 1))[:, None] * deflection
    freedom = 2 * np.arange(nodes.size - 1)[:, None] + np.arange(4)
    excess = np.zeros_like(eigenvalue)
    for coupling, rigidity in ((even, shear + bending * (6 * z / h) ** 2), (linear, shear * z**2)):
        forced = np.einsum("ef,efm->em", _gather(coupling, element), vector[freedom])
        excess += np.sum(forced**2 / _gather(rigidity, element)[:, None], axis=0)
    return np.asarray(eigenvalue**2 * excess)


def _bending_matrices(beam: Beam, nodes: FloatArray) -> tuple[FloatArray, FloatArray]:
    point, weight, element = _quadrature(nodes, beam.station_m)
    size = np.diff(nodes)
    h = size[element]
    bending = np.interp(point, beam.station_m, beam.bending_stiffness_n_m2)
    mean_bending = _gather(weight * bending, element) / size
    phi = _phi(beam, nodes)
    deflection, rotation, curvature = _shape((point - nodes[element]) / h, h, phi[element])
    stiffness = _gather(_outer(curvature, weight * bending), element)
    # kappa G A gamma² with gamma = phi/(1 + phi) g, written without kappa G A so that an infinite one gives nothing.
    strain = np.stack([-1 / size, np.full_like(size, -0.5), 1 / size, np.full_like(size, -0.5)], axis=1)
    stiffness += _outer(strain, 12 * mean_bending / size * phi / (1 + phi) ** 2)
    mass = _outer(deflection, weight * np.interp(point, beam.station_m, beam.mass_per_length_kg_per_m))
    if beam.rotary_inertia_kg_m is not None:
        mass += _outer(rotation, weight * np.interp(point, beam.station_m, beam.rotary_inertia_kg_m))
    freedom = 2 * np.arange(size.size)[:, None] + np.arange(4)
    total = 2 * nodes.size
    mass_matrix = _assemble(_gather(mass, element), freedom, total)
    for extra in beam.point_masses:
        vector = _at(nodes, extra.position_m, phi)
        mass_matrix += extra.mass_kg * np.outer(vector, vector)
    return _assemble(stiffness, freedom, total), mass_matrix


def _at(nodes: FloatArray, position: float, phi: FloatArray | None = None) -> FloatArray:
    """Row that takes the deflection at a position out of the freedoms of the nodes."""
    element = min(int(np.searchsorted(nodes, position, side="right")) - 1, nodes.size - 2)
    size = nodes[element + 1] - nodes[element]
    share = np.array([(position - nodes[element]) / size])
    slack = np.zeros(1) if phi is None else phi[element : element + 1]
    row = np.zeros(2 * nodes.size)
    row[2 * element : 2 * element + 4] = _shape(share, np.array([size]), slack)[0][0]
    return row


def _torsion_matrices(shaft: Shaft, nodes: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    point, weight, element = _quadrature(nodes, shaft.station_m)
    size = np.diff(nodes)
    h = size[element]
    value, slope = _cubic((point - nodes[element]) / h)
    slope = slope / h[:, None]
    stiffness = _outer(slope, weight * np.interp(point, shaft.station_m, shaft.torsional_stiffness_n_m2))
    inertia = _outer(value, weight * np.interp(point, shaft.station_m, shaft.polar_inertia_kg_m))
    freedom = 3 * np.arange(size.size)[:, None] + np.arange(4)
    total = 3 * size.size + 1
    inertia_matrix = _assemble(_gather(inertia, element), freedom, total)
    for position, amount in shaft.point_inertias:
        place = min(int(np.searchsorted(nodes, position, side="right")) - 1, size.size - 1)
        row = np.zeros(total)
        row[3 * place : 3 * place + 4] = _cubic(np.array([(position - nodes[place]) / size[place]]))[0][0]
        inertia_matrix += amount * np.outer(row, row)
    station = np.append((nodes[:-1, None] + size[:, None] * np.arange(3) / 3).ravel(), nodes[-1])
    return station, _assemble(_gather(stiffness, element), freedom, total), inertia_matrix


def _cubic(share: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cubic Lagrange functions through 0, 1/3, 2/3, 1 and their derivatives."""
    x = share[:, None]
    coefficients = np.array([[1, -5.5, 9, -4.5], [0, 9, -22.5, 13.5], [0, -4.5, 18, -13.5], [0, 1, -4.5, 4.5]])
    power = np.arange(4)
    return x**power @ coefficients.T, x ** power[:3] @ (coefficients[:, 1:] * power[1:]).T


def _outer(rows: FloatArray, weight: FloatArray) -> FloatArray:
    return np.asarray(weight[:, None, None] * rows[:, :, None] * rows[:, None, :])


def _assemble(blocks: FloatArray, freedom: NDArray[np.intp], total: int) -> FloatArray:
    index = freedom[:, :, None] * total + freedom[:, None, :]
    flat: FloatArray = np.bincount(index.ravel(), weights=blocks.ravel(), minlength=total * total).astype(np.float64)
    return flat.reshape(total, total)


def _to_band(matrix: FloatArray) -> FloatArray:
    """Lower band form with the three subdiagonals of a chain of four-freedom elements."""
    band = np.zeros((4, matrix.shape[0]))
    for below in range(4):
        band[below, : matrix.shape[0] - below] = np.diagonal(matrix, -below)
    return band


def _lowest(stiffness: FloatArray, mass: FloatArray, *, rigid: int, count: int) -> tuple[FloatArray, FloatArray]:
    """Eigenpairs above the rigid-body ones, which are dropped by their index, never by a threshold."""
    value, vector = eigh(stiffness, mass, subset_by_index=(rigid, rigid + count - 1), check_finite=False)
    return value, vector


def _scaled(shapes: FloatArray) -> FloatArray:
    peak = np.take_along_axis(shapes, np.abs(shapes).argmax(axis=1)[:, None], axis=1)
    return np.asarray(shapes / peak)
