"""Bad lot tables: every bad cell is named with file, line, column, value and remedy, and every good row is kept."""

import io
import zipfile

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.lot_files import COLUMNS, GOOD, csv_text, row, with_recordings, xlsx_bytes

from taptest.core.errors import LotError, TaptestError
from taptest.core.messages import Subject, message
from taptest.tables.lot import read_lot
from taptest.tables.reader import MAX_COLUMNS, MAX_FILE_BYTES, MAX_ROWS

KEPT, LEFT_OUT = True, False


@pytest.fixture
def folder(tmp_path):
    return with_recordings(tmp_path)


def read(folder, content, name="lot.csv"):
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_lot(path)


# column, cell, what the one-line message must say, whether the ski is kept. Ranges and units are the format's own; that
# flattening stiffness is 200 to 250 N/mm and two-support bending a few N/mm is common practice, no source.
CELLS = [
    ("mass_g", "0.52", ["'0.52'", "looks like kilograms", "50 to 5000 g", "mass_kg or write 520"], LEFT_OUT),
    ("mass_g", "heavy", ["'heavy'", "not a number"], LEFT_OUT),
    ("mass_g", "-520", ["'-520'", "out of range", "50 to 5000 g"], LEFT_OUT),
    ("mass_g", "0", ["'0'", "out of range"], LEFT_OUT),
    ("mass_g", "NaN", ["'NaN'", "not a finite number"], LEFT_OUT),
    ("mass_g", "inf", ["'inf'", "not a finite number"], LEFT_OUT),
    ("mass_g", "1e400", ["'1e400'", "too large"], LEFT_OUT),
    ("mass_g", "1,234", ["may mean 1.234 or 1234", "write 1234 or 1.234"], LEFT_OUT),
    ("mass_g", "0.52 kg", ["in kg although the column is in g", "write 520"], LEFT_OUT),
    ("mass_g", "520 stone", ["'stone' is not a unit", "the column is in g"], LEFT_OUT),
    ("mass_g", "=A1*2", ["'=A1*2'", "not a number"], LEFT_OUT),
    ("mass_g", "52\x000", [r"'52\x000'", "control characters"], LEFT_OUT),
    ("mass_g", "\x1b[2J520", [r"\x1b[2J520", "control characters"], LEFT_OUT),
    ("mass_kg", "520", ["looks like grams", "0.05 to 5 kg", "mass_g or write 0.52"], LEFT_OUT),
    ("length_mm", "190", ["looks like centimetres", "300 to 2600 mm", "length_cm or write 1900"], LEFT_OUT),
    ("length_mm", "1.9", ["looks like metres", "length_m or write 1900"], LEFT_OUT),
    ("length_mm", "2800", ["out of range", "300 to 2600 mm"], LEFT_OUT),
    ("length_mm", "99999", ["out of range", "300 to 2600 mm"], LEFT_OUT),
    ("length_m", "1900", ["looks like millimetres", "length_mm or write 1.9"], LEFT_OUT),
    ("stiffness_n_per_mm", "225", ["flattening stiffness", "contact", "two-support bending", "span"], LEFT_OUT),
    ("stiffness_n_per_mm", "40", ["flattening stiffness", "below 40 N/mm"], LEFT_OUT),
    ("stiffness_n_per_mm", "3200", ["looks like N/m", "stiffness_n_per_m or write 3.2"], LEFT_OUT),
    ("stiffness_n_per_mm", "-3.2", ["out of range"], LEFT_OUT),
    ("stiffness_n_per_m", "3.2", ["looks like N/mm", "write 3200"], LEFT_OUT),
    ("span_mm", "1900", ["only 1900 mm long"], LEFT_OUT),
    ("span_mm", "140", ["looks like centimetres", "span_cm or write 1400"], LEFT_OUT),
    ("rig_centre_mm", "300", ["the supports stand on the ski from 700 to 1200 mm"], LEFT_OUT),
    ("rig_centre_mm", "2500", ["only 1900 mm long", "from the tail"], LEFT_OUT),
    ("binding_mass_g", "0.12", ["looks like kilograms", "binding_mass_kg or write 120"], LEFT_OUT),
    ("binding_mass_g", "520", ["only 520 g as hung", "weigh both again"], LEFT_OUT),
    ("binding_mm", "1901", ["only 1900 mm long"], LEFT_OUT),
    ("balance_mm", "2000", ["only 1900 mm long"], KEPT),
    ("temperature_c", "268", ["looks like K", "-50 to 60 °C", "temperature_k or write -5.15"], KEPT),
    ("temperature_c", "cold", ["'cold'", "not a number"], KEPT),
    ("side", "links", ["'links'", "write L or R"], KEPT),
    ("note", "x" * 3_000, ["3000 characters", "at most 2000"], KEPT),
    ("pair_id", "1\x07", ["control characters"], KEPT),
    ("construction", "ta\x00per", ["control characters"], LEFT_OUT),
    ("ski_id", "", ["found nothing", "every ski needs it"], LEFT_OUT),
    ("ski_id", "7\x1b[31m", [r"7\x1b[31m", "control characters"], LEFT_OUT),
    ("ski_id", "first", ["id of line 2 already", "left out"], LEFT_OUT),
    ("recording", "nope.wav", ["'nope.wav'", "no such file in", "copy the file there"], LEFT_OUT),
    ("recording", "a.wave", ["no such file", "is a.wav meant?"], LEFT_OUT),
    ("recording", "/etc/passwd", ["absolute path", "relative to the folder"], LEFT_OUT),
    ("recording", "C:\\taps\\a.wav", ["absolute path"], LEFT_OUT),
    ("recording", "\\\\server\\a.wav", ["absolute path"], LEFT_OUT),
    ("recording", "~/a.wav", ["absolute path"], LEFT_OUT),
    ("recording", "../a.wav", ["leaves the folder"], LEFT_OUT),
    ("recording", "sub\\..\\..\\a.wav", ["leaves the folder"], LEFT_OUT),
    ("recording", "sub", ["is a folder"], LEFT_OUT),
    ("recording", "a.wav;a.wav", ["named twice"], LEFT_OUT),
    ("recording", "a.wav;gone.wav", ["'gone.wav'", "no such file"], LEFT_OUT),
    ("recording", "x" * 1_500, ["1500 characters", "name"], LEFT_OUT),
    ("recording", ";".join(f"{tap}.wav" for tap in range(60)), ["names 60 files, at most 50"], LEFT_OUT),
]


