"""A new ski's particulars: units, second questions, and what ends up in the table."""

from __future__ import annotations

import shutil

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.tapped_skis import DEMO, demo

from taptest.capture.dialogues import NewSki
from taptest.capture.lot_table import LotTable
from taptest.core.errors import LotError
from taptest.core.fields import document_of
from taptest.screen.check import check
from taptest.ski.fields import SKI_FIELDS, sentences
from taptest.tables.lot import read_lot

ANSWERS = ("classic_generic", "1990", "513", "5.035", "1400")
SI = {"construction": "classic_generic", "length_m": 1.99, "mass_kg": 0.513, "stiffness_n_per_m": 5035.0, "span_m": 1.4}


def asked(tmp_path, *answers, before=None):
    added = []
    dialogue = NewSki("X", tmp_path, lambda found: added.append(dict(found)) or "added", before)
    told = [dialogue.answer(answer) for answer in answers]
    return dialogue, added, told


def test_plain_numbers_are_in_the_usual_units(tmp_path):
    dialogue, added, told = asked(tmp_path, *ANSWERS)
    assert dialogue.question is None and told[-1] == "added"
    assert added == [{name: pytest.approx(value) if isinstance(value, float) else value for name, value in SI.items()}]


def test_other_units_are_taken_where_they_are_written(tmp_path):
    _, added, _ = asked(tmp_path, "1", "199 cm", "0,513 kg", "5035 N/m", "1.4 m")
    assert added[0] == {name: pytest.approx(value) if isinstance(value, float) else value for name, value in SI.items()}


@pytest.mark.parametrize(
    ("answers", "typed", "question", "quantity"),
    [
        (ANSWERS[:2], "0.52", "0.52 g? Did you mean 520 g?", ("mass_kg", 0.52)),
        (ANSWERS[:2], "0,52 g", "0.52 g? Did you mean 520 g?", ("mass_kg", 0.52)),
        (ANSWERS[:1], "1.9", "1.9 mm? Did you mean 1900 mm?", ("length_m", 1.9)),
        (ANSWERS[:1], "190", "190 mm? Did you mean 1900 mm?", ("length_m", 1.9)),
        (ANSWERS[:3], "3100", "3100 N/mm? Did you mean 3.1 N/mm?", ("stiffness_n_per_m", 3100.0)),
    ],
)
def test_a_number_in_another_unit_is_asked_about(tmp_path, answers, typed, question, quantity):
    dialogue, _, _ = asked(tmp_path, *answers, typed)
    assert dialogue.question.startswith(question)
    dialogue.answer("y")
    name, value = quantity
    assert dialogue.answers[name] == pytest.approx(value)


def test_a_doubt_can_be_denied_or_typed_over(tmp_path):
    dialogue, _, _ = asked(tmp_path, *ANSWERS[:2], "0.52", "what?", "n")
    assert dialogue.question.startswith("Mass") and "mass_kg" not in dialogue.answers
    dialogue.answer("0.52")
    dialogue.answer("530")
    assert dialogue.answers["mass_kg"] == pytest.approx(0.53)


@pytest.mark.parametrize(
    ("answers", "typed", "told"),
    [
        ((), "no_such", "no_such"),
        ((), "", "construction"),
        (ANSWERS[:2], "heavy", "not a number"),
        (ANSWERS[:2], "1,234", "may mean"),
        (ANSWERS[:2], "513 mm", "no unit for it"),
        (ANSWERS[:2], "900000", "out of range"),
        (ANSWERS[:3], "230", "flattening"),
        (ANSWERS[:2], "", "not a number"),
    ],
)
def test_what_cannot_be_taken_is_told_and_asked_again(tmp_path, answers, typed, told):
    dialogue, added, said = asked(tmp_path, *answers, typed)
    assert told in said[-1] and dialogue.question is not None and not added
    assert len(dialogue.answers) == len(answers)


