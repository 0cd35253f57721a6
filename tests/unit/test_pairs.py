"""Differences between the two skis of a pair, against closed forms, and the verdicts."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.simulated_lots import measured_ski, ski_row

from taptest.beam.construction import load_construction
from taptest.core.errors import LotError
from taptest.core.messages import codes
from taptest.identify.measured_lot import MeasuredLot
from taptest.pairing.limits import Limit, PairLimits
from taptest.pairing.pairs import judge_pairs, match_pairs
from taptest.pairing.verdict import verdict_of
from taptest.ski.record import Ski
from taptest.tables.lot import Lot

CLASSIC = load_construction("classic_generic")
LIMITS = PairLimits()


def lot_of(*skis):
    return MeasuredLot(Lot(Path("lot.csv"), tuple(ski.facts for ski in skis), ()), skis, {}, ())


def heard(ski_id, factor=1.0, *, u=0.0005, damping=1.0, orders=(2, 3, 4, 5, 6), changes=None, **row):
    """A ski whose modes are `factor` times the same frequencies; ``changes`` are factors of single orders."""
    row = ski_row(ski_id, pair_id="1", side=ski_id[-1], **row)
    hz = {n: 30.0 * n**1.9 * factor * (changes or {}).get(n, 1.0) for n in orders}
    return measured_ski(row, CLASSIC, {n: (f, u, 0.01 * damping, 0.02) for n, f in hz.items()})


def only_pair(*skis, limits=LIMITS):
    (pair,) = judge_pairs(lot_of(*skis), limits=limits).pairs
    return pair


def test_differences_are_second_minus_first():
    pair = only_pair(
        heard("aR", 1.02, damping=1.1, mass_kg=0.524, stiffness_n_per_m=4738.0, balance_m=0.994),
        heard("aL", mass_kg=0.520, stiffness_n_per_m=4600.0, balance_m=0.990),
    )
    assert (pair.first.facts.ski_id, pair.second.facts.ski_id) == ("aL", "aR")  # the left one first
    assert pair.difference("mass").value == pytest.approx(0.004)
    assert pair.difference("balance").value == pytest.approx(0.004)
    # In percent of the mean of both: 200 (b - a)/(b + a).
    assert pair.difference("stiffness").percent == pytest.approx(200 * 138 / (4738 + 4600))
    assert pair.difference("frequency").percent == pytest.approx(200 * 0.02 / 2.02)
    assert pair.difference("frequency").value == pytest.approx(math.log(1.02))
    assert pair.difference("damping").value == pytest.approx(math.log(1.1))


def test_turned_round_only_the_signs_change():
    a, b = heard("aL", mass_kg=0.52), heard("aR", 1.03, mass_kg=0.53, stiffness_n_per_m=4900.0)
    there = only_pair(a, b)
    back = only_pair(replace(a, facts=replace(a.facts, side="R")), replace(b, facts=replace(b.facts, side="L")))
    assert there.verdict == back.verdict
    for one, other in zip(there.differences, back.differences, strict=True):
        assert one.value == pytest.approx(-other.value)
        assert (one.u, one.verdict) == (pytest.approx(other.u), other.verdict)
        assert one.percent == pytest.approx(-other.percent)


def test_modes_that_agree_are_a_weighted_mean():
    # Orders 2 and 3 apart by 1 % and 1.02 % with u of 0.2 % and 0.1 % each: nothing between modes but noise, so the mean
    # is weighted with 1/(u² + u² + 2 x 0.05 %²), and hanging anew adds 0.1 % a ski (derived by hand).
    def ski(name, factor):
        row = ski_row(name, pair_id="1", side=name)
        modes = {
            2: (80.0 * factor, 0.002, 0.01, 0.02),
            3: (150.0 * factor ** (1.02 if factor != 1 else 1), 0.001, 0.01, 0.02),
        }
        return measured_ski(row, CLASSIC, modes)

    found = only_pair(ski("L", 1.0), ski("R", math.exp(0.01))).difference("frequency")
    weights = np.array([1 / (2 * 0.002**2 + 2 * 0.0005**2), 1 / (2 * 0.001**2 + 2 * 0.0005**2)])
    assert found.value == pytest.approx(float(np.average([0.01, 0.0102], weights=weights)), rel=1e-6)
    assert found.u == pytest.approx(math.hypot(weights.sum() ** -0.5, 0.001 * 2**0.5), rel=1e-6)


def test_modes_that_disagree_widen_the_uncertainty():
    pattern = {2: 1.03, 3: 0.99, 4: 1.02, 5: 0.98, 6: 1.0}
    pair = only_pair(heard("aL", u=0.0001), heard("aR", u=0.0001, changes=pattern))
    logs = np.log(list(pattern.values()))
    # With negligible noise the random-effects mean is the plain one, with the scatter's own standard error.
    assert pair.difference("frequency").value == pytest.approx(logs.mean(), abs=2e-5)
    assert pair.difference("frequency").u == pytest.approx(math.hypot(logs.std(ddof=1) / 5**0.5, 0.0014), rel=0.02)
    assert pair.mode_spread == pytest.approx(logs.std(ddof=1), rel=0.03)
    assert "pair-uneven" in codes(pair.reasons)
    even = only_pair(heard("aL"), heard("aR", 1.02))
    assert even.mode_spread == 0.0 and "pair-uneven" not in codes(even.reasons)


def test_stated_uncertainties_hold_on_simulated_pairs():
    rng = np.random.default_rng(8)
    off = []
    for _ in range(400):
        true = 0.01 * rng.normal()
        skis = []
        for name, log_factor in (("aL", 0.0), ("aR", true)):
            changes = {n: math.exp(0.003 * rng.normal() + 0.001 * rng.normal()) for n in range(2, 9)}
            skis.append(heard(name, math.exp(log_factor), u=0.001, orders=range(2, 9), changes=changes))
        found = only_pair(*skis).difference("frequency")
        off.append((found.value - true) / found.u)
    # Two uncertainties hold about 95 % (a normal distribution); hanging anew is not simulated, so rather more.
    assert 0.93 < np.mean(np.abs(off) < 2) <= 0.995


CASES = [
    # limits 5 and 10 g: difference, uncertainty [g], verdict
    (4.9, 1.4, "matched"),
    (5.0, 1.4, "matched"),
    (5.1, 1.4, "close"),
    (4.9, 5.2, "close"),  # it may as well be beyond 10
    (10.9, 1.0, "close"),  # it may as well be within 10
    (11.1, 1.0, "mismatched"),
    (30.0, 25.0, "close"),
]


@pytest.mark.parametrize(("grams", "u", "word"), CASES)
@pytest.mark.parametrize("sign", [1, -1])
def test_verdicts_respect_the_uncertainty(grams, u, word, sign):
    assert verdict_of("mass", sign * grams / 1000, u / 1000, Limit(0.005, 0.010)) == word


def test_the_worst_quantity_decides():
    assert only_pair(heard("aL"), heard("aR")).verdict == "matched"
    assert only_pair(heard("aL"), heard("aR", 1.02)).verdict == "close"
    assert only_pair(heard("aL"), heard("aR", 1.02, mass_kg=0.54)).verdict == "mismatched"
    quiet = LIMITS.changed("frequency", None)
    pair = only_pair(heard("aL"), heard("aR", 1.5), limits=quiet)
    assert pair.verdict == "matched" and pair.difference("frequency") is None


def test_a_wrong_mass_shows_as_a_tone_that_does_not_fit():
    # 9 % less mass on the label: the tone should differ by -½ ln(1/0.91) = 4.7 % and does not.
    pair = only_pair(heard("aL", mass_kg=0.52), heard("aR", mass_kg=0.52 * 0.91))
    assert any("should ring 4.8 % higher, but it rings" in str(reason) for reason in pair.reasons)
    true = only_pair(heard("aL", mass_kg=0.52), heard("aR", 0.91**-0.5, mass_kg=0.52 * 0.91))
    assert not any("should ring" in str(reason) for reason in true.reasons)


def test_stiffness_from_different_spans_is_compared_as_that_of_the_section():
    from taptest.beam.predict import predict
    from taptest.identify.predicted import measurements_of

    # The same ski on a rig of 1.3 m: the stiffness that makes its section, and so its tone, the same.
    long = ski_row("aL", pair_id="1", side="L")
    section = predict(CLASSIC, measurements_of(long)).ei_mid_n_m2
    other = replace(long, ski_id="aR", side="R", span_m=1.3)
    k = long.stiffness_n_per_m * section / predict(CLASSIC, measurements_of(other)).ei_mid_n_m2
    modes = {2: (80.0, 0.001, 0.01, 0.02), 3: (150.0, 0.001, 0.01, 0.02)}
    pair = only_pair(
        measured_ski(long, CLASSIC, modes), measured_ski(replace(other, stiffness_n_per_m=k), CLASSIC, modes)
    )
    assert k > 1.15 * long.stiffness_n_per_m
    assert pair.difference("stiffness").value == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("change", "verdict", "words"),
    [
        ({"construction": "skate_generic"}, "mismatched", "different construction"),
        ({"length_m": 1.99}, "mismatched", "10 mm apart in length"),
        ({"side": "L"}, "mismatched", "both are marked L"),
        ({"binding_mass_kg": 0.1, "mass_kg": 0.62}, "not compared", "carries a binding"),
        ({"generation": "teal"}, "matched", "different generations"),
        ({"temperature_c": 30.0}, "matched", "10 K apart"),
    ],
)
def test_what_no_measurement_makes_good(change, verdict, words):
    row = {"mass_kg": 0.52, "temperature_c": 20.0}
    pair = only_pair(
        Ski(ski_row("aL", pair_id="1", side="L", **row)),
        Ski(ski_row("aR", pair_id="1", **{"side": "R", **row, **change})),
    )
    assert pair.verdict == verdict
    assert words in " ".join(map(str, pair.reasons))


def test_skis_without_a_partner_are_listed():
    rows = [("a", "1"), ("b", "1"), ("c", "2"), ("d", None), ("e", "3"), ("f", "3"), ("g", "3")]
    result = judge_pairs(lot_of(*(Ski(ski_row(name, pair_id=pair)) for name, pair in rows)))
    assert [pair.pair_id for pair in result.pairs] == ["1"]
    reasons = {each.ski.facts.ski_id: str(each.reason) for each in result.left_over}
    assert reasons["c"] == "the only usable ski of pair 2" and reasons["d"] == "has no pair_id"
    assert all("one of 3 skis of pair 3" in reasons[name] for name in "efg")


def test_a_table_without_pairs_says_what_to_do():
    row = ski_row("a")
    with pytest.raises(LotError, match=r"lot.csv: names no pairs; fill in pair_id, or let the best pairs be found"):
        match_pairs(Lot(Path("lot.csv"), (row,), ()))
    with pytest.raises(LotError, match=r"3001 skis are more than can be paired at once \(3000\)"):
        match_pairs(Lot(Path("lot.csv"), (row,) * 3001, ()), pile=True)
