"""The logbook to files and back: the same comes out, and what was hurt on the way is named and costs itself only."""

from __future__ import annotations

import csv
import io
import json
import random
import re
import shutil
import tempfile
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support import command_line
from support.logbook_results import add, day, heard, sound
from support.postgres_server import postgres_server

from taptest.core.errors import LogbookError
from taptest.export.table import read_table
from taptest.io.recording import read_recording
from taptest.logbook.book import open_logbook
from taptest.logbook.export import SHEET_COLUMNS, export_folder, export_sheet, export_sounds, export_table, table_names
from taptest.logbook.importing import import_folder
from taptest.signal.identity import sound_sha256


@pytest.fixture(autouse=True)
def alone(monkeypatch):
    for name in ("TAPTEST_LOG", "TAPTEST_LOGBOOK", "TAPTEST_OPERATOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TAPTEST_STATION", "bench 1")


@pytest.fixture
def season(tmp_path):
    """A logbook of two skis, one of them measured twice and judged again, and one that was only heard."""
    with open_logbook(tmp_path / "season.sqlite", operator="A") as book:
        add(book, "17L", sound(tmp_path, "a.flac"), at=day(1), note="=1+1")
        add(book, "17R", sound(tmp_path, "b.flac", 210.0), at=day(1))
        add(book, "17R", sound(tmp_path, "b.flac", 210.0), at=day(1), word="outlier")
        add(book, "17R", sound(tmp_path, "c.flac", 205.0), at=day(3), factor=0.98, mass_kg=0.54)
        book.add_analysis(read_recording(sound(tmp_path, "d.flac", 190.0)), heard(), ski_id="18L")
        yield book


def files_of(folder):
    """Contents by name; when it was written does not count."""
    found = {path.name: path.read_bytes() for path in folder.iterdir()}
    about = json.loads(found.pop("logbook.json"))
    del about["exported_utc"], about["format"]
    return found, about


run = partial(command_line.run, "log", status=0)


@pytest.mark.parametrize("suffix", [".jsonl", ".csv", ".parquet"])
def test_what_was_exported_comes_back_the_same(suffix, season, tmp_path):
    export_folder(season, tmp_path / "out", suffix=suffix)
    copies = export_sounds(season, tmp_path / "sounds")
    assert copies.sounds == 4 and copies.missing == ()
    with open_logbook(tmp_path / "new.sqlite") as book:
        done = import_folder(book, tmp_path / "out", sounds=tmp_path / "sounds")
        assert done.left_out == () and done.sounds_missing == () and done.sounds_copied == 4
        assert {name: done.entered[name] for name in ("skis", "verdicts", "analyses", "recordings")} == {
            "skis": 3,
            "verdicts": 4,
            "analyses": 1,
            "recordings": 4,
        }
        export_folder(book, tmp_path / "again", suffix=suffix)
        assert book.history("17R", superseded=True) == season.history("17R", superseded=True)
        assert book.ski("17L") == season.ski("17L")
        for page in (book.ski("17L"), book.ski("18L")):
            (kept,) = page.recordings
            assert (book.place.sounds / kept.file).read_bytes() == (season.place.sounds / kept.file).read_bytes()
        second = import_folder(book, tmp_path / "out")
        assert not any(second.entered.values()) and second.left_out == () and second.known > 20
    assert files_of(tmp_path / "again") == files_of(tmp_path / "out")


def test_a_logbook_moves_between_sqlite_and_postgresql(season, tmp_path, monkeypatch):
    monkeypatch.setenv("TAPTEST_SOUNDS", str(tmp_path / "server-sounds"))
    export_folder(season, tmp_path / "out")
    with postgres_server() as server, open_logbook(server.new_database()) as book:
        assert import_folder(book, tmp_path / "out").left_out == ()
        export_folder(book, tmp_path / "again")
    assert files_of(tmp_path / "again") == files_of(tmp_path / "out")


