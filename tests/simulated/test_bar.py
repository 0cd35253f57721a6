"""Reference bars: published worked examples, the frequency equation of thick bars, a real struck bar, and its faults."""

import math
from dataclasses import replace

import numpy as np
import pytest
from support.soundfont import PACKAGE, PATH, sample
from support.system import need_system_file
from support.thick_bars import exact_hz, struck_bar

from taptest.beam.bar import Bar, bar_names, fit_slenderness, load_bar, modulus_from_first_mode, propagated_u
from taptest.calibrate.bar import bar_result, measure_bar, place_ladder
from taptest.config.settings import Settings
from taptest.core.errors import CalibrationError
from taptest.io.recording import from_samples
from taptest.present.json.calibrations import stored_values
from taptest.signal.analysis import Mode, analyse

INCH_M = 0.0254
RATE = 16_000


def test_a_rosewood_bar():
    """b 1.501 in, h 0.880 in, L 13 15/64 in, 1082 kg/m³, 957 Hz -> 2.39697e10 Pa with lambda 4.73 [page, a maker's note of
    11 February 2016; thin bar, so without T1]."""
    width, height, length = 1.501 * INCH_M, 0.880 * INCH_M, (13 + 15 / 64) * INCH_M
    published = 2.39697e10
    # Derived: the note's own formula, f = lambda² h/(4 pi sqrt 3 L²) sqrt(E/rho), gives all its digits.
    assert 1082 * (957 * 4 * math.pi * math.sqrt(3) * length**2 / (4.73**2 * height)) ** 2 == pytest.approx(
        published, rel=1e-5
    )
    bar = Bar("rosewood", "Rosewood", "-", length, height, width, 1082 * length * height * width, published, 0.3, {})
    slender = bar.slenderness
    thin = modulus_from_first_mode(replace(bar, poisson=0.3), 957.0)
    # Ours has the correction for thickness, 1 + 6.585 (1 + 0.0752 nu + 0.8109 nu²) r² in the main [ASTM E1876, from memory].
    correction = 1 + 6.585 * (1 + 0.0752 * 0.3 + 0.8109 * 0.09) * slender**2
    assert thin / correction == pytest.approx(published, rel=5e-4)
    # The finite elements agree with the standard's formula on the first mode.
    exact = replace(bar, modulus_pa=thin)
    assert exact.ladder_hz(1)[0] == pytest.approx(957.0, rel=3e-4)


@pytest.mark.parametrize("name", ["steel_bar", "aluminium_bar"])
def test_the_standard_s_formula_on_the_shipped_bars(name):
    """ASTM E1876/ISO 12680-1 [from memory] and finite elements are two routes to one modulus; 0.9465 is 0.009 % high."""
    bar = load_bar(name)
    assert modulus_from_first_mode(bar, float(bar.ladder_hz(1)[0])) == pytest.approx(bar.modulus_pa, rel=3e-4)
    # By hand, thin: 0.9465 m f² L³/(b t³) [from memory].
    hz = float(bar.ladder_hz(1)[0])
    by_hand = 0.9465 * bar.mass_kg * hz**2 * bar.length_m**3 / (bar.width_m * bar.thickness_m**3)
    assert by_hand == pytest.approx(bar.modulus_pa, rel=2e-3)
    assert 2500 < bar.density_kg_per_m3 < 8000


@pytest.mark.parametrize("slenderness", [0.01, 0.03, 0.05])
def test_thickness_by_ear(slenderness):
    """Huang's frequency equation (in support.thick_bars) gives the ladder; the ratios alone give back t/L."""
    ladder = np.array(exact_hz(slenderness, 6))
    found, factor, off = fit_slenderness(range(1, 7), 3.7 * ladder, 0.3)
    assert found == pytest.approx(slenderness, rel=2e-3)
    assert factor == pytest.approx(3.7, rel=1e-4) and np.abs(off).max() < 2e-5
    with pytest.raises(CalibrationError, match="at least 3"):
        fit_slenderness([1, 2], [1.0, 2.76], 0.3)


