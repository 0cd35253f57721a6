"""What pictures show of a recording, against closed forms and sounds made by formula."""

from __future__ import annotations

import numpy as np
import pytest

from taptest.beam.construction import load_construction
from taptest.beam.predict import SkiMeasurements, hung_shapes
from taptest.io.recording import from_samples
from taptest.present.plots.ski import best_tap
from taptest.signal.analysis import Mode, analyse
from taptest.signal.traces import CLIP_PEAK_DBFS, SpectrumTrace, ring_down_trace, spectrum_trace, tap_clip

RATE_HZ = 48_000
NOISE = 1e-4


def ring(*modes, taps=3, gap_s=2.0, silence_s=0.6, seed=3, noise=NOISE):
    """Damped cosines of (frequency, damping ratio, amplitude) after a short knock, again and again, in white noise."""
    time = np.arange(round(gap_s * RATE_HZ)) / RATE_HZ
    blow = sum(
        a * np.exp(-2 * np.pi * f * z * time) * np.sin(2 * np.pi * f * np.sqrt(1 - z**2) * time) for f, z, a in modes
    )
    samples = np.concatenate([np.zeros(round(silence_s * RATE_HZ)), *[blow] * taps])
    samples += noise * np.random.default_rng(seed).standard_normal(len(samples))
    return from_samples(samples, RATE_HZ)


MODES = ((121.0, 0.009, 0.1), (203.0, 0.008, 0.3), (388.0, 0.008, 0.2), (655.0, 0.009, 0.25))


@pytest.fixture(scope="module")
def heard():
    recording = ring(*MODES)
    analysis = analyse(recording)
    assert len(analysis.modes) == len(MODES) and len(analysis.accepted) == 3
    return recording, analysis


def empty_trace(record_s):
    return SpectrumTrace(np.zeros(1), np.zeros(1), np.zeros(1), (), record_s)


def test_a_resonance_is_3_db_down_at_its_half_power_frequencies():
    # Half power, |alpha / (alpha + i delta)|^2 = 1/2 at delta = alpha: derived; 10 log10(2) = 3.0103.
    mode = Mode(200.0, 0.0, 0.01, 0.0, 0.0, 1)
    damped_hz = 200.0 * np.sqrt(1 - 0.01**2)
    at: np.ndarray = damped_hz + mode.half_power_bandwidth_hz / 2 * np.array([-1.0, 0.0, 1.0])
    level = empty_trace(1.0).resonance_db(mode, -7.0, at, cut=False)
    assert level == pytest.approx([-10.0103, -7.0, -10.0103], abs=1e-4)


def test_the_cut_resonance_is_the_transform_of_a_cut_sinusoid():
    # numpy's own transform of the sampled sound; the mirror image, 1280 Hz away, adds up to 3 % at 40 Hz beside the top.
    mode = Mode(640.0, 0.0, 0.005, 0.0, 0.0, 1)
    seconds, alpha = 0.1, 2 * np.pi * 640.0 * 0.005
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    sound = np.exp(-alpha * time) * np.cos(2 * np.pi * 640.0 * np.sqrt(1 - 0.005**2) * time)
    around = np.linspace(600, 680, 33)
    direct = np.abs(np.exp(-2j * np.pi * around[:, None] * time) @ sound) / RATE_HZ * 2 * alpha
    ours = empty_trace(seconds).resonance_db(mode, 0.0, around, cut=True)
    assert ours == pytest.approx(20 * np.log10(direct), abs=0.3)
    uncut = empty_trace(seconds).resonance_db(mode, 0.0, around, cut=False)
    assert np.abs(uncut - 20 * np.log10(direct)).max() > 1.0


def test_resonances_lie_on_the_measured_spectrum(heard):
    recording, analysis = heard
    trace = spectrum_trace(recording, analysis, low_hz=15, high_hz=1500)
    assert trace.level_db.max() == 0.0
    for mode, peak in zip(analysis.modes, trace.peak_db, strict=True):
        near = np.abs(trace.frequencies_hz - mode.frequency_hz) < mode.half_power_bandwidth_hz
        model = trace.resonance_db(mode, peak, trace.frequencies_hz[near], cut=True)
        # The neighbours' skirts are 20 dB below: 0.8 dB.
        assert trace.level_db[near] == pytest.approx(model, abs=0.9)
    # A resonance of amplitude c peaks at c / 2 alpha, so the true peaks differ by their amplitudes over f zeta: derived.
    true = [20 * np.log10(a / (f * z)) - 20 * np.log10(np.exp(2 * np.pi * f * z * 0.003)) for f, z, a in MODES]
    assert np.array(trace.peak_db) - trace.peak_db[0] == pytest.approx(np.array(true) - true[0], abs=0.3)


def test_the_noise_lies_where_the_noise_is():
    recording = ring(*MODES, noise=3e-3)
    analysis = analyse(recording)
    trace = spectrum_trace(recording, analysis, low_hz=12_000, high_hz=20_000)
    quiet = 10 * np.log10(np.mean(10 ** (trace.level_db / 10)))
    # Up here the skirts of the modes, c fs / 2 pi f, are 12 dB below the noise, sqrt(N) sigma: derived; 0.3 dB.
    assert float(np.mean(trace.noise_db)) == pytest.approx(quiet, abs=0.8)


