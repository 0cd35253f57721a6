"""Whether a ski has gone soft: against the closed form for a free beam, and in words that stay hedged."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import UTC, datetime
from math import sqrt

import pytest
from rich.console import Console
from support.heard_once import measured_once
from support.logbook_results import add, day, sound
from support.places import DEMO, demo_truth
from typer.testing import CliRunner

from taptest.cli import app
from taptest.logbook.book import open_logbook
from taptest.logbook.history import Change, Softness, softness
from taptest.present.text.logbook_table import history_picture, softness_view
from taptest.screen.check import check_measured
from taptest.tables.lot import read_lot


@pytest.fixture
def book(tmp_path, monkeypatch):
    for name in ("TAPTEST_LOG", "TAPTEST_LOGBOOK"):
        monkeypatch.delenv(name, raising=False)
    with open_logbook(tmp_path / "l.sqlite") as opened:
        yield opened


def measured(book, folder, *changes, ski_id="17R"):
    """One measurement a day from (stiffness factor, mass factor), tones as a beam's (f ~ sqrt(k / m): derived)."""
    for at, (stiffness, mass, more) in enumerate(changes):
        pitch = sound(folder, f"{ski_id}{at}.flac", 200 + 7 * at + 50 * (ski_id == "17L"))
        add(book, ski_id, pitch, at=day(1 + 3 * at), factor=sqrt(stiffness / mass), mass_kg=0.54 * mass, **more)
    return softness(book.history(ski_id))


def test_the_loss_of_stiffness_is_that_of_the_closed_form(book, tmp_path):
    found = measured(book, tmp_path, (1, 1, {}), (0.95, 1, {}))
    assert found.answer == "maybe softer"
    # 2 ln f + ln m = ln k exactly, so nothing but rounding is left.
    assert found.stiffness.percent == pytest.approx(-5.0, abs=1e-6)
    assert found.bends.percent == 0 and not found.bends.exceeds


@pytest.mark.parametrize(
    ("bends", "said"),
    [
        (Change(-5.2, 2.7), "reads -5.2 ±2.7 %, which agrees but would not show it alone"),
        (Change(+0.5, 4.0), "reads +0.5 ±4.0 %, which neither shows it nor rules it out"),
        (Change(+0.5, 0.5), "says otherwise: +0.5 ±0.5 %"),
        (Change(-5.2, 0.5), "it is 5.2 % softer"),
        (None, "bend it again, as it was bent at first"),
    ],
)
def test_what_the_bending_test_adds_is_said_as_it_is(bends, said):
    found = Softness("17R", "maybe softer", Change(-6.0, 0.4), 0.8, bends, mass_known=True)
    with io.StringIO() as stream:
        Console(file=stream, width=300).print(softness_view([found]))
        assert said in " ".join(stream.getvalue().split())


def test_a_pair_measured_again_a_season_later_from_its_sound(book):
    """Stepped in time with 6 % less stiffness and 1 % more mass, in other loops; the truth is the chain's eigenvalues."""
    truths = []
    for folder, month in ((DEMO, 3), (DEMO / "later", 11)):
        whole = read_lot(folder / "lot.csv")
        lot = replace(whole, rows=tuple(row for row in whole.rows if row.pair_id == "C04"))
        lot_measured = measured_once(lot)
        at = datetime(2026, month, 1, tzinfo=UTC)
        book.add_check(check_measured(lot_measured), at=at)
        truths.append({ski_id: ski["bending_hz"][2:8] for ski_id, ski in demo_truth(folder).items()})
    for history, answer in zip(book.histories("C04"), ("no sign of it", "maybe softer"), strict=True):
        first, later = (truth[history.ski_id] for truth in truths)
        true_percent = 100 * sum(b / a - 1 for a, b in zip(first, later, strict=True)) / 6
        tone, found = history.points[-1].tone, softness(history)
        assert tone.percent == pytest.approx(true_percent, abs=2 * tone.u_percent) and tone.u_percent < 0.25
        assert found.answer == answer
        assert found.stiffness.percent == pytest.approx(-6.0 if answer == "maybe softer" else 0.0, abs=0.5)