def test_one_thickness_explains_a_real_struck_bar():
    """ "Glocken C8": 1049.7, 2877.5, 5554.0 and 9106.9 Hz by a plain FFT [page: read off the sample itself]."""
    plain = (1049.7, 2877.5, 5554.0, 9106.9)
    slenderness, _, off = fit_slenderness([1, 2, 3, 4], plain, 0.29)
    assert np.abs(off).max() < 0.01 and 0.02 < slenderness < 0.04
    # Control: thin, or with a torsion partial in place of the fourth, no thickness does.
    assert abs(np.log(plain[3] / plain[0] / 8.932950)) > 0.025
    assert np.abs(fit_slenderness([1, 2, 3, 4], (*plain[:3], 7225.9), 0.29)[2]).max() > 0.03


@pytest.mark.slow
def test_a_real_struck_bar_through_the_whole_analysis():
    need_system_file(PATH, PACKAGE)
    heard = analyse(from_samples(*sample("Glocken C8")), Settings(high_hz=12_000, rings_on=True))
    # Nobody knows its size: any steel bar whose first mode is there will do, the ratios say how thick it is.
    guess = Bar("c8", "Glockenspiel bar", "-", 0.1, 0.0033, 0.025, 0.0647, 206e9, 0.29, {})
    guess = replace(guess, modulus_pa=guess.modulus_pa * (1049.7 / float(guess.ladder_hz(1)[0])) ** 2)
    result = bar_result(guess, place_ladder(guess, [heard]), 1)
    assert [mode.order for mode in result.modes][:4] == [1, 2, 3, 4]
    assert result.ladder_off_percent < 1.0
    assert result.slenderness == pytest.approx(0.033, abs=0.002)


def test_law_of_propagation_on_the_guide_s_end_gauge():
    """JCGM 100:2008, H.1: 50.000623 mm + 215 nm, and u_c 32 nm [page; the budget's rows from memory]."""
    values = {
        "standard": 50_000_623.0,
        "difference": 215.0,
        "alpha": 11.5e-6,
        "theta": -0.1,
        "d_alpha": 0.0,
        "d_theta": 0.0,
    }
    u = {"standard": 25.0, "difference": 9.7, "alpha": 1.2e-6, "theta": 0.41, "d_alpha": 0.58e-6, "d_theta": 0.029}

    def length_nm(x):
        expansion = x["d_alpha"] * x["theta"] + x["alpha"] * x["d_theta"]
        return np.array([x["standard"] + x["difference"] - x["standard"] * expansion])

    assert length_nm(values)[0] == pytest.approx(50_000_838, abs=0.5)
    assert float(propagated_u(length_nm, values, u)[0]) == pytest.approx(31.7, abs=0.3)
    without = {name: spread for name, spread in u.items() if name != "d_theta"}
    assert float(propagated_u(length_nm, values, without)[0]) < 28


def test_uncertainty_of_a_bar_s_ladder():
    # JCGM 100:2008, 5.1.6: a product of powers, (u/f)² = sum (p_i u_i/x_i)²; thin bar weighed: f ~ (E b/m)^½ (t/L)^1.5 [derived].
    bar = load_bar("steel_bar")
    u = {name: bar.u[name] / getattr(bar, name) for name in bar.u}
    power = {"modulus_pa": 0.5, "width_m": 0.5, "mass_kg": 0.5, "thickness_m": 1.5, "length_m": 1.5, "poisson": 0.0}
    expected = math.sqrt(sum((power[name] * u[name]) ** 2 for name in u))
    assert bar.ladder_u_rel(3) == pytest.approx(np.full(3, expected), rel=0.01)
    # By density: f ~ (E/rho)^½ t/L², the width drops out.
    other = load_bar("aluminium_bar")
    u = {name: other.u[name] / getattr(other, name) for name in other.u}
    power = {"modulus_pa": 0.5, "width_m": 0.0, "mass_kg": 0.5, "thickness_m": 1.0, "length_m": 2.0, "poisson": 0.0}
    assert other.ladder_u_rel(1)[0] == pytest.approx(math.sqrt(sum((power[n] * u[n]) ** 2 for n in u)), rel=0.01)


# --- a bar that is struck ------------------------------------------------------------------------------------------