def test_a_ring_down_falls_as_the_closed_form_says(heard):
    recording, analysis = heard
    for mode, (frequency_hz, damping_ratio, _) in zip(analysis.modes, MODES, strict=True):
        trace = ring_down_trace(recording, analysis, mode)
        slope = -20 / np.log(10) * 2 * np.pi * frequency_hz * damping_ratio
        assert trace.slope_db_per_s == pytest.approx(slope, rel=0.01)
        high = trace.level_db > max(trace.floor_db + 15, -35)
        assert high.sum() > 10
        assert trace.level_db[high] == pytest.approx(slope * trace.time_s[high], abs=1.0)
        # A tenth more damping would be seen.
        assert np.abs(trace.level_db[high] - 1.1 * slope * trace.time_s[high]).max() > 2


def test_the_floor_of_a_ring_down_is_the_noise_alone():
    recording = ring((300.0, 0.02, 0.02))
    analysis = analyse(recording)
    trace = ring_down_trace(recording, analysis, analysis.modes[0])
    late = trace.time_s > 1.2 * analysis.modes[0].decay_time_s
    assert late.sum() > 3
    assert 10 * np.log10(np.mean(10 ** (trace.level_db[late] / 10))) == pytest.approx(trace.floor_db, abs=3)


@pytest.mark.parametrize("rate_hz", [16_000, 8_000, 96_000])
def test_a_clip_keeps_the_sound_and_its_level_is_safe(heard, rate_hz):
    recording, analysis = heard
    clip = tap_clip(recording, analysis, sample_rate_hz=rate_hz)
    rate = min(rate_hz, RATE_HZ)
    assert np.abs(clip).max() == pytest.approx(10 ** (CLIP_PEAK_DBFS / 20)) and clip[0] == pytest.approx(0, abs=2e-3)
    assert 1.0 < len(clip) / rate <= 1.5
    time = np.arange(len(clip)) / rate
    for frequency_hz, _, _ in MODES:
        there, beside = (abs(clip @ np.exp(-2j * np.pi * f * time)) for f in (frequency_hz, 1.15 * frequency_hz))
        assert there > 5 * beside


def test_without_a_good_tap_there_is_nothing_to_show():
    recording = from_samples(0.01 * np.random.default_rng(5).standard_normal(3 * RATE_HZ), RATE_HZ)
    analysis = analyse(recording)
    assert not analysis.accepted
    assert spectrum_trace(recording, analysis, low_hz=15, high_hz=1500) is None
    assert tap_clip(recording, analysis, sample_rate_hz=16_000) is None
    assert ring_down_trace(recording, analysis, Mode(100.0, 0.0, 0.01, 0.0, 0.0, 1)) is None


# --- shapes --------------------------------------------------------------------------------------------------------


def measurements(**changes):
    given = {"length_m": 1.9, "mass_kg": 0.5, "stiffness_n_per_m": 3000.0, "span_m": 1.4, **changes}
    return SkiMeasurements(**given)


def test_a_uniform_bar_stands_still_where_the_textbook_says():
    shapes = hung_shapes(load_construction("uniform_bar"), measurements(), 3)
    # Blevins, Formulas for Natural Frequency and Mode Shape: free-free bar, nodes from one end over the length [memory];
    # the same by the roots of cosh x cos x = 1 [derived].
    for order, nodes in ((1, [0.2242, 0.7758]), (2, [0.1321, 0.5, 0.8679]), (3, [0.0944, 0.3558, 0.6442, 0.9056])):
        assert shapes.nodes_m(order) == pytest.approx(nodes, abs=3e-4)
    tapered = hung_shapes(load_construction("skate_generic"), measurements(), 1)
    assert abs(tapered.nodes_m(1)[0] - 0.2242) > 3e-3, "a tapered ski stands still elsewhere"


def test_a_binding_draws_the_nodes_together():
    bare = hung_shapes(load_construction("uniform_bar"), measurements(), 1)
    bound = hung_shapes(load_construction("uniform_bar"), measurements(mass_kg=0.65, binding_mass_kg=0.15), 1)
    # The added mass in the middle moves less, so the ends move more and the nodes move inwards: derived.
    inwards = bound.nodes_m(1) - bare.nodes_m(1)
    assert inwards[0] > 0.01 and inwards[1] < -0.01


def test_where_to_tap_is_nobodys_node():
    shapes = hung_shapes(load_construction("uniform_bar"), measurements(), 8)
    orders = [2, 3, 4, 5, 6, 7, 8]
    place = best_tap(shapes, orders)
    least = min(abs(float(np.interp(place, shapes.station_m, shapes.shapes[n - 1]))) for n in orders)
    # Every mode moves there by at least a quarter of its largest; at a third, modes 3 and 6 would stay silent.
    assert least > 0.25
    third = min(abs(float(np.interp(1 / 3, shapes.station_m, shapes.shapes[n - 1]))) for n in orders)
    assert third < 0.7 * least
