"""Lots of simulated skis at the level of modes: true frequencies from a chain of rigid segments, not from taptest.beam.

A ski's thickness varies smoothly at random, its stiffness and mass by several percent; rig, scale and taps measure it
with errors. Nothing here knows the limits that the checker sets.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from make_demo import CLASSIC
from synthesis import build_ski, smooth_thickness, with_soft_spot

from support.random_skis import undamped_hz
from taptest.beam.construction import load_construction
from taptest.beam.predict import predict
from taptest.config.settings import RigUncertainty
from taptest.identify.predicted import measurements_of
from taptest.ski.facts import SkiFacts
from taptest.ski.modes import Identification, PlacedMode
from taptest.ski.record import Ski

CONSTRUCTION = load_construction("classic_generic")
SPAN_M = 1.4
MASS_KG, STIFFNESS_N_PER_M = 0.52, 4600.0
LENGTHS_M = (1.99, 2.0)
ORDERS = 9
JUDGED = slice(1, 8)  # orders 2 to 8
# A small microphone: the first mode hardly ever, the next ones mostly, the highest half of the time.
HEARD = np.array([0.1, 0.6, 0.9, 0.95, 0.95, 0.95, 0.9, 0.8, 0.0])
DAMPING = np.linspace(0.010, 0.012, ORDERS)


@dataclass(frozen=True)
class Scenario:
    """Standard deviations, relative: how skis differ and how well they are measured."""

    build: float = 0.005  # each mode about what the ski's modes share, and what they share, at equal stiffness and mass
    stiffness: float = 0.05
    mass: float = 0.03
    rig: float = 0.01
    scale: float = 0.003
    damping: float = 0.08
    damping_of_a_mode: float = 0.08


class Workshop:
    """Skis of one construction: ln of the modes over the mean ski's, and what a soft spot at a random place adds."""

    def __init__(self, seed, count=500):
        rng = np.random.default_rng(seed)
        self.length_m = rng.choice(LENGTHS_M, size=count)
        self.mean_hz = {length: chain_hz(chain(length, lambda s: np.ones_like(s))) for length in LENGTHS_M}
        hz, soft = [], []
        for length in self.length_m:
            # 16 half waves of thickness reach every mode singly; the amounts are scaled to the scenario's below.
            ski = chain(length, smooth_thickness(rng, 0.01, waves=16))
            weak = with_soft_spot(ski, centre=rng.uniform(0.05, 0.95))  # 10 % of the length at half the stiffness
            hz.append(np.log(chain_hz(ski) / self.mean_hz[length]))
            rig = weak.static_stiffness(SPAN_M) / STIFFNESS_N_PER_M
            soft.append(np.append(np.log(chain_hz(weak) / chain_hz(ski)), np.log(rig)))
        deviation = np.array(hz) - np.mean(hz, axis=0)
        shared = deviation[:, JUDGED].mean(axis=1, keepdims=True)
        pattern = deviation - shared
        self.shared = shared / shared.std()
        self.pattern = pattern / pattern[:, JUDGED].std()
        soft = np.array(soft)
        self.soft, self.soft_stiffness = soft[:, :-1], soft[:, -1]


def chain(length_m, thickness):
    return build_ski(
        CLASSIC.shape.varied(thickness),
        length_m=length_m,
        mass_kg=MASS_KG,
        stiffness_n_per_m=STIFFNESS_N_PER_M,
        span_m=SPAN_M,
    )


def chain_hz(ski):
    return undamped_hz(ski, ORDERS)


def simulated_lot(workshop, rng, count, scenario=Scenario(), *, planted=None, bad=0):
    """`count` measured skis; the first `bad` have the `planted` fault: "shift", "soft spot" or "damping"."""
    construction = load_construction("classic_generic")
    return [
        _ski(workshop, rng, scenario, construction, number, planted if number < bad else None)
        for number in range(count)
    ]


