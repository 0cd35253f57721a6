"""Synthetic hung skis as chains of rigid segments, struck by a hammer and stepped in time.

A second route to the sound of a ski that shares nothing with the estimator: no modes, no damped exponentials and no
finite elements go into the recordings. `ChainSki` also gives its matrices, so that the true natural frequencies,
damping ratios and shapes follow from `numpy.linalg`. Only numpy (and scipy for the microphone) is needed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Sink = Callable[[int, FloatArray, FloatArray, FloatArray], None]

SEGMENTS = 80
STEP_RATE_HZ = 240_000
SOUND_SPEED_M_S = 343.0
LISTEN_EVERY = 4  # one listening station every 4 segments, about 0.1 m: bending waves below 2 kHz are over 0.3 m long
_BLOCK_STEPS = 2400


@dataclass(frozen=True)
class Shape:
    """Relative shape of a ski over s = x/L from the tail: EI/EI_mid, mu/mu_mean, GJ/EI and polar radius of gyration."""

    station: FloatArray
    bending: FloatArray
    mass: FloatArray
    torsion_ratio: float = 0.2
    gyration_m: float = 0.014

    def varied(self, thickness: Callable[[FloatArray], FloatArray]) -> Shape:
        """The same ski laid up with relative thickness t(s): EI times t^3, and the core's 60 % of the mass times t."""
        t = thickness(self.station)
        return replace(self, bending=self.bending * t**3, mass=self.mass * (0.4 + 0.6 * t))


@dataclass(frozen=True)
class Damping:
    """Losses: slope-rate damping (flat over the modes), internal friction [s] (rising), air drag [1/s] (falling)."""

    slope_ratio: float = 0.0045
    internal_s: float = 1.0e-6
    air_per_s: float = 1.0
    torsion_internal_s: float = 2.6e-6
    torsion_air_per_s: float = 20.0

    def scaled(self, factor: float) -> Damping:
        """Every loss inside the ski times `factor`; the air's stays."""
        return replace(
            self,
            slope_ratio=self.slope_ratio * factor,
            internal_s=self.internal_s * factor,
            torsion_internal_s=self.torsion_internal_s * factor,
            torsion_air_per_s=self.torsion_air_per_s * factor,
        )


@dataclass(frozen=True)
class Loops:
    """Two soft loops, symmetric about the middle: station from either end, bounce frequency [Hz] and damping ratio."""

    station: float = 0.22
    bounce_hz: float = 2.5
    damping_ratio: float = 0.10


