"""Verdicts on lots: simulated skis with planted faults, groups and limits, reasons, and what cannot be judged."""

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from support.lot_files import csv_text, row
from support.places import demo_truth
from support.result_objects import told
from support.simulated_lots import (
    Scenario,
    at_prediction,
    chain,
    chain_hz,
    flat,
    measured_ski,
    moved,
    simulated_lot,
    ski_row,
    with_damping,
    with_modes,
    with_soft_spot,
)

from taptest.beam.construction import load_construction
from taptest.core.fields import document_of
from taptest.core.messages import message
from taptest.identify.measure import combine
from taptest.screen.check import check, judge
from taptest.screen.result import GROUP_FIELDS
from taptest.ski.fields import SKI_FIELDS, sentences
from taptest.ski.record import Ski
from taptest.stats.two_way import Profile, two_way
from taptest.tables.lot import read_lot

CONSTRUCTION = load_construction("classic_generic")


def verdict_on(ski, others):
    return judge([ski, *others])[0][0]


# --- how often it is right -----------------------------------------------------------------------------------------


def shares(workshop, scenario, planted, *, lots=100, seed=0):
    """Share of planted (or, without any, of all) skis called outlier, and outlier or recheck."""
    rng = np.random.default_rng(seed)
    words = Counter()
    for _ in range(lots):
        bad = int(rng.integers(1, 4)) if planted else 0
        skis, _, _ = judge(simulated_lot(workshop, rng, 30, scenario, planted=planted, bad=bad))
        words.update(ski.verdict for ski in (skis[:bad] if planted else skis))
    total = words.total()
    return words["outlier"] / total, (words["outlier"] + words["recheck"]) / total


@pytest.mark.slow
@pytest.mark.parametrize("rig", [0.01, 0.02])
@pytest.mark.parametrize("build", [0.003, 0.005, 0.01])
def test_sound_skis_are_hardly_ever_called_outliers(workshop, build, rig):
    outliers, suspected = shares(workshop, Scenario(build=build, rig=rig), None)
    assert outliers <= 0.01
    assert suspected <= 0.05


@pytest.mark.slow
@pytest.mark.parametrize("planted", ["shift", "soft spot", "damping"])
@pytest.mark.parametrize("build", [0.003, 0.005])
def test_planted_faults_are_found(workshop, build, planted):
    _, found = shares(workshop, Scenario(build=build), planted)
    assert found >= 0.9


@pytest.mark.slow
def test_a_shift_drowns_in_the_errors_of_a_careless_rig(workshop):
    # The same 4 %, but 2 % of error in the stiffness is 1 % in every prediction: the standard deviation of a ski's
    # shift becomes 1.1 %, and no limit that keeps sound skis in finds nine of ten at 3.5 standard deviations.
    _, found = shares(workshop, Scenario(rig=0.02), "shift")
    assert 0.6 < found < 0.9
    _, found = shares(workshop, Scenario(rig=0.02), "soft spot")
    assert found >= 0.9  # the pattern over the modes does not mind the rig


@pytest.mark.slow
def test_planted_faults_do_not_drag_others_along(workshop):
    rng = np.random.default_rng(4)
    words = Counter()
    for planted in ("shift", "soft spot", "damping") * 20:
        skis, _, _ = judge(simulated_lot(workshop, rng, 30, planted=planted, bad=3))
        words.update(ski.verdict for ski in skis[3:])
    assert words["outlier"] / words.total() <= 0.01


# --- single faults -------------------------------------------------------------------------------------------------


