"""Tables, pictures and documents of pairs and compare: layout at two widths, every key of the contract, null for unknown."""

import json
import re
from pathlib import Path

import pytest
from rich.console import Console
from support.simulated_lots import measured_ski, ski_row

from taptest.beam.construction import load_construction
from taptest.comparison.compare import compare_measured
from taptest.core.messages import Subject, message
from taptest.identify.measured_lot import MeasuredLot
from taptest.pairing.pairs import judge_pairs
from taptest.present.json.comparison import comparison_document
from taptest.present.json.pairs import pairs_document
from taptest.present.text.character_pictures import marks_for, tones_view
from taptest.present.text.comparison_table import comparison_view
from taptest.present.text.pairs_table import pairs_view
from taptest.present.text.tables import CAUTION
from taptest.ski.record import Ski
from taptest.tables.lot import Lot

CLASSIC = load_construction("classic_generic")
HOSTILE = "x\x1b[31m[red]x"
PROBLEM = message("not-a-number", Subject(file="lot.csv", line=7, column="mass_g", value="heavy"))

# The contract: keys may be added, never taken away or renamed without a new schema number.
PAIR = (
    "pair_id in_table first second mass_difference_g mass_difference_u_g stiffness_difference_percent "
    "stiffness_difference_u_percent frequency_difference_percent frequency_difference_u_percent frequency_difference_cents "
    "frequency_difference_u_cents damping_difference_percent damping_difference_u_percent balance_difference_mm "
    "balance_difference_u_mm mode_spread_percent verdict verdicts reasons reason_codes"
)
PAIRED_SKI = "ski_id pair_id side line mass_g stiffness_n_per_mm measured_hz"
GROUP = "name skis units heard shortest_mm longest_mm figures first_mode_tone loudest tip_factor"
FIGURES = (
    "mass_g stiffness_n_per_mm section_stiffness_n_m2 specific_stiffness_n_m3_per_kg first_mode_hz first_mode_at_length_hz "
    "damping_ratio swing_inertia_kg_m2 balance_percent"
)
SHIFT = (
    "difference_percent low_percent high_percent difference_cents low_cents high_cents confidence p_value exact "
    "effect_hedges_g superiority units units_against"
)


def ski(ski_id, *, tapped=True, factor=1.0, **row):
    row = ski_row(ski_id, **{"balance_m": 0.99, **row})
    if not tapped:
        return Ski(row)
    return measured_ski(row, CLASSIC, {n: (30.0 * n**1.9 * factor, 0.001, 0.01, 0.02) for n in range(1, 7)})


def lot():
    skis = [
        ski("1L", pair_id="1", side="L", generation="old"),
        ski("1R", pair_id="1", side="R", generation="old", mass_kg=0.527),
        ski("2L", pair_id="2", side="L", generation="new", mass_kg=0.5, factor=1.02),
        ski("2R", pair_id="2", side="R", generation="new", tapped=False, mass_kg=0.47),
        ski("3L", pair_id="3", side="L", generation="new", binding_mass_kg=0.1),
        ski("3R", pair_id="3", side="R", generation="new", mass_kg=0.5),
        ski(HOSTILE, pair_id=HOSTILE, generation=HOSTILE, mass_kg=0.6),
    ]
    return MeasuredLot(
        Lot(Path("lot.csv"), tuple(s.facts for s in skis), (PROBLEM,)),
        tuple(skis),
        {"classic_generic": CLASSIC},
        ("a.wav: no",),
    )


PAIRS, PILE, GENERATIONS = judge_pairs(lot()), judge_pairs(lot(), pile=True), compare_measured([lot()])
VIEWS = {
    "pairs": lambda width: pairs_view(PAIRS, width),
    "pile": lambda width: pairs_view(PILE, width),
    "compare": lambda width: comparison_view(GENERATIONS, width),
}


def drawn(view, width):
    console = Console(width=width, highlight=False, markup=False, emoji=False, color_system=None)
    with console.capture() as captured:
        console.print(view, crop=False)
    captured.get().encode("cp1252")
    return [line.rstrip() for line in captured.get().splitlines()]


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("width", [80, 120])
def test_every_view_fits_and_is_readable_in_cp1252(view, width):
    lines = drawn(VIEWS[view](width), width)
    assert max(map(len, lines)) <= width
    assert not any("\x1b" in line or re.search(r"\bnan\b", line) for line in lines)
    text = " ".join(" ".join(lines).split())
    assert CAUTION in text and "2 inputs could not be read, named below" in text


def test_pairs_are_told_with_what_keeps_them_apart():
    text = " ".join(" ".join(drawn(VIEWS["pairs"](80), 80)).split())
    assert "3 pairs: 0 matched, 1 close, 1 mismatched, 1 not compared; 1 ski left over" in text
    assert "1L 1R 1R is 7 g heavier (matched up to 5 g)." in text
    assert "2R is 30 g lighter (close up to 10 g)" in text and "2R has no recording" in text
    assert "3L carries a binding and the other does not" in text
    assert "mass 5 and 10 g, stiffness 3 and 5 %" in text