def test_a_bar_that_is_as_its_file_says(tmp_path):
    bar = load_bar("steel_bar")
    result = measure_bar(bar, [struck_bar(tmp_path / "bar.wav", np.random.default_rng(1))])
    assert [mode.order for mode in result.modes] == [1, 2, 3, 4, 5, 6, 7] and result.taps == 4
    # exact_hz has a Poisson ratio of 0.3, the file 0.29: 0.01 % at this thickness.
    assert result.common_factor == pytest.approx(1.0, abs=2e-4)
    assert result.modulus_pa == pytest.approx(bar.modulus_pa, rel=5e-4)
    assert result.standard_modulus_pa == pytest.approx(bar.modulus_pa, rel=5e-4)
    # Size and mass alone: 2 sqrt(...) of the powers above without the modulus [derived].
    assert result.modulus_u_pa / bar.modulus_pa == pytest.approx(
        2 * float(bar.ladder_u_rel(1, without=["modulus_pa"])[0]), rel=0.02
    )
    assert result.slenderness == pytest.approx(0.01, rel=0.05) and result.ladder_off_percent < 0.02
    assert all(mode.damping_ratio == pytest.approx(0.0012, rel=0.01) for mode in result.modes[1:])
    assert len(result.ring_downs) >= 4 and all(each.linear for each in result.ring_downs)
    assert result.reach.lowest_hz == pytest.approx(52.6, abs=0.2) and result.reach.missed_orders == ()
    assert result.reach.slope_db_per_octave > 6
    assert not result.clock.separable and stored_values("bar", result)["clock_factor"] is None


def test_clock_and_modulus_move_all_modes_alike(tmp_path):
    """A clock 0.2 % fast and a modulus 0.4 % low make the same recording: f ~ sqrt(E) [derived]."""
    bar = load_bar("steel_bar")
    fast = measure_bar(bar, [struck_bar(tmp_path / "fast.wav", np.random.default_rng(2), clock=1.002)])
    soft = measure_bar(bar, [struck_bar(tmp_path / "soft.wav", np.random.default_rng(2), stiffer=1.002**-2)])
    for a, b in zip(fast.modes, soft.modes, strict=True):
        assert a.frequency_hz == pytest.approx(b.frequency_hz, rel=2e-6)
    assert not fast.clock.separable and "alike" in fast.clock.basis


def test_a_first_mode_measured_elsewhere_tells_the_clock(tmp_path):
    bar = load_bar("steel_bar")
    known = replace(bar, reference_hz=float(bar.ladder_hz(1)[0]), u={**bar.u, "reference_hz": 0.002})
    result = measure_bar(known, [struck_bar(tmp_path / "fast.wav", np.random.default_rng(3), clock=1.002)])
    assert result.clock.separable
    assert result.clock.factor == pytest.approx(1.002, abs=2e-4)
    assert 0 < result.clock.u_rel < 2e-4
    # With the clock known the modulus is the bar's again.
    assert result.modulus_pa == pytest.approx(bar.modulus_pa, rel=1e-3)
    sure = replace(bar, u=dict.fromkeys(bar.u, 0.0))
    told = measure_bar(sure, [str(tmp_path / "fast.wav")])
    assert told.clock.separable and told.clock.factor == pytest.approx(1.002, abs=2e-4)


def test_a_stiffer_bar_has_the_modulus_that_it_was_made_of(tmp_path):
    bar = load_bar("steel_bar")
    result = measure_bar(bar, [struck_bar(tmp_path / "stiff.wav", np.random.default_rng(7), stiffer=1.04)])
    assert result.modulus_pa == pytest.approx(1.04 * bar.modulus_pa, rel=1e-3)
    assert result.standard_modulus_pa == pytest.approx(1.04 * bar.modulus_pa, rel=1e-3)
    assert result.common_factor == pytest.approx(1.04**0.5, rel=2e-4)


def test_a_ring_that_is_not_linear_is_seen(tmp_path):
    result = measure_bar(
        load_bar("steel_bar"), [struck_bar(tmp_path / "rub.wav", np.random.default_rng(4), rubbing=0.03)]
    )
    odd = [each for each in result.ring_downs if not each.linear]
    assert len(odd) >= 3 and all(each.damping_change_rel > 0.05 for each in odd)


def test_torsion_and_sideways_modes_do_not_confuse_the_ladder(tmp_path):
    extra = ((158.0, 0.8), (433.0, 0.9), (840.0, 0.9), (1130.0, 0.7))
    path = struck_bar(tmp_path / "odd.wav", np.random.default_rng(5), extra=extra, modes=range(2, 8))
    result = measure_bar(load_bar("steel_bar"), [path])
    assert [mode.order for mode in result.modes] == [2, 3, 4, 5, 6, 7]
    assert result.common_factor == pytest.approx(1.0, abs=3e-4)
    assert result.standard_modulus_pa is None and result.reach.missed_orders == (1,)


