"""Textbook examples of damping, synthesised and put through the analyser."""

from __future__ import annotations

import numpy as np
import pytest

from taptest.io.recording import from_samples
from taptest.signal.analysis import Mode, analyse

RATE_HZ = 8000


def heard(frequency_hz: float, damping_ratio: float) -> Mode:
    """The one mode of a free decay of a single degree of freedom, over a little noise."""
    rng = np.random.default_rng(1)
    omega = 2 * np.pi * frequency_hz
    lead = round(0.7 * RATE_HZ)
    time = np.arange(round(max(0.6, 12 / (damping_ratio * omega)) * RATE_HZ)) / RATE_HZ
    decay = np.exp(-damping_ratio * omega * time) * np.cos(omega * np.sqrt(1 - damping_ratio**2) * time)
    samples = np.concatenate((np.zeros(lead), 0.3 * decay))
    modes = analyse(from_samples(samples + 1e-5 * rng.standard_normal(len(samples)), RATE_HZ)).modes
    return min(modes, key=lambda m: abs(m.frequency_hz - frequency_hz))


# The damping ratio has no dimension, so the examples are played faster: at 80 Hz instead of a few.
@pytest.mark.parametrize(
    ("ratio", "cycles", "damping", "places"),
    [
        # Chopra, Dynamics of Structures, Ex. 2.5: 0.915 g to 0.076 g over ten cycles, zeta 0.0396 [page].
        (0.915 / 0.076, 10, 0.0396, 4),
        # Chopra, Ex. 2.6: 2 in to 1 in over four cycles, zeta 0.0276 [page].
        (2.0, 4, 0.0276, 4),
    ],
)
def test_logarithmic_decrement(ratio: float, cycles: int, damping: float, places: int) -> None:
    decrement = np.log(ratio) / cycles
    exact = decrement / np.hypot(2 * np.pi, decrement)
    assert exact == pytest.approx(damping, abs=1.1 * 10**-places)
    mode = heard(80.0, exact)
    # Two peaks so many cycles apart stand in the ratio of the example, as the fitted mode has it.
    omega = 2 * np.pi * mode.frequency_hz
    period = 2 * np.pi / (omega * np.sqrt(1 - mode.damping_ratio**2))
    assert np.exp(mode.damping_ratio * omega * cycles * period) == pytest.approx(ratio, rel=2e-3)
    assert mode.damping_ratio == pytest.approx(damping, rel=5e-3)


def test_half_power_of_a_frame() -> None:
    """Chopra's frame: peak at 3.59 Hz, half power at 3.44 and 3.74 Hz, 4.18 % [from memory, not looked up]."""
    damping = (3.74 - 3.44) / (2 * 3.59)
    assert damping == pytest.approx(0.0418, abs=1e-4)
    faster = 80 / 3.59
    mode = heard(80.0, damping)
    assert mode.half_power_bandwidth_hz == pytest.approx((3.74 - 3.44) * faster, rel=2e-3)


@pytest.mark.parametrize(("damping", "read"), [(0.01, 0.0100010), (0.03, None)])
def test_half_power_of_the_exact_receptance(damping: float, read: float | None) -> None:
    """Width at half power of |1/(1 - r^2 + 2 i zeta r)|^2 against the fitted damping; at 0.01 it reads 0.0100010 [derived]."""
    mode = heard(150.0, damping)
    r = np.linspace(0.8, 1.2, 4_000_001)
    power = 1 / ((1 - r**2) ** 2 + (2 * mode.damping_ratio * r) ** 2)
    above = r[power >= power.max() / 2]
    half = (above[-1] - above[0]) / 2
    if read is not None:
        assert half == pytest.approx(read, rel=1e-3)
    assert mode.damping_ratio == pytest.approx(half, rel=3e-3)
    # Loss factor, quality factor, 60 dB: eta = 2 zeta = 1/Q, T60 = 6.91/(zeta omega) [ASTM E756 for eta, from memory].
    assert mode.half_power_bandwidth_hz / mode.frequency_hz == pytest.approx(2 * damping, rel=2e-3)
    assert mode.quality_factor == pytest.approx(1 / (2 * damping), rel=2e-3)
    assert mode.decay_time_s == pytest.approx(6.908 / (damping * 2 * np.pi * 150), rel=2e-3)