@pytest.mark.parametrize("separator", [",", ";"])
@pytest.mark.parametrize(
    ("column", "cell", "parts", "kept"), CELLS, ids=[f"{case[0]}={case[1][:14]!r}" for case in CELLS]
)
def test_a_bad_cell_is_named_and_the_other_skis_are_kept(folder, separator, column, cell, parts, kept):
    same = next((name for name in GOOD if name != column and name.split("_")[0] == column.split("_")[0]), None)
    replaced = {same: None} if same in ("length_mm", "mass_g", "stiffness_n_per_mm") else {}
    good = {"mass_kg": "0.5", "length_m": "1.9", "stiffness_n_per_m": "3200"}.get(column, GOOD.get(column, ""))
    rows = [row(**replaced, **{column: good}, **({"ski_id": "first"} if column != "ski_id" else {}))]
    if column == "ski_id":
        rows[0]["ski_id"] = "first"
    rows += [{**rows[0], "ski_id": "second", column: cell}, {**rows[0], "ski_id": "third"}]
    lot = read(folder, csv_text(rows, separator))
    (problem,) = lot.problems
    message, at = str(problem), problem.subject
    assert (at.file, at.line, at.column) == ("lot.csv", 3, column)
    assert message.startswith(f"lot.csv line 3, column {column}: found ")
    for part in parts:
        assert part in message
    assert message.isprintable() and len(message) < 500
    assert problem.remedy and at.value in cell
    expected = ["first", *(["second"] if kept else []), "third"]
    assert [ski.ski_id for ski in lot.rows] == expected
    lost = "" if kept or column == "ski_id" else "second"
    assert (at.ski or "") == lost and message.endswith(f"(ski {lost} is left out)") == bool(lost)


