"""Reference bars: files that say what a straight bar measures and weighs, and the tones that follow from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import log, prod, sqrt
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from msgspec import Struct

from taptest.beam.model import BENDING_ELEMENTS, Beam, FloatArray, bending_modes
from taptest.core.documents import DocumentFormat, text, within
from taptest.core.errors import CalibrationError, shown

_MOST_ORDERS = 30


@dataclass(frozen=True)
class Bar:
    """A straight bar of one rectangular section; ``u`` holds a standard uncertainty for each field that has one.

    ``thickness_m`` is in the direction of the blow. ``reference_hz``: its first bending mode as somebody else measured it
    with an instrument whose clock is known, or None. ``by_density``: the mass was not weighed but follows from a density.
    """

    stem: str
    name: str
    note: str
    length_m: float
    thickness_m: float
    width_m: float
    mass_kg: float
    modulus_pa: float
    poisson: float
    u: Mapping[str, float]
    reference_hz: float | None = None
    by_density: bool = False

    @property
    def slenderness(self) -> float:
        """Thickness over length."""
        return self.thickness_m / self.length_m

    @property
    def density_kg_per_m3(self) -> float:
        return self.mass_kg / (self.length_m * self.thickness_m * self.width_m)

    def ladder_hz(self, orders: int) -> FloatArray:
        """Bending modes 1, 2, ... of the free bar with shear and rotary inertia (Timoshenko)."""
        unit = unit_ladder(self.slenderness, self.poisson, orders)
        stiffness = self.modulus_pa * self.width_m * self.thickness_m**3 / 12
        return np.asarray(unit * sqrt(stiffness / self.mass_kg / self.length_m**3))

    def ladder_u_rel(self, orders: int, *, without: Sequence[str] = ()) -> FloatArray:
        """Relative standard uncertainty of each mode from those of size, mass and material."""
        u = {name: u for name, u in self.u.items() if name not in (*without, "reference_hz")}
        values = {name: float(getattr(self, name)) for name in u}
        return propagated_u(lambda changed: np.log(self._changed(changed).ladder_hz(orders)), values, u)

    def _changed(self, to: Mapping[str, float]) -> Bar:
        changed: dict[str, Any] = dict(to)
        if self.by_density:
            now = (to.get(name, getattr(self, name)) for name in ("length_m", "thickness_m", "width_m"))
            volume = self.length_m * self.thickness_m * self.width_m
            changed["mass_kg"] = to.get("mass_kg", self.mass_kg) * prod(now) / volume
        return replace(self, **changed)


def propagated_u(
    function: Callable[[Mapping[str, float]], FloatArray], values: Mapping[str, float], u: Mapping[str, float]
) -> FloatArray:
    """Combined standard uncertainty of a function of independent quantities, by central differences.

        u_c² = sum of (df/dx_i)² u_i²                                                                           [1]

    Args:
        function: of all quantities by name.
        values: of the quantities.
        u: their standard uncertainties.

    References:
        [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1.2, eq. (10).
    """
    total: FloatArray = np.zeros(1)
    for name, spread in u.items():
        if spread:
            up, down = (function({**values, name: values[name] + way * spread}) for way in (0.5, -0.5))
            total = total + (up - down) ** 2
    return np.asarray(np.sqrt(total))


def unit_ladder(slenderness: float, poisson: float, orders: int) -> FloatArray:
    """Frequencies of a bar with EI, mass and length of 1: (1/2 pi) beta_n² for a thin one.

    kappa G A L²/EI = 12 kappa/(2 (1 + nu)) (L/t)² with kappa = 10 (1 + nu)/(12 + 11 nu) of a rectangle [1]; rotary inertia
    (t/L)²/12.

    References:
        [1] G. R. Cowper, J. Appl. Mech. 33 (1966) 335 (from memory).
    """
    if not 1 <= orders <= _MOST_ORDERS:
        raise CalibrationError(f"{orders} orders of a bar: 1 to {_MOST_ORDERS} can be had")
    one = np.ones(2)
    kappa = 10 * (1 + poisson) / (12 + 11 * poisson)
    shear = 12 * kappa / (2 * (1 + poisson)) / slenderness**2
    beam = Beam(np.array([0.0, 1.0]), one, one, shear * one, slenderness**2 / 12 * one)
    return bending_modes(beam, orders, elements=max(BENDING_ELEMENTS, 6 * orders)).frequencies_hz


def modulus_from_first_mode(bar: Bar, first_hz: float) -> float:
    """Dynamic modulus [Pa] by the formula of the standards for a bar's fundamental flexural mode.

        E = 0.9465 (m f²/b) (L³/t³) T₁                                                                          [1]
        T₁ = 1 + 6.585 (1 + 0.0752 nu + 0.8109 nu²) r² - 0.868 r⁴
             - 8.340 (1 + 0.2023 nu + 2.173 nu²) r⁴ / (1 + 6.338 (1 + 0.1408 nu + 1.536 nu²) r²),   r = t/L

    References:
        [1] ASTM E1876 and ISO 12680-1, dynamic Young's modulus by impulse excitation (from memory).
    """
    r2, nu = bar.slenderness**2, bar.poisson
    bend = 8.340 * (1 + 0.2023 * nu + 2.173 * nu**2) * r2**2
    bend /= 1 + 6.338 * (1 + 0.1408 * nu + 1.536 * nu**2) * r2
    t1 = 1 + 6.585 * (1 + 0.0752 * nu + 0.8109 * nu**2) * r2 - 0.868 * r2**2 - bend
    return 0.9465 * bar.mass_kg * first_hz**2 / bar.width_m / bar.slenderness**3 * t1


def fit_slenderness(
    orders: Sequence[int], frequencies_hz: Sequence[float], poisson: float
) -> tuple[float, float, FloatArray]:
    """Thickness over length that the ratios of a bar's modes alone say, without clock, modulus or mass.

    The one whose ladder, times a free factor, leaves the smallest squares of ln(measured/ladder).

    Returns:
        t/L, the factor (measured over the ladder of `unit_ladder`), and ln(measured/fitted) of each mode.

    Raises:
        CalibrationError: fewer than three modes: two and a factor say nothing.
    """
    from scipy.optimize import minimize_scalar

    if len(orders) < 3:
        raise CalibrationError(f"{len(orders)} modes: at least 3 are needed to tell a bar's thickness by ear")
    measured, index = np.log(np.array(frequencies_hz)), np.array(orders) - 1

    def off(slenderness: float) -> FloatArray:
        ladder = np.log(unit_ladder(slenderness, poisson, max(orders))[index])
        return np.asarray(measured - ladder - np.mean(measured - ladder))

    found = minimize_scalar(
        lambda x: float(np.sum(off(float(np.exp(x))) ** 2)), bounds=(log(1e-3), log(0.2)), method="bounded"
    )
    slenderness = float(np.exp(found.x))
    ladder = np.log(unit_ladder(slenderness, poisson, max(orders))[index])
    return slenderness, float(np.exp(np.mean(measured - ladder))), off(slenderness)


def bar_names() -> list[str]:
    """Stems of the bars that come with taptest."""
    return sorted(path.stem for path in _shipped_folder().glob("*.toml"))


def load_bar(name_or_path: str) -> Bar:
    """Bar of a shipped stem (`steel_bar`) or of a TOML file.

    Raises:
        CalibrationError: no such bar, or a file with a fault; the message names file, key, value and remedy.
    """
    path = _shipped_folder() / f"{name_or_path}.toml" if name_or_path in bar_names() else Path(name_or_path)
    where = shown(path, 200)
    try:
        there = path.exists()
    except (OSError, ValueError):  # a name too long for the file system, or with a zero byte
        there = False
    if not there:
        raise CalibrationError(
            f"{where}: there is no such bar; bars that are shipped are {', '.join(bar_names())}, a file of your own is given "
            "by its path"
        )
    return _bar(path.stem, where, _FILES.read(path))


def _shipped_folder() -> Path:
    package = Path(__file__).resolve().parent.parent
    in_wheel = package / "calibration" / "bars"
    return in_wheel if in_wheel.is_dir() else package.parent / "calibration" / "bars"


class _Size(Struct, frozen=True, forbid_unknown_fields=True):
    length_mm: Annotated[float, within(20.0, 5000.0)]
    length_u_mm: Annotated[float, within(0.0, 1000.0)]
    thickness_mm: Annotated[float, within(0.5, 200.0)]
    thickness_u_mm: Annotated[float, within(0.0, 40.0)]
    width_mm: Annotated[float, within(0.5, 1000.0)]
    width_u_mm: Annotated[float, within(0.0, 200.0)]


class _Mass(Struct, frozen=True, forbid_unknown_fields=True):
    mass_g: Annotated[float, within(0.1, 1e6)] | None = None
    mass_u_g: Annotated[float, within(0.0, 2e5)] | None = None
    density_kg_per_m3: Annotated[float, within(50.0, 25e3)] | None = None
    density_u_kg_per_m3: Annotated[float, within(0.0, 5e3)] | None = None


class _Material(Struct, frozen=True, forbid_unknown_fields=True):
    modulus_gpa: Annotated[float, within(0.1, 1500.0)]
    modulus_u_gpa: Annotated[float, within(0.0, 300.0)]
    poisson: Annotated[float, within(0.0, 0.499)]
    poisson_u: Annotated[float, within(0.0, 0.1)]


class _Reference(Struct, frozen=True, forbid_unknown_fields=True):
    frequency_hz: Annotated[float, within(1.0, 20e3)]
    frequency_u_hz: Annotated[float, within(0.0, 4e3)]


class _File(Struct, frozen=True, forbid_unknown_fields=True):
    schema: Literal["taptest.bar/1"]
    name: Annotated[str, text(80)]
    note: Annotated[str, text(4000, lines=True)]
    size: _Size
    mass: _Mass
    material: _Material
    reference: _Reference | None = None


_FILES = DocumentFormat("bar file", _File, CalibrationError, 64 * 1024)


def _bar(stem: str, where: str, file: _File) -> Bar:
    size, mass, material, reference = file.size, file.mass, file.material, file.reference
    length_m, thickness_m, width_m = size.length_mm / 1e3, size.thickness_mm / 1e3, size.width_mm / 1e3
    volume = length_m * thickness_m * width_m
    if mass.mass_g is not None and mass.density_kg_per_m3 is not None:
        raise CalibrationError(f"{where}: [mass] has both mass_g and density_kg_per_m3; leave one out")
    by_density = mass.mass_g is None
    u = mass.density_u_kg_per_m3 if by_density else mass.mass_u_g
    value = mass.density_kg_per_m3 if by_density else mass.mass_g
    key, u_key = ("density_kg_per_m3", "density_u_kg_per_m3") if by_density else ("mass_g", "mass_u_g")
    if value is None:
        raise CalibrationError(f"{where}: mass.mass_g is missing; weigh the bar, or give mass.density_kg_per_m3")
    if u is None:
        raise CalibrationError(f"{where}: mass.{u_key} is missing; give one standard uncertainty of {key}")
    to_kg = volume if by_density else 1e-3
    density = value * to_kg / volume
    if not 50 <= density <= 25e3:
        raise CalibrationError(
            f"{where}: mass and size make a density of {density:.4g} kg/m³; materials have 50 to 25 000: check the units"
        )
    if thickness_m > 0.2 * length_m:
        raise CalibrationError(f"{where}: thickness over length is {thickness_m / length_m:.3g}; a bar has at most 0.2")
    uncertainties = {
        "length_m": size.length_u_mm / 1e3,
        "thickness_m": size.thickness_u_mm / 1e3,
        "width_m": size.width_u_mm / 1e3,
        "mass_kg": u * to_kg,
        "modulus_pa": material.modulus_u_gpa * 1e9,
        "poisson": material.poisson_u,
    }
    if reference is not None:
        uncertainties["reference_hz"] = reference.frequency_u_hz
    return Bar(
        stem=stem,
        name=file.name.strip(),
        note=file.note.strip(),
        length_m=length_m,
        thickness_m=thickness_m,
        width_m=width_m,
        mass_kg=value * to_kg,
        modulus_pa=material.modulus_gpa * 1e9,
        poisson=material.poisson,
        u=uncertainties,
        reference_hz=None if reference is None else reference.frequency_hz,
        by_density=by_density,
    )
