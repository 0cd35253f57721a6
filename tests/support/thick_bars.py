"""Thick free bars: their frequencies by the exact equation, and what a microphone hears of one that is struck."""

import math

import numpy as np
from scipy.optimize import brentq

from taptest.beam.bar import load_bar

RATE = 16_000  # of what is struck
# Derived: rectangular section, Poisson ratio 0.3; the shear coefficient 10 (1 + nu)/(12 + 11 nu) is from memory,
# G. R. Cowper, J. Appl. Mech. 33 (1966) 335. kappa G A L²/EI = RIGIDITY (L/t)².
RIGIDITY = 13 / 15.3 * 12 / 2.6


def exact_hz(slenderness: float, count: int) -> list[float]:
    """Derived: T. C. Huang's free-free frequency equation (J. Appl. Mech. 28, 1961, 579), for each parity."""
    g, j = RIGIDITY / slenderness**2, slenderness**2 / 12

    def condition(omega: float, even: bool) -> float:
        # w'' - theta' = -s w and theta'' + g (w' - theta) + j omega² theta = 0 with s = omega²/g.
        s, r = omega**2 / g, j * omega**2
        half, rest = (s + r) / 2, s * (g - r)
        root = np.sqrt(half**2 + rest)
        a, b = np.sqrt(root - half), np.sqrt(root + half)
        ch, sh, c, n = np.cosh(a / 2), np.sinh(a / 2), np.cos(b / 2), np.sin(b / 2)
        if even:
            return float(((a**2 + s) * ch * n / b - (s - b**2) * c * sh / a) / ch)
        return float((-(a**2 + s) * sh * c / b - (s - b**2) * n * ch / a) / ch)

    # Above sqrt(g/j) both roots are waves and the equation takes another form.
    grid = np.linspace(10, min(1500, 0.99 * np.sqrt(g / j)), 6000)
    found = []
    for even in (True, False):
        values = [condition(float(x), even) for x in grid]
        for i in range(grid.size - 1):
            if values[i] * values[i + 1] < 0:
                found.append(brentq(lambda x, even=even: condition(x, even), grid[i], grid[i + 1], xtol=1e-12))
    return [omega / (2 * np.pi) for omega in sorted(found)[:count]]


def struck_bar(path, rng, *, clock=1.0, stiffer=1.0, rubbing=0.0, taps=4, extra=(), modes=range(1, 8)):
    """The steel bar's ladder from Huang's equation, struck; ``rubbing`` lets damping fall with the amplitude."""
    import soundfile

    bar = load_bar("steel_bar")
    stiffness = stiffer * bar.modulus_pa * bar.width_m * bar.thickness_m**3 / 12
    ladder = np.array(exact_hz(bar.slenderness, 8)) * math.sqrt(stiffness / bar.mass_kg / bar.length_m**3)
    level = [0.02, 0.15, 0.5, 0.8, 1.0, 0.7, 0.5, 0.3]
    tones = [(float(ladder[order - 1]), level[order - 1]) for order in modes] + list(extra)
    sound = 2e-5 * rng.normal(size=round((1 + 3.5 * taps) * RATE))
    for tap in range(taps):
        start = round((1 + 3.5 * tap) * RATE)
        time = np.arange(len(sound) - start) / RATE
        for hz, amplitude in tones:
            decay = 0.0012 * 2 * np.pi * hz
            # A friction that is the same at every amplitude: the decay quickens as the ring fades.
            fall = np.exp(-decay * time) * (1 + rubbing) - rubbing
            ring = np.maximum(fall, 0.0)
            sound[start:] += 0.08 * amplitude * rng.uniform(0.7, 1) * ring * np.sin(2 * np.pi * hz / clock * time)
    soundfile.write(path, sound, RATE, subtype="PCM_24")
    return str(path)