def test_a_comparison_is_told_in_words_that_keep_to_the_numbers():
    text = " ".join(" ".join(drawn(VIEWS["compare"](80), 80)).split())
    assert "new against old" in text and "too few to show a difference in mass" in text
    assert "Only one generation here, so nothing is compared." in text  # the ski with a binding
    for forbidden in ("because", "caused", "better", "worse", "proves"):
        assert forbidden not in text


@pytest.mark.parametrize("width", [80, 120])
def test_many_groups_with_long_names_fit(width):
    skis = [ski(f"{n}", generation=f"generation with a long name, {n // 2}", mass_kg=0.5 + n / 1000) for n in range(12)]
    measured = MeasuredLot(Lot(Path("lot.csv"), tuple(s.facts for s in skis), ()), tuple(skis), {}, ())
    lines = drawn(comparison_view(compare_measured([measured]), width), width)
    assert max(map(len, lines)) <= width
    text = " ".join(" ".join(lines).split())
    assert "section 0" not in text  # a difference that is not shown is not read as a thickness
    assert all(f"name, {n} against" in text for n in range(1, 6))


def through_json(document):
    return json.loads(json.dumps(document, allow_nan=False))


def test_every_key_of_pairs():
    document = through_json(pairs_document(PAIRS))
    assert document["schema"] == "taptest.pairs/1" and not document["pile"]
    assert set(document) == {
        *["schema", "pile", "limits", "pairs", "left_over", "problems", "unread", "notes", "calibrations"]
    }
    for pair in document["pairs"]:
        assert set(PAIR.split()) <= set(pair)
        assert set(PAIRED_SKI.split()) <= set(pair["first"]) & set(pair["second"])
    first, second, third = document["pairs"]
    assert first["mass_difference_g"] == pytest.approx(7.0) and first["mass_difference_u_g"] == pytest.approx(2**0.5)
    assert first["frequency_difference_percent"] == 0.0 and first["verdicts"]["mass"] == "close"
    assert second["frequency_difference_cents"] is None and second["mode_spread_percent"] is None
    assert third["verdict"] == "not compared" and third["mass_difference_g"] is None and third["verdicts"] == {}
    assert document["limits"]["mass_g"] == {"matched": 5.0, "close": 10.0}
    (alone,) = document["left_over"]
    assert alone["reason_code"] == "left-alone"
    assert alone["ski_id"] == HOSTILE and "\x1b" not in alone["reason"]
    assert document["problems"][0]["line"] == 7 and document["unread"] == ["a.wav: no"]


def test_every_key_of_a_comparison():
    document = through_json(comparison_document(GENERATIONS))
    assert document["schema"] == "taptest.compare/1"
    assert set(document) == {
        *["schema", "by", "length_mm", "skis", "sections", "problems", "unread", "notes", "calibrations"]
    }
    section = document["sections"][0]
    for group in section["groups"]:
        assert set(GROUP.split()) <= set(group) and set(FIGURES.split()) <= set(group["figures"])
    for contrast in section["contrasts"]:
        assert {"group", "against", "differences", "first_mode_parts", "shape_u_percent"} <= set(contrast)
        for difference in contrast["differences"]:
            assert set(f"figure {SHIFT} p_holm word".split()) <= set(difference)
        for part in contrast["first_mode_parts"]:
            assert set(f"part {SHIFT}".split()) <= set(part)
    old = section["groups"][0]
    assert old["figures"]["mass_g"] == {"mean": pytest.approx(523.5, abs=0.1), "deviation": None, "units": 1}
    assert old["figures"]["damping_ratio"]["mean"] == pytest.approx(
        0.01
    )  # as the skis were given it: a share, no percent
    assert old["loudest"]["family"] == "bending" and old["loudest"]["skis"] == 2
    assert section["contrasts"][0]["differences"][0]["low_percent"] is None  # one unit against two


def test_a_picture_has_every_group_in_plain_characters():
    points = {"old": [(520.0, 30.0), (527.0, 29.5)], "new": [(500.0, 31.0)]}
    title, *lines = drawn(tones_view(points, 80), 80)
    drawing, legend = lines[:-1], lines[-1]
    assert title == "First mode at one length against mass" and legend == "o: old, n: new."
    assert "".join(drawing).isascii() and max(map(len, drawing)) <= 80
    assert "".join(drawing).count("o") == 2 and "".join(drawing).count("n") == 1
    rows = [line for line in drawing if re.search("[on]", line)]
    assert "n" in rows[0] and "o" in rows[-1]  # the highest frequency on top
    assert rows[0].index("n") < rows[1].index("o") < rows[-1].index("o")  # and the heaviest on the right
    assert tones_view({"a": [(1.0, 1.0)]}, 80) is None
    assert tones_view({"a": [(1.0, 1.0)] * 2}, 80) is not None  # no extent at all
    assert marks_for(["old", "odd"]) == {"old": "A", "odd": "B"} and marks_for(["ü", "b"]) == {"ü": "A", "b": "B"}