WORDS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=60)
ODD = st.sampled_from(
    ["=cmd|' /C calc'!A1", "'", "\t+1", 'a"b;c,d', "line\nline\r\n", "\ufffe\uffff", "x" * 40_000, " "]
)


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    note=WORDS | ODD,
    construction=WORDS.filter(str.strip) | ODD,
    mass=st.none() | st.floats(1e-300, 1e300),
    factor=st.floats(0.5, 2),
    hours=st.integers(0, 10_000),
)
def test_any_text_and_number_survives_the_way_there_and_back(note, construction, mass, factor, hours):
    with tempfile.TemporaryDirectory() as name:
        here = Path(name)
        with open_logbook(here / "one.sqlite") as book:
            at = day(1).replace(microsecond=hours * 97)
            add(book, "17L", sound(here), at=at, note=note, construction=construction, mass_kg=mass, factor=factor)
            export_folder(book, here / "out")
            before = book.history("17L")
        with open_logbook(here / "two.sqlite") as book:
            assert import_folder(book, here / "out").left_out == ()
            assert book.history("17L") == before
            export_folder(book, here / "again")
        assert files_of(here / "again") == files_of(here / "out")


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".jsonl", ".parquet"])
def test_the_sheet_has_the_last_figures_of_every_ski_in_the_units_of_its_headings(suffix, season, tmp_path):
    path = tmp_path / f"skis{suffix}"
    assert export_sheet(season, path).rows == {"skis": 2}
    found = read_table(path, SHEET_COLUMNS)
    left, right = (dict(zip((c.name for c in found.columns), row, strict=True)) for row in found.rows)
    # What logbook_results.row says, in SI there: 0.540 kg, 4438 N/m, 1.99 m.
    assert (right["ski_id"], right["mass_g"], right["stiffness_n_per_mm"], right["length_mm"]) == (
        "17R",
        540,
        4.438,
        1990,
    )
    assert (right["measured_utc"], right["verdict"], right["verdicts_in_all"]) == (day(3), "pass", 3)
    assert (left["ski_id"], left["note"], left["operator"], left["station"]) == ("17L", "=1+1", "A", "bench 1")


def test_an_earlier_sheet_is_replaced_and_nothing_else(season, tmp_path):
    mine = tmp_path / "mine.csv"
    mine.write_text("ski_id,length_mm\n17L,1990\n", encoding="utf-8")
    for write in (export_sheet, lambda book, path: export_table(book, "modes", path)):
        with pytest.raises(LogbookError, match="no such export"):
            write(season, mine)
    assert "17L,1990" in mine.read_text("utf-8")
    (tmp_path / "mine.xlsx").write_bytes(b"PK, but none that can be read")
    with pytest.raises(LogbookError, match="no such export"):
        export_sheet(season, tmp_path / "mine.xlsx")
    for _ in range(2):
        assert export_sheet(season, tmp_path / "s.csv").rows == {"skis": 2}


def test_no_cell_of_the_sheet_is_a_formula(season, tmp_path):
    export_sheet(season, tmp_path / "s.csv")
    cells = [
        cell for row in csv.reader(io.StringIO((tmp_path / "s.csv").read_text(encoding="utf-8-sig"))) for cell in row
    ]
    assert "'=1+1" in cells and not any(cell.startswith(("=", "@")) for cell in cells)


def test_every_table_can_be_written_alone(season, tmp_path):
    for name in table_names():
        done = export_table(season, name, tmp_path / f"{name}.xlsx")
        assert len(read_table(tmp_path / f"{name}.xlsx").rows) == done.rows[name]
    with pytest.raises(LogbookError, match=r"'mode' is no table of the logbook; there are .*placed_modes"):
        export_table(season, "mode", tmp_path / "m.csv")


# --- files that were hurt -------------------------------------------------------------------------------------------


def changed(path, change):
    """Change the first row of a file of JSON lines."""
    head, first, *rest = path.read_text(encoding="ascii").splitlines()
    document = json.loads(first)
    change(document)
    path.write_text("\n".join([head, json.dumps(document), *rest]) + "\n", encoding="ascii")


