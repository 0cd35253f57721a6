"""From mass, rig stiffness and construction to a ladder: closed forms, the trade's numbers, and uncertainty."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.beam.construction import Construction, load_construction
from taptest.beam.predict import SHAPE_PARAMETERS, SkiMeasurements, check_plausible, predict, what_if
from taptest.core.errors import ConstructionError

SKI = SkiMeasurements(length_m=1.9, mass_kg=0.5, stiffness_n_per_m=3000.0, span_m=1.4)
GENERIC = ("classic_generic", "skate_generic", "light_generic")
# Derived: roots of cos x cosh x = 1.
LAMBDA = np.array([4.7300407449, 7.8532046241, 10.9956078380, 14.1371654913, 17.2787596574])


def test_uniform_bar_is_the_closed_form() -> None:
    bar = load_construction("uniform_bar")
    prediction = predict(bar, SKI)
    # Derived: k = 48 EI/S³ and f = lambda²/(2 pi L²) sqrt(EI/mu).
    ei, mu = 3000 * 1.4**3 / 48, 0.5 / 1.9
    assert prediction.ei_mid_n_m2 == pytest.approx(ei, rel=1e-8)
    assert prediction.mass_per_length_kg_per_m == pytest.approx(mu, rel=1e-12)
    assert prediction.bending_hz[:5] == pytest.approx(LAMBDA**2 / (2 * np.pi * 1.9**2) * np.sqrt(ei / mu), rel=6e-6)
    assert (len(prediction.bending_hz), prediction.torsion_hz) == (14, None)
    assert prediction.torsion_ratios == pytest.approx(range(1, 11), rel=2e-5)
    # Control: with the load taken for that of clamped ends, 192 EI/S³, every frequency is halved.
    assert prediction.bending_hz[0] != pytest.approx(
        LAMBDA[0] ** 2 / (2 * np.pi * 1.9**2) * np.sqrt(ei / 4 / mu), rel=0.1
    )


def test_rig_off_the_middle_of_a_uniform_bar_changes_nothing() -> None:
    bar = load_construction("uniform_bar")
    middle, aside = predict(bar, SKI), predict(bar, replace(SKI, rig_centre_m=0.8))
    assert aside.bending_hz == pytest.approx(middle.bending_hz, rel=1e-6)
    # Control: on a tapered ski the rig then bends a softer part, so that the same stiffness means a stiffer ski.
    ski = load_construction("classic_generic")
    assert predict(ski, replace(SKI, rig_centre_m=0.75)).bending_hz[0] > 1.003 * predict(ski, SKI).bending_hz[0]


@pytest.mark.parametrize("stem", GENERIC)
def test_generic_skis_ring_where_skis_ring(stem: str) -> None:
    prediction = predict(load_construction(stem), SKI)
    # Common practice, no source: a hung ski of 1.9 m and 0.5 kg has 20-50, 50-90, 90-150, 150-230 Hz; the first torsion
    # of 100-200 Hz is an assumption.
    for hz, (low, high) in zip(prediction.bending_hz, ((20, 50), (50, 90), (90, 150), (150, 230)), strict=False):
        assert low < hz < high
    assert prediction.torsion_hz is not None
    assert 100 < prediction.torsion_hz[0] < 200
    assert np.all(np.diff(prediction.bending_hz) > 0)
    assert prediction.torsion_ratios == pytest.approx(np.array(prediction.torsion_hz) / prediction.torsion_hz[0])
    ratios = np.array(prediction.bending_hz) / prediction.bending_hz[0]
    # Published: F. K. Fuss et al., Vibration of Snowboard Decks, Engineering of Sport 8 (2010) 2863-2867:
    # 16, 37, 65 Hz. Taper brings the ratios down from 1 : 2.757 : 5.404; a ski is not a snowboard, so 6 %.
    assert ratios[1:3] == pytest.approx([37 / 16, 65 / 16], rel=0.06)
    assert np.all(ratios[1:5] < (LAMBDA / LAMBDA[0])[1:] ** 2 * 0.9)


@pytest.mark.parametrize("stem", GENERIC)
def test_a_binding_lowers_the_orders_as_the_trade_sees_it(stem: str) -> None:
    construction = load_construction(stem)
    bare = np.array(predict(construction, SKI).bending_hz)
    bound = replace(SKI, mass_kg=0.62, binding_mass_kg=0.12)
    ratio = np.array(predict(construction, bound).bending_hz) / bare
    # Common practice, no source (computed for assumed profiles): 120 g lowers order 1 by 7-12 %, order 3 by 6-12 %,
    # order 2 by about 1 %.
    assert 0.88 < ratio[0] < 0.93
    assert 0.98 < ratio[1] <= 1.001
    assert 0.88 < ratio[2] < 0.94
    # Control: the same mass without saying that it is a binding lowers all alike.
    plain = np.array(predict(construction, replace(SKI, mass_kg=0.62)).bending_hz) / bare
    assert plain == pytest.approx(np.full(14, np.sqrt(0.5 / 0.62)), rel=1e-9)


def test_a_binding_on_a_uniform_bar_follows_the_frequency_equation() -> None:
    # Derived: free bar with 0.3 of its mass in the middle, order 1 at 0.8619 of the bare bar.
    bar = load_construction("uniform_bar")
    bound = replace(SKI, mass_kg=0.65, binding_mass_kg=0.15)
    prediction, bare = predict(bar, bound), predict(bar, SKI)
    assert prediction.bending_hz[0] / bare.bending_hz[0] == pytest.approx(0.86185, abs=2e-5)
    assert prediction.mass_per_length_kg_per_m == bare.mass_per_length_kg_per_m
    assert prediction.bending_hz == predict(bar, replace(bound, binding_m=0.95)).bending_hz


@pytest.mark.parametrize(("before_g", "after_g", "cents"), [(490, 556, -109.4), (453, 419, 67.5)])
def test_lighter_at_equal_stiffness_rings_higher(before_g: float, after_g: float, cents: float) -> None:
    # Common practice, no source: bare skis of one model from 490 g to 556 g, of a light one from 453 g to 419 g.
    # Derived: 1200 log2 sqrt(m1/m2).
    ski = replace(SKI, length_m=2.0, mass_kg=before_g / 1000)
    change = what_if(load_construction("classic_generic"), ski, mass_percent=100 * (after_g / before_g - 1))
    assert change.cents == pytest.approx(np.full(14, cents), abs=0.05)
    assert change.percent == pytest.approx(np.full(14, 100 * (np.sqrt(before_g / after_g) - 1)), rel=1e-9)
    # Control: a frequency that went as 1/m would move twice as far.
    assert abs(change.cents[0]) < 0.6 * abs(1200 * np.log2(before_g / after_g))


def test_a_thicker_section_is_stiffer_by_the_cube() -> None:
    # Common practice, no source: stiffness of a section as thickness cubed, so 10 % thicker is 33 % stiffer; with 10 %
    # more mass the tone goes up by 10 %.
    bar = load_construction("uniform_bar")
    change = what_if(bar, SKI, mass_percent=10, stiffness_percent=100 * (1.1**3 - 1))
    assert change.percent == pytest.approx(np.full(14, 10.0), rel=1e-9)
    assert change.after.ei_mid_n_m2 / change.before.ei_mid_n_m2 == pytest.approx(1.331, rel=1e-12)


def test_what_if_keeps_the_binding_as_it_is() -> None:
    bound = replace(SKI, mass_kg=0.62, binding_mass_kg=0.12)
    change = what_if(load_construction("skate_generic"), bound, mass_percent=-10)
    # A lighter ski feels the same binding more, in the orders that move there.
    assert change.percent[0] < change.percent[1] < 100 * (0.9**-0.5 - 1) + 0.01
    with pytest.raises(ConstructionError, match="more than -100 %"):
        what_if(load_construction("skate_generic"), bound, mass_percent=-100)


def test_uncertainty_agrees_with_a_monte_carlo_run() -> None:
    construction = load_construction("uniform_bar")
    ski = replace(SKI, stiffness_u_rel=0.04, mass_u_rel=0.03)
    prediction = predict(construction, ski)
    # JCGM 100:2008, 5.1: u(f)/f = 1/2 sqrt((u_k/k)² + (u_m/m)²).
    assert prediction.scale_u_rel == pytest.approx(0.025, rel=1e-12)
    random = np.random.default_rng(20)
    drawn = [
        predict(construction, replace(ski, stiffness_n_per_m=3000 * k, mass_kg=0.5 * m)).bending_hz[0]
        for k, m in zip(random.normal(1, 0.04, 4000), random.normal(1, 0.03, 4000), strict=True)
    ]
    # The spread of 4000 draws is known to 1.1 %; 4 % is three and a half times that.
    assert np.std(drawn) / prediction.bending_hz[0] == pytest.approx(prediction.scale_u_rel, rel=0.04)
    # Control: without the square root's 1/2 it would be twice as much.
    assert np.std(drawn) / prediction.bending_hz[0] < 0.04


def test_combined_uncertainty_adds_the_shape() -> None:
    classic = load_construction("classic_generic")
    prediction = predict(classic, SKI)
    assert prediction.bending_u_rel == tuple(classic.frequency_u_rel(order) for order in range(1, 15))
    assert prediction.scale_u_rel == pytest.approx(0.5 * np.hypot(0.02, 0.005), rel=1e-12)
    for order in (1, 7, 14):
        expected = np.hypot(prediction.bending_u_rel[order - 1], prediction.scale_u_rel)
        assert prediction.u_rel(order) == pytest.approx(expected, rel=1e-12)
        assert prediction.u_hz(order) == pytest.approx(expected * prediction.bending_hz[order - 1], rel=1e-12)


def test_slopes_of_a_uniform_bar_against_rayleigh() -> None:
    # Derived: first-order perturbation with the exact mode shapes; at fixed rig stiffness k,
    # d ln f = 1/2 (<d ln EI> over w''² - <d ln mu> over w² - <d ln EI> over the rig's moment²), mass kept.
    s = np.linspace(0, 1, 20001)
    x = 2 * s - 1
    none = np.zeros_like(s)
    fuller = -2 * np.e * x**2 * np.log(np.maximum(np.abs(x), 1e-9))
    shapes = ((-3 * x**2, -(x**2)), (3 * fuller, fuller), (-3 * x**8, -(x**8)), (none, -(x**2)))
    moment = np.clip(0.5 * 1.4 / 1.9 - np.abs(s - 0.5), 0, None)

    def mean(values: np.ndarray, weight: np.ndarray) -> float:
        return float(np.trapezoid(values * weight, s) / np.trapezoid(weight, s))

    slopes = predict(load_construction("uniform_bar"), SKI).bending_shape_slopes
    assert len(slopes) == len(SHAPE_PARAMETERS) == 4
    for row, (bending, mass) in zip(slopes, shapes, strict=True):
        for order, z in enumerate(LAMBDA[:4]):
            q = (np.cosh(z) - np.cos(z)) / (np.sinh(z) - np.sin(z))
            w = np.cosh(z * s) + np.cos(z * s) - q * (np.sinh(z * s) + np.sin(z * s))
            bent = np.cosh(z * s) - np.cos(z * s) - q * (np.sinh(z * s) - np.sin(z * s))
            kept = mass - mean(mass, np.ones_like(s))
            expected = 0.5 * (mean(bending, bent**2) - mean(kept, w**2) - mean(bending, moment**2))
            # 1.5 %: steps of 0.05, profiles linear over 1/40 of the length, the span rounded to a percent.
            assert row[order] == pytest.approx(expected, rel=0.015, abs=2e-3)


def test_slopes_predict_another_taper() -> None:
    base = load_construction("skate_generic")
    station = np.linspace(0, 1, 201)
    thinner = -0.1 * (2 * station - 1) ** 2
    mass = np.interp(station, base.station, base.mass_per_length) * np.exp(thinner)
    tapered = replace(
        base,
        station=tuple(station.tolist()),
        bending_stiffness=tuple(
            (np.interp(station, base.station, base.bending_stiffness) * np.exp(3 * thinner)).tolist()
        ),
        mass_per_length=tuple((mass / np.trapezoid(mass, station)).tolist()),
        torsion=None,
    )
    before, after = predict(base, SKI), predict(tapered, SKI)
    moved = np.log(np.array(after.bending_hz) / np.array(before.bending_hz))
    assert moved == pytest.approx(0.1 * np.array(before.bending_shape_slopes[0]), abs=2e-3)
    # Control: the mass taper alone does something else.
    assert np.abs(moved - 0.1 * np.array(before.bending_shape_slopes[3])).max() > 0.03


def test_slopes_without_torsion_move_the_harmonic_ladder() -> None:
    slopes = np.array(predict(load_construction("uniform_bar"), SKI, torsion_orders=4).torsion_shape_slopes)
    assert slopes.shape == (4, 4)
    # Derived: for a uniform shaft d ln f_n = 1/2 (<d ln GJ> over sin² - <d ln I> over cos²) + the same
    # for all orders.
    s = np.linspace(0, 1, 4001)
    taper = (2 * s - 1) ** 2
    expected = []
    for n in range(1, 5):
        sine, cosine = np.sin(n * np.pi * s) ** 2, np.cos(n * np.pi * s) ** 2
        expected.append(-3 * np.trapezoid(taper * sine, s) + np.trapezoid(taper * cosine, s))
    expected = np.array(expected) - expected[0]
    assert slopes[0] - slopes[0][0] == pytest.approx(expected, abs=2e-3)


skis = st.builds(
    SkiMeasurements,
    length_m=st.floats(1.6, 2.1),
    mass_kg=st.floats(0.35, 0.9),
    stiffness_n_per_m=st.floats(1000, 8000),
    span_m=st.floats(0.9, 1.5),
)


@settings(max_examples=25, deadline=None)
@given(skis, st.floats(0.5, 2.0), st.floats(0.5, 2.0), st.floats(0.8, 1.2))
def test_scaling_laws(ski: SkiMeasurements, stiffer: float, heavier: float, longer: float) -> None:
    construction = load_construction("light_generic")
    base = predict(construction, ski)
    # Derived: f ~ sqrt(k/m); and at the same shape of rig k = c EI/L³ makes f = sqrt(EI/m L³), in
    # bending and torsion alike.
    scaled = predict(
        construction, replace(ski, stiffness_n_per_m=ski.stiffness_n_per_m * stiffer, mass_kg=ski.mass_kg * heavier)
    )
    assert scaled.bending_hz == pytest.approx(np.array(base.bending_hz) * np.sqrt(stiffer / heavier), rel=1e-9)
    assert base.torsion_hz is not None
    assert scaled.torsion_hz == pytest.approx(np.array(base.torsion_hz) * np.sqrt(stiffer / heavier), rel=1e-9)
    grown = predict(construction, replace(ski, length_m=ski.length_m * longer, span_m=ski.span_m * longer))
    assert grown.bending_hz == pytest.approx(base.bending_hz, rel=1e-6)
    assert grown.ei_mid_n_m2 == pytest.approx(base.ei_mid_n_m2 * longer**3, rel=1e-6)
    assert grown.torsion_hz == pytest.approx(np.array(base.torsion_hz) * longer, rel=1e-6)


def mirrored(construction: Construction) -> Construction:
    assert construction.torsion is not None
    return replace(
        construction,
        station=tuple(1 - s for s in reversed(construction.station)),
        bending_stiffness=construction.bending_stiffness[::-1],
        mass_per_length=construction.mass_per_length[::-1],
        torsion=replace(construction.torsion, stiffness_ratio=construction.torsion.stiffness_ratio[::-1]),
    )


@settings(max_examples=15, deadline=None)
@given(skis, st.floats(-0.05, 0.05), st.floats(0.3, 0.7))
def test_a_ski_turned_round_is_the_same_ski(ski: SkiMeasurements, aside: float, where: float) -> None:
    construction = load_construction("skate_generic")
    length = ski.length_m
    aside = min(aside, 0.5 - 0.5 * ski.span_m / length)  # both supports under the ski
    one = replace(
        ski,
        rig_centre_m=length * (0.5 + aside),
        binding_m=length * where,
        mass_kg=ski.mass_kg + 0.1,
        binding_mass_kg=0.1,
    )
    other = replace(one, rig_centre_m=length * (0.5 - aside), binding_m=length * (1 - where))
    straight, turned = predict(construction, one), predict(mirrored(construction), other)
    # The mesh is not laid symmetrically, hence 2e-4 at order 14.
    assert turned.bending_hz == pytest.approx(straight.bending_hz, rel=2e-4)
    assert straight.torsion_hz is not None
    assert turned.torsion_hz == pytest.approx(straight.torsion_hz, rel=2e-4)


def test_halving_the_elements_hardly_moves_the_ladder() -> None:
    ski = load_construction("classic_generic")
    low, high = predict(ski, SKI, bending_orders=14), predict(ski, SKI, bending_orders=30, torsion_orders=20)
    assert len(high.bending_hz) == 30
    assert high.bending_hz[:14] == pytest.approx(low.bending_hz, rel=3e-4)


@pytest.mark.parametrize("stiffness", [40e3, 200e3, 250e3])
def test_a_flattening_stiffness_is_refused_and_explained(stiffness: float) -> None:
    # Common practice, no source: flattening stiffness is 200-250 N/mm.
    ski = replace(SKI, stiffness_n_per_m=stiffness)
    for refuse in (lambda: check_plausible(ski), lambda: predict(load_construction("classic_generic"), ski)):
        with pytest.raises(ConstructionError) as caught:
            refuse()
        for part in (f"{stiffness / 1000:g} N/mm", "flattening", "flat plate", "two-support bending", "span"):
            assert part in str(caught.value)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"span_m": float("nan")}, "span_m is nan.*distance between the supports"),
        ({"span_m": None}, "span_m is None.*distance between the supports"),
        ({"span_m": 0.0}, r"span_m is 0\.0"),
        ({"span_m": 1.95}, r"span_m is 1\.95: it cannot exceed length_m, 1\.9"),
        ({"mass_kg": 0.0}, r"mass_kg is 0\.0"),
        ({"length_m": float("inf")}, "length_m is inf"),
        ({"stiffness_n_per_m": -3.0}, r"stiffness_n_per_m is -3\.0"),
        ({"binding_mass_kg": 0.5}, r"binding_mass_kg is 0\.5.*must include it"),
        ({"binding_mass_kg": -0.1}, r"binding_mass_kg is -0\.1: it must be 0 or more"),
        ({"binding_mass_kg": 0.1, "binding_m": 2.0}, r"binding_m is 2.*0 to 1\.9"),
        ({"rig_centre_m": 0.6}, r"rig_centre_m is 0\.6.*0\.7 to 1\.2 m"),
        ({"mass_u_rel": float("nan")}, "mass_u_rel is nan"),
    ],
)
def test_measurements_that_cannot_be_are_refused(changes: dict[str, float], said: str) -> None:
    ski = replace(SKI, **changes)
    with pytest.raises(ConstructionError, match=said):
        predict(load_construction("uniform_bar"), ski)
    with pytest.raises(ConstructionError, match=said):
        check_plausible(ski)


def test_implausible_measurements_are_named_with_what_is_accepted() -> None:
    assert check_plausible(SKI) == []
    for changes, said in (
        ({"mass_kg": 500.0}, r"mass 500000 g is outside 50 to 5000 g; is the unit right"),
        ({"length_m": 2.8}, r"length 2800 mm is outside 300 to 2600 mm; is the unit right"),
        ({"stiffness_n_per_m": 3.0}, "N/mm"),
    ):
        with pytest.raises(ConstructionError, match=said):
            check_plausible(replace(SKI, **changes))
    for changes, said in (
        ({"mass_kg": 1.6}, "1600 g"),
        ({"length_m": 2.3}, "2.3 m"),
        ({"stiffness_n_per_m": 30e3}, "30 N/mm"),
        ({"span_m": 0.7, "stiffness_n_per_m": 24e3}, "bends only the middle"),
    ):
        warnings = check_plausible(replace(SKI, **changes))
        assert len(warnings) == 1
        assert said in warnings[0]


@pytest.mark.parametrize("orders", [{"bending_orders": 0}, {"torsion_orders": 41}])
def test_orders_that_cannot_be_predicted_are_refused(orders: dict[str, int]) -> None:
    with pytest.raises(ConstructionError, match="between 1 and 40"):
        predict(load_construction("uniform_bar"), SKI, **orders)