def test_mass_is_taken_into_account(book, tmp_path):
    heavier = measured(book, tmp_path, (1, 1, {}), (1, 1.03, {}))
    assert heavier.answer == "heavier" and heavier.stiffness.percent == pytest.approx(0, abs=1e-6)
    both = measured(book, tmp_path, (1, 1, {}), (0.95, 0.95, {}), ski_id="17L")  # lighter and softer: the tone stays
    assert both.answer == "maybe softer" and both.stiffness.percent == pytest.approx(-5.0, abs=1e-6)


def test_without_the_mass_it_is_said_that_it_is_missing(book, tmp_path):
    found = measured(book, tmp_path, (1, 1, {}), (0.95, 1, {"temperature_c": None}))
    assert found.mass_known
    add(book, "18L", sound(tmp_path, "x.flac", 300), at=day(1), mass_kg=None)
    add(book, "18L", sound(tmp_path, "y.flac", 310), at=day(2), mass_kg=None, factor=0.97)
    unweighed = softness(book.history("18L"))
    assert unweighed.answer == "maybe softer" and not unweighed.mass_known


def test_what_is_too_small_to_be_seen_is_no_sign_and_the_least_is_told(book, tmp_path):
    found = measured(book, tmp_path, (1, 1, {}), (0.997, 1, {}))
    # Hung anew twice at 0.1 %: u of the tone 0.1414 %, of the stiffness twice that with the mass's own, told at k = 2.
    assert found.answer == "no sign of it" and found.seen_above_percent >= 2 * 2 * 0.1414 * 0.997
    least = found.seen_above_percent / 100
    beyond = measured(book, tmp_path, (1, 1, {}), (1 - 1.1 * least, 1, {}), ski_id="17L")
    assert beyond.answer == "maybe softer"


def test_the_bending_test_alone_is_enough_to_ask(book, tmp_path):
    found = measured(book, tmp_path, (1, 1, {}), (1, 1, {"stiffness_n_per_m": 3900.0}))
    assert found.answer == "maybe softer" and found.bends.exceeds and not found.stiffness.exceeds


def test_stiffer_and_never_compared_are_told_apart(book, tmp_path):
    assert measured(book, tmp_path, (1, 1, {}), (1.05, 1, {})).answer == "not softer"
    assert measured(book, tmp_path, (1, 1, {}), ski_id="17L").answer == "cannot tell"


def run(*arguments):
    done = CliRunner().invoke(app, ["log", "history", *map(str, arguments)], env={"COLUMNS": "80"})
    assert done.exit_code == 0, done.output
    return done.stdout


def test_a_pair_is_answered_ski_by_ski(book, tmp_path):
    measured(book, tmp_path, (1, 1, {}), (0.95, 1, {}))
    measured(book, tmp_path, (1, 1, {}), (1, 1, {}), ski_id="17L")
    where = ("--logbook", tmp_path / "l.sqlite")
    text = " ".join(run("17", *where).split())
    assert "Gone soft? 17L: no sign of it." in text and "17R: it may have: its tone is what about 5.0 % less" in text
    assert "Decide nothing about mounting or drilling from it." in text and "|" not in text
    pair = json.loads(run("17", *where, "--json"))
    assert pair["schema"] == "taptest.logbook_pair_history/1"
    assert [(each["ski_id"], each["gone_soft"]["answer"]) for each in pair["skis"]] == [
        ("17L", "no sign of it"),
        ("17R", "maybe softer"),
    ]
    alone = json.loads(run("17R", *where, "--json"))
    assert alone["schema"] == "taptest.logbook_history/1" and alone == pair["skis"][1]
    drawn = run("17", *where, "--plot")
    assert drawn.count("against its first measurement") == 2 and max(map(len, drawn.splitlines())) <= 80


def test_the_picture_marks_what_exceeds_and_only_that(book, tmp_path):
    measured(book, tmp_path, (1, 1, {}), (0.9995, 1, {}), (0.95, 1, {}))
    drawn = _text(history_picture(book.history("17R"), 80, dots=False))
    assert drawn.count("!") == 1 and drawn.count("o") == 2 and "days" in drawn
    measured(book, tmp_path, (1, 1, {}), ski_id="17L")
    assert history_picture(book.history("17L"), 80, dots=False) is None


def _text(view):
    """The picture alone, without its heading and legend."""
    return next(str(each) for each in view.renderables if "|" in str(each))
