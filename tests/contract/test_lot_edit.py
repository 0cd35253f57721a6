"""Editing a lot in place: nothing else changes, nobody's edit is lost. The reference for csv is Python's own reader."""

from __future__ import annotations

import csv
import errno
import io
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.lot_files import row, with_recordings, xlsx_bytes

from taptest.core import durable
from taptest.core.errors import LotError
from taptest.tables import edit as lot_edit
from taptest.tables.edit import Change, LotEditor, apply, csv_beside, parse
from taptest.tables.lot import read_lot

PLAIN = "ski_id,recording,note\nA,,first\nB,,\n"


def edited(text, *changes, encoding="utf-8"):
    return apply("lot.csv", parse("lot.csv", text.encode(encoding)), changes)


@pytest.fixture
def lot(tmp_path):
    path = tmp_path / "lot.csv"
    path.write_text(PLAIN, encoding="utf-8")
    return path


# --- every other byte ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("ski_id,recording\nA,\n", "ski_id,recording\nA,new\n"),
        ('ski_id;recording\r\nA;"old; one"\r\n', 'ski_id;recording\r\nA;"new"\r\n'),
        ("# c,d\n\nsep=;\n", None),
        ("sep=;\r\nski_id;mass_g;recording\r\nA;1,5;\r\n", "sep=;\r\nski_id;mass_g;recording\r\nA;1,5;new\r\n"),
        (
            '# today\r\n"ski_id"\t"note"\t"recording"\r\n\r\n"A"\t"two\r\nlines"\t"x"\r\n# end',
            '# today\r\n"ski_id"\t"note"\t"recording"\r\n\r\n"A"\t"two\r\nlines"\t"new"\r\n# end',
        ),
        ("ski_id,note\nA,x\nB,y", "ski_id,note,recording\nA,x,new\nB,y,"),
        ("ski_id,note,\nA,x,\nB,y\n", "ski_id,note,,recording\nA,x,,new\nB,y,,\n"),
        ('ski_id,note\n"broken,x\nA,"say ""so"""\n', 'ski_id,note,recording\n"broken,x\nA,"say ""so""",new\n'),
        (" ski_id , Recording\n A ,  old\n", " ski_id , Recording\n A ,new\n"),
    ],
)
def test_a_cell_changes_and_nothing_else(before, after):
    if after is None:
        with pytest.raises(LotError):
            edited(before, Change("A", {"recording": "new"}))
    else:
        assert edited(before, Change("A", {"recording": "new"})).decode() == after


@pytest.mark.parametrize(
    ("encoding", "mark"), [("utf-8", b""), ("utf-8", b"\xef\xbb\xbf"), ("cp1252", b""), ("utf-16-le", b"\xff\xfe")]
)
def test_encoding_and_mark_stay(encoding, mark):
    before = mark + "ski_id,recording,note\nÄ1,,größer\n".encode(encoding)
    after = apply("lot.csv", parse("lot.csv", before), [Change("Ä1", {"recording": "x"})])
    assert after == mark + "ski_id,recording,note\nÄ1,x,größer\n".encode(encoding)


def test_a_character_that_the_encoding_lacks_is_named():
    text = parse("lot.csv", "ski_id,note\nÄ1,\n".encode("cp1252"))
    with pytest.raises(LotError, match=r"Ж.*UTF-8"):
        apply("lot.csv", text, [Change("Ä1", {"note": "Ж"})])


def test_a_new_row_is_in_the_units_and_the_decimal_marks_of_the_table(tmp_path):
    text = "ski_id;mass_kg;length_cm\nA;0,52;190\n\n# end\n"
    after = edited(
        text, Change("B;1", {"mass_kg": 0.5155, "length_m": 1.9, "span_m": 1.4, "construction": "k"}, new=True)
    ).decode()
    assert after.splitlines()[0] == "ski_id;mass_kg;length_cm;span_mm;construction"
    assert after.splitlines()[1:3] == ["A;0,52;190;;", '"B;1";0,5155;190;1400;k']
    assert after.endswith("\n\n# end\n")


