"""The best pairing of a pile against trying every pairing there is, and against another library where one side is fixed."""

import csv
import random
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.simulated_lots import ski_row

from taptest.pairing import pairs as pairs_module
from taptest.pairing.limits import Limit, PairLimits
from taptest.pairing.matching import best_pairing, natural_order, nearest_only
from taptest.pairing.pairs import pair_up
from taptest.ski.record import Ski
from taptest.tables.lot import read_lot


def every_matching(things):
    """All ways to make pairs of some of the things: brute force, knows no costs."""
    if not things:
        yield []
        return
    first, rest = things[0], things[1:]
    yield from every_matching(rest)
    for at, partner in enumerate(rest):
        for others in every_matching(rest[:at] + rest[at + 1 :]):
            yield [(first, partner), *others]


def best_by_trying(things, cost):
    """(pairs, total) of the best: most pairs first, then the least total; ``cost`` holds the allowed pairs."""
    allowed = (m for m in every_matching(things) if all(pair in cost for pair in m))
    return min(((len(m), sum(cost[pair] for pair in m)) for m in allowed), key=lambda found: (-found[0], found[1]))


@st.composite
def graphs(draw):
    count = draw(st.integers(0, 10))
    ends = list(combinations(range(count), 2))
    # Small whole numbers make many ties; zeros and missing pairs are common.
    costs = draw(st.lists(st.one_of(st.none(), st.integers(0, 6)), min_size=len(ends), max_size=len(ends)))
    return count, {pair: value for pair, value in zip(ends, costs, strict=True) if value is not None}


def matched(count, costs):
    ends = np.array(list(costs), dtype=np.int64).reshape(-1, 2)
    return best_pairing(count, ends[:, 0], ends[:, 1], np.array(list(costs.values()), dtype=float))


@settings(max_examples=60, deadline=None)
@given(graphs())
def test_the_matching_is_as_good_as_the_best_of_all_matchings(graph):
    count, costs = graph
    pairs = matched(count, costs)
    assert len({i for pair in pairs for i in pair}) == 2 * len(pairs)
    assert (len(pairs), sum(costs[pair] for pair in pairs)) == best_by_trying(list(range(count)), costs)


def test_greed_would_fail():
    # The nearest two are 1 and 2; taking them leaves 0 and 3, 100 apart: 101 against 20 (derived by hand).
    costs = {(0, 1): 10.0, (1, 2): 1.0, (2, 3): 10.0, (0, 3): 100.0}
    assert matched(4, costs) == [(0, 1), (2, 3)]
    # Most pairs come first, however cheap a single one is.
    assert matched(4, {(0, 1): 50.0, (1, 2): 0.0, (2, 3): 50.0}) == [(0, 1), (2, 3)]


def test_an_odd_circle_is_solved_too():
    # Three that are near each other and three more: methods for two sides do not see odd circles.
    costs = {(0, 1): 1, (1, 2): 1, (0, 2): 1, (2, 3): 5, (3, 4): 1, (4, 5): 1, (3, 5): 1}
    assert best_by_trying(list(range(6)), costs) == (3, 7)
    pairs = matched(6, costs)
    assert (len(pairs), sum(costs[pair] for pair in pairs)) == (3, 7)


@pytest.mark.parametrize("cost", [-1.0, np.nan, np.inf])
def test_an_impossible_cost_is_refused(cost):
    with pytest.raises(ValueError, match="finite number, 0 or more"):
        best_pairing(2, np.array([0]), np.array([1]), np.array([cost]))


def test_numbers_in_names_are_put_in_order():
    assert sorted(["S10", "S2", "S02", "a1", "S2b", "7"], key=natural_order) == ["7", "S02", "S2", "S2b", "S10", "a1"]
    sorted(["²", "1", "１", "x"], key=natural_order)  # digits that are no ASCII digits


# --- skis ------------------------------------------------------------------------------------------------------------

LIMITS = PairLimits()


