"""Has a ski changed? Against closed forms: ln-ratios of frequencies, and the law of propagation by hand."""

from __future__ import annotations

from math import hypot, sqrt

import pytest
from support.logbook_results import add, day, sound

from taptest.config.corrections import Corrections, Repeatability
from taptest.logbook.book import open_logbook

STUDIED = Corrections(floor=Repeatability(frequency_u_rel=0.0, damping_u_rel=0.02, shift_u_rel=0.003))


@pytest.fixture
def book(tmp_path):
    with open_logbook(tmp_path / "l.sqlite", station="bench 1") as opened:
        yield opened


def later(book, folder, ski_id="17L", **changes):
    """The second point of a ski that was measured as usual first, and the notes."""
    first = {
        key: changes.pop(f"first_{key}")
        for key in ("temperature_c", "corrections", "orders")
        if f"first_{key}" in changes
    }
    add(book, ski_id, sound(folder), at=day(1), **first)
    add(book, ski_id, sound(folder, "b.flac", 300.0), at=day(20), **changes)
    history = book.history(ski_id)
    assert history.points[0].tone is None
    return history.points[1], history.notes


def test_a_softer_ski_is_found_by_the_modes_that_both_have(book, tmp_path):
    point, notes = later(book, tmp_path, factor=0.99, mass_kg=0.539 * 1.03, stiffness_n_per_m=4438.0 * 0.9)
    assert point.tone.percent == pytest.approx(-1.0, abs=1e-9) and point.modes_shared == 4
    # Each hung anew with 0.1 %, so u = sqrt(2) 0.1 % of a ratio of 0.99; 1 % is beyond twice that.
    assert point.tone.u_percent == pytest.approx(0.99 * sqrt(2) * 0.1, rel=1e-9) and point.tone.exceeds
    assert point.mass.percent == pytest.approx(3.0) and point.mass.exceeds  # 0.5 % each: 2 u = 1.46 %
    assert point.stiffness.percent == pytest.approx(-10.0) and point.stiffness.exceeds  # 2 % each: 2 u = 5.1 %
    assert point.damping.percent == pytest.approx(0.0, abs=1e-9) and not point.damping.exceeds
    assert "0.1 % is assumed" in notes[0]


@pytest.mark.parametrize(("factor", "exceeds"), [(1.0027, False), (1.0030, True), (0.9973, False), (0.9970, True)])
def test_twice_the_uncertainty_decides(factor, exceeds, book, tmp_path):
    point, _ = later(book, tmp_path, factor=factor)  # 2 u = 0.283 %
    assert point.tone.exceeds is exceeds


def test_what_a_study_found_takes_the_place_of_what_is_assumed(book, tmp_path):
    point, notes = later(book, tmp_path, factor=0.993, corrections=STUDIED, first_corrections=STUDIED, damping=0.0105)
    assert point.tone.u_percent == pytest.approx(0.993 * sqrt(2) * 0.3, rel=1e-9) and not point.tone.exceeds
    assert point.damping.u_percent == pytest.approx(1.05 * sqrt(2) * 2.0, rel=1e-9)
    assert notes == ()


def test_the_fit_counts_where_it_is_worse_than_the_repetition(book, tmp_path):
    point, _ = later(book, tmp_path, u_rel=0.02)
    # Four modes of 2 % and 0.01 % each: the mean is known to 2 %/sqrt(4).
    assert point.tone.u_percent == pytest.approx(100 * hypot(0.02, 1e-4) / 2, rel=1e-6)


def test_a_difference_of_temperature_is_no_change_of_the_ski(book, tmp_path):
    point, notes = later(book, tmp_path, factor=0.985, temperature_c=30.0)
    # 10 K at 0.1 % a kelvin, beside the two hangings.
    assert point.tone.u_percent == pytest.approx(0.985 * hypot(1.0, sqrt(2) * 0.1), rel=1e-9) and not point.tone.exceeds
    assert any("between 20 and 30 °C" in note for note in notes)
    again, notes = later(book, tmp_path, "17R", factor=0.985, temperature_c=None)
    assert again.tone.exceeds and any("no temperature" in note for note in notes)


def test_only_modes_that_both_have_are_compared(book, tmp_path):
    point, _ = later(book, tmp_path, factor=0.99, first_orders=(2, 3), orders=(3, 4))
    assert point.modes_shared == 1 and point.tone.percent == pytest.approx(-1.0)
    none, _ = later(book, tmp_path, "17R", first_orders=(2,), orders=(4,))
    assert none.tone is None and none.damping is None and none.mass is not None


def test_stiffness_over_another_span_is_not_compared(book, tmp_path):
    point, _ = later(book, tmp_path, span_m=1.2)
    assert point.stiffness is None


def test_the_first_is_the_one_measured_first_whenever_it_was_entered(book, tmp_path):
    add(book, "17L", sound(tmp_path), at=day(20), factor=0.99)
    add(book, "17L", sound(tmp_path, "b.flac", 300.0), at=day(1))
    points = book.history("17L").points
    assert [p.verdict.measured for p in points] == [day(1), day(20)] and points[1].tone.percent == pytest.approx(-1.0)