def test_all_bad_cells_at_once(folder):
    bad = row(ski_id="2", mass_g="x", length_mm="190", stiffness_n_per_mm="225", recording="no.wav;no2.wav", side="up")
    lot = read(folder, csv_text([row(), bad, row(ski_id="3", mass_g="0.5")]))
    found = [(problem.subject.line, problem.subject.column) for problem in lot.problems]
    decisive = ["length_mm", "mass_g", "recording", "recording", "side", "stiffness_n_per_mm"]
    assert sorted(found) == [*((3, column) for column in decisive), (4, "mass_g")]
    assert [ski.ski_id for ski in lot.rows] == ["0101"]


def test_an_enormous_cell_is_refused_with_its_size_and_a_short_message(folder):
    lot = read(folder, csv_text([row(), row(ski_id="2", mass_g="9" * 10_000_000), row(ski_id="3")]))
    (problem,) = lot.problems
    message = str(problem)
    assert "10000000 characters" in message and len(message) < 300
    assert [ski.ski_id for ski in lot.rows] == ["0101", "3"]


LINES = [
    ("2,,L,tapered,1900,520,3.2", "column span_mm", "7 cells, the heading has 10"),
    ("2,,L,tapered,1900,520,3,2,1400,a.wav,", "column span_mm", "span_m or write 2000"),
    ("2,,L,tapered,1900,520,3.2,1400,a.wav,,,more", "'more'", "12 cells, the heading has 10"),
    ('2,,L,tapered,1900,520,3.2,1400,"a.wav,', "quotation marks do not match", "close the quotation mark"),
    ('2,,L,"tap"ered,1900,520,3.2,1400,a.wav,', "quotation marks do not match", "close the quotation mark"),
    ("2,,L,tapered,,,,,,", "column mass_g: found nothing", "no recording either"),
]


@pytest.mark.parametrize(("line", "part", "remedy"), LINES)
def test_ragged_and_unbalanced_lines_cost_one_ski_only(folder, line, part, remedy):
    heading, good = csv_text([row()]).splitlines()
    lot = read(folder, "\n".join([heading, good, line, good.replace("0101", "0103")]))
    messages = [str(problem) for problem in lot.problems]
    assert messages and all(message.startswith("lot.csv line 3") for message in messages)
    assert any(part in message for message in messages)
    assert remedy is None or any(remedy in message for message in messages)
    assert [ski.ski_id for ski in lot.rows] == ["0101", "0103"]


def test_trailing_cells_that_may_be_empty_may_be_missing(folder):
    lot = read(folder, csv_text([row(note=None)]).replace("recording\n", "recording,note\n"))
    assert lot.problems == () and len(lot.rows) == 1


HEADINGS = [
    ({"mass_g": None, "weight_g": "520"}, ["column mass_g", "missing", "accepted: mass_g, mass_kg"]),
    ({"mass_g": None, "mass_gram": "520"}, ["is 'mass_gram' meant?"]),
    ({"mass_g": None, "mass": "520"}, ["is 'mass' meant?", "mass_g, mass_kg"]),
    ({"length_mm": None}, ["column length_mm", "missing", "add one of length_mm, length_cm, length_m"]),
    ({"stiffness_n_per_mm": None, "stifness_n_per_mm": "3"}, ["is 'stifness_n_per_mm' meant?"]),
    ({"span_mm": None, "span_inch": "55"}, ["is 'span_inch' meant?", "span_mm, span_cm, span_m"]),
    ({"construction": None}, ["column construction", "add construction"]),
    ({"mass_kg": "0.52"}, ["although there is mass_g already", "the first is used", "delete one"]),
    ({"MASS_G": "521"}, ["a second time", "the first is used"]),
]


