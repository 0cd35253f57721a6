"""Random skis and what a microphone hears of them, for the statistical tests.

Truth comes from a chain of rigid segments with hinge springs (recordings_demo/synthesis.py), not from the finite elements
under test. The sound is the chain's own modes, struck by a half-sine blow, so it tests taps, fits and the placing of modes
together; that the modal sum itself is no shared assumption is left to the demo recordings, which are stepped in time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from synthesis import ChainSki, Damping, Shape, build_ski, smooth_thickness

from taptest.beam.construction import Construction
from taptest.ski.modes import Identification

Real = NDArray[np.float64]
RATE_HZ = 16_000


@dataclass(frozen=True)
class Heard:
    """Sound and truth of one simulated ski; measured values carry the errors of rig and balance."""

    samples: Real
    bending_hz: Real
    bending_damping: Real
    torsion_hz: Real
    length_m: float
    mass_kg: float
    stiffness_n_per_m: float
    span_m: float
    shape: Shape


def random_shape(rng: np.random.Generator, like: Construction) -> Shape:
    """A ski somewhat like a generic construction: other ends, another fullness, ripples, another lay-up of the sandwich."""
    s = np.linspace(0.0, 1.0, 41)
    x = np.abs(2 * s - 1)
    thickness = np.interp(s, like.station, like.bending_stiffness) ** 0.4
    ends = np.where(s < 0.5, thickness[0] * 0.18 * rng.normal(), thickness[-1] * 0.18 * rng.normal())
    thickness = thickness + ends * x ** rng.uniform(1.5, 3.0)
    thickness = thickness ** (1 + 0.06 * rng.normal()) * smooth_thickness(rng, 0.02)(s)
    bending = thickness ** rng.uniform(2.2, 2.8)
    core = rng.uniform(
        0.52, 0.72
    )  # share of the mass in the middle that goes with the thickness, about the generic one
    mass = (1 - core) + core * thickness
    middle = float(np.interp(0.5, s, bending))
    return Shape(s, bending / middle, mass / np.trapezoid(mass, s), rng.uniform(0.08, 0.16), rng.uniform(0.012, 0.015))


def undamped_hz(ski: ChainSki, count: int) -> Real:
    """Free-free bending modes of a chain without its damping: a symmetric problem, ten times as quick as the whole one."""
    mass, _, stiffness = ski.bending_matrices(hung=False)
    root = 1 / np.sqrt(np.diag(mass))
    return np.sqrt(np.linalg.eigvalsh(root[:, None] * stiffness * root)[2 : 2 + count]) / (2 * np.pi)


def simulate(
    rng: np.random.Generator,
    shape: Shape,
    *,
    torsion_db: float,
    rig_u: float = 0.02,
    balance_u: float = 0.02,
    high_pass_hz: tuple[float, float] = (80.0, 150.0),
    taps: int = 5,
    ski: ChainSki | None = None,
) -> Heard:
    """Five taps on a hung ski of the given shape, heard by a small microphone with hum and hiss.

    ``torsion_db``: level of the torsion modes against the bending modes (how far from mid-width the tap is).
    """
    from scipy.signal import butter, sosfilt

    length, span = rng.uniform(1.75, 2.05), rng.uniform(1.2, 1.5)
    if ski is None:
        ski = build_ski(
            shape,
            length_m=length,
            mass_kg=rng.uniform(0.42, 0.60),
            stiffness_n_per_m=rng.uniform(2500, 5000) * (1.4 / span) ** 3,
            span_m=span,
            damping=Damping().scaled(rng.uniform(0.7, 1.6)),
            segments=160,  # modes 1-10 within 0.5 % of the continuous beam
        )
    length = ski.length_m
    bending_hz, bending_damping = ski.bending_modes(14, hung=False)
    torsion_hz, torsion_damping = ski.torsion_modes(8)
    shapes = ski.mode_shapes(14)
    nodes = len(shapes)
    tap_at, microphone = rng.uniform(0.30, 0.70), rng.uniform(0.30, 0.70)
    weight = np.exp(-0.5 * ((np.arange(nodes) / (nodes - 1) - microphone) / 0.05) ** 2)
    weight /= weight.sum()
    blow_s = rng.uniform(0.0012, 0.0025)
    gap = rng.uniform(1.3, 1.7)
    time = np.arange(round((0.7 + taps * gap) * RATE_HZ)) / RATE_HZ
    sound = np.zeros(len(time))
    side = torsion_phase(rng, len(torsion_hz))
    for tap in range(taps):
        start = round((0.7 + tap * gap) * RATE_HZ)
        t = time[: len(time) - start]
        at = np.clip(tap_at + rng.normal(0, 0.006), 0, 1) * (nodes - 1)
        strength = rng.uniform(0.5, 1.0)
        left = np.array([np.interp(at, np.arange(nodes), shapes[:, n]) for n in range(14)])
        level = left * (weight @ shapes) * half_sine(bending_hz, blow_s)
        loud = np.abs(level[1:8]).max()
        ring = decays(t, bending_hz, bending_damping, level / loud)
        twist = side * half_sine(torsion_hz, blow_s) / half_sine(torsion_hz[:1], blow_s)
        ring += 10 ** (torsion_db / 20) * decays(
            t, torsion_hz, torsion_damping, twist * np.abs(level[1:6]).mean() / loud
        )
        sound[start:] += strength * ring
    sections = butter(2, rng.uniform(*high_pass_hz), "highpass", fs=RATE_HZ, output="sos")
    sound = sosfilt(sections, sound)
    sound *= 0.3 / np.abs(sound).max()
    sound += 10 ** (-rng.uniform(45, 55) / 20) * 0.3 * rng.standard_normal(len(sound))
    mains = rng.choice([50.0, 60.0]) * (1 + rng.normal(0, 5e-4))
    for harmonic in range(1, 9):
        sound += (
            0.3 * 10 ** (-rng.uniform(45, 65) / 20) * np.sin(2 * np.pi * harmonic * mains * time + rng.uniform(0, 6.3))
        )
    return Heard(
        samples=sound,
        bending_hz=bending_hz,
        bending_damping=bending_damping,
        torsion_hz=torsion_hz,
        length_m=length,
        mass_kg=ski.mass_kg * (1 + balance_u * rng.standard_normal()),
        stiffness_n_per_m=ski.static_stiffness(span) * (1 + rig_u * rng.standard_normal()),
        span_m=span,
        shape=shape,
    )


def half_sine(frequency_hz: Real, duration_s: float) -> Real:
    """Magnitude of the spectrum of a half-sine blow, 1 at 0 Hz: cos(pi f T) / (1 - (2 f T)^2)."""
    x = 2 * frequency_hz * duration_s
    return np.asarray(
        np.where(np.abs(x - 1) < 1e-6, np.pi / 4, np.abs(np.cos(np.pi * x / 2)) / np.abs(1 - x**2 + 1e-12))
    )


def torsion_phase(rng: np.random.Generator, count: int) -> Real:
    """Strengths of the torsion modes for one place of the tap and the microphone."""
    order = np.arange(1, count + 1)
    return np.cos(np.pi * order * rng.uniform(0.3, 0.7)) * np.cos(np.pi * order * rng.uniform(0.3, 0.7)) * 1.4


def decays(time: Real, frequency_hz: Real, damping: Real, level: Real) -> Real:
    """Sum of free decays that start as a blow starts them: sin(omega_d t) exp(-zeta omega t), time from 0 at RATE_HZ."""
    total = np.zeros(len(time))
    block = np.arange(1024) / RATE_HZ
    for f, z, a in zip(frequency_hz, damping, level, strict=True):
        if f < 0.45 * RATE_HZ:
            omega = 2 * np.pi * f
            cut = min(len(time), int(12 / (z * omega) * RATE_HZ) + 1)
            pole = omega * complex(-z, np.sqrt(1 - z**2))
            # exp(pole (t1 + t2)) is a product, so there is one exponential a block and not one a sample
            starts = np.exp(pole * 1024 / RATE_HZ * np.arange(-(-cut // 1024)))
            total[:cut] += a * np.outer(starts, np.exp(pole * block)).imag.ravel()[:cut]
    return total


@dataclass(frozen=True)
class Outcome:
    judged: bool
    wrong: tuple[tuple[int, float], ...]
    first_error_percent: float
    first_error_u: float
    off_percent: tuple[float, ...] = ()  # the truth from the prediction, bending orders 1 to 8


def outcome(heard: Heard, found: Identification) -> Outcome:
    wrong = []
    for mode in found.bending():
        true = heard.bending_hz[mode.order - 1] if mode.order <= len(heard.bending_hz) else np.nan
        if not abs(mode.frequency_hz / true - 1) < 0.015:
            wrong.append((mode.order, mode.frequency_hz))
    error = np.nan if found.first_hz is None else found.first_hz / heard.bending_hz[0] - 1
    spread = np.nan if found.first_hz is None else found.first_u_hz / found.first_hz
    return Outcome(not found.ambiguous, tuple(wrong), 100 * error, error / spread)