@pytest.mark.parametrize(
    ("name", "column", "value", "told"),
    [
        ("verdicts", "mass_kg", 0.6, "column digest: does not fit"),
        ("verdicts", "mass_kg", "heavy", "column mass_kg: found 'heavy'|column mass_kg: found .*no number"),
        ("verdicts", "mass_kg", -1, "column mass_kg: -1 is not above 0"),
        ("verdicts", "reasons_json", "5", "column reasons_json: '5' is not the JSON"),
        ("verdicts", "taps_good", 2**40, "column taps_good: 1099511627776 does not fit into 32 bits"),
        ("verdicts", "lot_check", None, "column lot_check: is empty"),
        ("placed_modes", "frequency_hz", 67.0, "column digest: does not fit"),
        ("placed_modes", "verdict", "f" * 32, "column verdict: 'f+' is not in verdicts-0001.jsonl"),
        ("skis", "ski_id", "99", "column id: '.*' does not belong to its name"),
        ("skis", "id", "0" * 40, "column id: '0+' is longer than 32"),
        ("recordings", "stored_as", "../../evil.flac", "column stored_as: '../../evil.flac' lies outside"),
        ("recordings", "recorded_utc", "yesterday", "column recorded_utc: found 'yesterday'; write a time"),
    ],
)
def test_a_row_that_was_changed_is_named_and_the_others_come_in(name, column, value, told, season, tmp_path):
    export_folder(season, tmp_path / "out")
    changed(tmp_path / "out" / f"{name}-0001.jsonl", lambda row: row.update({column: value}))
    with open_logbook(tmp_path / "new.sqlite") as book:
        done = import_folder(book, tmp_path / "out")
        assert any("-0001.jsonl line 2" in each and name in each for each in done.left_out)
        assert any(re.search(told, each) for each in done.left_out), done.left_out
        skis, _ = book.skis()
        assert len(skis) >= 1
        for each in skis:  # nothing of what came in is half there
            book.history(each.ski_id)
            book.ski(each.ski_id)


def test_a_row_whose_reference_did_not_come_in_is_named(season, tmp_path):
    export_folder(season, tmp_path / "out")
    (tmp_path / "out" / "checks-0001.jsonl").unlink()
    with open_logbook(tmp_path / "new.sqlite") as book:
        done = import_folder(book, tmp_path / "out")
        assert done.entered["skis"] == 3 and done.entered["analyses"] == 1 and not done.entered.get("verdicts")
        assert len(done.left_out) == 4 and all("column lot_check" in each for each in done.left_out)


def test_what_is_there_otherwise_stays_and_the_other_comes_in_beside_it(season, tmp_path):
    export_folder(season, tmp_path / "out")
    with open_logbook(tmp_path / "new.sqlite") as book:
        add(
            book, "17L", sound(tmp_path, "a.flac"), at=day(1), note="=1+1", damping=0.02
        )  # the same check, other damping
        before = book.ski("17L").last
        done = import_folder(book, tmp_path / "out")
        (conflict,) = done.conflicts
        assert done.left_out == () and conflict.where == "verdict" and "ski 17L" in conflict.told
        both = [point.verdict for point in book.history("17L", superseded=True).points]
        assert before in [replace(each, superseded=before.superseded) for each in both]
        assert sorted(each.modes[0].damping_ratio for each in both) == [0.01, 0.02]
        assert not any(import_folder(book, tmp_path / "out").entered.values())


def test_a_copy_that_is_another_sound_is_not_taken(season, tmp_path):
    export_folder(season, tmp_path / "out")
    export_sounds(season, tmp_path / "sounds")
    one, other, third, _ = sorted((tmp_path / "sounds").iterdir())
    shutil.copy(other, one)
    third.write_bytes(b"fLaC")
    with open_logbook(tmp_path / "new.sqlite") as book:
        done = import_folder(book, tmp_path / "out", sounds=tmp_path / "sounds")
        assert done.entered["recordings"] == 4 and done.sounds_copied == 2 and len(done.sounds_missing) == 2
        text = "\n".join(done.left_out)
        assert f"{one.name}: is another sound than this one" in text and f"{third.name}: " in text
        kept = [path for path in book.place.sounds.rglob("*") if path.is_file()]
        assert len(kept) == 2 and all(sound_sha256(read_recording(path)) == path.stem for path in kept)


