"""What a pickup on a hung ski of the demonstration gives: an exact solution of its chain's equation of motion.

No time stepping scheme and no mode of vibration goes into it: the state of M w'' + C w' + K w = F is carried on by the
matrix exponential, a hammer is a half-sine force, and what a digitiser's anti-alias filter does is done by scipy's
polyphase filter. The truth is what recordings_demo/truth.json gives for the same ski.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from support.places import demo_truth

FINE_HZ = 40_000
_PLACE, _STRUCK = 0.97, 0.44  # stations of the pickup and of the hammer; no mode up to the third has a node at either
_CONTACT_S = 0.003


@cache
def truth(ski_id: str = "C01L") -> dict:
    return demo_truth()[ski_id]


@cache
def chain(ski_id: str = "C01L"):
    from make_demo import scenario

    return next(ski.chain for ski in scenario() if ski.ski_id == ski_id)


@cache
def _ring(ski_id: str, seconds: float) -> dict[str, np.ndarray]:
    """Displacement [m], velocity [m/s] and acceleration [m/s^2] at the pickup after one blow of 0.03 N s, at FINE_HZ."""
    from scipy.linalg import expm

    ski = chain(ski_id)
    mass, damping, stiffness = ski.bending_matrices()
    size = len(mass)
    per_kg = 1.0 / np.diag(mass)
    state = np.zeros((2 * size, 2 * size))
    state[:size, size:] = np.eye(size)
    state[size:, :size] = -per_kg[:, None] * stiffness
    state[size:, size:] = -per_kg[:, None] * damping
    here, there = round(_PLACE * (size - 1)), round(_STRUCK * (size - 1))
    # A unit impulse at the hammer: the state goes on from a velocity of one node. Columns are doubled until all times are there.
    start = np.zeros(2 * size)
    start[size + there] = per_kg[there]
    count = round(seconds * FINE_HZ)
    step = expm(state / FINE_HZ)
    states = start[:, None]
    while states.shape[1] < 256:
        states = np.concatenate((states, step @ states), axis=1)
        step = step @ step
    rows = np.stack([np.eye(2 * size)[here], np.eye(2 * size)[size + here], state[size + here]])
    out = []
    for _ in range(-(-count // 256)):
        out.append(rows @ states)
        states = step @ states
    response = np.concatenate(out, axis=1)[:, :count]
    time = np.arange(round(_CONTACT_S * FINE_HZ)) / FINE_HZ
    force = np.sin(np.pi * time / _CONTACT_S)
    force *= 0.03 / force.sum()  # N s a step
    moved, speed, acceleration = (np.convolve(row, force)[:count] for row in response)
    acceleration = acceleration.copy()
    acceleration[: len(force)] += per_kg[there] * force * FINE_HZ if here == there else 0.0
    return {"displacement": moved, "velocity": speed, "acceleration": acceleration}


def pickup(
    quantity: str = "acceleration",
    *,
    sample_rate_hz: float = 2048.0,
    ski_id: str = "C01L",
    taps: int = 4,
    every_s: float = 3.0,
    lead_s: float = 0.8,
    noise: float = 3e-4,
    seed: int = 1,
) -> np.ndarray:
    """Samples in SI units of a hung ski that is tapped a few times; ``noise`` is relative to the largest value."""
    from scipy.signal import resample_poly

    rng = np.random.default_rng(seed)
    ring = _ring(ski_id, every_s + 3.0)[quantity]
    total = np.zeros(round((lead_s + taps * every_s) * FINE_HZ))
    for tap in range(taps):
        at = round((lead_s + tap * every_s + 0.1 * rng.uniform()) * FINE_HZ)
        part = ring[: len(total) - at]
        total[at : at + len(part)] += rng.uniform(0.7, 1.3) * part
    if quantity == "acceleration":
        total += 9.80665  # what gravity shows on an accelerometer
    offset = total[0]
    from fractions import Fraction

    ratio = Fraction(sample_rate_hz / FINE_HZ).limit_denominator(4000)
    slow = resample_poly(total - offset, ratio.numerator, ratio.denominator)
    slow = slow + noise * np.abs(slow).max() * rng.standard_normal(len(slow))
    return slow + offset


def written(path, values, sample_rate_hz, heading="acceleration_m_per_s2"):
    time_s = np.arange(len(values)) / sample_rate_hz
    body = "".join(f"{t:.9f},{v:.7g}\n" for t, v in zip(time_s, values, strict=True))
    path.write_text(f"time_s,{heading}\n{body}", encoding="utf-8")
    return path
