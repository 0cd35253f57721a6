"""Computes the two calibration recordings of the demonstration: hands clapped in a room, and a steel bar tapped.

Run ``python recordings_demo/make_calibration.py``. The same files come out every time. Nothing of taptest is used: the room is
noise that dies away exponentially, band by band, and the bar's tones solve the frequency equation of a thick bar.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from microphone import SAMPLE_RATE_HZ, Surroundings, hiss, hum
from synthesis import FloatArray

SEED = 20261125
# Reverberation time [s] by octave: a small workshop with a carpet and shelves.
ROOM_S = {63.0: 0.62, 125.0: 0.48, 250.0: 0.40, 500.0: 0.36, 1000.0: 0.34, 2000.0: 0.32, 4000.0: 0.28, 8000.0: 0.22}
CLAPS_S = (1.5, 3.4, 5.2)
CLAP_PA = 1.2

# calibration/bars/steel_bar.toml, but of a softer steel.
LENGTH_M, THICKNESS_M, WIDTH_M, MASS_KG, MODULUS_PA, POISSON = 1.0, 0.010, 0.030, 2.355, 203.0e9, 0.29
BAR_TAPS_S = (1.0, 4.2, 7.4)
BAR_LEVELS = (0.006, 0.05, 0.25, 0.6, 1.0, 0.9, 0.6, 0.5, 0.3)
BAR_DAMPING = 0.0009


def clapped(rng: np.random.Generator) -> FloatArray:
    """Three claps [full scale]: half a millisecond of noise each, the direct sound and the room after it."""
    seconds = CLAPS_S[-1] + 1.8
    sound = np.zeros(round(seconds * SAMPLE_RATE_HZ))
    room = _room(rng)
    for at in CLAPS_S:
        clap = rng.normal(size=24) * np.hanning(24)
        heard = CLAP_PA * rng.uniform(0.8, 1.0) * np.convolve(clap, room)
        start = round(at * SAMPLE_RATE_HZ)
        stop = min(start + len(heard), len(sound))
        sound[start:stop] += heard[: stop - start]
    sound *= 0.5 / np.abs(sound).max()
    around = Surroundings(hiss_pa=3e-5, hum_pa=3e-5)
    return sound + hum(len(sound), rng, around) + hiss(len(sound), rng, around.hiss_pa)


def _room(rng: np.random.Generator) -> FloatArray:
    """Impulse response: octaves of noise, each with its own exponential decay."""
    from scipy.signal import butter, sosfiltfilt

    time = np.arange(round(1.6 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    total = np.zeros(len(time))
    for centre, reverberation_s in ROOM_S.items():
        band = butter(3, [centre / 2**0.5, centre * 2**0.5], "bandpass", fs=SAMPLE_RATE_HZ, output="sos")
        noise = sosfiltfilt(band, rng.normal(size=len(time)))
        total += noise * np.exp(-6.907755 * time / reverberation_s)
    total[0] += 4.0
    return total


def bar_hz(orders: int) -> FloatArray:
    """Free-free Timoshenko bar: roots of T. C. Huang's frequency equation (1961), by bisection."""
    kappa = 10 * (1 + POISSON) / (12 + 11 * POISSON)
    slender = THICKNESS_M / LENGTH_M
    g, j = 12 * kappa / (2 * (1 + POISSON)) / slender**2, slender**2 / 12
    roots: list[float] = []
    for even in (True, False):
        grid = np.linspace(10.0, 1500.0, 40_000)
        values = _condition(grid, g, j, even)
        for i in np.flatnonzero(np.sign(values[:-1]) != np.sign(values[1:])):
            low, high = grid[i], grid[i + 1]
            for _ in range(60):
                middle = np.array([0.5 * (low + high)])
                same = np.sign(_condition(middle, g, j, even)[0]) == np.sign(_condition(np.array([low]), g, j, even)[0])
                low, high = (middle[0], high) if same else (low, middle[0])
            roots.append(low)
    stiffness = MODULUS_PA * WIDTH_M * THICKNESS_M**3 / 12
    return np.array(sorted(roots)[:orders]) / (2 * np.pi) * np.sqrt(stiffness / MASS_KG / LENGTH_M**3)


def _condition(omega: FloatArray, g: float, j: float, even: bool) -> FloatArray:
    s, r = omega**2 / g, j * omega**2
    half, rest = (s + r) / 2, s * (g - r)
    root = np.sqrt(half**2 + rest)
    a, b = np.sqrt(root - half), np.sqrt(root + half)
    th, c, n = np.tanh(a / 2), np.cos(b / 2), np.sin(b / 2)
    if even:
        return np.asarray((a**2 + s) * n / b - (s - b**2) * c * th / a)
    return np.asarray(-(a**2 + s) * th * c / b - (s - b**2) * n / a)


def tapped_bar(rng: np.random.Generator) -> FloatArray:
    """Three taps of the bar [full scale]."""
    sound = np.zeros(round((BAR_TAPS_S[-1] + 3.2) * SAMPLE_RATE_HZ))
    for at in BAR_TAPS_S:
        start = round(at * SAMPLE_RATE_HZ)
        time = np.arange(len(sound) - start) / SAMPLE_RATE_HZ
        for hz, level in zip(bar_hz(len(BAR_LEVELS)), BAR_LEVELS, strict=True):
            decay = BAR_DAMPING * 2 * np.pi * hz
            sound[start:] += (
                0.07 * level * rng.uniform(0.7, 1.0) * np.exp(-decay * time) * np.sin(2 * np.pi * hz * time)
            )
    around = Surroundings(hiss_pa=1e-4, hum_pa=2e-5)
    return sound + hum(len(sound), rng, around) + hiss(len(sound), rng, around.hiss_pa)


def main() -> None:
    """Write both recordings."""
    import soundfile

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--output", type=Path, default=Path(__file__).parent, help="folder to write to")
    folder = parser.parse_args().output
    rng = np.random.default_rng(SEED)
    for name, sound in (("clap.flac", clapped(rng)), ("bar.flac", tapped_bar(rng))):
        soundfile.write(folder / name, sound, SAMPLE_RATE_HZ, subtype="PCM_24" if name == "clap.flac" else "PCM_16")


if __name__ == "__main__":
    main()