@dataclass(frozen=True)
class ChainSki:
    """A hung ski as a Hencky chain: rigid segments, bending and torsion springs, masses lumped at the nodes.

    `hinge_nm2` is EI [N m^2] at the inner nodes, `torsion_nm2` GJ [N m^2] of the segments, `node_kg` and `node_kgm2`
    the mass and the polar inertia at the nodes, binding included.
    """

    length_m: float
    hinge_nm2: FloatArray
    node_kg: FloatArray
    torsion_nm2: FloatArray
    node_kgm2: FloatArray
    damping: Damping = Damping()
    loops: Loops = Loops()

    @property
    def segment_m(self) -> float:
        """Length of one segment [m]."""
        return self.length_m / (len(self.node_kg) - 1)

    @property
    def mass_kg(self) -> float:
        """Mass as hung [kg]."""
        return float(self.node_kg.sum())

    @property
    def balance_m(self) -> float:
        """Balance point from the tail [m]."""
        return float(self.node_kg @ np.arange(len(self.node_kg)) * self.segment_m / self.mass_kg)

    @property
    def slope_damping_ns(self) -> FloatArray:
        """Slope-rate damping of each segment [N s]: c = 2 r sqrt(EI mu), zeta = r for high modes of a uniform beam."""
        hinge = np.concatenate([self.hinge_nm2[:1], self.hinge_nm2, self.hinge_nm2[-1:]])
        bending = 0.5 * (hinge[1:] + hinge[:-1])
        density = 0.5 * (self.node_kg[1:] + self.node_kg[:-1]) / self.segment_m
        return np.asarray(2.0 * self.damping.slope_ratio * np.sqrt(bending * density))

    @property
    def loop_nodes(self) -> tuple[int, int]:
        """Nodes at which the two loops hold the ski."""
        node = round(self.loops.station * (len(self.node_kg) - 1))
        return node, len(self.node_kg) - 1 - node

    @property
    def loop_spring_n_per_m(self) -> float:
        """Stiffness of one loop [N/m]: half of m (2 pi f_bounce)^2."""
        return 0.5 * self.mass_kg * (2.0 * np.pi * self.loops.bounce_hz) ** 2

    @property
    def loop_dashpot_ns_per_m(self) -> float:
        """Damping of one loop [N s/m]: half of 2 zeta m omega_bounce."""
        return self.loops.damping_ratio * self.mass_kg * 2.0 * np.pi * self.loops.bounce_hz

    def bending_matrices(self, *, hung: bool = True) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Mass [kg], damping [N s/m] and stiffness [N/m] of M w'' + C w' + K w = F, one row a node."""
        h, nodes = self.segment_m, len(self.node_kg)
        slope = np.diff(np.eye(nodes), axis=0) / h
        curvature = np.diff(slope, axis=0) / h
        mass = np.diag(self.node_kg)
        elastic = curvature.T @ (self.hinge_nm2[:, None] * h * curvature)
        loss = slope.T @ (self.slope_damping_ns[:, None] * h * slope)
        damping = loss + self.damping.internal_s * elastic + self.damping.air_per_s * mass
        stiffness = elastic.copy()
        if hung:
            for node in self.loop_nodes:
                stiffness[node, node] += self.loop_spring_n_per_m
                damping[node, node] += self.loop_dashpot_ns_per_m
        return mass, damping, stiffness

    def torsion_matrices(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Polar inertia [kg m^2], damping [N m s] and stiffness [N m] of the twisting chain, one row a node."""
        h, nodes = self.segment_m, len(self.node_kg)
        twist = np.diff(np.eye(nodes), axis=0) / h
        inertia = np.diag(self.node_kgm2)
        stiffness = twist.T @ (self.torsion_nm2[:, None] * h * twist)
        damping = self.damping.torsion_internal_s * stiffness + self.damping.torsion_air_per_s * inertia
        return inertia, damping, stiffness

    def bending_modes(self, count: int, *, hung: bool = True) -> tuple[FloatArray, FloatArray]:
        """Natural frequencies |lambda|/2 pi [Hz] and damping ratios of the first bending modes, damping included."""
        return _complex_modes(*self.bending_matrices(hung=hung), rigid=2, count=count)

    def torsion_modes(self, count: int) -> tuple[FloatArray, FloatArray]:
        """Natural frequencies [Hz] and damping ratios of the first torsion modes."""
        return _complex_modes(*self.torsion_matrices(), rigid=1, count=count)

    def eigen_hz(self, count: int = 8) -> FloatArray:
        """Natural frequencies of the first bending modes [Hz]."""
        return self.bending_modes(count)[0]

    def eigen_damping(self, count: int = 8) -> FloatArray:
        """Damping ratios of the first bending modes."""
        return self.bending_modes(count)[1]

    def mode_shapes(self, count: int = 8) -> FloatArray:
        """Undamped free-free bending shapes at the nodes, one column a mode, with unit modal mass."""
        mass, _, stiffness = self.bending_matrices(hung=False)
        root = 1.0 / np.sqrt(np.diag(mass))
        _, vectors = np.linalg.eigh(root[:, None] * stiffness * root[None, :])
        return np.asarray(root[:, None] * vectors[:, 2 : 2 + count])

    def static_stiffness(self, span_m: float, centre_m: float | None = None) -> float:
        """Load per deflection [N/m] at `centre_m` from the tail (default the middle), midway between two supports."""
        centre = 0.5 * self.length_m if centre_m is None else centre_m
        nodes = len(self.node_kg)
        rows = [_between_nodes(x / self.segment_m, nodes) for x in (centre - span_m / 2, centre + span_m / 2, centre)]
        stiffness = self.bending_matrices(hung=False)[2]
        supports = np.array(rows[:2])
        system = np.block([[stiffness, supports.T], [supports, np.zeros((2, 2))]])
        deflection = np.linalg.solve(system, np.concatenate([rows[2], np.zeros(2)]))[:nodes]
        return float(1.0 / (rows[2] @ deflection))

    def strike(
        self, blow: Blow, duration_s: float, *, step_rate_hz: int = STEP_RATE_HZ
    ) -> tuple[FloatArray, FloatArray]:
        """Acceleration [m/s^2] at the listening stations (columns) and the hammer's force [N], one row a step."""
        blocks: list[tuple[FloatArray, FloatArray]] = []

        def keep(_start: int, bending: FloatArray, _twist: FloatArray, force: FloatArray) -> None:
            blocks.append((bending[:, :, 0].copy(), force[:, 0].copy()))

        ring([self], [blow], duration_s, keep, step_rate_hz=step_rate_hz)
        return np.concatenate([b for b, _ in blocks]), np.concatenate([f for _, f in blocks])


@dataclass(frozen=True)
class Blow:
    """One tap of a hand-held hammer: F = k d^1.5 (1 + loss d') while the tip is pressed in by d, then pulled back.

    `tip_n_per_m15` is k [N/m^1.5], `loss_s_per_m` the contact's loss [s/m], `pull_m_s2` the hand's pull away from the
    ski. With `second_after_s` the hammer falls on the ski again.
    """

    station: float = 0.42
    offset_m: float = 0.002
    speed_m_s: float = 0.5
    hammer_kg: float = 0.030
    tip_n_per_m15: float = 2.0e6
    loss_s_per_m: float = 0.5
    pull_m_s2: float = 40.0
    second_after_s: float | None = None
    second_speed_m_s: float = 0.3


def build_ski(
    shape: Shape,
    *,
    length_m: float,
    mass_kg: float,
    stiffness_n_per_m: float,
    span_m: float,
    binding_kg: float = 0.0,
    binding_m: float | None = None,
    damping: Damping | None = None,
    loops: Loops | None = None,
    segments: int = SEGMENTS,
) -> ChainSki:
    """A chain of the given shape scaled to a mass as hung [kg] and a two-support stiffness [N/m] at mid-length."""
    h = length_m / segments
    nodes = np.linspace(0.0, 1.0, segments + 1)
    middles = 0.5 * (nodes[1:] + nodes[:-1])
    bending = np.interp(nodes[1:-1], shape.station, shape.bending)
    segment_mass = np.interp(middles, shape.station, shape.mass)
    segment_mass *= (mass_kg - binding_kg) / segment_mass.sum()
    node_kg = np.zeros(segments + 1)
    node_kg[:-1] += 0.5 * segment_mass
    node_kg[1:] += 0.5 * segment_mass
    node_kgm2 = node_kg * shape.gyration_m**2
    if binding_kg:
        row = _between_nodes((0.5 * length_m if binding_m is None else binding_m) / h, segments + 1)
        node_kg = node_kg + binding_kg * row
    torsion = shape.torsion_ratio * np.interp(middles, shape.station, shape.bending)
    ski = ChainSki(length_m, bending, node_kg, torsion, node_kgm2, damping or Damping(), loops or Loops())
    scale = stiffness_n_per_m / ski.static_stiffness(span_m)
    return replace(ski, hinge_nm2=scale * bending, torsion_nm2=scale * torsion)


def smooth_thickness(rng: np.random.Generator, spread: float, waves: int = 5) -> Callable[[FloatArray], FloatArray]:
    """A random smooth relative thickness about 1 with standard deviation `spread`, longer waves stronger."""
    order = np.arange(1, waves + 1)
    weight = order**-0.5
    amplitude = spread * np.sqrt(2.0) * rng.normal(size=waves) * weight / np.sqrt(np.sum(weight**2))
    phase = rng.uniform(0.0, 2.0 * np.pi, size=waves)
    return lambda s: 1.0 + np.cos(np.pi * np.outer(s, order) + phase) @ amplitude


def with_soft_spot(ski: ChainSki, *, centre: float, width: float = 0.10, factor: float = 0.5) -> ChainSki:
    """The same ski with EI times `factor` over `width` of its length about the station `centre`."""
    station = np.arange(1, len(ski.node_kg) - 1) / (len(ski.node_kg) - 1)
    soft = np.abs(station - centre) < width / 2
    return replace(ski, hinge_nm2=np.where(soft, factor, 1.0) * ski.hinge_nm2)


def ring(
    skis: Sequence[ChainSki],
    blows: Sequence[Blow],
    duration_s: float,
    sink: Sink,
    *,
    step_rate_hz: int = STEP_RATE_HZ,
    listen_every: int = LISTEN_EVERY,
) -> FloatArray:
    """Step all hung skis through one blow each (leapfrog, lagged damping) and hand the accelerations to `sink`.

    `sink(start, bending, twist, force)` gets blocks of consecutive steps: acceleration [m/s^2] and angular acceleration
    [rad/s^2] with axes (step, listening station, ski), force [N] with axes (step, ski); the arrays are reused.
    Returns the number of separate contacts of each blow.

    Raises ValueError when the step is too long to be stable or the chains differ in their number of segments.
    """
    nodes = len(skis[0].node_kg)
    if any(len(ski.node_kg) != nodes for ski in skis) or len(skis) != len(blows):
        raise ValueError("every ski needs one blow and the same number of segments")
    dt = 1.0 / step_rate_hz
    _refuse_unstable(skis, dt)

    def columns(value: Callable[[ChainSki], Any]) -> FloatArray:
        return np.ascontiguousarray(np.array([value(ski) for ski in skis], dtype=np.float64).T)

    hinge = columns(lambda k: k.hinge_nm2 / k.segment_m**3)
    drag = columns(lambda k: k.slope_damping_ns / k.segment_m)
    per_kg, per_kgm2 = columns(lambda k: dt / k.node_kg), columns(lambda k: dt / k.node_kgm2)
    shaft = columns(lambda k: k.torsion_nm2 / k.segment_m)
    friction, twist_friction = columns(lambda k: k.damping.internal_s), columns(lambda k: k.damping.torsion_internal_s)
    air, twist_air = columns(lambda k: dt * k.damping.air_per_s), columns(lambda k: dt * k.damping.torsion_air_per_s)
    low, high = skis[0].loop_nodes
    held = slice(low, high + 1, high - low)
    loop_spring, loop_drag = columns(lambda k: k.loop_spring_n_per_m), columns(lambda k: k.loop_dashpot_ns_per_m)

    w, v, kick, work = (np.zeros((nodes, len(skis))) for _ in range(4))
    angle, spin, twist_kick, twist_work = (np.zeros((nodes, len(skis))) for _ in range(4))
    moment = np.zeros((nodes, len(skis)))  # its two end rows stay zero: free ends
    shear, torque = (np.zeros((nodes + 1, len(skis))) for _ in range(2))  # likewise
    slope_rate = np.zeros((nodes - 1, len(skis)))
    hammers = _Hammers(blows, nodes, dt)
    listened = slice(0, nodes, listen_every)
    heard = len(range(nodes)[listened])
    bending_block, twist_block = (np.zeros((_BLOCK_STEPS, heard, len(skis))) for _ in range(2))
    force_block = np.zeros((_BLOCK_STEPS, len(skis)))

    steps = round(duration_s * step_rate_hz)
    for step in range(steps):
        np.multiply(v, friction, out=work)
        work += w
        slopes = work[1:] - work[:-1]
        np.subtract(slopes[1:], slopes[:-1], out=moment[1:-1])
        moment[1:-1] *= hinge
        np.subtract(v[1:], v[:-1], out=slope_rate)
        slope_rate *= drag
        np.subtract(moment[1:], moment[:-1], out=shear[1:-1])
        shear[1:-1] -= slope_rate
        np.subtract(shear[:-1], shear[1:], out=kick)
        kick[held] -= loop_spring * w[held] + loop_drag * v[held]

        np.multiply(spin, twist_friction, out=twist_work)
        twist_work += angle
        np.subtract(twist_work[1:], twist_work[:-1], out=torque[1:-1])
        torque[1:-1] *= shaft
        np.subtract(torque[1:], torque[:-1], out=twist_kick)

        row = step % _BLOCK_STEPS
        if hammers.near(step):
            force_block[row] = hammers.push(step, w, v, angle, spin, kick, twist_kick)
        else:
            force_block[row] = 0.0
        kick *= per_kg
        np.multiply(v, air, out=work)
        kick -= work
        twist_kick *= per_kgm2
        np.multiply(spin, twist_air, out=twist_work)
        twist_kick -= twist_work
        bending_block[row], twist_block[row] = kick[listened], twist_kick[listened]

        v += kick
        np.multiply(v, dt, out=work)
        w += work
        spin += twist_kick
        np.multiply(spin, dt, out=twist_work)
        angle += twist_work
        if row == _BLOCK_STEPS - 1 or step == steps - 1:
            used = slice(0, row + 1)
            sink(step - row, bending_block[used] / dt, twist_block[used] / dt, force_block[used])
    return hammers.contacts


class _Hammers:
    """The hammers of a batch: one point mass each, touching the ski from above only while pressed into it."""

    def __init__(self, blows: Sequence[Blow], nodes: int, dt: float) -> None:
        def each(name: str) -> FloatArray:
            return np.array([getattr(blow, name) for blow in blows], dtype=np.float64)

        self._dt, self._column = dt, np.arange(len(blows))
        place = each("station") * (nodes - 1)
        self._node = np.minimum(place.astype(int), nodes - 2)
        self._part = place - self._node
        self._offset, self._tip, self._loss = each("offset_m"), each("tip_n_per_m15"), each("loss_s_per_m")
        self._per_kg, self._pull = dt / each("hammer_kg"), dt * each("pull_m_s2")
        self._x, self._speed = np.zeros(len(blows)), each("speed_m_s")
        again = [(b.second_after_s, b.second_speed_m_s) for b in blows]
        self._again = {i: (round(after / dt), speed) for i, (after, speed) in enumerate(again) if after is not None}
        watch = round(0.025 / dt)
        self._windows = [(0, watch)] + [(at, at + watch) for at, _ in self._again.values()]
        self._touching = np.zeros(len(blows), dtype=bool)
        self.contacts = np.zeros(len(blows))

    def near(self, step: int) -> bool:
        """Whether any hammer may be in contact at this step."""
        return any(start <= step < stop for start, stop in self._windows)

    def push(
        self, step: int, w: FloatArray, v: FloatArray, angle: FloatArray, spin: FloatArray, kick: FloatArray,
        twist_kick: FloatArray,
    ) -> FloatArray:  # fmt: skip
        """Add the contact forces [N] and moments to the nodes, move the hammers on one step and return the forces."""
        at = (self._node, self._column)
        after = (self._node + 1, self._column)
        p, q = self._part, 1.0 - self._part
        surface = q * w[at] + p * w[after] + self._offset * (q * angle[at] + p * angle[after])
        velocity = q * v[at] + p * v[after] + self._offset * (q * spin[at] + p * spin[after])
        for i, (start, speed) in self._again.items():
            if step == start:
                self._x[i], self._speed[i] = surface[i], velocity[i] + speed
        depth = np.maximum(self._x - surface, 0.0)
        force = np.maximum(self._tip * depth**1.5 * (1.0 + self._loss * (self._speed - velocity)), 0.0)
        touching = force > 0.0
        self.contacts += touching & ~self._touching
        self._touching = touching
        kick[at] += q * force
        kick[after] += p * force
        twist_kick[at] += q * force * self._offset
        twist_kick[after] += p * force * self._offset
        self._speed -= self._per_kg * force + self._pull
        self._x += self._dt * self._speed
        return np.asarray(force)


def _between_nodes(place: float, nodes: int) -> FloatArray:
    row = np.zeros(nodes)
    node = min(int(place), nodes - 2)
    row[node], row[node + 1] = 1.0 - (place - node), place - node
    return row


def _complex_modes(
    mass: FloatArray, damping: FloatArray, stiffness: FloatArray, *, rigid: int, count: int
) -> tuple[FloatArray, FloatArray]:
    root = 1.0 / np.sqrt(np.diag(mass))
    size = len(root)
    state = np.zeros((2 * size, 2 * size))
    state[:size, size:] = np.eye(size)
    state[size:, :size] = -root[:, None] * stiffness * root
    state[size:, size:] = -root[:, None] * damping * root
    values = np.linalg.eigvals(state)
    values = values[np.argsort(np.abs(values))][2 * rigid :]
    values = values[values.imag > 0.0][:count]
    return np.abs(values) / (2.0 * np.pi), -values.real / np.abs(values)


def _refuse_unstable(skis: Sequence[ChainSki], dt: float) -> None:
    for ski in skis:
        for mass, damping, stiffness in (ski.bending_matrices(), ski.torsion_matrices()):
            inverse = 1.0 / np.diag(mass)
            square = float(np.max(inverse * np.abs(stiffness).sum(axis=1)))  # Gershgorin's bound on omega^2
            loss = float(np.max(inverse * np.abs(damping).sum(axis=1)))
            if square * dt**2 + 2.0 * loss * dt > 4.0:
                raise ValueError(
                    f"{1.0 / dt:g} steps a second are too few for this chain: fewer segments or more steps"
                )
