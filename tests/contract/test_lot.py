"""Good lot tables: one set of skis written in every way that the table format allows must read the same."""

import codecs

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.lot_files import COLUMNS, GOOD, csv_text, row, with_recordings, xlsx_bytes

from taptest.tables.lot import read_lot


@pytest.fixture
def folder(tmp_path):
    return with_recordings(tmp_path)


def read(folder, content, name="lot.csv"):
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_lot(path)


def test_a_good_row_in_si_units(folder):
    lot = read(folder, csv_text([row(recording="a.wav;sub\\b.wav", note="as hung", temperature_c="-5")]))
    assert (lot.problems, lot.notes, lot.path) == ((), (), folder / "lot.csv")
    (ski,) = lot.rows
    # By the definitions of the units: 1900 mm, 520 g, 3.2 N/mm, 1400 mm.
    assert (ski.length_m, ski.mass_kg, ski.stiffness_n_per_m, ski.span_m) == (1.9, 0.52, 3200.0, 1.4)
    assert (ski.ski_id, ski.pair_id, ski.side, ski.construction, ski.line) == ("0101", "01", "L", "tapered", 2)
    assert ski.recordings == (folder / "a.wav", folder / "sub" / "b.wav")
    assert (ski.note, ski.temperature_c, ski.generation) == ("as hung", -5.0, None)
    assert (ski.rig_centre_m, ski.balance_m, ski.binding_mass_kg, ski.binding_m) == (None, None, 0.0, None)


def test_every_column_of_the_format_is_read(folder):
    cells = {
        "generation": "G2",
        "rig_centre_mm": "940",
        "balance_mm": "930",
        "binding_mass_g": "120",
        "binding_mm": "955",
    }
    (ski,) = read(folder, csv_text([row(**cells)])).rows
    assert (ski.generation, ski.rig_centre_m, ski.balance_m) == ("G2", 0.94, 0.93)
    assert (ski.binding_mass_kg, ski.binding_m) == (0.12, 0.955)


ENCODINGS = {
    "utf-8": lambda text: text.encode(),
    "utf-8 with a mark": lambda text: codecs.BOM_UTF8 + text.encode(),
    "utf-16": lambda text: text.encode("utf-16"),
    "utf-16 big-endian": lambda text: codecs.BOM_UTF16_BE + text.encode("utf-16-be"),
}
UNIT_STYLES = (
    {},
    {"length_mm": ("length_cm", "190"), "mass_g": ("mass_kg", "0.52"), "span_mm": ("span_m", "1.4")},
    {"length_mm": ("length_m", "1.9"), "stiffness_n_per_mm": ("stiffness_n_per_m", "3200")},
    {"stiffness_n_per_mm": ("stiffness_kn_per_m", "3.2"), "mass_g": ("mass_g", "520 g")},
    {"length_mm": ("Length (mm)", "1 900"), "stiffness_n_per_mm": ("Stiffness N/mm", "3.20")},
)


@settings(deadline=None, max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    separator=st.sampled_from([",", ";", "\t"]),
    newline=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(sorted(ENCODINGS)),
    decimal_comma=st.booleans(),
    order=st.permutations(COLUMNS),
    units=st.sampled_from(UNIT_STYLES),
    note=st.sampled_from(["", "größer", 'a "b"', "x, y; z", "=1+1", "two\nlines"]),
    extra=st.sampled_from(["", "# made by hand\n", "\n\n", "sep="]),
)
def test_the_same_ski_in_every_dialect(folder, separator, newline, encoding, decimal_comma, order, units, note, extra):
    cells = {}
    for name in order:
        heading, cell = units.get(name, (name, {**GOOD, "note": note}[name]))
        cells[heading] = cell.replace(".", ",") if decimal_comma and cell[:1].isdigit() and name != "ski_id" else cell
    prefix = f"sep={separator}\n" if extra == "sep=" else extra
    lot = read(folder, ENCODINGS[encoding](prefix + csv_text([cells], separator, newline)))
    assert lot.problems == () and lot.notes == ()
    (ski,) = lot.rows
    assert (ski.ski_id, ski.construction, ski.recordings) == ("0101", "tapered", (folder / "a.wav",))
    assert (ski.length_m, ski.mass_kg, ski.stiffness_n_per_m, ski.span_m) == pytest.approx(
        (1.9, 0.52, 3200.0, 1.4), rel=1e-15
    )
    assert ski.note == note


def test_control_a_changed_cell_changes_the_ski(folder):
    first, second = (read(folder, csv_text([row(mass_g=mass)])).rows[0] for mass in ("520", "521"))
    assert first != second


def test_decimal_commas_settle_what_one_cell_alone_leaves_open(folder):
    rows = [row(length_mm=None, length_m="1,905", stiffness_n_per_mm="3,2")]
    assert read(folder, csv_text(rows, ";")).rows[0].length_m == 1.905
    rows = [row(length_mm=None, length_m="1,905", stiffness_n_per_mm="3")]
    (problem,) = read(folder, csv_text(rows, ";")).problems
    assert "may mean 1.905 or 1905" in str(problem)


def test_a_lot_in_an_old_windows_encoding_is_read_and_named(folder):
    lot = read(folder, csv_text([row(note="größer")]).encode("cp1252"))
    assert lot.rows[0].note == "größer"
    assert "read as Windows cp1252" in str(lot.notes[0]) and "line 2" in str(lot.notes[0])


def test_comments_and_blank_lines_are_skipped_and_lines_counted_as_an_editor_does(folder):
    text = csv_text([row(note="two\nlines"), row(ski_id="2", mass_g="0.52", recording="sub/b.wav")])
    head, _, tail = text.partition("\n")
    lot = read(folder, f"# weighed in October\n\n{head}\n# first shelf\n{tail}\n,,,,,,,,,\n")
    assert [ski.line for ski in lot.rows] == [5]
    assert [problem.subject.line for problem in lot.problems] == [7]