def test_a_common_shift_is_named_even_with_its_size(sound_lot):
    found = verdict_on(moved(sound_lot[0], -8.0), sound_lot[1:])
    assert found.verdict == "outlier"
    assert sentences(found.reasons)[0].startswith("all modes ")
    assert "low, evenly, against its group" in sentences(found.reasons)[0]
    assert "heavier or softer than its label says; weigh" in sentences(found.reasons)[0]
    assert sentences(found.reasons)[-1] == str(message("rehang"))
    # Control: the same ski without the shift, and the sign.
    assert verdict_on(sound_lot[0], sound_lot[1:]).verdict == "pass"
    assert "high, evenly" in str(verdict_on(moved(sound_lot[0], 8.0), sound_lot[1:]).reasons[0])


def test_the_size_of_a_shift_is_right(sound_lot):
    """All of the group but one within a hair of 0 % from its prediction: the shift found is the one put in."""
    exact = [flat(ski, 0.0003 * (-1) ** i) for i, ski in enumerate(sound_lot)]
    found = verdict_on(flat(sound_lot[0], math.log(0.955)), exact[1:])
    assert "all modes 4.5 % low, evenly" in sentences(found.reasons)[0]
    assert found.deviation_percent == pytest.approx(-4.5, abs=0.1)


def test_a_soft_spot_is_named_by_the_mode_that_it_lowers_most(workshop, sound_lot):
    weak = with_soft_spot(chain(2.0, lambda s: np.ones_like(s)), centre=0.20)
    hz = chain_hz(weak)
    lowered = np.log(hz / workshop.mean_hz[2.0])[1:8]
    rig_n_per_m = weak.static_stiffness(1.4)
    label = ski_row("weak", stiffness_n_per_m=rig_n_per_m)
    ski = measured_ski(label, CONSTRUCTION, {n: (hz[n - 1], 0.001, 0.011, 0.05) for n in range(2, 9)})
    found = verdict_on(ski, sound_lot)
    assert found.verdict == "outlier"
    reason = next(reason for reason in sentences(found.reasons) if reason.startswith("uneven"))
    # derived: the lowest against the mean of the others, from the chain's own frequencies
    others = (lowered.sum() - lowered) / (len(lowered) - 1)
    lowest = 2 + int(np.argmin(lowered - others))
    assert reason.startswith(f"uneven: mode {lowest} lowest (-")
    assert "damping normal: look for a soft spot or a separation" in reason
    assert found.residual_chi_square > 5
    # The first mode alone would look innocent: rig and frequency are low together. Unheard, it is not guessed from the others.
    assert abs(hz[0] / found.predicted_hz - 1) < 0.06
    assert found.first_mode_hz is None and any("cannot be worked out" in reason for reason in sentences(found.reasons))


def test_damping_is_compared_with_the_group(sound_lot):
    loose = with_modes(sound_lot[0], damping_ratio=0.011 * 2)
    found = verdict_on(loose, sound_lot[1:])
    assert found.verdict == "outlier"
    assert sentences(found.reasons)[0].startswith("damping ")
    assert "above its group: look for a separation, water or loose parts" in sentences(found.reasons)[0]
    assert found.damping_ratio == pytest.approx(0.022, rel=0.05)
    # Limited by the room, the same damping says nothing of the ski.
    echo = verdict_on(with_modes(loose, flags=("room-limited",)), sound_lot[1:])
    assert echo.verdict == "pass"
    assert echo.damping_ratio is None


def test_generations_may_differ_in_damping(workshop):
    lot = simulated_lot(workshop, np.random.default_rng(5), 24)
    names = ["amber", "teal"] * 12
    lot = [
        replace(
            with_damping(ski, 1.6 if name == "teal" else 1.0),
            facts=replace(ski.facts, generation=name, ski_id=str(i)),
        )
        for i, (ski, name) in enumerate(zip(lot, names, strict=True))
    ]
    assert Counter(ski.verdict for ski in judge(lot)[0])["outlier"] == 0
    lot[0] = with_damping(lot[0], 1.6)
    assert judge(lot)[0][0].verdict == "outlier"
    # Control: without the names of the generations it is one of many.
    unnamed = [replace(ski, facts=replace(ski.facts, generation=None)) for ski in lot]
    assert judge(unnamed)[0][0].verdict == "pass"