def test_a_folder_of_a_newer_program_or_of_something_else_is_refused(season, tmp_path):
    export_folder(season, tmp_path / "out")
    about = tmp_path / "out" / "logbook.json"
    whole = about.read_text()
    with open_logbook(tmp_path / "new.sqlite") as book:
        about.write_text(whole.replace('"logbook_schema": "0001"', '"logbook_schema": "0107"'))
        with pytest.raises(LogbookError, match=r"with other tables .*logbook 0107.*install the newest version"):
            import_folder(book, tmp_path / "out")
        for content in ("", "[]", "{}", "[" * 100_000, '{"format": ".exe"}'):
            about.write_text(content)
            with pytest.raises(LogbookError, match="no folder that 'taptest log export' wrote"):
                import_folder(book, tmp_path / "out")
    with pytest.raises(LogbookError, match="is not empty, and nothing is written over"):
        export_folder(season, tmp_path / "out")


@pytest.mark.parametrize("suffix", [".jsonl", ".csv", ".parquet"])
def test_bytes_hurt_anywhere_give_no_traceback_and_nothing_half(suffix, season, tmp_path):
    export_folder(season, tmp_path / "out", suffix=suffix)
    chance = random.Random(7)
    files = sorted(path for path in (tmp_path / "out").iterdir() if path.name != "logbook.json")
    for attempt in range(6):
        shutil.copytree(tmp_path / "out", tmp_path / f"hurt{attempt}")
        for path in chance.sample(files, 4):
            data = bytearray(path.read_bytes())
            for _ in range(chance.choice((1, 3, 30))):
                data[chance.randrange(len(data))] = chance.choice((0, 10, 34, 39, 44, 45, 57, 93, 255))
            (tmp_path / f"hurt{attempt}" / path.name).write_bytes(data[: chance.choice((None, None, len(data) // 2))])
        with open_logbook(tmp_path / f"new{attempt}.sqlite") as book:
            import_folder(book, tmp_path / f"hurt{attempt}")
            export_folder(book, tmp_path / f"again{attempt}")
            with open_logbook(tmp_path / f"last{attempt}.sqlite") as last:
                assert import_folder(last, tmp_path / f"again{attempt}").left_out == ()
            for each in book.skis()[0]:
                book.history(each.ski_id)


# --- as it is typed -------------------------------------------------------------------------------------------------


def test_export_and_import_on_the_command_line(season, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    told = run("export", "out", "--recordings", "sounds", "--logbook", "season.sqlite").stdout
    assert told.splitlines() == ["out: 3 skis, 4 recordings, 1 analyses, 4 verdicts.", "sounds: 4 sounds."]
    assert all(soundfile.info(path).frames == 12_000 for path in Path("sounds").iterdir())
    done = json.loads(run("import", "out", "--recordings", "sounds", "--logbook", "n.sqlite", "--json").stdout)
    assert done["schema"] == "taptest.logbook_import/1" and done["unread"] == []
    assert done["folders"][0]["entered"]["verdicts"] == 4
    run("export", "skis.csv", "--logbook", "season.sqlite")
    before = run("list", "--logbook", "n.sqlite").stdout
    refused = run("import", "skis.csv", "--logbook", "n.sqlite", status=1)
    assert "holds the latest figures only" in refused.stderr and run("list", "--logbook", "n.sqlite").stdout == before
    changed(Path("out/verdicts-0001.jsonl"), lambda row: row.update(mass_kg=1.0))
    partly = run("import", "out", "--logbook", "m.sqlite", status=4)
    assert "verdicts-0001.jsonl line 2, column digest" in partly.stderr and "refused: each is named" in partly.stdout


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("export",), "name a file, a folder, or --recordings DIR"),
        (("export", "out", "--table", "modes"), "goes into a file"),
        (("export", "s.csv", "--format", "csv"), "is of the files in a folder"),
        (("import", "s.csv", "--recordings", "sounds"), "goes with a folder"),
    ],
)
def test_what_does_not_go_together_is_said(arguments, told, season, tmp_path):
    done = run(*arguments, "--logbook", tmp_path / "season.sqlite", status=2)
    assert told in " ".join(done.stderr.replace("│", " ").split())


def test_names_that_cannot_be_written_are_said(season, tmp_path):
    for target, told in (("s.doc", "has no known suffix"), ("nowhere/s.csv", "cannot be written")):
        done = run("export", tmp_path / target, "--logbook", tmp_path / "season.sqlite", status=1)
        assert told in done.stderr
