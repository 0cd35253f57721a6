"""Generations side by side: the trade's numbers, closed forms, and null data that must show nothing."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.simulated_lots import measured_ski, ski_row

from taptest.beam.construction import load_construction
from taptest.beam.predict import predict
from taptest.comparison.compare import compare, compare_measured
from taptest.core.errors import LotError
from taptest.identify.measured_lot import MeasuredLot
from taptest.identify.predicted import measurements_of
from taptest.ski.record import Ski
from taptest.tables.lot import Lot

NAMES = ("classic_generic", "skate_generic", "uniform_bar")
CONSTRUCTIONS = {name: load_construction(name) for name in NAMES}
CENTS = 1200 / math.log(2)


def ringing(ski_id, generation, *, off=1.0, damping=0.01, **row):
    """A ski that rings `off` times its prediction."""
    row = ski_row(ski_id, generation=generation, **row)
    construction = CONSTRUCTIONS[row.construction]
    hz = predict(construction, measurements_of(row)).bending_hz
    return measured_ski(row, construction, {n: (hz[n - 1] * off, 0.001, damping, 0.02) for n in range(1, 6)})


def lot_of(skis, name="lot.csv"):
    return MeasuredLot(Lot(Path(name), tuple(ski.facts for ski in skis), ()), tuple(skis), CONSTRUCTIONS, ())


def generation(name, grams, stiffness, count=6, seed=0, **row):
    """Skis about a mass with a spread of 1 %."""
    rng = np.random.default_rng(seed)
    factors = np.exp(0.01 * (lambda z: z - z.mean())(rng.normal(size=count)))
    return [
        ringing(f"{name}{n}", name, mass_kg=grams * factor / 1000, stiffness_n_per_m=stiffness, **row)
        for n, factor in enumerate(factors)
    ]


def contrast_of(*lots, **how):
    (contrast,) = (
        compare_measured([lot_of(skis, f"{n}.csv") for n, skis in enumerate(lots)], **how).sections[0].contrasts
    )
    return contrast


# Common practice, no source: 2 m classic skis of 490 g that became 556 g at equal stiffness, and light ones of 453 g that
# became 419 g. With f as the root of stiffness over mass that is 600 log2(490/556) = -109.4 and 600 log2(453/419) = 67.5.
@pytest.mark.parametrize(("before", "after", "cents"), [(490, 556, -109), (453, 419, 68)])
def test_the_change_of_tone_that_the_trade_speaks_of(before, after, cents):
    contrast = contrast_of(generation("old", before, 4600.0), generation("new", after, 4600.0, seed=1))
    parts = {each.part: CENTS * each.shift.difference for each in contrast.parts}
    assert round(parts["mass"]) == round(parts["together"]) == cents
    for nothing in ("stiffness", "geometry", "rest"):
        assert parts[nothing] == pytest.approx(0.0, abs=1e-6)
    assert contrast.shift("first_mode").word == ("lower" if cents < 0 else "higher")
    assert contrast.shift("first_mode").shift.difference * CENTS == pytest.approx(parts["together"])


def test_a_change_of_both_is_split_exactly():
    contrast = contrast_of(
        generation("old", 520, 4600.0), generation("new", 500, 4900.0, seed=1, length_m=1.99), by="generation"
    )
    parts = {each.part: each.shift.difference for each in contrast.parts}
    assert parts["mass"] == pytest.approx(-0.5 * math.log(500 / 520))
    section = contrast.shift("section_stiffness").shift.difference
    assert parts["stiffness"] == pytest.approx(0.5 * section)
    # The same rig: the middle section is stiffer by nearly as much as the rig says, whatever the length.
    assert section == pytest.approx(math.log(4900 / 4600), abs=0.003)
    # Shorter by 0.5 % at the same mass and section: f ~ 1/L² sqrt(EI L/m), so 1.5 times as much.
    assert parts["geometry"] == pytest.approx(1.5 * math.log(2.0 / 1.99), abs=1e-6)
    assert parts["rest"] == pytest.approx(0.0, abs=1e-9)
    assert parts["together"] == pytest.approx(sum(parts[name] for name in ("mass", "stiffness", "geometry")))


def test_frequency_at_one_length_takes_the_length_away():
    # The same section cut to another length: mass as the length, EI the same, so f goes as 1/L² (derived; uniform bar,
    # k = 48 EI/S³ whatever the length).
    rows = [
        {"construction": "uniform_bar", "length_m": length, "mass_kg": 0.26 * length, "stiffness_n_per_m": 4600.0}
        for length in (2.0, 1.8)
    ]
    skis = [
        ringing(f"{name}{n}", name, **row) for name, row in zip(("long", "short"), rows, strict=True) for n in range(3)
    ]
    contrast = contrast_of(skis)
    assert contrast.shift("first_mode").shift.difference == pytest.approx(2 * math.log(2.0 / 1.8), rel=1e-4)
    for same in ("first_mode_at_length", "specific_stiffness", "section_stiffness"):
        assert contrast.shift(same).shift.difference == pytest.approx(0.0, abs=1e-4)
    # Swing about the middle of a rod: m L²/12, so as the third power of the length.
    assert contrast.shift("swing_inertia").shift.difference == pytest.approx(3 * math.log(1.8 / 2.0))
    length = compare_measured([lot_of(skis)], length_m=2.0).sections[0].groups[0]
    assert length.figures["first_mode_at_length"].mean == pytest.approx(length.figures["first_mode"].mean)


def test_figures_of_a_uniform_bar_are_the_closed_forms():
    row = {"construction": "uniform_bar", "length_m": 1.9, "mass_kg": 0.52, "stiffness_n_per_m": 3200.0}
    skis = [ringing(f"{name}{n}", name, damping=0.012, balance_m=0.95, **row) for name in "ab" for n in range(2)]
    figures = compare_measured([lot_of(skis)]).sections[0].groups[0].figures
    ei = 3200 * 1.4**3 / 48  # k = 48 EI/S³
    assert figures["section_stiffness"].mean == pytest.approx(ei, rel=1e-6)
    assert figures["specific_stiffness"].mean == pytest.approx(ei / (0.52 / 1.9), rel=1e-6)
    # Free-free bar, first root of cos x cosh x = 1 (derived; Thomson, Theory of Vibration, appendix D: 22.3733).
    first_hz = 4.7300407449**2 / (2 * math.pi * 1.9**2) * math.sqrt(ei * 1.9 / 0.52)
    assert figures["first_mode"].mean == pytest.approx(first_hz, rel=2e-4)
    assert figures["damping"].mean == pytest.approx(0.012)
    assert figures["swing_inertia"].mean == pytest.approx(0.52 * 1.9**2 / 12)
    assert figures["balance"].mean == pytest.approx(0.5) and figures["mass"].mean == pytest.approx(0.52)


def test_a_binding_at_the_pivot_hardly_counts_in_the_swing():
    bare = {"construction": "uniform_bar", "mass_kg": 0.5, "balance_m": 1.0}
    # 100 g at 0.9 m on a rod of 0.5 kg balanced at 1 m: together they balance at (0.5 x 1 + 0.1 x 0.9)/0.6.
    bound = {**bare, "mass_kg": 0.6, "binding_mass_kg": 0.1, "binding_m": 0.9, "balance_m": 0.59 / 0.6}
    skis = [ringing(f"{g}{n}", g, **bound) for g in "ab" for n in range(2)]
    figures = compare_measured([lot_of(skis)]).sections[0].groups[0].figures
    assert figures["swing_inertia"].mean == pytest.approx(0.5 * 4 / 12 + 0.5 * 0.1**2)


def test_the_two_of_a_pair_are_one_unit():
    rng = np.random.default_rng(2)
    skis = []
    for name in ("old", "new"):
        for pair in range(4):
            grams = 500 + 10 * rng.normal()
            skis += [ringing(f"{name}{pair}{s}", name, pair_id=f"{name}{pair}", mass_kg=grams / 1000) for s in "LR"]
    contrast = contrast_of(skis)
    moved = contrast.shift("mass").shift
    assert (moved.count_first, moved.count_second) == (4, 4) and moved.least_p_value == pytest.approx(2 / 70)
    alone = [replace(ski, facts=replace(ski.facts, pair_id=None)) for ski in skis]
    assert contrast_of(alone).shift("mass").shift.p_value < moved.p_value  # what counting every ski would pretend


def test_null_data_show_a_difference_as_rarely_as_stated():
    rng = np.random.default_rng(20)
    trials, alarms = 150, 0
    for _ in range(trials):
        skis = [
            Ski(
                ski_row(
                    f"{name}{n}",
                    generation=name,
                    mass_kg=0.5 * math.exp(0.02 * rng.normal()),
                    stiffness_n_per_m=4600 * math.exp(0.05 * rng.normal()),
                    balance_m=1 + 0.002 * rng.normal(),
                )
            )
            for name in ("old", "new")
            for n in range(7)
        ]
        alarms += any(each.word in ("higher", "lower") for each in contrast_of(skis).shifts)
    # Holm keeps any false alarm at 5 % or below; 99.9 % of binomial(150, 0.05) are at most 17.
    assert alarms <= 17


def test_a_real_difference_is_found_in_the_same_skis():
    """Control for the null data: 6 % less mass, 2 % spread, 7 against 7."""
    found = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        skis = [
            Ski(ski_row(f"{name}{n}", generation=name, mass_kg=mean * math.exp(0.02 * rng.normal())))
            for name, mean in (("old", 0.53), ("new", 0.5))
            for n in range(7)
        ]
        found += contrast_of(skis).shift("mass").word == "lower"
    assert found >= 18


def test_few_skis_say_that_they_are_few():
    contrast = contrast_of(generation("old", 490, 4600.0, 3), generation("new", 556, 4600.0, 3, seed=1))
    assert {each.word for each in contrast.shifts} == {"too few"}
    single = contrast_of(generation("old", 490, 4600.0, 1), generation("new", 556, 4600.0, 1))
    assert single.shift("mass").shift.low is None and single.shift("mass").shift.effect is None


def test_generations_are_compared_within_each_construction_and_together():
    skis = [
        *generation("old", 520, 4600.0, 4),
        *generation("new", 500, 4600.0, 4, seed=1),
        *[
            replace(ski, facts=replace(ski.facts, ski_id=f"s{ski.facts.ski_id}"))
            for name, grams in (("old", 480), ("new", 461.5))
            for ski in generation(name, grams, 7200.0, 4, seed=2, construction="skate_generic", span_m=1.3)
        ],
    ]
    result = compare_measured([lot_of(skis)])
    assert [section.stratum for section in result.sections] == [
        "classic_generic, bare",
        "skate_generic, bare",
        "together",
    ]
    first, second, together = (section.contrasts[0].shift("mass").shift for section in result.sections)
    assert together.difference == pytest.approx((first.difference + second.difference) / 2)
    assert together.high - together.low < min(first.high - first.low, second.high - second.low)
    by = compare_measured([lot_of(skis)], by="construction")
    assert [group.name for group in by.sections[0].groups] == ["classic_generic", "skate_generic"]
    contrast = by.sections[0].contrasts[0]
    assert (
        contrast.shift("stiffness") is None and contrast.shift("section_stiffness") is not None
    )  # two different spans
    # Two construction files of 4 % each: sqrt(2) x 4 % (the shipped files say 4 %).
    assert contrast.shape_u == pytest.approx(0.04 * 2**0.5)
    assert result.sections[0].contrasts[0].shape_u is None


def test_against_chooses_the_group_to_compare_with():
    skis = [*generation("a", 520, 4600.0, 3), *generation("b", 510, 4600.0, 3), *generation("c", 500, 4600.0, 3)]
    first = compare_measured([lot_of(skis)]).sections[0].contrasts
    assert [(each.group, each.against) for each in first] == [("b", "a"), ("c", "a")]
    other = compare_measured([lot_of(skis)], against="c").sections[0].contrasts
    assert [(each.group, each.against) for each in other] == [("a", "c"), ("b", "c")]
    assert other[0].shift("mass").shift.difference == pytest.approx(-first[1].shift("mass").shift.difference)


def test_pairs_of_different_tables_are_different_units():
    old = [ringing(f"{n}", "old", pair_id="1", mass_kg=0.52) for n in range(2)]
    new = [ringing(f"{n}", "new", pair_id="1", mass_kg=0.50) for n in range(2)]
    again = [ringing(f"{n}", "new", pair_id="1", mass_kg=0.51) for n in range(2)]
    result = compare_measured([lot_of(old, "a.csv"), lot_of(new, "b.csv"), lot_of(again, "c.csv")])
    assert [(group.name, group.skis, group.units) for group in result.sections[0].groups] == [
        ("old", 2, 1),
        ("new", 4, 2),
    ]


def test_unheard_skis_count_where_they_can():
    skis = [Ski(ski_row(f"{name}{n}", generation=name)) for name in "ab" for n in range(3)]
    contrast = contrast_of(skis)
    assert contrast.shift("mass") is not None and contrast.shift("first_mode") is None and contrast.parts == ()


def test_nothing_to_compare_is_said_before_anything_is_listened_to():
    row = ski_row("1", generation="old")
    lot = Lot(Path("lot.csv"), (row,), ())
    with pytest.raises(LotError, match=r"every ski is of one generation \(old\).*compare by construction"):
        compare([lot])
    two = Lot(Path("lot.csv"), (row, replace(row, ski_id="2", generation=None)), ())
    with pytest.raises(LotError, match=r"there is no generation 'new'; there are old, not named"):
        compare([two], against="new")
    result = compare_measured([lot_of([Ski(row) for row in two.rows])])
    assert "1 ski names no group" in " ".join(map(str, result.notes))


def test_a_table_given_twice_is_refused(tmp_path):
    one = Lot(tmp_path / "lot.csv", (ski_row("1", generation="old"), ski_row("2", generation="new")), ())
    with pytest.raises(LotError, match=r"lot.csv: given twice"):
        compare([one, replace(one, path=tmp_path / "sub" / ".." / "lot.csv")])
    assert compare([one]).skis == 2  # control


def test_groups_measured_at_different_temperatures_are_pointed_out():
    skis = [ringing(f"{g}{n}", g, temperature_c=t) for g, t in (("old", 20.0), ("new", 5.0)) for n in range(2)]
    assert "old was measured 15 K warmer than new" in " ".join(map(str, compare_measured([lot_of(skis)]).notes))
    same = [replace(ski, facts=replace(ski.facts, temperature_c=20.0)) for ski in skis]
    assert compare_measured([lot_of(same)]).notes == ()