def test_an_outlier_needs_three_good_taps_that_agree(sound_lot):
    off = moved(sound_lot[0], -8.0)
    few = verdict_on(replace(off, taps_good=2), sound_lot[1:])
    assert few.verdict == "recheck"
    assert "only 2 good taps: too few to call it an outlier; tap it again" in sentences(few.reasons)
    assert verdict_on(replace(off, taps_good=3), sound_lot[1:]).verdict == "outlier"
    torn = [replace(mode, frequency_u_hz=0.009 * mode.frequency_hz) for mode in sound_lot[0].placed.modes]
    shaky = replace(sound_lot[0], placed=replace(sound_lot[0].placed, modes=tuple(torn)))
    found = verdict_on(shaky, sound_lot[1:])
    assert found.verdict == "recheck"
    assert any("its modes are uncertain by 0.9 %: the taps disagree" in reason for reason in sentences(found.reasons))


def test_between_pass_and_outlier_lies_recheck(sound_lot):
    words = [verdict_on(moved(sound_lot[0], -shift), sound_lot[1:]).verdict for shift in np.arange(0, 9, 0.2)]
    order = {"pass": 0, "recheck": 1, "outlier": 2}
    ranks = [order[word] for word in words]
    assert ranks == sorted(ranks)
    assert set(ranks) == {0, 1, 2}


def test_score_is_one_at_the_limit(sound_lot):
    _, groups, _ = judge(sound_lot)
    # derived: moving one ski among thirty does not move robust limits by more than a few percent of themselves
    limit, centre = groups[0].limit_percent, groups[0].centre_percent
    at_limit = flat(sound_lot[0], math.log(1 + (centre - limit) / 100))
    found = verdict_on(at_limit, sound_lot[1:])
    assert found.score == pytest.approx(1.0, abs=0.15)


# --- groups and limits ---------------------------------------------------------------------------------------------


def test_group_limits_are_tolerance_limits_of_its_spread(sound_lot):
    _, groups, _ = judge(sound_lot)
    assert [(group.length_class, group.binding, group.count) for group in groups] == [("1990-2000", "bare", 30)]
    assert groups[0].basis == "group of 30: 95/99 tolerance limits"
    # NIST/SEMATECH e-Handbook 7.2.6.3 (page): 3.35 for 30 values, 95 % confidence, 99 % coverage
    assert math.log(1 + groups[0].limit_percent / 100) == pytest.approx(3.35 * groups[0].spread_percent / 100, rel=2e-3)
    # derived: 1 % of rig error is 0.5 %, with 0.5 % of build, 0.15 % of scale and 0.1 % of tap: 0.73 %
    assert groups[0].spread_percent == pytest.approx(0.73, rel=0.35)


def test_below_ten_skis_physics_alone_judges():
    skis = [at_prediction(f"{i}", 0.01 * i) for i in range(9)]
    verdicts, groups, _ = judge(skis)
    assert groups[0].basis == "physics and ranks: 9 skis, fewer than 10"
    assert groups[0].spread_percent is None
    assert groups[0].centre_percent == 0.0
    # derived (JCGM 100): u_k/k = 2 %, u_m/m = 0.5 % -> 0.5 sqrt(0.02² + 0.005²) = 1.031 %; shape 4 % for orders 1
    # and 2, tap 0.1 % in each of two modes, hanging 0.1 %; 99 % of a normal distribution lie within 2.576.
    u = math.sqrt(0.01031**2 + 0.04**2 + 0.001**2 / 2 + 0.001**2)
    assert math.log(1 + groups[0].limit_percent / 100) == pytest.approx(2.576 * u, rel=1e-3)
    assert {ski.verdict for ski in verdicts} == {"pass"}
    _, groups, _ = judge([*skis, at_prediction("9", 0.09)])
    assert groups[0].basis.startswith("group of 10")
    assert groups[0].spread_percent > 0
    off, _, _ = judge([*skis[:8], at_prediction("8", -0.2)])
    assert off[8].verdict == "outlier"
    assert "against the prediction (limit" in sentences(off[8].reasons)[0]