def test_another_bar_is_refused_with_what_should_ring(tmp_path):
    path = struck_bar(tmp_path / "bar.wav", np.random.default_rng(6))
    with pytest.raises(CalibrationError, match=r"should ring at 81\.7, 225\.1"):
        measure_bar(load_bar("aluminium_bar"), [path, "missing.wav"])


def test_the_mean_of_several_recordings():
    def mode(hz, u):
        return Mode(hz, u, 0.001, 1e-5, 0.0, 5)

    bar = load_bar("steel_bar")
    ladder = bar.ladder_hz(4)
    placed = {n + 1: [mode(float(hz) * 1.0001, 0.001), mode(float(hz) * 0.9999, 0.001)] for n, hz in enumerate(ladder)}
    result = bar_result(bar, placed, 10)
    assert result.common_factor == pytest.approx(1.0, abs=2e-5)
    # Recordings that differ by more than they may widen the uncertainty instead of being averaged away.
    assert result.modes[3].frequency_u_hz / ladder[3] > 5e-5


# --- files ---------------------------------------------------------------------------------------------------------

GOOD = """
schema = "taptest.bar/1"
name = "Bar"
note = "A bar."
[size]
length_mm = 500
length_u_mm = 0.5
thickness_mm = 8
thickness_u_mm = 0.02
width_mm = 25
width_u_mm = 0.05
[mass]
mass_g = 785
mass_u_g = 0.5
[material]
modulus_gpa = 206
modulus_u_gpa = 3
poisson = 0.29
poisson_u = 0.01
"""


def test_shipped_bars_can_be_read(tmp_path):
    assert bar_names() == ["aluminium_bar", "steel_bar"]
    (tmp_path / "own.toml").write_text(GOOD)
    assert load_bar(str(tmp_path / "own.toml")).density_kg_per_m3 == pytest.approx(7850)
    assert not load_bar("steel_bar").by_density and load_bar("aluminium_bar").by_density


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("taptest.bar/1", "taptest.bar/2", "must be"),
        ("length_mm = 500", "length_mm = 0.5", "size.length_mm is 0.5; it must lie between 20 and 5000"),
        ("length_mm = 500", "length_mm = nan", "it must be a finite number"),
        ("length_mm = 500", "length_mm = '500'", "it must be a finite number"),
        ("length_mm = 500\n", "", "size.length_mm is missing"),
        ("mass_u_g = 0.5", "", "mass.mass_u_g is missing"),
        ("mass_u_g = 0.5", "mass_u_g = 0.5\ndensity_kg_per_m3 = 7850", "leave one out"),
        ("mass_g = 785", "mass_g = 78500", "a density of"),
        ("thickness_mm = 8", "thickness_mm = 150", "at most 0.2"),
        ("[material]", "[stuff]", "unknown key 'stuff'"),
        ("poisson = 0.29", "poison = 0.29", "unknown key 'poison'"),
        ('name = "Bar"', 'name = ""', "must be a text"),
        ("[size]", "[size", "not valid TOML"),
        ("[size]", "size = 3\n[more]", "size is 3"),
    ],
)
def test_faults_in_a_bar_file(tmp_path, old, new, said):
    text = GOOD.replace(old, new, 1)
    if "thickness_mm = 150" in new:
        text = text.replace("mass_g = 785", "mass_g = 14700")
    path = tmp_path / "bar.toml"
    path.write_text(text)
    with pytest.raises(CalibrationError) as refused:
        load_bar(str(path))
    message = str(refused.value)
    assert said in message and "bar.toml" in message and "\n" not in message


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"\xff\xfe", "not UTF-8"), (b"x = " + b"[" * 60_000, "not valid TOML"), (b"#" * 80_000, "larger than")],
)
def test_files_that_are_no_text(tmp_path, content, said):
    (tmp_path / "bar.toml").write_bytes(content)
    with pytest.raises(CalibrationError, match=said):
        load_bar(str(tmp_path / "bar.toml"))
    with pytest.raises(CalibrationError, match="shipped are aluminium_bar, steel_bar"):
        load_bar("steelbar")