@pytest.mark.parametrize(("cells", "parts"), HEADINGS)
def test_headings_that_are_missing_misspelt_or_doubled_are_named(folder, cells, parts):
    lot = read(folder, csv_text([row(**cells)]))
    message = " | ".join(str(problem) for problem in lot.problems)
    assert message.startswith("lot.csv line 1, column ")
    if parts[0] == "column mass_g" and "weight_g" in cells:
        parts = ["column mass_g", "missing", "mass_g, mass_kg"]
    for part in parts:
        assert part in message
    assert len(lot.rows) == 1 and "x1b" not in message


UNREADABLE = [
    ("empty.csv", b"", ["is empty"]),
    ("blank.csv", b"\n \n\r\n", ["is empty"]),
    ("comments.csv", b"# nothing\n# here\n", ["holds no cells"]),
    ("heading.csv", csv_text([row()]).splitlines()[0].encode(), ["has a heading but no skis"]),
    ("noid.csv", b"skiid,mass_g\n1,520\n", ["no column ski_id", "found: skiid, mass_g", "'skiid' looks like it"]),
    ("data.csv", b"1,2,3\n4,5,6\n", ["line 1", "no column ski_id", "name the columns in the first line"]),
    ("sound.csv", b"RIFF\x24\0\0\0WAVEfmt " + bytes(99), ["not a table but a sound file"]),
    ("old.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), ["old Excel", "save it as .xlsx"]),
    ("print.pdf", b"%PDF-1.7\n", ["a PDF"]),
    ("binary.csv", bytes(range(256)) * 8 + bytes(400), ["binary contents"]),
    ("odd.csv", b"ski_id\n\x81\x8d\n", ["no known encoding", "0x81 in line 2"]),
    ("half.csv", "ski_id\n1".encode("utf-16")[:-1], ["UTF-16 but is damaged"]),
    ("fake.xlsx", b"PK\x03\x04" + bytes(60), ["damaged .xlsx"]),
    ("wide.csv", ("ski_id" + ",x" * MAX_COLUMNS + "\n1\n").encode(), [f"at most {MAX_COLUMNS}"]),
    ("long.csv", b"ski_id,recording\n" + b"1,\n" * (MAX_ROWS + 5), [f"more than {MAX_ROWS} lines"]),
    ("huge.csv", b"ski_id\n" + bytes(MAX_FILE_BYTES), ["more than 32 MB"]),
]


@pytest.mark.parametrize(("name", "data", "parts"), UNREADABLE, ids=[case[0] for case in UNREADABLE])
def test_what_is_no_table_is_refused_by_name_with_a_remedy(folder, name, data, parts):
    with pytest.raises(LotError) as refused:
        read(folder, data, name)
    message = str(refused.value)
    assert message.startswith(name) and message.isprintable()
    for part in parts:
        assert part in message


def test_missing_tables_and_folders(folder):
    for path, part in (
        (folder / "no.csv", f"not found in {folder}"),
        (folder, "is a folder"),
        ("x\0y", "cannot be read"),
    ):
        with pytest.raises(LotError) as refused:
            read_lot(path)
        assert part in str(refused.value)


XLSX = [
    ([["1", 520], ["2", ("formula", "A1*2", None)]], ["line 3, column mass_g", "formula whose result is not stored"]),
    ([["1", 520], ["2", "#DIV/0!"]], ["line 3, column mass_g", "error of the spreadsheet"]),
    ([["1", 520], ["2", 0.52]], ["line 3, column mass_g", "found '0.52'", "looks like kilograms"]),
    ([["1", 520], ["2", "heavy"]], ["line 3, column mass_g", "found 'heavy'"]),
    ([["1", 520], [("formula", "A1+1", None), 520]], ["line 3, column ski_id", "result is not stored"]),
]


@pytest.mark.parametrize(("lines", "parts"), XLSX)
def test_bad_cells_of_a_spreadsheet(folder, lines, parts):
    rest = ["tapered", 1900, 3.2, 1400, "a.wav"]
    heading = ["ski_id", "mass_g", "construction", "length_mm", "stiffness_n_per_mm", "span_mm", "recording"]
    lot = read(folder, xlsx_bytes([heading, *([*line, *rest] for line in lines)]), "lot.xlsx")
    (problem,) = lot.problems
    assert str(problem).startswith("lot.xlsx ")
    for part in parts:
        assert part in str(problem)
    assert [ski.ski_id for ski in lot.rows] == ["1"]


def test_a_stray_cell_at_the_far_end_of_a_sheet_is_refused_before_it_costs_memory(folder):
    stray = '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    with pytest.raises(LotError, match="line 1048576: has a cell in column 16384"):
        read(folder, xlsx_bytes([["ski_id"], ["1"]], raw_cells=stray), "lot.xlsx")
    formatted = stray.replace("<v>1</v>", "")
    assert read(folder, xlsx_bytes([["ski_id", "recording"], ["1", "a.wav"]], raw_cells=formatted), "lot.xlsx").rows


def test_hidden_sheets_and_other_archives(folder):
    with pytest.raises(LotError, match="no visible sheet"):
        read(folder, xlsx_bytes([["ski_id"], ["1"]], state="hidden"), "lot.xlsx")
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as other:
        other.writestr("readme.txt", "hello")
    with pytest.raises(LotError, match=r"not an \.xlsx table"):
        read(folder, archive.getvalue(), "lot.xlsx")


def test_a_problem_is_one_printable_line():
    problem = message("not-a-number", Subject("17\x1bL", "lot\n.csv", 7, "mass\x1b_g", "\x07" * 90))
    assert str(problem).isprintable() and "(90 characters)" in str(problem)


cell = st.text(max_size=30) | st.sampled_from(
    ["1", "520", "1,234", "a.wav", "../x", '"', "1e999", "nan", "-1", "L", "\x00"]
)


@pytest.mark.slow
@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lines=st.lists(st.tuples(*[cell] * len(COLUMNS)), max_size=4), separator=st.sampled_from(",;\t"))
def test_any_cells_are_skis_or_problems(folder, lines, separator):
    rows = [row(), *(dict(zip(COLUMNS, line, strict=True)) for line in lines)]
    try:
        lot = read(folder, csv_text(rows, separator).encode("utf-8", "surrogatepass"))
    except TaptestError as refused:
        assert str(refused).isprintable()
        return
    assert lot.rows and lot.rows[0].ski_id == "0101"
    assert len({ski.ski_id for ski in lot.rows}) == len(lot.rows)
    for problem in lot.problems:
        assert str(problem).isprintable() and len(str(problem)) < 1_000


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    head=st.sampled_from([b"", b"ski_id,mass_g\n", b"\xef\xbb\xbfski_id;", b"\xff\xfe", b"PK\x03\x04"]),
    body=st.binary(),
)
def test_any_bytes_are_a_lot_or_a_clear_refusal(folder, head, body):
    try:
        read(folder, head + body)
    except TaptestError as refused:
        assert str(refused).isprintable()


@settings(deadline=None, max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.floats(0, 1), damage=st.binary(min_size=1, max_size=6))
def test_any_damage_to_a_spreadsheet_is_a_lot_or_a_clear_refusal(folder, at, damage):
    data = bytearray(xlsx_bytes([list(GOOD), list(GOOD.values())]))
    start = int(at * (len(data) - 1))
    data[start : start + len(damage)] = damage
    try:
        read(folder, bytes(data), "lot.xlsx")
    except TaptestError as refused:
        assert str(refused).isprintable()