def test_lengths_close_to_each_other_are_one_class():
    lengths_m = [1.87, 1.89, 1.90, 1.99, 2.00, 2.03]
    skis = [at_prediction(f"{i}", 0.0, length_m=length) for i, length in enumerate(lengths_m)]
    unknown = replace(at_prediction("x", 0.0), messages=(told("no tap"),))
    verdicts, groups, _ = judge([*reversed(skis), unknown])
    assert [(group.length_class, group.count) for group in groups] == [("1870-1900", 3), ("1990-2030", 3)]
    assert [ski.group for ski in verdicts] == [1, 1, 1, 0, 0, 0, None]


def test_binding_and_construction_make_their_own_groups():
    skis = [
        at_prediction("a", 0.0),
        at_prediction("b", 0.0, binding_mass_kg=0.12),
        replace(at_prediction("c", 0.0), facts=ski_row("c", construction="skate_generic")),
    ]
    _, groups, _ = judge(skis)
    assert [(group.construction, group.binding) for group in groups] == [
        ("classic_generic", "bare"),
        ("classic_generic", "with binding"),
        ("skate_generic", "bare"),
    ]


def test_a_group_far_from_its_prediction_is_told_and_not_blamed_on_its_skis(sound_lot):
    verdicts, groups, notes = judge([moved(ski, 15.0) for ski in sound_lot])
    assert Counter(ski.verdict for ski in verdicts)["outlier"] == 0
    assert groups[0].centre_percent > 13
    assert "the whole group lies +1" in str(notes[0])
    assert "check the span" in str(notes[0])
    assert not judge(sound_lot)[2]


def test_skis_measured_at_different_temperatures_are_told(sound_lot):
    warm = [replace(ski, facts=replace(ski.facts, temperature_c=20.0 - i / 4)) for i, ski in enumerate(sound_lot)]
    assert any("between 13 and 20 °C" in str(note) for note in judge(warm)[2])


def test_the_order_of_the_skis_does_not_matter(sound_lot):
    shuffled = [sound_lot[i] for i in np.random.default_rng(1).permutation(len(sound_lot))]
    straight = {ski.ski_id: (ski.verdict, sentences(ski.reasons)) for ski in judge(sound_lot)[0]}
    assert {ski.ski_id: (ski.verdict, sentences(ski.reasons)) for ski in judge(shuffled)[0]} == straight


def test_nothing_is_nan(workshop, sound_lot):
    ambiguous = replace(sound_lot[1].placed, ambiguous=True, first_hz=None, first_u_hz=None)
    lot = [
        replace(sound_lot[0], prediction=None, placed=None, messages=(told("no span given"),)),
        replace(sound_lot[1], placed=ambiguous, messages=(told("mode numbers ambiguous"),)),
        with_modes(sound_lot[2], flags=("room-limited",)),
        *sound_lot[3:],
    ]
    verdicts, groups, _ = judge(lot)
    for record in (*verdicts, *groups):
        for name, value in document_of(SKI_FIELDS if isinstance(record, Ski) else GROUP_FIELDS, record).items():
            assert not isinstance(value, float) or math.isfinite(value), name
    assert [ski.verdict for ski in verdicts[:2]] == ["not judged", "not judged"]
    assert sentences(verdicts[0].reasons) == ["no span given"]
    assert judge([]) == ((), (), ())


