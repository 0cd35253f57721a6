"""Tables of runs on snow: good ones in several dialects, and every slip named with its line, column and remedy."""

import pytest
from support.lot_files import xlsx_bytes

from taptest.core.errors import LotError
from taptest.snow.results import MEASURES, RUNS, read_snow_results

KNOWN = ("01", "02", "C03L")
HEADING = "ski_id,session,run,order,temperature_c,glide_m,against,lead_m,feel_score,note\n"


def read(folder, text, name="snow.csv"):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_snow_results(path, KNOWN)


def test_a_run_has_what_the_line_says(tmp_path):
    found = read(tmp_path, HEADING + "01,monday,1,3,-4.5,81.25,,,7,wind\n02,monday,1,4,,,01,-0.6,,\n")
    assert not found.problems and not found.notes
    first, second = found.runs
    assert (first.ski_id, first.session, first.run, first.order, first.temperature_c) == ("01", "monday", "1", 3, -4.5)
    assert dict(first.values) == {"glide_m": 81.25, "feel_score": 7.0}
    assert (first.note, first.line) == ("wind", 2)
    assert (second.against, dict(second.values)) == ("01", {"lead_m": -0.6})
    assert [measure.name for measure in found.measures()] == ["glide_m", "lead_m", "feel_score"]


def test_units_and_dialects(tmp_path):
    found = read(tmp_path, "ski_id;session;Speed (km/h);glide_s;temperature_k\n01;a;36,5;12,25;268,15\n")
    assert dict(found.runs[0].values) == pytest.approx({"speed_km_per_h": 36.5 / 3.6, "glide_s": 12.25})
    assert found.runs[0].temperature_c == pytest.approx(-5.0)
    found = read(tmp_path, "ski_id,session,speed_m_per_s,glide_cm\n01,a,10,8125\n")
    assert dict(found.runs[0].values) == pytest.approx({"speed_km_per_h": 10.0, "glide_m": 81.25})
    book = xlsx_bytes([["ski_id", "session", "order", "glide_m"], ["01", 1.0, 2.0, 80.5]])
    found = read(tmp_path, book, "snow.xlsx")
    assert (found.runs[0].session, found.runs[0].order, dict(found.runs[0].values)) == ("1", 2.0, {"glide_m": 80.5})


# cells that differ from a good line, and what the message says
SLIPS = [
    ({"ski_id": "C03R"}, ["line 2, column ski_id", "found 'C03R'", "no ski of the lot", "is C03L meant?"]),
    ({"ski_id": ""}, ["column ski_id", "every run needs it"]),
    ({"session": ""}, ["column session", "only compared within a session"]),
    ({"order": "third"}, ["column order", "found 'third'", "not a number"]),
    ({"order": "-2"}, ["column order", "out of range"]),
    ({"temperature_c": "268"}, ["column temperature_c", "-60 to 60 °C"]),
    ({"glide_m": "far"}, ["column glide_m", "found 'far'", "not a number"]),
    ({"glide_m": "-3"}, ["column glide_m", "0.5 to 5000 m"]),
    ({"glide_m": "81.25 cm"}, ["column glide_m", "although the column is in m"]),
    ({"glide_m": "nan"}, ["column glide_m", "not a finite number"]),
    ({"glide_m": ""}, ["column glide_m", "found nothing", "the run says nothing"]),
    ({"lead_m": "0.5"}, ["column against", "whom the lead was over"]),
    ({"lead_m": "0.5", "against": "01"}, ["column against", "the ski itself"]),
    ({"lead_m": "0.5", "against": "99"}, ["column against", "no ski of the lot"]),
    ({"feel_score": "7 points"}, ["column feel_score", "write the number alone"]),
    ({"feel_score": "1,234"}, ["column feel_score", "may mean 1.234 or 1234"]),
]


@pytest.mark.parametrize(("cells", "says"), SLIPS, ids=[str(cells) for cells, _ in SLIPS])
def test_a_slip_is_named_and_costs_only_what_it_must(tmp_path, cells, says):
    names = HEADING.strip().split(",")
    good = dict.fromkeys(names, "") | {"ski_id": "01", "session": "a", "glide_m": "80"}
    lines = [",".join(f'"{(good | changed)[name]}"' for name in names) for changed in (cells, {"ski_id": "02"})]
    found = read(tmp_path, HEADING + "\n".join(lines) + "\n")
    (problem,) = found.problems
    assert all(each in str(problem) for each in says), str(problem)
    assert found.runs[-1].ski_id == "02"  # what is good beside it is kept


def test_the_same_run_twice_is_one(tmp_path):
    found = read(tmp_path, "ski_id,session,run,glide_m\n01,a,1,80\n01,a,1,81\n01,b,1,82\n01,a,2,83\n")
    assert [run.values["glide_m"] for run in found.runs] == [80, 82, 83]
    assert "line 3" in str(found.problems[0]) and "same run" in str(found.problems[0])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", ["is empty"]),
        ("ski_id,session,glide_m\n", ["has a heading but no runs"]),
        ("ski,session,glide_m\n01,a,80\n", ["no column ski_id", "found: ski, session"]),
        ("ski_id,session,glide\n01,a,80\n", ["none of the columns glide_m", "found: ski_id, session, glide"]),
        ("\x00" * 500, ["binary contents"]),
        ("ski_id,glide_m\n" + "01,80\n" * 5_001, ["holds 5001 runs, at most 5000"]),
    ],
)
def test_what_cannot_be_read_says_why(tmp_path, text, says):
    with pytest.raises(LotError) as refused:
        read(tmp_path, text)
    assert all(each in str(refused.value) for each in says), str(refused.value)
    assert "\n" not in str(refused.value)


def test_what_is_ignored_or_assumed_is_said(tmp_path):
    found = read(tmp_path, "ski_id,glide_m,sesion,glide_cm\n01,80,a,8000\n")
    assert any("one session" in str(note) for note in found.notes)
    assert any("sesion (is session meant?)" in str(note) for note in found.notes)
    assert "the first is used" in str(found.problems[0])
    assert found.runs[0].session == "all"


def test_control_characters_do_not_reach_the_terminal(tmp_path):
    found = read(tmp_path, "ski_id,session,glide_m\n\x1b[31m01,a,80\n02,a,81\n")
    assert "\x1b" not in str(found.problems[0]) and len(found.runs) == 1


def test_every_measure_has_a_column():
    assert set(MEASURES) <= set(RUNS.headings)