def test_an_added_ski_reads_back_as_it_was_given(tmp_path):
    path = with_recordings(tmp_path) / "lot.csv"
    path.write_text("ski_id,mass_kg,stiffness_n_per_m,construction\nA,0.5,3000,k\n", encoding="utf-8")
    given_si = {
        "construction": "uniform_bar",
        "length_m": 1.905,
        "mass_kg": 0.5123,
        "stiffness_n_per_m": 5035.0,
        "span_m": 1.4,
    }
    LotEditor(path).write([Change("0042", given_si, new=True), Change("A", {"recording": "a.wav"})])
    rows = {ski.ski_id: ski for ski in read_lot(path).rows}
    new = rows["0042"]
    assert (new.length_m, new.mass_kg, new.stiffness_n_per_m, new.span_m) == pytest.approx(
        (1.905, 0.5123, 5035.0, 1.4), rel=1e-6
    )
    assert rows["A"].recordings == (tmp_path / "a.wav",)


# Cells as people and programs write them; the reader of the standard library says what they mean.
CELL = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc"), exclude_characters="#"), max_size=8) | (
    st.sampled_from(["a,b", 'say "so"', "two\nlines", "two\r\nlines", "x;y", "\t", "1,5"])
)
NEW = st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF, exclude_categories=("Cc",)), max_size=12)


def written(table, separator, newline, quoting):
    target = io.StringIO()
    csv.writer(target, delimiter=separator, lineterminator=newline, quoting=quoting).writerows(table)
    return target.getvalue()


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(CELL, CELL), min_size=1, max_size=5),
    st.sampled_from(",;\t"),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.data(),
)
def test_whatever_a_table_holds_only_the_cells_meant_are_different(cells, separator, newline, quoting, data):
    table = [["ski_id", "recording", "note"], *([f"S{at}", *each] for at, each in enumerate(cells))]
    before = written(table, separator, newline, quoting)
    at = data.draw(st.integers(0, len(cells) - 1))
    value = data.draw(NEW)
    after = edited(before, Change(f"S{at}", {"recording": value})).decode("utf-8")
    expected = [list(line) for line in table]
    expected[at + 1][1] = value
    assert list(csv.reader(io.StringIO(after, newline=""), delimiter=separator)) == expected
    # Every byte outside that one cell: what is left of both after their common start and end is the cell.
    start = next(
        (i for i, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), min(len(before), len(after))
    )
    backwards = zip(before[start:][::-1], after[start:][::-1], strict=False)
    end = next((i for i, (a, b) in enumerate(backwards) if a != b), min(len(before), len(after)) - start)
    assert len(after) - start - end <= 2 * len(value) + 2
    assert edited(after, Change(f"S{at}", {"recording": value})).decode("utf-8") == after


# --- others at work ------------------------------------------------------------------------------------------------


def test_an_edit_of_another_cell_meanwhile_stays(lot):
    editor = LotEditor(lot)
    lot.write_text(PLAIN.replace("first", "theirs").replace("B,,", "C,,\nB,,"), encoding="utf-8")
    outcome = editor.write([Change("A", {"recording": "a.flac"})])
    assert outcome.merged and outcome.conflict is None and "another program" in str(outcome.notes[0])
    assert lot.read_text(encoding="utf-8") == "ski_id,recording,note\nA,a.flac,theirs\nC,,\nB,,\n"


@pytest.mark.parametrize(
    ("theirs", "why"),
    [
        (PLAIN.replace("A,,", "A,theirs.wav,"), "another program wrote 'theirs.wav'"),
        (PLAIN.replace("A,,first\n", ""), "has lost ski A"),
        ("", "cannot be read"),
        (None, "cannot be read"),
    ],
)
def test_an_edit_of_the_same_cell_keeps_both(lot, theirs, why):
    editor = LotEditor(lot)
    if theirs is None:
        lot.unlink()
    else:
        lot.write_text(theirs, encoding="utf-8")
    outcome = editor.write([Change("A", {"recording": "a.flac"})])
    assert why in str(outcome.notes[0]) and "by hand" in str(outcome.notes[0])
    assert (lot.read_text(encoding="utf-8") if lot.exists() else None) == theirs
    assert outcome.conflict.read_text(encoding="utf-8") == PLAIN.replace("A,,", "A,a.flac,")
    assert outcome.conflict.name.startswith("lot.conflict-")
    again = LotEditor(outcome.conflict)
    assert again.seen.cell("A", "recording") == "a.flac"


def test_a_change_in_the_last_moment_is_not_lost(lot, monkeypatch):
    """Between the last look at the file and its replacement another program replaces it."""
    editor = LotEditor(lot)
    beside = durable._written_beside
    once = []

    def late(path, data):
        temporary = beside(path, data)
        if not once:
            once.append(True)
            other = path.with_name("other.tmp")
            other.write_text(PLAIN.replace("first", "late"), encoding="utf-8")
            other.replace(path)
        return temporary

    monkeypatch.setattr(durable, "_written_beside", late)
    outcome = editor.write([Change("B", {"recording": "b.flac"})])
    assert outcome.merged
    assert lot.read_text(encoding="utf-8") == "ski_id,recording,note\nA,,late\nB,b.flac,\n"
    assert sorted(path.name for path in lot.parent.iterdir()) == ["lot.csv"]


