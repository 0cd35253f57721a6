"""Natural frequencies of a ski from its mass, its two-support stiffness and its construction."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from math import e, hypot, isfinite, log, pi, sqrt

import numpy as np

from taptest.beam.construction import Construction
from taptest.beam.model import (
    BENDING_ELEMENTS,
    TORSION_ELEMENTS,
    Beam,
    FloatArray,
    Modes,
    PointMass,
    Shaft,
    bending_modes,
    rig_stiffness_n_per_m,
    torsion_modes,
)
from taptest.config.limits import LIMITS
from taptest.config.settings import RigUncertainty
from taptest.core.errors import ConstructionError

SHAPE_PARAMETERS = ("thickness taper", "fullness between middle and ends", "thickness of the ends", "mass taper")

_SHAPE_STEP = 0.05
_MOST_ORDERS = 40


@dataclass(frozen=True)
class SkiMeasurements:
    """What a tape, a balance and a two-support bending rig say about one ski, in SI units.

    Attributes:
        length_m: length of the ski.
        mass_kg: mass as hung, with the binding if there is one.
        stiffness_n_per_m: load over deflection in the middle between two supports.
        span_m: distance between the supports.
        rig_centre_m: the load, half-way between the supports, from the tail; half the length when left out.
        binding_mass_kg: the part of the mass that is the binding.
        binding_m: its centre from the tail; half the length when left out.
        stiffness_u_rel: relative standard uncertainty of the stiffness; that of the settings when left out.
        mass_u_rel: relative standard uncertainty of the mass; likewise.
    """

    length_m: float
    mass_kg: float
    stiffness_n_per_m: float
    span_m: float
    rig_centre_m: float | None = None
    binding_mass_kg: float = 0.0
    binding_m: float | None = None
    stiffness_u_rel: float = RigUncertainty.stiffness_u_rel
    mass_u_rel: float = RigUncertainty.mass_u_rel


@dataclass(frozen=True)
class Prediction:
    """Predicted free-free ladder of one ski.

    Attributes:
        bending_hz: bending orders 1, 2, ...
        bending_u_rel: relative standard uncertainty of each from the construction's shape alone.
        scale_u_rel: the one that all orders share, from stiffness and mass.
        bending_shape_slopes: d ln f_n / d p, one row for each of `SHAPE_PARAMETERS`, at fixed rig stiffness and mass.
        torsion_hz: torsion orders, or None when the construction says nothing about torsion.
        torsion_ratios: torsion orders over the first; 1, 2, 3, ... of a uniform shaft when nothing better is known.
        torsion_shape_slopes: as for bending, for the torsion ladder.
        ei_mid_n_m2: bending stiffness at mid length that the rig's stiffness stands for.
        mass_per_length_kg_per_m: mean mass per length without the binding.
        learned: whether `bending_u_rel` is what measured skis scatter by, and not what is assumed of a shape.
    """

    bending_hz: tuple[float, ...]
    bending_u_rel: tuple[float, ...]
    scale_u_rel: float
    bending_shape_slopes: tuple[tuple[float, ...], ...]
    torsion_hz: tuple[float, ...] | None
    torsion_ratios: tuple[float, ...]
    torsion_shape_slopes: tuple[tuple[float, ...], ...]
    ei_mid_n_m2: float
    mass_per_length_kg_per_m: float
    learned: bool = False

    def u_rel(self, order: int) -> float:
        """Combined relative standard uncertainty of bending order `order` (from 1)."""
        return hypot(self.bending_u_rel[order - 1], self.scale_u_rel)

    def u_hz(self, order: int) -> float:
        """Combined standard uncertainty of bending order `order` (from 1) in hertz."""
        return self.bending_hz[order - 1] * self.u_rel(order)


@dataclass(frozen=True)
class FrequencyChange:
    """How far each bending order moves: in percent, and in cents (1200 to the octave)."""

    before: Prediction
    after: Prediction
    percent: tuple[float, ...] = field(init=False)
    cents: tuple[float, ...] = field(init=False)

    def __post_init__(self) -> None:
        ratios = [new / old for new, old in zip(self.after.bending_hz, self.before.bending_hz, strict=True)]
        object.__setattr__(self, "percent", tuple(100 * (ratio - 1) for ratio in ratios))
        object.__setattr__(self, "cents", tuple(1200 * log(ratio, 2) for ratio in ratios))


def predict(
    construction: Construction, ski: SkiMeasurements, *, bending_orders: int = 14, torsion_orders: int = 10
) -> Prediction:
    """Natural frequencies from the measured rig stiffness k and mass m.

    One load case of the construction's profile gives EI_mid for k; EI_mid and the profile of the mass give every f_n.
    For a uniform beam that is k = 48 EI/S³ and f_n = lambda_n²/(2 pi L²) sqrt(EI/mu). The scale is common to all
    orders, u(f)/f = 1/2 sqrt((u_k/k)² + (u_m/m)²) [1], and `bending_u_rel` comes on top. In torsion the binding is
    given the radius of gyration of the ski. A learned construction multiplies every bending order by its factor, and
    what its skis were found to share takes the place of u(f)/f.

    Raises:
        ConstructionError: measurements from which nothing can be predicted, see `check_plausible`, or orders out of
            1 to 40.

    References:
        [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1.
    """
    for count, what in ((bending_orders, "bending"), (torsion_orders, "torsion")):
        if not 1 <= count <= _MOST_ORDERS:
            raise ConstructionError(f"{count} {what} orders: between 1 and {_MOST_ORDERS} can be predicted")
    _check_possible(ski)
    _check_not_flattening(ski)
    geometry = _geometry(construction, ski)
    ladder = _ladder(construction, geometry, bending_orders, torsion_orders, None, 0.0)
    bending_slopes, torsion_slopes = _slopes(construction, geometry.rounded(), bending_orders, torsion_orders)
    bare_kg = ski.mass_kg - ski.binding_mass_kg
    rate_hz = sqrt(ski.stiffness_n_per_m / bare_kg) / (2 * pi)
    torsion_hz = None
    if construction.torsion is not None:
        torsion_hz = tuple(ratio * rate_hz * ski.length_m / construction.torsion.gyration_m for ratio in ladder.torsion)
    learned = construction.learned
    factors = [1.0 if learned is None else learned.factor(order) for order in range(1, bending_orders + 1)]
    return Prediction(
        bending_hz=tuple(ratio * rate_hz * factor for ratio, factor in zip(ladder.bending, factors, strict=True)),
        bending_u_rel=tuple(construction.frequency_u_rel(order) for order in range(1, bending_orders + 1)),
        scale_u_rel=0.5 * hypot(ski.stiffness_u_rel, ski.mass_u_rel)
        if learned is None
        else learned.shared_percent / 100,
        bending_shape_slopes=bending_slopes,
        torsion_hz=torsion_hz,
        torsion_ratios=tuple(ratio / ladder.torsion[0] for ratio in ladder.torsion),
        torsion_shape_slopes=torsion_slopes,
        ei_mid_n_m2=ski.stiffness_n_per_m * ski.length_m**3 / ladder.rig,
        mass_per_length_kg_per_m=bare_kg / ski.length_m,
        learned=learned is not None,
    )


def what_if(
    construction: Construction,
    ski: SkiMeasurements,
    *,
    mass_percent: float = 0.0,
    stiffness_percent: float = 0.0,
    bending_orders: int = 14,
) -> FrequencyChange:
    """How the bending orders move when the ski (not its binding) gains mass or its rig stiffness changes.

    Without a binding every order moves by sqrt((1 + stiffness) / (1 + mass)).

    Raises:
        ConstructionError: a change of -100 % or less, or measurements that `predict` refuses.
    """
    for change, what in ((mass_percent, "mass"), (stiffness_percent, "stiffness")):
        if not (isfinite(change) and change > -100):
            raise ConstructionError(f"a change of {change:g} % in {what}: it must be more than -100 %")
    bare_kg = ski.mass_kg - ski.binding_mass_kg
    changed = replace(
        ski,
        mass_kg=ski.binding_mass_kg + bare_kg * (1 + mass_percent / 100),
        stiffness_n_per_m=ski.stiffness_n_per_m * (1 + stiffness_percent / 100),
    )
    before = predict(construction, ski, bending_orders=bending_orders)
    return FrequencyChange(before, predict(construction, changed, bending_orders=bending_orders))


def reshaped(construction: Construction, amounts: Sequence[float]) -> Construction:
    """The construction with its profile changed by these amounts of `SHAPE_PARAMETERS`."""
    station = np.array(construction.station)
    bending, mass = np.array(construction.bending_stiffness), np.array(construction.mass_per_length)
    for shape, amount in enumerate(amounts):
        log_bending, log_mass = _shape_logs(station, shape)
        bending, mass = bending * np.exp(amount * log_bending), mass * np.exp(amount * log_mass)
    return replace(
        construction,
        bending_stiffness=tuple((bending / np.interp(0.5, station, bending)).tolist()),
        mass_per_length=tuple((mass / np.trapezoid(mass, station)).tolist()),
    )


def check_plausible(ski: SkiMeasurements) -> list[str]:
    """Warnings about measurements that are possible but unlike a cross-country ski; an empty list when there are none.

    Raises:
        ConstructionError: no span or one longer than the ski, a flattening stiffness, or a length or mass that no ski
            has; the message says what is accepted.
    """
    _check_possible(ski)
    _check_not_flattening(ski)
    for name, value, (low, high), unit in (
        ("length", ski.length_m, LIMITS.tables.length_m, "mm"),
        ("mass", ski.mass_kg, LIMITS.tables.mass_kg, "g"),
    ):
        if not low <= value <= high:
            outside = f"{1000 * value:g} {unit} is outside {1000 * low:g} to {1000 * high:g} {unit}"
            raise ConstructionError(f"{name} {outside}; is the unit right?")
    ei = ski.stiffness_n_per_m * ski.span_m**3 / 48
    limits = LIMITS.beam
    if ei < limits.least_ei_n_m2:
        raise ConstructionError(
            f"stiffness_n_per_m is {ski.stiffness_n_per_m:g} at a span of {ski.span_m:g} m, softer than any ski: "
            "is it a value in N/mm? A ski gives a few N/mm, that is a few thousand N/m, at 1.4 m"
        )
    warnings = []
    low, high = limits.usual_length_m
    if not low <= ski.length_m <= high:
        warnings.append(f"a length of {ski.length_m:.3g} m is unusual: cross-country skis have {low:g} to {high:g} m")
    low, high = (1000 * each for each in limits.usual_mass_kg)
    bare_g = 1000 * (ski.mass_kg - ski.binding_mass_kg)
    if not low <= bare_g <= high:
        warnings.append(
            f"{bare_g:.0f} g without the binding is unusual: a cross-country ski has {low:.0f} to {high:.0f} g"
        )
    if not limits.usual_ei_n_m2[0] <= ei <= limits.usual_ei_n_m2[1]:
        low, high = (48 * usual / ski.span_m**3 / 1000 for usual in limits.usual_ei_n_m2)
        warnings.append(
            f"{ski.stiffness_n_per_m / 1000:.3g} N/mm at a span of {ski.span_m:.3g} m is unusual: "
            f"a cross-country ski gives {low:.2g} to {high:.2g} N/mm there"
        )
    if ski.span_m < limits.least_span * ski.length_m:
        warnings.append(f"a span of {ski.span_m:.3g} m bends only the middle: use at least half the length")
    return warnings


def _check_possible(ski: SkiMeasurements) -> None:
    for name in ("length_m", "mass_kg", "stiffness_n_per_m", "span_m"):
        value = getattr(ski, name)
        if value is None or not (isfinite(value) and value > 0):
            advice = (
                " (a stiffness means nothing without the distance between the supports)" if name == "span_m" else ""
            )
            raise ConstructionError(f"{name} is {value}: it must be given and be above 0{advice}")
    for name in ("binding_mass_kg", "stiffness_u_rel", "mass_u_rel"):
        value = getattr(ski, name)
        if not (isfinite(value) and value >= 0):
            raise ConstructionError(f"{name} is {value}: it must be 0 or more")
    if ski.span_m > ski.length_m:
        raise ConstructionError(f"span_m is {ski.span_m:g}: it cannot exceed length_m, {ski.length_m:g}")
    if ski.binding_mass_kg >= ski.mass_kg:
        raise ConstructionError(
            f"binding_mass_kg is {ski.binding_mass_kg:g}: mass_kg, {ski.mass_kg:g}, is as hung and must include it"
        )
    if ski.binding_m is not None and not 0 <= ski.binding_m <= ski.length_m:
        raise ConstructionError(
            f"binding_m is {ski.binding_m:g}: from the tail it must lie within 0 to {ski.length_m:g}"
        )
    centre = _rig_centre_m(ski)
    # A tenth of a millimetre, so that a rig as long as the ski survives a change of units.
    if not (isfinite(centre) and ski.span_m / 2 - 1e-4 <= centre <= ski.length_m - ski.span_m / 2 + 1e-4):
        raise ConstructionError(
            f"rig_centre_m is {centre:g}: with a span of {ski.span_m:g} m it must lie within {ski.span_m / 2:g} to "
            f"{ski.length_m - ski.span_m / 2:g} m from the tail, or a support stands beside the ski"
        )


def _check_not_flattening(ski: SkiMeasurements) -> None:
    flattening = LIMITS.tables.flattening_n_per_m[0]
    if ski.stiffness_n_per_m >= flattening and ski.span_m >= LIMITS.beam.flattening_span_m:
        raise ConstructionError(
            f"a stiffness of {ski.stiffness_n_per_m / 1000:.4g} N/mm at a span of {ski.span_m:g} m looks like a "
            "flattening stiffness (load against camber closing on a flat plate, typically 200 to 250 N/mm). Contact "
            "with the plate stiffens that, so no frequency follows from it. Measure two-support bending with a stated "
            f"span instead: a few N/mm at 1.4 m; below {flattening / 1000:g} N/mm is accepted from a span of "
            f"{LIMITS.beam.flattening_span_m:g} m up"
        )


def _rig_centre_m(ski: SkiMeasurements) -> float:
    return ski.length_m / 2 if ski.rig_centre_m is None else ski.rig_centre_m


@dataclass(frozen=True)
class _Geometry:
    """Everything but scale that the ladder depends on, as shares of the ski's length and of its mass."""

    span: float
    rig_centre: float
    binding_mass: float
    binding: float
    thickness: float

    def rounded(self) -> "_Geometry":
        """Coarse enough that a lot shares its slopes, which vary little with the geometry."""
        span = min(round(self.span, 2), 1.0)
        centre = min(max(round(self.rig_centre, 2), span / 2), 1 - span / 2)
        return _Geometry(
            span, centre, round(self.binding_mass * 20) / 20, round(self.binding, 2), round(self.thickness, 3)
        )


@dataclass(frozen=True)
class _Ladder:
    """Of a ski with length, mass, EI_mid and gyration of 1: k in `rig`, omega/sqrt(k) in `bending` and `torsion`."""

    rig: float
    bending: tuple[float, ...]
    torsion: tuple[float, ...]


def _geometry(construction: Construction, ski: SkiMeasurements) -> _Geometry:
    binding_m = ski.length_m / 2 if ski.binding_m is None else ski.binding_m
    share = ski.binding_mass_kg / (ski.mass_kg - ski.binding_mass_kg)
    # Twelve digits, so that the same ski in other units finds its ladder again.
    return _Geometry(
        span=round(ski.span_m / ski.length_m, 12),
        rig_centre=round(_rig_centre_m(ski) / ski.length_m, 12),
        binding_mass=round(share, 12),
        binding=round(binding_m / ski.length_m, 12) if share else 0.5,
        thickness=0.0 if construction.shear is None else round(construction.shear.thickness_m / ski.length_m, 12),
    )


def hung_shapes(construction: Construction, ski: SkiMeasurements, orders: int) -> Modes:
    """Bending mode shapes 1 to `orders` of the hung ski, over places as shares of its length from the tail.

    Only the construction and the binding decide them: stiffness and mass scale the frequencies, which are left in the
    units of a ski of length, mass and stiffness 1.

    Raises:
        ConstructionError: measurements of no possible ski, or orders out of 1 to 40.
    """
    if not 1 <= orders <= _MOST_ORDERS:
        raise ConstructionError(f"{orders} bending orders: between 1 and {_MOST_ORDERS} can be predicted")
    _check_possible(ski)
    beam = _beam(construction, _geometry(construction, ski), _profiles(construction, None, 0.0))
    return bending_modes(beam, orders, elements=max(BENDING_ELEMENTS, 5 * orders))


def _beam(construction: Construction, geometry: _Geometry, profile: "_Profiles") -> Beam:
    """The ski with its binding, of length, mass and EI_mid 1."""
    shear = construction.shear
    return Beam(
        profile.station,
        profile.bending,
        profile.mass,
        None if shear is None else np.full_like(profile.station, shear.rigidity_ratio),
        None if shear is None else profile.mass * geometry.thickness**2 / 12,
        (PointMass(geometry.binding, geometry.binding_mass),) if geometry.binding_mass else (),
    )


@lru_cache(maxsize=2048)
def _ladder(
    construction: Construction,
    geometry: _Geometry,
    bending_orders: int,
    torsion_orders: int,
    shape: int | None,
    amount: float,
) -> _Ladder:
    profile = _profiles(construction, shape, amount)
    station = profile.station
    beam = _beam(construction, geometry, profile)
    binding = beam.point_masses
    supports = (max(geometry.rig_centre - geometry.span / 2, 0.0), min(geometry.rig_centre + geometry.span / 2, 1.0))
    rig = rig_stiffness_n_per_m(beam, supports_m=supports, load_m=geometry.rig_centre)
    # Five elements to the half wave keep the highest order within 0.02 %.
    bend = bending_modes(beam, bending_orders, elements=max(BENDING_ELEMENTS, 5 * bending_orders)).frequencies_hz
    # With nothing known of torsion the shaft stays the uniform one, whose orders are 1, 2, 3, ...
    carried = () if construction.torsion is None else tuple((extra.position_m, extra.mass_kg) for extra in binding)
    shaft = Shaft(station, profile.twisting, profile.polar, carried)
    twist = torsion_modes(shaft, torsion_orders, elements=max(TORSION_ELEMENTS, 3 * torsion_orders)).frequencies_hz
    scale = 2 * pi / sqrt(rig)
    return _Ladder(rig, tuple((scale * bend).tolist()), tuple((scale * twist).tolist()))


@dataclass(frozen=True, eq=False)
class _Profiles:
    """EI, mu, GJ and polar inertia over the stations, relative; GJ in units of EI_mid."""

    station: FloatArray
    bending: FloatArray
    mass: FloatArray
    twisting: FloatArray
    polar: FloatArray


def _profiles(construction: Construction, shape: int | None, amount: float) -> _Profiles:
    """The construction's profiles, with one of `SHAPE_PARAMETERS` moved by `amount`."""
    station = np.array(construction.station)
    bending = np.array(construction.bending_stiffness)
    mass = np.array(construction.mass_per_length)
    twisting = polar = np.ones_like(station)
    if construction.torsion is not None:
        twisting, polar = bending * np.array(construction.torsion.stiffness_ratio), mass
    if shape is None:
        return _Profiles(station, bending, mass, twisting, polar)
    fine = np.union1d(station, np.linspace(0, 1, 41))
    bending, mass, twisting, polar = (np.interp(fine, station, each) for each in (bending, mass, twisting, polar))
    log_bending, log_mass = _shape_logs(fine, shape)
    stiffer, heavier = np.exp(amount * log_bending), np.exp(amount * log_mass)
    heavier /= np.trapezoid(mass * heavier, fine)
    return _Profiles(fine, bending * stiffer, mass * heavier, twisting * stiffer, polar * heavier)


def _shape_logs(station: FloatArray, shape: int) -> tuple[FloatArray, FloatArray]:
    """Change of ln EI and of ln mu per unit of a shape parameter; a thickness t gives EI ~ t³ and mu ~ t."""
    x = 2 * station - 1
    if shape == 3:
        return np.zeros_like(x), -(x**2)
    if shape == 0:
        thicker = -(x**2)
    elif shape == 1:
        # What a change of the exponent p does to |x|**p near p = 2: nothing in the middle and at the ends, 1 at x = e**-0.5.
        thicker = -2 * e * x**2 * np.log(np.maximum(np.abs(x), 1e-9))
    else:
        thicker = -(x**8)
    return 3 * thicker, thicker


@lru_cache(maxsize=512)
def _slopes(
    construction: Construction, geometry: _Geometry, bending_orders: int, torsion_orders: int
) -> tuple[tuple[tuple[float, ...], ...], tuple[tuple[float, ...], ...]]:
    """Central differences of ln f by every shape parameter, at the same rig stiffness and mass."""
    bending, torsion = [], []
    for shape in range(len(SHAPE_PARAMETERS)):
        high, low = (
            _ladder(construction, geometry, bending_orders, torsion_orders, shape, amount)
            for amount in (_SHAPE_STEP, -_SHAPE_STEP)
        )
        bending.append(_log_slope(high.bending, low.bending))
        torsion.append(_log_slope(high.torsion, low.torsion))
    return tuple(bending), tuple(torsion)


def _log_slope(high: tuple[float, ...], low: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(log(up / down) / (2 * _SHAPE_STEP) for up, down in zip(high, low, strict=True))