def _ski(workshop, rng, scenario, construction, number, planted):
    i = rng.integers(len(workshop.length_m))
    length_m = workshop.length_m[i]
    stiffness = STIFFNESS_N_PER_M * (1 + scenario.stiffness * rng.normal())
    mass = MASS_KG * (1 + scenario.mass * rng.normal())
    log_hz = scenario.build * (workshop.shared[i] + workshop.pattern[i])
    log_damping = np.log(DAMPING) + scenario.damping * rng.normal()
    log_hz = log_hz + np.log(workshop.mean_hz[length_m]) + 0.5 * np.log(stiffness / STIFFNESS_N_PER_M * MASS_KG / mass)
    if planted == "shift":
        log_hz += np.log(1 + 0.04 * rng.choice([-1, 1]))
    if planted == "soft spot":
        log_hz += workshop.soft[i]
        stiffness *= np.exp(workshop.soft_stiffness[i])
    if planted == "damping":
        log_damping += np.log(1.5)
    row = ski_row(
        f"{number:03d}",
        length_m=length_m,
        mass_kg=mass * (1 + scenario.scale * rng.normal()),
        stiffness_n_per_m=stiffness * (1 + scenario.rig * rng.normal()),
    )
    heard = rng.random(ORDERS) < HEARD
    while heard.sum() < 4:
        heard = rng.random(ORDERS) < HEARD
    u = rng.uniform(0.001, 0.003, size=ORDERS)
    measured_hz = np.exp(log_hz + u * rng.normal(size=ORDERS))
    ratio = np.exp(log_damping + scenario.damping_of_a_mode * rng.normal(size=ORDERS))
    return measured_ski(
        row,
        construction,
        {
            int(n) + 1: (float(measured_hz[n]), float(u[n]), float(ratio[n]), scenario.damping_of_a_mode)
            for n in np.flatnonzero(heard)
        },
    )


def ski_row(ski_id="C01L", **changes):
    given = {
        "ski_id": ski_id,
        "pair_id": None,
        "side": None,
        "construction": "classic_generic",
        "generation": None,
        "length_m": 2.0,
        "mass_kg": MASS_KG,
        "stiffness_n_per_m": STIFFNESS_N_PER_M,
        "span_m": SPAN_M,
        "rig_centre_m": None,
        "balance_m": None,
        "binding_mass_kg": 0.0,
        "binding_m": None,
        "temperature_c": None,
        "recordings": (),
        "note": "synthetic",
        "line": 2,
        **changes,
    }
    return SkiFacts(**given)


def measured_ski(row, construction, modes, *, taps=5, first_u=0.01):
    """A ski whose identified bending modes are {order: (Hz, relative u, damping ratio, relative u of that)}."""
    prediction = predict(construction, measurements_of(row, RigUncertainty()))
    placed = tuple(
        PlacedMode("bending", n, f, f * u, z, z * u_z, -10.0, prediction.bending_hz[n - 1], 1.0)
        for n, (f, u, z, u_z) in sorted(modes.items())
    )
    order, first = min(modes), modes[min(modes)][0]
    inferred = prediction.bending_hz[0] * first / prediction.bending_hz[order - 1]
    found = Identification(placed, 1e6, "none", False, inferred, first_u * inferred, order == 1)
    return Ski(row, construction.name, prediction, found, taps, taps)


def with_modes(ski, **changes):
    """The ski with every placed mode changed."""
    found = ski.placed
    return replace(ski, placed=replace(found, modes=tuple(replace(mode, **changes) for mode in found.modes)))


def moved(ski, percent, *, order=None):
    """The ski with all its modes, or one, measured higher by some percent."""
    found = ski.placed
    modes = tuple(
        replace(mode, frequency_hz=mode.frequency_hz * (1 + percent / 100)) if order in (None, mode.order) else mode
        for mode in found.modes
    )
    return replace(ski, placed=replace(found, modes=modes))


def flat(ski, shift):
    """The ski with every mode, and the inferred first, at its prediction times exp(shift)."""
    found = ski.placed
    modes = tuple(replace(mode, frequency_hz=mode.predicted_hz * math.exp(shift)) for mode in found.modes)
    first_hz = ski.prediction.bending_hz[0] * math.exp(shift)
    return replace(ski, placed=replace(found, modes=modes, first_hz=first_hz))


def with_damping(ski, factor):
    found = ski.placed
    modes = tuple(replace(mode, damping_ratio=factor * mode.damping_ratio) for mode in found.modes)
    return replace(ski, placed=replace(found, modes=modes))


def at_prediction(ski_id, shift, **changes):
    """A ski whose first two modes are at their prediction times exp(shift)."""
    label = ski_row(ski_id, **changes)
    seed = measured_ski(label, CONSTRUCTION, {1: (30.0, 0.001, 0.01, 0.05)})
    hz = seed.prediction.bending_hz
    modes = {n: (hz[n - 1] * math.exp(shift), 0.001, 0.01, 0.05) for n in (1, 2)}
    return measured_ski(label, CONSTRUCTION, modes)