def test_a_ski_with_a_recording_needs_no_measurements(folder):
    blank = dict.fromkeys(("length_mm", "mass_g", "stiffness_n_per_mm", "span_mm", "construction"), "")
    lot = read(folder, csv_text([row(**blank)]))
    assert lot.problems == ()
    (ski,) = lot.rows
    assert (ski.length_m, ski.mass_kg, ski.stiffness_n_per_m, ski.span_m, ski.construction) == (
        None,
        None,
        None,
        None,
        "",
    )
    lot = read(folder, "ski_id,recording\n7,a.wav\n")
    assert lot.problems == () and lot.rows[0].recordings == (folder / "a.wav",)


def test_a_ski_with_measurements_needs_no_recording(folder):
    lot = read(folder, csv_text([row(recording="")]))
    assert lot.problems == () and lot.rows[0].recordings == ()


@pytest.mark.parametrize(("text", "side"), [("L", "L"), ("r", "R"), ("Left", "L"), ("RIGHT", "R"), ("", None)])
def test_sides(folder, text, side):
    assert read(folder, csv_text([row(side=text)])).rows[0].side == side


def test_columns_that_are_not_used_are_named_once_with_a_guess(folder):
    lot = read(folder, csv_text([row(colour="red", temprature_c="5"), row(ski_id="2", colour="", temprature_c="")]))
    assert len(lot.rows) == 2 and lot.problems == ()
    assert str(lot.notes[0]) == "lot.csv: columns not used: colour, temprature_c (is temperature_c meant?)"


def test_one_recording_for_two_skis_is_noted(folder):
    lot = read(folder, csv_text([row(), row(ski_id="0102")]))
    assert len(lot.rows) == 2
    assert [str(note) for note in lot.notes] == ["a.wav is the recording of several skis: 0101, 0102"]


def test_a_spreadsheet_gives_the_same_skis(folder):
    heading = list(GOOD)
    line = ["0101", "01", "L", "tapered", 1900.0, 520.0, 3.2, 1400.0, "a.wav", "=1+1 größer"]
    lot = read(folder, xlsx_bytes([heading, line]), "lot.xlsx")
    assert lot.problems == () and lot.notes == ()
    assert lot.rows == read(folder, csv_text([row(note="=1+1 größer")])).rows


def test_ids_that_a_spreadsheet_holds_as_numbers(folder):
    line = [12.0, 3, "R", "tapered", 1900, 520, 3.2, 1400, "a.wav"]
    lot = read(folder, xlsx_bytes([list(GOOD), line], extra_sheet=True), "lot.xlsx")
    assert (lot.rows[0].ski_id, lot.rows[0].pair_id) == ("12", "3")
    assert "read from the sheet 'skis' only (1 more)" in str(lot.notes[0])


def test_a_number_cell_with_three_decimals_is_not_ambiguous_in_a_spreadsheet(folder):
    heading = [*list(GOOD)[:4], "length_m", *list(GOOD)[5:]]
    line = ["1", "", "", "tapered", 1.905, "520,5", 3.2, 1400, "a.wav", ""]
    lot = read(folder, xlsx_bytes([heading, line]), "lot.xlsx")
    assert lot.problems == () and lot.rows[0].length_m == 1.905


def test_stored_results_of_formulas_are_values(folder):
    line = ["1", "", "", "tapered", 1900, ("formula", "260*2", 520), 3.2, 1400, "a.wav", ""]
    assert read(folder, xlsx_bytes([list(GOOD), line]), "lot.xlsx").rows[0].mass_kg == 0.52


def test_leading_rows_and_columns_of_a_spreadsheet_may_be_empty(folder):
    good = ["1", "", "", "tapered", 1900, 0.52, 3.2, 1400, "a.wav", ""]
    lot = read(folder, xlsx_bytes([[], [], ["", *GOOD], ["", *good]]), "lot.xlsx")
    (problem,) = lot.problems
    assert (problem.subject.line, problem.subject.column, problem.subject.value) == (4, "mass_g", "0.52")


def test_blank_cells_at_the_end_of_a_sheet_are_missing_values(folder):
    """A workbook does not store them, and nobody can forget a separator in it."""
    line = [520.0 if name == "mass_g" else GOOD[name] for name in GOOD]
    lot = read(folder, xlsx_bytes([[*GOOD, "rig_centre_mm", "binding_mass_g"], line]), "lot.xlsx")
    assert not lot.problems and lot.rows[0].rig_centre_m is None and lot.rows[0].binding_mass_kg == 0.0


@pytest.mark.parametrize("name", ["lot.csv", "lot.xlsx"])
def test_columns_of_ones_own_travel_with_their_ski(folder, name):
    rows = [row(Colour="red", rack="7"), row(ski_id="0102", Colour="", rack="8")]
    table = [list(rows[0]), *(list(line.values()) for line in rows)]
    lot = read(folder, csv_text(rows) if name == "lot.csv" else xlsx_bytes(table), name)
    assert [dict(ski.other) for ski in lot.rows] == [{"Colour": "red", "rack": "7"}, {"rack": "8"}]
    assert [note.code for note in lot.notes if "Colour, rack" in str(note)] == ["columns-not-used"]


def test_a_ski_needs_nothing_but_its_number_and_a_recording(folder):
    (ski,) = read(folder, "ski_id,recording\n0101,a.wav\n").rows
    facts = (ski.length_m, ski.mass_kg, ski.stiffness_n_per_m, ski.span_m, ski.construction, ski.pair_id)
    assert facts == (None, None, None, None, "", None) and ski.recordings == (folder / "a.wav",)
