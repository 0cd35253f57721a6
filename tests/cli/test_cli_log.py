"""``taptest log`` and ``--log`` as they are typed: what is entered, what is said, and what is not done."""

from __future__ import annotations

import json
import shutil
import sqlite3
import sys
import time
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest
from support import command_line
from support.logbook_results import add, day, sound
from support.tapped_skis import DEMO

from taptest.io.recording import read_recording
from taptest.logbook.book import open_logbook
from taptest.logbook.place import place_of


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """Two skis of the demonstration, and a logbook of one's own."""
    for name in ("c05l", "c05r"):
        shutil.copy(DEMO / f"{name}.flac", tmp_path)
    head, *rows = (DEMO / "lot.csv").read_text(encoding="utf-8").splitlines()
    chosen = [row for row in rows if row.startswith("C05")]
    (tmp_path / "lot.csv").write_text("\n".join([head, *chosen]) + "\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TAPTEST_LOGBOOK", "season.sqlite")
    monkeypatch.setenv("TAPTEST_STATION", "bench 1")
    monkeypatch.setenv("COLUMNS", "80")
    for name in ("TAPTEST_LOG", "TAPTEST_OPERATOR"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


run = partial(command_line.run, status=0)


def document(*arguments):
    return json.loads(run(*arguments, "--json").stdout)


def test_a_lot_and_a_recording_are_entered_and_found_again(desk):
    shutil.copy("c05l.flac", "again.flac")
    entered = document("log", "add", "lot.csv", "again.flac", "--at", "2026-03-01T14:30:00+00:00", "--operator", "A")
    assert entered["schema"] == "taptest.logbook_added/1" and entered["unread"] == []
    told = [(each["file"], each["kind"], each["new"], each["skis"]) for each in entered["entered"]]
    # The recording is the sound of C05L under another name: it is in the logbook with the lot.
    assert told == [("lot.csv", "lot", True, 2), ("again.flac", "recording", False, None)]
    listed = document("log", "list", "c05")
    assert listed["schema"] == "taptest.logbook_list/1" and not listed["more"]
    assert [(s["ski_id"], s["station"], s["measured_utc"]) for s in listed["skis"]] == [
        (ski, "bench 1", "2026-03-01T14:30:00Z") for ski in ("C05L", "C05R")
    ]
    checked = document("check", "lot.csv", "--log")["skis"][1]
    page = document("log", "show", "c05r")
    assert page["schema"] == "taptest.logbook_ski/1" and page["last"]["operator"] == "A"
    same = (
        "mass_g",
        "stiffness_n_per_mm",
        "span_mm",
        "predicted_hz",
        "measured_hz",
        "measured_u_hz",
        "verdict",
        "reasons",
    )
    assert {key: page["last"][key] for key in same} == {key: checked[key] for key in same}
    keys = ("family", "order", "frequency_hz", "damping_ratio")
    assert [[m[k] for k in keys] for m in page["last"]["modes"]] == [[m[k] for k in keys] for m in checked["modes"]]
    assert [each["name"] for each in page["recordings"]] == ["c05r.flac"] and len(page["predictions"]) > 10
    words = run("log", "show", "C05R").stdout
    assert "bending 4" in words and "A tone is no proof of strength" in words


def test_history_says_whether_a_ski_has_changed(desk):
    with open_logbook() as book:
        add(book, "17L", sound(desk), at=day(1))
        add(book, "17L", sound(desk, "b.flac", 300.0), at=day(20), factor=0.97)
    found = document("log", "history", "17l")
    assert found["schema"] == "taptest.logbook_history/1" and found["ski_id"] == "17L"
    first, last = found["measurements"]
    assert first["tone_change"] is None and last["modes_shared"] == 4
    assert last["tone_change"]["percent"] == pytest.approx(-3.0) and last["tone_change"]["exceeds_repeatability"]
    words = " ".join(run("log", "history", "17L").stdout.split())
    assert (
        "-3.00 ±0.14!" in words
        and "Since the first measurement: tone -3.00 %, more than repeating it explains" in words
    )
    narrow = run("log", "history", "17L").stdout
    assert max(map(len, narrow.splitlines())) <= 80


def test_times_are_shown_as_the_clock_on_the_wall_has_them(desk, monkeypatch):
    if not hasattr(time, "tzset"):
        pytest.skip("this system cannot change its time zone")
    with open_logbook() as book:
        add(book, "17L", sound(desk), at=day(1))
    monkeypatch.setenv("TZ", "UTC-9")  # POSIX writes zones east of Greenwich with a minus
    time.tzset()
    try:
        assert "2026-03-01 23:30" in run("log", "list").stdout
        assert document("log", "list")["skis"][0]["measured_utc"] == "2026-03-01T14:30:00Z"
    finally:
        monkeypatch.delenv("TZ")
        time.tzset()


def test_check_and_analyse_enter_what_they_show_and_only_when_asked(desk, monkeypatch):
    lines = (desk / "lot.csv").read_text(encoding="utf-8").splitlines()
    (desk / "lot.csv").write_text(f"{lines[0]}\n{lines[2]}\n", encoding="utf-8")
    run("check", "lot.csv")
    assert not (desk / "season.sqlite").exists()
    done = run("check", "lot.csv", "--log", "--json")
    assert json.loads(done.stdout)["schema"] == "taptest.check/1"
    assert done.stderr.strip().endswith("entered in the logbook season.sqlite")
    assert "1 were there already" in run("analyse", "c05r.flac", "--log").stderr
    monkeypatch.setenv("TAPTEST_LOG", "1")
    assert "already in the logbook" in run("check", "lot.csv").stderr
    # One ski's kind alone is no check of the lot.
    assert "logbook" not in run("check", "lot.csv", "--explain", "C05R").stderr
    run("check", "lot.csv", "--explain", "C05R", "--logbook", "x.sqlite", status=2)
    monkeypatch.setenv("TAPTEST_LOG", "0")
    assert "logbook" not in run("analyse", "c05r.flac").stderr


def test_a_recorded_ski_is_entered_with_its_first_verdict_and_a_check_supersedes_it(desk):
    head, left, _ = (desk / "lot.csv").read_text(encoding="utf-8").splitlines()
    (desk / "new.csv").write_text(f"{head}\n{left.replace('C05L', '17L').replace('c05l.flac', '')}\n", encoding="utf-8")
    done = run("record", "new.csv", "--from", "c05l.flac", "--fast", "--logbook", "rec.sqlite", "--json")
    (ski,) = json.loads(done.stdout)["skis"]
    page = document("log", "show", "17L", "--logbook", "rec.sqlite")
    assert page["last"]["verdict"] == ski["verdict"] and page["last"]["measured_hz"] == ski["measured_hz"]
    assert [each["name"] for each in page["recordings"]] == ["17L.flac"]
    # Another name of the table makes it another lot, as a season's table would be.
    shutil.copy("new.csv", "whole.csv")
    run("check", "whole.csv", "--logbook", "rec.sqlite")
    every = document("log", "history", "17L", "--all", "--logbook", "rec.sqlite")["measurements"]
    assert [each["lot"] for each in every] == ["new.csv", "whole.csv"] and every[0]["superseded"]
    assert len(document("log", "history", "17L", "--logbook", "rec.sqlite")["measurements"]) == 1


@pytest.fixture
def reads(monkeypatch):
    """Names of the recordings that are decoded from now on, by whatever part of the program."""
    found = []

    def counted(path, *more):
        found.append(Path(path).name)
        return read_recording(path, *more)

    for name, module in list(sys.modules.items()):
        if name.startswith("taptest.") and vars(module).get("read_recording") is read_recording:
            monkeypatch.setattr(module, "read_recording", counted)
    return found


def test_a_check_that_is_entered_reads_each_recording_once(desk, reads):
    run("check", "lot.csv", "--log")
    assert sorted(reads) == ["c05l.flac", "c05r.flac"]
    assert [each["name"] for each in document("log", "show", "C05L")["recordings"]] == ["c05l.flac"]
    assert len(list(place_of(None).sounds.rglob("*.flac"))) == 2


def test_a_session_that_is_entered_reads_no_recording_again(desk, reads):
    head, left, _ = (desk / "lot.csv").read_text(encoding="utf-8").splitlines()
    (desk / "new.csv").write_text(f"{head}\n{left.replace('C05L', '17L').replace('c05l.flac', '')}\n", encoding="utf-8")
    run("record", "new.csv", "--from", "c05l.flac", "--fast", "--log")
    assert reads == ["c05l.flac"]  # what is replayed
    assert [each["name"] for each in document("log", "show", "17L")["recordings"]] == ["17L.flac"]


def test_a_session_goes_on_without_its_logbook_and_says_what_is_missing(desk, monkeypatch):
    from taptest.core.errors import LogbookUnreachable
    from taptest.logbook.book import Logbook

    def gone(*_, **__):
        raise LogbookUnreachable("the logbook cannot be reached")

    head, left, _ = (desk / "lot.csv").read_text(encoding="utf-8").splitlines()
    (desk / "new.csv").write_text(f"{head}\n{left.replace('C05L', '17L').replace('c05l.flac', '')}\n", encoding="utf-8")
    with monkeypatch.context() as patch:
        patch.setattr(Logbook, "add_check", gone)
        done = run("record", "new.csv", "--from", "c05l.flac", "--fast", "--log", status=1)
    assert "1 ski recorded" in done.stdout and (desk / "recordings" / "17L.flac").exists()
    assert "ski 17L is recorded but not in the logbook" in done.stderr and "'taptest log add new.csv'" in done.stderr
    run("log", "add", "new.csv")
    assert document("log", "list")["skis"][0]["ski_id"] == "17L"


def test_one_bad_file_does_not_stop_the_others(desk):
    (desk / "bad.csv").write_text("no,such,columns\n1,2,3\n", encoding="utf-8")
    (desk / "bad.flac").write_bytes(b"fLaC")
    done = run("log", "add", "bad.csv", "bad.flac", "c05l.flac", "--ski", "C05L", status=4)
    assert "bad.csv" in done.stderr and "bad.flac" in done.stderr
    assert document("log", "list")["skis"][0]["verdict"] is None
    assert "never judged" in run("log", "show", "C05L").stdout
    assert "nothing to compare" in run("log", "history", "C05L").stdout
    run("log", "add", "bad.csv", status=1)


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["list", "--logbook", "typo.sqlite"], 1, "there is no logbook yet"),
        (["list", "--logbook", "lot.csv"], 1, "it is no logbook"),
        (["list", "--logbook", "postgresql://me:s3cret@h/db"], 1, "holds a password"),
        (["list", "--limit", "0"], 2, "--limit"),
        (["list", "--verdict", "good"], 2, "--verdict"),
        (["show", "17L"], 1, "there is no ski '17L'"),
        (["add", "c05l.flac", "--at", "yesterday"], 2, "is no time"),
        (["add", "c05l.flac", "--at", "2999-01-01"], 2, "lies ahead"),
        (["add", "c05l.flac", "--station", "x" * 200], 1, "the station is"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_line(arguments, status, said, desk):
    open_logbook().close()
    before = sorted(desk.iterdir())
    done = run("log", *arguments, status=status)
    assert said in done.output and "s3cret" not in done.output and "Traceback" not in done.output
    assert sorted(desk.iterdir()) == before


def test_a_logbook_that_another_program_holds_is_waited_for_and_then_named(desk, monkeypatch):
    from taptest.logbook import engine

    open_logbook().close()
    monkeypatch.setattr(engine, "_BUSY_S", 0.2)
    with closing(sqlite3.connect("season.sqlite")) as other:
        other.execute("BEGIN IMMEDIATE")
        assert "another program has held it" in run("log", "add", "c05l.flac", status=1).stderr
        assert "No ski" in run("log", "list").stdout  # readers are not kept waiting


def test_a_logbook_is_verified_and_merged_as_it_is_typed(desk):
    run("log", "add", "lot.csv")
    done = run("log", "merge", "season.sqlite", "--logbook", "shop.sqlite")
    assert done.stdout.startswith("Taken over: 2 verdicts, 2 new skis, 2 recordings, 2 sound files copied.")
    again = document("log", "merge", "season.sqlite", "--logbook", "shop.sqlite")
    assert again["schema"] == "taptest.logbook_merge/1" and again["conflicts"] == again["left_out"] == []
    assert again["sounds_copied"] == sum(again["entered"].values()) == 0
    listed = document("log", "list", "--logbook", "shop.sqlite")["skis"]
    assert sorted(each["ski_id"] for each in listed) == ["C05L", "C05R"]
    assert run("log", "verify", "--logbook", "shop.sqlite").stdout.startswith("Sound: 2 sounds and")
    (lost, _) = sorted((desk / "shop-sounds").rglob("*.flac"))
    lost.unlink()
    for arguments in (["--look-only", "--from", "."], []):
        done = run("log", "verify", "--logbook", "shop.sqlite", *arguments, status=1)
        assert "Not sound" in done.stdout and max(map(len, done.stdout.splitlines())) <= 80
    told = json.loads(run("log", "verify", "--logbook", "shop.sqlite", "--json", status=1).stdout)
    assert told["schema"] == "taptest.logbook_verify/1" and not told["sound"]
    assert [(each["where"], each["id"]) for each in told["faults"]] == [("sounds", f"{lost.parent.name}/{lost.name}")]
    # A merge without that sound takes over the rest, and says so.
    done = run("log", "merge", "shop.sqlite", "--logbook", "third.sqlite", status=4)
    assert "was not found beside shop.sqlite" in done.stderr and "2 verdicts" in done.stdout
    mended = document("log", "verify", "--logbook", "shop.sqlite", "--from", ".")
    assert mended["sound"] and len(mended["mended"]) == 1 and lost.exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["merge", "typo.sqlite"], "there is no logbook yet"),
        (["merge", "season.sqlite"], "would be merged into"),
        (["merge", "lot.csv"], "it is no logbook"),
        (["merge", "postgresql://me:s3cret@h/db"], "holds a password"),
        (["verify", "--from", "typo"], "no such folder"),
        (["verify", "--logbook", "typo.sqlite"], "there is no logbook yet"),
    ],
)
def test_what_cannot_be_verified_or_merged_is_said_in_a_line(arguments, said, desk):
    open_logbook().close()
    before = sorted(desk.iterdir())
    done = run("log", *arguments, status=1)
    assert said in done.output and len(done.stderr.splitlines()) == 1 and "s3cret" not in done.output
    assert sorted(desk.iterdir()) == before


def test_a_session_without_its_server_goes_on_and_says_so_once(desk, monkeypatch):
    pytest.importorskip("psycopg")
    monkeypatch.setenv("XDG_DATA_HOME", str(desk / "data"))
    monkeypatch.setenv("TAPTEST_LOGBOOK", f"postgresql://bench@/skis?host={desk}")
    head, left, _ = (desk / "lot.csv").read_text(encoding="utf-8").splitlines()
    (desk / "new.csv").write_text(f"{head}\n{left.replace('C05L', '17L').replace('c05l.flac', '')}\n", encoding="utf-8")
    done = run("record", "new.csv", "--from", "c05l.flac", "--fast", "--log")
    assert done.output.count("kept on this machine") == 1 and "1 ski recorded" in done.stdout
    (waiting,) = (desk / "data" / "taptest").glob("waiting-*.sqlite")
    assert document("log", "show", "17L", "--logbook", str(waiting))["last"]["verdict"] is not None
    assert f"--logbook {waiting}" in run("log", "list", status=1).stderr.replace("\n", "")
    assert run("check", "lot.csv", "--log").stderr.count("kept on this machine") == 1