def test_without_an_exchange_of_files_it_works_too(lot, monkeypatch):
    monkeypatch.setattr(durable, "_exchanged", lambda one, other: False)
    LotEditor(lot).write([Change("B", {"note": "x"})])
    assert lot.read_text(encoding="utf-8") == PLAIN.replace("B,,", "B,,x")
    assert sorted(path.name for path in lot.parent.iterdir()) == ["lot.csv"]


OTHER = """
import sys
from pathlib import Path
from taptest.tables.edit import Change, LotEditor
path, mine = Path(sys.argv[1]), sys.argv[2]
for count in range(40):
    ski = f"{mine}{count:02d}"
    outcome = LotEditor(path).write([Change(ski, {"recording": f"{ski}.flac"})])
    assert outcome.conflict is None, outcome
"""


def test_two_programs_at_once_lose_nothing(tmp_path):
    path = tmp_path / "lot.csv"
    skis = [f"{who}{count:02d}" for count in range(40) for who in "AB"]
    path.write_text("ski_id,recording\n" + "".join(f"{ski},\n" for ski in skis), encoding="utf-8")
    programs = [subprocess.Popen([sys.executable, "-c", OTHER, str(path), who]) for who in "AB"]
    assert [program.wait(120) for program in programs] == [0, 0]
    assert path.read_text(encoding="utf-8") == "ski_id,recording\n" + "".join(f"{ski},{ski}.flac\n" for ski in skis)


# --- trouble -------------------------------------------------------------------------------------------------------


def test_a_full_disk_is_explained_and_leaves_the_table(lot, monkeypatch):
    editor = LotEditor(lot)

    def full(handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(durable.os, "fsync", full)
    with pytest.raises(LotError, match=r"lot\.csv: cannot be written \(No space left on device\); make room"):
        editor.write([Change("A", {"recording": "x"})])
    assert lot.read_text(encoding="utf-8") == PLAIN
    assert [path.name for path in lot.parent.iterdir()] == ["lot.csv"]


def test_a_locked_table_is_left_and_the_change_kept_beside(lot, monkeypatch):
    def locked(*_):
        raise PermissionError(errno.EACCES, "in use")

    monkeypatch.setattr(lot_edit, "replace_durably", locked)
    outcome = LotEditor(lot).write([Change("A", {"recording": "x"})])
    assert "open in another program" in str(outcome.notes[0]) and outcome.conflict.exists()


def test_a_missing_ski_is_an_error_and_mode_and_link_stay(lot):
    lot.chmod(0o640)
    link = lot.with_name("link.csv")
    link.symlink_to(lot)
    editor = LotEditor(link)
    with pytest.raises(LotError, match="has no ski Z"):
        apply("lot.csv", editor.seen, [Change("Z", {"note": "x"})])
    editor.write([Change("A", {"note": "x"})])
    assert link.is_symlink() and lot.stat().st_mode & 0o777 == 0o640 and "A,,x" in lot.read_text(encoding="utf-8")


def test_an_xlsx_stays_and_a_csv_beside_it_takes_the_recordings(tmp_path):
    with_recordings(tmp_path)
    book = tmp_path / "lot.xlsx"
    columns = list(row())
    cells = [columns, list(row(ski_id="0101", mass_g=520.0, recording="").values())]
    book.write_bytes(xlsx_bytes(cells))
    before = book.read_bytes()
    path, notes = csv_beside(book)
    assert path.name == "lot.recorded.csv" and "stays as it is" in str(notes[0])
    LotEditor(path).write([Change("0101", {"recording": "a.wav"})])
    again, notes = csv_beside(book)
    assert again == path and "continued" in str(notes[0]) and book.read_bytes() == before
    (ski,) = read_lot(path).rows
    assert (ski.ski_id, ski.mass_kg, ski.recordings) == ("0101", 0.52, (tmp_path / "a.wav",))
    csv_path = tmp_path / "lot.csv"
    csv_path.write_text(PLAIN, encoding="utf-8")
    assert csv_beside(csv_path) == (csv_path, ())


def test_paths_may_be_text(lot):
    assert LotEditor(str(lot)).path == Path(lot).resolve()