def test_ladders_with_gaps_are_split_into_levels_and_effects():
    rng = np.random.default_rng(6)
    level, effect = rng.normal(size=20), np.array([0.3, -0.1, -0.2, 0.1, -0.1])
    ladders = []
    for own in level:
        orders = np.flatnonzero(rng.random(5) < 0.8)
        orders = orders if len(orders) > 1 else np.arange(5)
        ladders.append(
            Profile(tuple((orders + 2).tolist()), tuple((own + effect)[orders].tolist()), (0.001,) * len(orders))
        )
    found = two_way(ladders)
    # derived: without noise the levels come back but for a constant
    assert np.ptp(found.level - level) < 1e-4
    assert np.abs(found.residual).max() < 1e-4
    means = np.array([np.mean(ladder.values) for ladder in ladders])
    assert np.ptp(means - level) > 0.1  # control: plain means suffer from the gaps


def test_an_order_that_few_skis_have_does_not_loosen_the_others():
    """Two low orders scatter by 0.3 %, one of them seldom heard, all others by 0.1 %: that is what the others must be given.

    The scatter is drawn towards that of all orders, so up to 0.14 % is stated (40 tables); it was 0.32 % while what levels and
    effects share was moved between them and left over in between.
    """
    for seed in range(40):
        rng = np.random.default_rng(seed)
        build, effect = rng.normal(0, 0.005, 12), rng.normal(0, 0.02, 11)
        ladders = []
        for own in build:
            orders = [n for n in range(11) if rng.uniform() < (0.25 if n == 0 else 0.9)]
            values = tuple(own + effect[n] + (0.003 if n < 2 else 0.001) * rng.standard_normal() for n in orders)
            ladders.append(Profile(tuple(n + 1 for n in orders), values, (0.0003,) * len(orders)))
        found = two_way(ladders)
        others = found.known & (np.array(found.orders) > 2)
        assert 0.0008 < np.sqrt(np.median(found.variance[others])) < 0.0016


def test_several_recordings_of_a_ski_are_one_opinion():
    label = ski_row()
    first = measured_ski(label, CONSTRUCTION, {2: (66.0, 0.001, 0.01, 0.05), 3: (120.0, 0.001, 0.01, 0.05)})
    second = measured_ski(label, CONSTRUCTION, {2: (66.06, 0.002, 0.01, 0.05), 4: (190.0, 0.001, 0.01, 0.05)})
    found = combine([first.placed, second.placed])
    assert [mode.order for mode in found.bending()] == [2, 3, 4]
    # derived: weights 1/u², u = 0.066 and 0.13212 Hz
    weights = np.array([0.066**-2, 0.13212**-2])
    assert found.bending()[0].frequency_hz == pytest.approx(weights @ [66.0, 66.06] / weights.sum(), rel=1e-9)
    assert found.bending()[0].frequency_u_hz == pytest.approx(weights.sum() ** -0.5, rel=1e-6)
    # Rehung and 2 % elsewhere: the uncertainty grows to cover both.
    other = measured_ski(label, CONSTRUCTION, {2: (67.3, 0.001, 0.01, 0.05), 3: (122.4, 0.001, 0.01, 0.05)})
    torn = combine([first.placed, other.placed])
    assert torn.bending()[0].frequency_u_hz > 0.6
    assert replace(first, placed=torn).evidence.uncertain_percent > 0.5
    unsure = replace(other.placed, ambiguous=True)
    assert combine([unsure, first.placed]) == first.placed
    assert combine([unsure]).ambiguous


# --- from files ----------------------------------------------------------------------------------------------------


def lot_of(folder, *rows):
    (folder / "lot.csv").write_text(csv_text(list(rows)), encoding="utf-8")
    return read_lot(folder / "lot.csv")


def hiss(path, *, clicks=()):
    """Two seconds of noise with bare clicks, which ring nothing."""
    samples = 1e-4 * np.random.default_rng(0).normal(size=96_000)
    for click in clicks:
        samples[click : click + 20] += 0.5
    soundfile.write(path, samples, 48_000)


