"""Numbers and units, against the definitions of the International System of Units and Python's own parser."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from taptest.core.errors import UnitError
from taptest.core.units import UNITS, decimal_mark, parse_number, parse_quantity, parse_with_unit

# SI Brochure, 9th edition, tables of prefixes: milli 10^-3, centi 10^-2, kilo 10^3; and [derived] N/mm = 10^3 N/m.
# t/°C = T/K - 273.15 (SI Brochure 2.3.1); Fahrenheit from its two fixed points, ice 32 = 0 °C and steam 212 = 100 °C.
CONVERSIONS = [
    ("length", "mm", "1905", 1.905),
    ("length", "cm", "190.5", 1.905),
    ("length", "m", "1.905", 1.905),
    ("mass", "g", "520", 0.520),
    ("mass", "kg", "0.520", 0.520),
    ("stiffness", "n_per_mm", "3.2", 3200.0),
    ("stiffness", "n_per_m", "3200", 3200.0),
    ("stiffness", "kn_per_m", "3.2", 3200.0),
    ("temperature", "c", "-5", -5.0),
    ("temperature", "k", "268.15", -5.0),
    ("temperature", "f", "32", 0.0),
    ("temperature", "f", "212", 100.0),
]


@pytest.mark.parametrize(("dimension", "suffix", "text", "expected"), CONVERSIONS)
def test_units_convert_as_the_si_defines_them(dimension, suffix, text, expected):
    (unit,) = (each for each in UNITS[dimension] if each.suffix == suffix)
    value = parse_quantity(text, unit)
    # Two roundings of a double at most; 1e-12 absolute because 273.15 K is subtracted.
    assert value == pytest.approx(expected, rel=1e-15, abs=1e-12)
    assert unit.from_base(value) == pytest.approx(float(text), rel=1e-13, abs=1e-12)


def test_control_another_unit_gives_another_value():
    for units in UNITS.values():
        # N/mm and kN/m are the same stiffness; all others of one dimension differ.
        distinct = {unit.to_base(50.0) for unit in units if unit.symbol != "kN/m"}
        assert len(distinct) == len([unit for unit in units if unit.symbol != "kN/m"])


# What each text means, by the rules that national standards give: a comma or a point as decimal mark and a thin space
# between groups of three (ISO 80000-1, 7.3.1 and 7.3.2, from memory).
NUMBERS = [
    ("520", 520.0),
    ("0,52", 0.52),
    ("0.52", 0.52),
    (",5", 0.5),
    ("1900,5", 1900.5),
    ("1 900", 1900.0),
    ("1\u2009900,25", 1900.25),
    ("1\u202f900", 1900.0),
    ("1\u00a0900.5", 1900.5),
    ("1'900.5", 1900.5),
    ("1.900,5", 1900.5),
    ("1,900.5", 1900.5),
    ("1,234,567", 1234567.0),
    ("1.234.567", 1234567.0),
    ("0,520", 0.520),
    ("1234,567", 1234.567),
    ("\u22125,5", -5.5),
    ("+3", 3.0),
    ("1e3", 1000.0),
    ("1,5e2", 150.0),
    (" 520 ", 520.0),
]


@pytest.mark.parametrize(("text", "expected"), NUMBERS)
@pytest.mark.parametrize("decimal_comma", [False, True])
def test_numbers_with_one_meaning_are_read(text, expected, decimal_comma):
    assert parse_number(text, decimal_comma=decimal_comma) == (expected, "")


@pytest.mark.parametrize("text", ["1,234", "12,345", "999,000"])
def test_a_comma_before_three_digits_is_refused_unless_the_table_writes_decimal_commas(text):
    with pytest.raises(UnitError, match="may mean") as refused:
        parse_number(text)
    whole, fraction = text.split(",")
    assert f"write {whole}{fraction} or {whole}.{fraction}" in str(refused.value)
    assert parse_number(text, decimal_comma=True)[0] == float(f"{whole}.{fraction}")
    with pytest.raises(UnitError, match="may mean"):
        parse_number(text.replace(",", "."), decimal_comma=True)
    assert parse_number(text.replace(",", "."))[0] == float(f"{whole}.{fraction}")


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "not a number"),
        ("abc", "not a number"),
        ("=1+1", "not a number"),
        ("nan", "not a finite"),
        ("-inf", "not a finite"),
        ("∞", "not a finite"),
        ("1e400", "too large"),
        ("-1e99999", "too large"),
        ("1_000", "'_000' is not a unit"),
        ("12 34", "not a number"),
        ("1.2.3", "not a number"),
        ("1,2,3", "not a number"),
        ("1.", "not a number"),
        ("\u0661", "not a number"),
        ("0x1F", "'x1F' is not a unit"),
        ("5\x1b[31m", r"'\x1b[31m' is not a unit"),
        ("520 apples", "'apples' is not a unit"),
        ("0.52 kg", "is in kg although the column is in g; write 520, or end the column's name with _kg"),
        ("520 mm", "is in mm although the column is in g"),
    ],
)
def test_what_is_no_number_is_refused_by_name(text, part):
    with pytest.raises(UnitError) as refused:
        parse_quantity(text, UNITS["mass"][0])
    assert part in str(refused.value)
    assert refused.value.message.remedy
    assert str(refused.value).isprintable()


@pytest.mark.parametrize(
    ("text", "column", "expected"),
    [("520 g", 0, 0.52), ("520g", 0, 0.52), ("0,52 KG", 1, 0.52), ("520\u202fg", 0, 0.52)],
)
def test_the_columns_own_unit_may_stand_in_the_cell(text, column, expected):
    assert parse_quantity(text, UNITS["mass"][column]) == pytest.approx(expected, rel=1e-15)


def test_the_decimal_mark_is_named_only_where_it_is_certain():
    assert [decimal_mark(text) for text in ("3,2", "3.2", "1,234", "1.234", "0,520", "1.900,5", "1900", "x,y")] == [
        *(",", ".", "", "", ",", ",", "", "")
    ]


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e9, max_value=1e9))
def test_python_numbers_come_back_with_either_mark(value):
    text = repr(value)
    assert parse_number(text)[0] == value
    assert parse_number(text.replace(".", ","), decimal_comma=True)[0] == value


@given(st.integers(0, 10**9), st.integers(0, 99), st.sampled_from([" ", "\u2009", "\u202f", "\u00a0", "'"]))
def test_grouped_numbers_come_back(whole, hundredths, group):
    text = f"{whole:,}".replace(",", group) + f",{hundredths:02d}"
    assert parse_number(text)[0] == pytest.approx(float(Fraction(whole * 100 + hundredths, 100)), rel=1e-15)


@given(st.text(max_size=40))
def test_any_text_is_a_finite_number_or_a_clear_refusal(text):
    for decimal_comma in (False, True):
        try:
            value, _ = parse_number(text, decimal_comma=decimal_comma)
        except UnitError as refused:
            assert refused.message.text and refused.message.remedy and str(refused).isprintable()
        else:
            assert math.isfinite(value)


@pytest.mark.parametrize(
    ("text", "base"), [("1900", 1.9), ("190 cm", 1.9), ("1,9m", 1.9), ("1.9 M", 1.9), ("1 900\u202fmm", 1.9)]
)
def test_a_typed_value_is_in_the_unit_written_behind_it_or_the_usual_one(text, base):
    value, unit = parse_with_unit(text, UNITS["length"])
    assert unit.to_base(value) == pytest.approx(base, rel=1e-15)


def test_a_typed_unit_of_another_kind_is_refused_with_those_that_are_taken():
    with pytest.raises(UnitError, match="'g' is no unit for it; write one of mm, cm, m"):
        parse_with_unit("520 g", UNITS["length"])
    # By definition of the prefix.
    assert UNITS["frequency"][1].to_base(0.131) == pytest.approx(131.0, rel=1e-15)