def paired(skis, limits=LIMITS):
    found = pair_up(skis, limits)
    assert found.every_partner
    return found.pairs, found.left_over


def pile_of(values, **same):
    """Untapped skis from (mass in grams, stiffness in N/m, side)."""
    return [
        Ski(ski_row(f"{n:02d}", mass_kg=m / 1000, stiffness_n_per_m=float(k), side=side, line=n + 2, **same))
        for n, (m, k, side) in enumerate(values)
    ]


def cost_by_hand(one, other):
    """The stated cost, written out once more: squares of difference over limit; what is unknown counts 1 each."""
    a, b = one.facts, other.facts
    grams = abs(a.mass_kg - b.mass_kg) * 1000
    mean = (a.stiffness_n_per_m + b.stiffness_n_per_m) / 2
    percent = 100 * abs(a.stiffness_n_per_m - b.stiffness_n_per_m) / mean
    if grams > 10 + 1e-9 or percent > 5 + 1e-9 or (a.side is not None and a.side == b.side):
        return None
    return (grams / 5) ** 2 + (percent / 3) ** 2 + 3  # frequency, damping and balance are not known


SKIS = st.lists(
    st.tuples(st.integers(495, 515), st.integers(4600, 5000), st.sampled_from([None, "L", "R"])),
    min_size=0,
    max_size=10,
)


@settings(max_examples=40, deadline=None)
@given(SKIS, st.randoms(use_true_random=False))
def test_a_pile_is_paired_as_well_as_by_trying_everything_and_the_order_of_the_table_does_not_matter(values, shuffler):
    skis = pile_of(values)
    costs = {
        (i, j): cost
        for i, j in combinations(range(len(skis)), 2)
        if (cost := cost_by_hand(skis[i], skis[j])) is not None
    }
    pairs, alone = paired(skis)
    total = sum(cost_by_hand(pair.first, pair.second) for pair in pairs)
    assert (len(pairs), pytest.approx(total, abs=1e-5)) == best_by_trying(list(range(len(skis))), costs)
    ids = sorted(
        [ski.facts.ski_id for pair in pairs for ski in (pair.first, pair.second)] + [a.ski.facts.ski_id for a in alone]
    )
    assert ids == [ski.facts.ski_id for ski in skis]
    shuffled = list(skis)
    shuffler.shuffle(shuffled)
    again, left = paired(shuffled)
    assert names(again) == names(pairs) and [a.reason for a in left] == [a.reason for a in alone]


def names(pairs):
    return [(pair.first.facts.ski_id, pair.second.facts.ski_id) for pair in pairs]


def test_equal_skis_are_paired_alike_in_whatever_order_they_come():
    skis = pile_of([(500, 4800, None)] * 9)
    expected = names(paired(skis)[0])
    assert len(expected) == 4
    for seed in range(10):
        random.Random(seed).shuffle(skis)
        assert names(paired(skis)[0]) == expected


def test_with_both_sides_marked_it_is_the_assignment_that_scipy_finds():
    from scipy.optimize import linear_sum_assignment

    rng = np.random.default_rng(4)
    wide = PairLimits({"mass": Limit(0.005, 0.4), "stiffness": Limit(0.03, 1.9)})
    skis = pile_of([(500 + 8 * rng.normal(), 4800 * (1 + 0.05 * rng.normal()), side) for side in "LR" * 40])
    left, right = skis[::2], skis[1::2]
    costs = np.array(
        [
            [
                ((a.facts.mass_kg - b.facts.mass_kg) / 0.005) ** 2
                + (
                    2
                    * (a.facts.stiffness_n_per_m - b.facts.stiffness_n_per_m)
                    / (a.facts.stiffness_n_per_m + b.facts.stiffness_n_per_m)
                    / 0.03
                )
                ** 2
                for b in right
            ]
            for a in left
        ]
    )
    rows, columns = linear_sum_assignment(costs)
    pairs, alone = paired(skis, wide)
    assert not alone and all(pair.first.facts.side == "L" and pair.second.facts.side == "R" for pair in pairs)
    expected = {(left[i].facts.ski_id, right[j].facts.ski_id) for i, j in zip(rows, columns, strict=True)}
    assert set(names(pairs)) == expected