def test_what_cannot_be_judged_says_why(tmp_path):
    hiss(tmp_path / "quiet.wav")
    hiss(tmp_path / "clicks.wav", clicks=(24_000, 60_000))
    (tmp_path / "text.wav").write_text("no sound at all")
    classic = {"construction": "classic_generic"}
    lot = lot_of(
        tmp_path,
        row(ski_id="silent", recording="quiet.wav", **classic),
        row(ski_id="dull", recording="clicks.wav", **classic),
        row(ski_id="text", recording="text.wav", **classic),
        row(ski_id="none", recording="", **classic),
        row(ski_id="unknown", recording="clicks.wav", construction="clasic_generic"),
        row(ski_id="unmeasured", recording="clicks.wav", stiffness_n_per_mm="", span_mm="", **classic),
        row(ski_id="impossible", recording="clicks.wav", mass_g="300", length_mm="1405", **classic),
    )
    result = check(lot)
    assert result.count("not judged") == len(result.skis) == 7
    why = {ski.ski_id: " / ".join(sentences(ski.reasons)) for ski in result.skis}
    assert why["silent"].startswith("no tap found in the recording")
    assert why["dull"].startswith("no good tap: 2 taps refused: ")
    assert why["text"].startswith("recording cannot be read")
    assert why["none"].startswith("recording missing")
    assert "did you mean 'classic_generic'" in why["unknown"]
    assert "no stiffness or span given" in why["unmeasured"]
    assert len(result.unread) == 2
    # A place in the table, but no cell that is wrong: said as it is, without what stands in a cell.
    assert not any("found " in str(each) or "left out" in str(each) for each in result.unread)
    assert any("text.wav" in str(each) and "line 4" in str(each) for each in result.unread)
    assert any("clasic_generic" in str(each) for each in result.unread)
    assert not result.groups
    assert [ski.facts.line for ski in result.skis] == [2, 3, 4, 5, 6, 7, 8]
    predicted = {ski.ski_id: ski.predicted_hz for ski in result.skis}
    assert predicted["silent"] > 0
    assert predicted["unknown"] is None


def test_progress_and_processes_change_nothing(tmp_path):
    hiss(tmp_path / "quiet.wav")
    rows = [row(ski_id=f"{i}", recording="quiet.wav", construction="classic_generic") for i in range(3)]
    lot = lot_of(tmp_path, *rows)
    told = []
    alone = check(lot, progress=lambda *step: told.append(step))
    assert told == [(1, 3, "0"), (2, 3, "1"), (3, 3, "2")]
    told.clear()
    assert check(lot, progress=lambda *step: told.append(step), workers=2) == alone
    assert [step[:2] for step in told] == [(1, 3), (2, 3), (3, 3)]


def test_a_demo_ski_is_measured_as_it_was_made(demo_measured):
    ski = demo_measured.skis[0]
    assert not ski.obstacles
    assert ski.taps_good >= 3
    truth = demo_truth()[ski.facts.ski_id]
    for mode in ski.placed.bending():
        # derived: eigenvalues of the chain that made the sound, orders 1 to 10; some lie close to a torsion mode
        if mode.order <= len(truth["bending_hz"]):
            assert mode.frequency_hz == pytest.approx(truth["bending_hz"][mode.order - 1], rel=0.01)
    assert ski.placed.first_hz == pytest.approx(truth["bending_hz"][0], rel=0.03)


def test_the_demo_lot_shows_its_planted_faults(demo_checked):
    words = {ski.ski_id: ski.verdict for ski in demo_checked.skis}
    planted = {ski_id: ski["fault"] for ski_id, ski in demo_truth().items() if ski["fault"]}
    for ski_id, fault in planted.items():
        if fault in ("soft-spot", "wrong-mass", "high-damping"):
            assert words[ski_id] == "outlier", fault
        if fault == "speech":
            assert words[ski_id] == "not judged"
    assert not [ski_id for ski_id, word in words.items() if word == "outlier" and ski_id not in planted]
