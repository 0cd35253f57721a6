"""Loudness of short sounds against the standard's table and closed forms."""

import numpy as np
import pytest

from taptest.signal.loudness import a_weighting_db, exposure_db

RATE_HZ = 48_000
# IEC 61672-1, table of frequency weightings, weighting A in dB at nominal frequencies in Hz (from memory). The exact
# frequencies are 1000 times powers of 10**0.1; the table is rounded to 0.1 dB.
TABLE = {
    31.5: -39.4,
    63: -26.2,
    125: -16.1,
    250: -8.6,
    500: -3.2,
    1000: 0.0,
    2000: 1.2,
    4000: 1.0,
    8000: -1.1,
    16000: -6.6,
}


def exact_hz(nominal_hz):
    return 1000 * 10 ** (round(10 * np.log10(nominal_hz / 1000)) / 10)


@pytest.mark.parametrize(("nominal_hz", "weight_db"), TABLE.items())
def test_a_weighting_is_that_of_the_standard(nominal_hz, weight_db):
    assert float(a_weighting_db(np.array(exact_hz(nominal_hz)))) == pytest.approx(weight_db, abs=0.051)


@pytest.mark.parametrize("frequency_hz", [exact_hz(63), 1000.0, exact_hz(4000)])
@pytest.mark.parametrize("count", [2 * RATE_HZ, 2 * RATE_HZ + 1])
def test_the_exposure_of_a_tone_that_swells_and_fades(frequency_hz, count):
    # Mean square of a tone of amplitude a is a^2/2, that of a Hann window 3/8; times the duration; then the weighting.
    # Switched on and off suddenly, a low tone would click, and the ear minds the click more than the tone.
    seconds, amplitude = count / RATE_HZ, 0.25
    tone = amplitude * np.hanning(count) * np.sin(2 * np.pi * frequency_hz * np.arange(count) / RATE_HZ)
    expected = 10 * np.log10(amplitude**2 / 2 * 3 / 8 * seconds) + float(a_weighting_db(np.array(frequency_hz)))
    assert exposure_db(tone, RATE_HZ) == pytest.approx(expected, abs=0.02)


def test_the_exposure_of_a_decay_does_not_depend_on_the_silence_after_it():
    # Integral of (a exp(-alpha t) sin(w t))^2 is a^2 / 4 alpha for alpha << w (derived); at 1 kHz nothing is weighted.
    time = np.arange(RATE_HZ) / RATE_HZ
    decay = 0.25 * np.exp(-20 * time) * np.sin(2 * np.pi * 1000 * time)
    expected = 10 * np.log10(0.25**2 / 80)
    assert exposure_db(decay, RATE_HZ) == pytest.approx(expected, abs=0.02)
    assert exposure_db(np.concatenate([decay, np.zeros(RATE_HZ)]), RATE_HZ) == pytest.approx(expected, abs=0.02)
    assert exposure_db(2 * decay, RATE_HZ) == pytest.approx(expected + 6.0206, abs=0.02)


def test_silence_has_no_loudness():
    assert exposure_db(np.zeros(1000), RATE_HZ) == -np.inf