@pytest.mark.parametrize(
    "change",
    [
        {"construction": "skate_generic"},
        {"length_m": 1.99},
        {"binding_mass_kg": 0.1},
        {"mass_kg": 0.512},
        {"stiffness_n_per_m": 5060.0},
        {"balance_m": 1.001},
    ],
)
def test_skis_that_may_not_be_paired_are_left_over_with_a_reason(change):
    given = {"mass_kg": 0.5, "stiffness_n_per_m": 4800.0, "balance_m": 0.99}
    alike = [Ski(ski_row(name, **given)) for name in "AB"]
    pairs, alone = paired(alike)
    assert names(pairs) == [("A", "B")] and not alone  # control
    pairs, alone = paired([alike[0], Ski(ski_row("B", **{**given, **change}))])
    assert not pairs and len(alone) == 2
    for each in alone:
        assert "to compare it with" in str(each.reason) or "close up to" in str(each.reason)


def test_what_is_not_known_makes_no_ski_a_better_partner():
    # B is as far from A in mass as C is, but nothing is known of B's stiffness: C, which agrees there, is nearer.
    a, c, d = pile_of([(500, 4800, None), (502, 4800, None), (540, 4800, None)])
    b = Ski(ski_row("01b", mass_kg=0.498, stiffness_n_per_m=None))
    pairs, alone = paired([a, b, c, d])
    assert names(pairs) == [("00", "01")]
    assert [each.ski.facts.ski_id for each in alone] == ["01b", "02"]
    assert str(alone[0].reason).startswith("would go with 00")


def test_a_large_pile_weighs_only_the_nearest_partners_and_says_so(monkeypatch):
    rng = np.random.default_rng(9)
    skis = pile_of([(505 + 6 * rng.normal(), 4800 * (1 + 0.03 * rng.normal()), None) for _ in range(120)])
    every = pair_up(skis, LIMITS)
    monkeypatch.setattr(pairs_module, "MOST_CANDIDATES", 500)
    monkeypatch.setattr(pairs_module, "PARTNERS", 10)
    few = pair_up(skis, LIMITS)
    assert every.every_partner and not few.every_partner
    assert names(few.pairs) == names(every.pairs)  # ten partners suffice here; three do not, the control:
    monkeypatch.setattr(pairs_module, "PARTNERS", 1)
    assert names(pair_up(skis, LIMITS).pairs) != names(every.pairs)


def test_the_nearest_partners_are_those_of_either_end():
    # A star: the middle keeps its two cheapest, but every ray keeps its only one.
    first, second, cost = np.zeros(4, dtype=np.int64), np.arange(1, 5), np.array([4.0, 1.0, 3.0, 2.0])
    assert nearest_only(5, first, second, cost, 2).all()
    # A triangle with a costly side that is the second choice of both its ends.
    first, second, cost = np.array([0, 0, 1]), np.array([1, 2, 2]), np.array([1.0, 1.0, 9.0])
    assert nearest_only(3, first, second, cost, 1).tolist() == [True, True, False]
    assert nearest_only(3, first, second, cost, 2).all()


def test_the_odd_ones_of_the_demonstration_pile_are_left_over():
    # make_demo.py: P07 is a quarter stiffer, P15 an eighth heavier than the others; simulated_lots finds its folder.
    import make_demo

    path = Path(make_demo.__file__).with_name("pile.csv")
    with path.open(encoding="utf-8", newline="") as file:
        assert list(csv.DictReader(file)) == make_demo.pile()
    pairs, alone = paired([Ski(row) for row in read_lot(path).rows])
    assert {"P07", "P15"} <= {each.ski.facts.ski_id for each in alone}
    assert len(pairs) == 8 and all(pair.verdict in ("matched", "close") for pair in pairs)