def test_what_is_unlike_a_ski_is_asked_about_at_the_end(tmp_path):
    dialogue, added, _ = asked(tmp_path, *ANSWERS[:2], "2500", *ANSWERS[3:])
    assert "2500 g without the binding is unusual" in dialogue.question and not added
    dialogue.answer("hm")
    dialogue.answer("n")
    for answer in ("", "", "513", "5.035", ""):
        dialogue.answer(answer)
    assert added[0]["mass_kg"] == pytest.approx(0.513)
    _, added, _ = asked(tmp_path, *ANSWERS[:2], "2500", *ANSWERS[3:], "y")
    assert added[0]["mass_kg"] == 2.5


def test_a_span_longer_than_the_ski_starts_again(tmp_path):
    dialogue, added, told = asked(tmp_path, *ANSWERS[:4], "2100")
    assert "once more from the start" in told[-1] and dialogue.question.startswith("Construction") and not added


def test_answers_of_the_ski_before_are_offered(tmp_path):
    _, added, _ = asked(tmp_path, "", "", "520", "4.9", "", before=SI)
    assert added[0] == {**SI, "mass_kg": pytest.approx(0.52), "stiffness_n_per_m": pytest.approx(4900.0)}


@given(st.lists(st.text(max_size=12) | st.sampled_from([*ANSWERS, "y", "n", "-", "0.5"]), max_size=20))
def test_nothing_that_is_typed_breaks_it(answers):
    dialogue = NewSki("X", DEMO, lambda found: "added")
    for answer in answers:
        if dialogue.question is None:
            break
        assert isinstance(dialogue.answer(answer), str)


# --- the table -----------------------------------------------------------------------------------------------------


def test_an_empty_table_can_be_filled_while_recording(tmp_path):
    path = tmp_path / "lot.csv"
    path.write_text("ski_id,construction\n", encoding="utf-8")
    desk = LotTable(path)
    assert desk.waiting() == [] and desk.recording("X") is None
    dialogue = desk.new_ski("X")
    for answer in ANSWERS:
        dialogue.answer(answer)
    assert desk.waiting() == ["X"]
    desk.add_note("X", "one")
    desk.add_note("X", "two")
    (row,) = read_lot(path).rows
    assert (row.mass_kg, row.note) == (0.513, "one; two")
    assert desk.new_ski("Y").question.endswith("(Enter: classic_generic); - gives up")


def test_the_first_verdict_is_that_of_check_for_the_ski_alone(tmp_path):
    path = tmp_path / "lot.csv"
    heading = "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording\n"
    path.write_text(heading + "17L,classic_generic,1990,513,5.035,1400,\n", encoding="utf-8")
    desk = LotTable(path)
    recording, analysis = demo("c05l")
    first = desk.judge("17L", [analysis])
    sound = tmp_path / "17L.flac"
    shutil.copy(recording.path, sound)
    assert desk.enter("17L", [sound]).notes == ()
    (alone,) = check(read_lot(path)).skis
    assert document_of(SKI_FIELDS, first) == document_of(SKI_FIELDS, alone) and first.verdict == "pass"


def test_a_ski_whose_line_is_bad_is_not_judged_and_told_why(tmp_path):
    path = tmp_path / "lot.csv"
    heading = "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording\n"
    path.write_text(heading + "17L,classic_generic,1990,0.513,5.035,1400,\n18L,,,,,,\n", encoding="utf-8")
    desk = LotTable(path)
    verdict = desk.judge("17L", [demo("c05l")[1]])
    assert verdict.verdict == "not judged" and "looks like kilograms" in sentences(verdict.reasons)[0]
    assert desk.judge("18L", [demo("c05l")[1]]).verdict == "not judged" and desk.waiting() == ["17L", "18L"]


def test_what_others_write_meanwhile_counts(tmp_path):
    path = tmp_path / "lot.csv"
    heading = "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording\n"
    path.write_text(heading + "17L,classic_generic,1990,530,5.035,1400,\n", encoding="utf-8")
    desk = LotTable(path)
    before = desk.judge("17L", [demo("c05l")[1]])
    path.write_text(heading + "17L,classic_generic,1990,513,5.035,1400,\n", encoding="utf-8")
    after = desk.judge("17L", [demo("c05l")[1]])
    assert (before.mass_g, after.mass_g) == (pytest.approx(530), pytest.approx(513))


def test_a_table_that_is_none_is_an_error(tmp_path):
    with pytest.raises(LotError, match="not found"):
        LotTable(tmp_path / "lot.csv")
