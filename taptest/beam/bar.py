"""Reference bars: files that say what a straight bar measures and weighs, and the tones that follow from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, log, prod, sqrt
from pathlib import Path
from typing import Any

import numpy as np

from taptest.beam.model import BENDING_ELEMENTS, Beam, FloatArray, bending_modes
from taptest.core.errors import CalibrationError, shown
from taptest.core.small_files import parse_toml, read_regular

SCHEMA = "taptest.bar/1"

_LARGEST_FILE_BYTES = 64 * 1024
_MOST_ORDERS = 30
# Section, key, where it goes, factor to the base unit, least and most in the file's unit.
_QUANTITIES = (
    ("size", "length_mm", "length_m", 1e-3, 20.0, 5000.0),
    ("size", "thickness_mm", "thickness_m", 1e-3, 0.5, 200.0),
    ("size", "width_mm", "width_m", 1e-3, 0.5, 1000.0),
    ("mass", "mass_g", "mass_kg", 1e-3, 0.1, 1e6),
    ("mass", "density_kg_per_m3", "density_kg_per_m3", 1.0, 50.0, 25e3),
    ("material", "modulus_gpa", "modulus_pa", 1e9, 0.1, 1500.0),
    ("material", "poisson", "poisson", 1.0, 0.0, 0.499),
    ("reference", "frequency_hz", "reference_hz", 1.0, 1.0, 20e3),
)
_EITHER = {"mass_kg": "density_kg_per_m3", "density_kg_per_m3": "mass_kg"}


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
    if name_or_path in bar_names():
        path = _shipped_folder() / f"{name_or_path}.toml"
    else:
        path = Path(name_or_path)
    where = shown(path, 200)
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise CalibrationError(f"{where}: larger than {_LARGEST_FILE_BYTES // 1024} kB, which no bar needs to be")
        document = parse_toml(read_regular(path))
    except UnicodeDecodeError as problem:
        raise CalibrationError(f"{where}: byte {problem.start} is not UTF-8; save the file as UTF-8") from problem
    except OSError as problem:
        raise CalibrationError(
            f"{where}: cannot be read ({problem.strerror}); bars that are shipped are {', '.join(bar_names())}, a file of "
            "your own is given by its path"
        ) from problem
    except (ValueError, RecursionError) as problem:
        raise CalibrationError(f"{where}: not valid TOML: {shown(problem, 120)}") from problem
    return _bar(path.stem, where, document)


def _shipped_folder() -> Path:
    package = Path(__file__).resolve().parent.parent
    in_wheel = package / "calibration" / "bars"
    return in_wheel if in_wheel.is_dir() else package.parent / "calibration" / "bars"


def _bar(stem: str, where: str, document: dict[str, Any]) -> Bar:
    if document.get("schema") != SCHEMA:
        raise CalibrationError(f'{where}: schema is {shown(document.get("schema"))}; it must be "{SCHEMA}"')
    _refuse_unknown(where, document)
    values: dict[str, float] = {}
    u: dict[str, float] = {}
    for section, key, field, factor, least, most in _QUANTITIES:
        table = document.get(section, {})
        if key not in table:
            continue
        values[field] = factor * _number(where, f"{section}.{key}", table[key], least, most)
        quantity, _, unit = key.partition("_")
        u_key = f"{quantity}_u_{unit}" if unit else f"{quantity}_u"
        if u_key not in table:
            raise CalibrationError(f"{where}: {section}.{u_key} is missing; give one standard uncertainty of {key}")
        u[field] = factor * _number(where, f"{section}.{u_key}", table[u_key], 0.0, 0.2 * most)
    for section, key, field, *_ in _QUANTITIES:
        if field not in values and _EITHER.get(field) not in values and section != "reference":
            raise CalibrationError(f"{where}: {section}.{key} is missing; measure it and write it down")
    volume = values["length_m"] * values["thickness_m"] * values["width_m"]
    if "mass_kg" in values:
        density = values["mass_kg"] / volume
        by_density = False
    else:
        density, by_density = values["density_kg_per_m3"], True
        values["mass_kg"], u["mass_kg"] = density * volume, u.pop("density_kg_per_m3") * volume
    if not 50 <= density <= 25e3:
        raise CalibrationError(
            f"{where}: mass and size make a density of {density:.4g} kg/m³; materials have 50 to 25 000: check the units"
        )
    if values["thickness_m"] > 0.2 * values["length_m"]:
        raise CalibrationError(
            f"{where}: thickness over length is {values['thickness_m'] / values['length_m']:.3g}; a bar has at most 0.2"
        )
    fields = ("length_m", "thickness_m", "width_m", "mass_kg", "modulus_pa", "poisson")
    return Bar(
        stem=stem,
        name=_text(where, document, "name", 80),
        note=_text(where, document, "note", 4000),
        **{field: values[field] for field in fields},
        u={field: u[field] for field in (*fields, "reference_hz") if field in u},
        reference_hz=values.get("reference_hz"),
        by_density=by_density,
    )


def _refuse_unknown(where: str, document: dict[str, Any]) -> None:
    known = {"schema", "name", "note", *(section for section, *_ in _QUANTITIES)}
    for key, table in document.items():
        if key not in known:
            raise CalibrationError(f"{where}: unknown key {shown(key)}; known are {', '.join(sorted(known))}")
        if key in ("schema", "name", "note"):
            continue
        if not isinstance(table, dict):
            raise CalibrationError(f"{where}: {key} is {shown(table)}; it must be a table, written [{key}]")
        inside = set()
        for section, name, *_ in _QUANTITIES:
            quantity, _, unit = name.partition("_")
            inside |= {name, f"{quantity}_u_{unit}" if unit else f"{quantity}_u"} if section == key else set()
        for name in table:
            if name not in inside:
                raise CalibrationError(
                    f"{where}: unknown key {shown(name)} in [{key}]; known are {', '.join(sorted(inside))}"
                )
    if "mass_g" in document.get("mass", {}) and "density_kg_per_m3" in document.get("mass", {}):
        raise CalibrationError(f"{where}: [mass] has both mass_g and density_kg_per_m3; leave one out")


def _number(where: str, key: str, value: object, least: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < inf:
        raise CalibrationError(f"{where}: {key} is {shown(value)}; it must be a number")
    if not least <= value <= most:
        raise CalibrationError(f"{where}: {key} is {shown(value)}; it must lie between {least:g} and {most:g}")
    return float(value)


def _text(where: str, document: dict[str, Any], key: str, longest: int) -> str:
    value = document.get(key)
    if not isinstance(value, str) or not value.strip() or len(value) > longest:
        raise CalibrationError(f"{where}: {key} is {shown(value)}; it must be a text of at most {longest} characters")
    return value.strip()
