"""Tables for other programs come back as they were written, and no cell of them is ever a formula."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from taptest.core.errors import ExchangeError
from taptest.export.cells import FORMULA_STARTS, Column
from taptest.export.table import read_table, write_table

COLUMNS = (
    Column("ski_id", "text"),
    Column("mass_g", "number"),
    Column("taps", "whole"),
    Column("tapped_utc", "time"),
    Column("good", "yes_no"),
    Column("note", "text"),
)
SUFFIXES = (".csv", ".xlsx", ".jsonl", ".parquet")
ODD = [*FORMULA_STARTS, "'", "''", "'~", "\n", " ", "_x000D_", "~", "#", '"', ";", "\ufeff"]
TEXTS = st.text(
    st.characters(blacklist_categories=("Cs",), blacklist_characters="\0\ufffe\uffff"), max_size=30
) | st.builds(
    str.__add__,
    st.sampled_from(ODD),
    st.text("=a1' ~_", max_size=4),
)
ROWS = st.lists(
    st.tuples(
        TEXTS,
        st.none() | st.floats(allow_nan=False, allow_infinity=False),
        st.none() | st.integers(-(2**63), 2**63 - 1),
        st.none() | st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC)),
        st.none() | st.booleans(),
        st.none() | TEXTS,
    ),
    max_size=5,
)


@pytest.mark.parametrize("suffix", SUFFIXES)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=ROWS)
def test_a_table_comes_back_as_it_was_written(tmp_path, suffix, rows):
    path = tmp_path / f"table{suffix}"
    write_table(path, COLUMNS, rows)
    back = read_table(path, COLUMNS)
    assert back.columns == COLUMNS
    assert len(back.rows) == len(rows)
    for got, put in zip(back.rows, rows, strict=True):
        for value, wanted in zip(got, put, strict=True):
            assert type(value) is type(wanted)
            # XLSX holds 16 digits of a number (the format of its writer); all others hold every bit.
            if isinstance(wanted, float) and suffix == ".xlsx":
                assert value == pytest.approx(wanted, rel=5e-16, abs=5e-324)
            else:
                assert value == wanted


def test_missing_and_empty_texts_are_told_apart_and_a_row_of_nothing_is_refused(tmp_path):
    columns = [Column("ski_id"), Column("note")]
    rows = (("1", None), ("2", ""), (None, "a"), ("", None))
    for suffix in SUFFIXES:
        path = tmp_path / f"t{suffix}"
        write_table(path, columns, rows)
        assert read_table(path, columns).rows == rows
        with pytest.raises(ExchangeError, match="row 2 holds no value"):
            write_table(path, columns, [("1", None), (None, None)])


@pytest.mark.parametrize("start", FORMULA_STARTS)
def test_no_text_is_a_formula_to_a_spreadsheet(tmp_path, start):
    # OWASP, "CSV Injection" [from memory]: cells that begin with = + - @ tab or carriage return are taken for formulas.
    text = f'{start}HYPERLINK("http://example.invalid","x")'
    path = tmp_path / "t.csv"
    write_table(path, [Column("note")], [(text,)])
    (_, (cell,)) = csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline=""))
    assert not cell.startswith(FORMULA_STARTS)
    assert read_table(path).rows == ((text,),)


def test_a_sheet_holds_no_formula_and_no_link(tmp_path):
    import zipfile

    path = tmp_path / "t.xlsx"
    rows = [(f"{start}1+1",) for start in FORMULA_STARTS] + [("http://example.invalid",), ("{=1}",), ("12",)]
    write_table(path, [Column("note")], rows)
    with zipfile.ZipFile(path) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml").decode()
        assert "<f>" not in sheet and "<f " not in sheet and "hyperlink" not in sheet.casefold()
    assert read_table(path).rows == tuple(rows)


def test_kinds_are_told_by_the_file_where_it_can(tmp_path):
    when = datetime(2026, 1, 31, 13, 0, 0, 5, tzinfo=timezone(timedelta(hours=1)))
    row = ("007", 0.5, 3, when, True, None)
    for suffix in (".jsonl", ".parquet"):
        write_table(tmp_path / f"t{suffix}", COLUMNS, [row])
        table = read_table(tmp_path / f"t{suffix}")
        assert table.columns == COLUMNS and table.rows == (row,)
        assert table.rows[0][3].utcoffset() == timedelta(0)
    lines = (tmp_path / "t.jsonl").read_text(encoding="ascii").splitlines()
    assert json.loads(lines[0])["schema"] == "taptest.table/1"
    assert json.loads(lines[1])["tapped_utc"] == "2026-01-31T12:00:00.000005Z"


@pytest.mark.parametrize(
    ("kind", "value", "part"),
    [
        ("number", float("nan"), "not finite"),
        ("number", "3", "no number"),
        ("whole", 1.0, "no whole number"),
        ("whole", 2**63, "64 bits"),
        ("whole", True, "no whole number"),
        ("time", datetime(2026, 1, 1), "zone"),
        ("yes_no", 1, "neither"),
        ("text", 5, "no text"),
        ("text", "\ud800", "no character"),
        ("text", "x" * 40_000, "shorten"),
    ],
)
def test_a_value_of_another_kind_is_refused_before_anything_is_written(tmp_path, kind, value, part):
    path = tmp_path / "t.csv"
    path.write_text("kept", encoding="utf-8")
    with pytest.raises(ExchangeError, match=part) as refused:
        write_table(path, [Column("a"), Column("b", kind)], [("x", None), ("y", value)])
    assert "row 2, column b" in str(refused.value) and str(refused.value).isprintable()
    assert path.read_text(encoding="utf-8") == "kept"


def bad(tmp_path, name, data, columns=COLUMNS):
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(ExchangeError) as refused:
        read_table(path, columns)
    assert str(refused.value).isprintable()
    return str(refused.value)


def test_bad_cells_are_named_by_line_and_column(tmp_path):
    head = b"ski_id,mass_g,taps,tapped_utc,good,note\n"
    assert "line 3, column mass_g: found 'heavy'" in bad(tmp_path, "a.csv", head + b"1,2,3,,,\n1,heavy,3,,,\n")
    assert "column taps" in bad(tmp_path, "a.csv", head + b"1,2,3.5,,,\n")
    assert "column tapped_utc" in bad(tmp_path, "a.csv", head + b"1,2,3,yesterday,,\n")
    assert "column good" in bad(tmp_path, "a.csv", head + b"1,2,3,,maybe,\n")
    assert "7 cells under 6" in bad(tmp_path, "a.csv", head + b"1,2,3,,,,\n")
    assert "UTF-8" in bad(tmp_path, "a.csv", head + b"\xff,2,3,,,\n")
    assert "quotation" in bad(tmp_path, "a.csv", head + b'"1,2,3,,,\n')
    assert "headings" in bad(tmp_path, "a.csv", b"a,a\n1,2\n")
    assert "line 2" in bad(tmp_path, "a.jsonl", b'{"ski_id": "1"}\n[1]\n')
    assert "line 2" in bad(tmp_path, "a.jsonl", b'{"ski_id": "1"}\n' + b"[" * 100_000 + b"\n")
    assert "taps" in bad(tmp_path, "a.jsonl", b'{"ski_id": "1", "taps": 1e400}\n')
    assert "damaged" in bad(tmp_path, "a.parquet", b"PAR1 and no more")
    assert "damaged" in bad(tmp_path, "a.xlsx", b"PK\x03\x04 and no more")
    assert "suffix" in bad(tmp_path, "a.ods", b"x")


def test_a_stray_cell_or_a_bomb_takes_no_memory(tmp_path, monkeypatch):
    import zipfile

    path = tmp_path / "far.xlsx"
    write_table(path, [Column("a")], [("x",)])
    changed = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(changed, "w", zipfile.ZIP_DEFLATED) as new:
        for member in old.infolist():
            data = old.read(member)
            if member.filename.endswith("sheet1.xml"):
                data = data.replace(b'r="A2"', b'r="XFD1048576"')
            new.writestr(member, data)
    assert "stray" in bad(tmp_path, "far.xlsx", changed.getvalue())
    monkeypatch.setattr("taptest.export.sheet.MAX_UNPACKED_BYTES", 10_000_000)
    with zipfile.ZipFile(changed, "w", zipfile.ZIP_DEFLATED) as new:
        new.writestr("xl/worksheets/sheet1.xml", bytes(20_000_000))
    assert "unpacks" in bad(tmp_path, "bomb.xlsx", changed.getvalue())


def test_without_its_extra_parquet_names_it(tmp_path, monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(ExchangeError, match=r"taptest\[parquet\]"):
        write_table(tmp_path / "t.parquet", [Column("a")], [])


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(min_size=1, max_size=200), suffix=st.sampled_from(SUFFIXES))
def test_any_bytes_are_a_table_or_an_error_of_ours(tmp_path, data, suffix):
    path = tmp_path / f"any{suffix}"
    path.write_bytes(data)
    try:
        read_table(path, COLUMNS)
    except ExchangeError as refused:
        assert str(refused).isprintable()
