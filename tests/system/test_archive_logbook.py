"""An archive into the logbook: it gets what lines get, does only what is missing, and loses nothing to a bad file."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from functools import partial

import pytest
from sqlalchemy import select
from support import command_line
from support.archives import by_path, make_archive, make_hiss

from taptest.archive.crews import local_crew
from taptest.archive.files import find_sound_files
from taptest.archive.run import run_archive, to_do
from taptest.config.settings import Settings
from taptest.logbook.archive_results import LoggedResults
from taptest.logbook.book import open_logbook
from taptest.logbook.schema import ANALYSES, MODES, RECORDINGS, TAPS

SETTINGS = Settings()
NUMBERS = ("frequency_hz", "frequency_u_hz", "damping_ratio", "damping_ratio_u", "level_db", "taps")


@pytest.fixture(autouse=True)
def alone(monkeypatch):
    for name in ("TAPTEST_LOG", "TAPTEST_LOGBOOK", "TAPTEST_CALIBRATIONS"):
        monkeypatch.delenv(name, raising=False)


run = partial(command_line.run, "analyse", status=0)


def as_lines_have(value):
    """Lines have nine digits, the logbook all."""
    return float(f"{value:.9g}")


def modes_of(book):
    """Of every sound its modes and taps, as they stand in the tables."""
    with book.engine.connect() as connection:
        rows = connection.execute(select(ANALYSES.c.id, ANALYSES.c.recording)).all()
        assert len({each.recording for each in rows}) == len(rows), "a sound has two analyses"
        found = {}
        for own, sound in rows:
            modes = connection.execute(select(MODES).where(MODES.c.analysis == own).order_by(MODES.c.number)).mappings()
            taps = connection.execute(select(TAPS).where(TAPS.c.analysis == own).order_by(TAPS.c.number)).mappings()
            found[sound] = (
                [[as_lines_have(each[name]) for name in NUMBERS] for each in modes],
                [(as_lines_have(each["ring_s"]), json.loads(each["reasons_json"])) for each in taps],
            )
        assert len(connection.scalars(select(RECORDINGS.c.id)).all()) == len(rows)
        return found


@pytest.mark.slow
def test_the_logbook_gets_what_lines_get_from_one_process_or_two(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    make_archive(tmp_path / "skis", 4)
    run("skis", "--workers", 1, "--logbook", "one.sqlite", "--lines", "r.jsonl")
    document = json.loads(run("skis", "--workers", 2, "--logbook", "two.sqlite", "--json").stdout)
    assert (document["lines"], document["logbook"], document["analysed"]) == (None, "two.sqlite", 4)
    lines = {
        each["sound_sha256"]: (
            [[mode[name] for name in NUMBERS] for mode in each["modes"]],
            [(tap["ring_s"], tap["reasons"]) for tap in each["taps"]],
        )
        for each in by_path(tmp_path / "r.jsonl").values()
    }
    assert len(lines) == 4 and all(modes for modes, _ in lines.values())
    for name in ("one.sqlite", "two.sqlite"):
        with open_logbook(name, create=False) as book:
            assert modes_of(book) == lines


def test_a_second_run_does_only_what_is_missing_or_has_changed(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    make_hiss(tmp_path / "hiss", 5)
    (tmp_path / "hiss" / "bad.flac").write_bytes(b"fLaC")
    wanted = ("hiss", "--workers", 1, "--logbook", "l.sqlite", "--json")

    def counts(*more, status=4):
        document = json.loads(run(*wanted, *more, status=status).stdout)
        return document["analysed"], document["known"], document["failed"]

    assert counts() == (5, 0, 1)
    assert counts() == (0, 5, 1)  # what could not be read is tried again
    assert counts("--low", 20) == (5, 0, 1)  # other settings are other results
    assert counts("--low", 20) == (0, 5, 1) and counts() == (0, 5, 1)
    make_hiss(tmp_path / "hiss", 7)  # writes all anew: another time, the same sounds, and two more
    os.utime("hiss/003.wav", (1e9, 1e9))
    assert counts()[0] >= 3
    with open_logbook("l.sqlite") as book, book.engine.connect() as connection:
        assert len(connection.scalars(select(RECORDINGS.c.id)).all()) == 7
        assert len(connection.scalars(select(ANALYSES.c.id)).all()) == 7 + 5
    monkeypatch.setenv("TAPTEST_STATION", "bench 2")  # at another bench a path is another file
    assert counts() == (7, 0, 1)
    monkeypatch.delenv("TAPTEST_STATION")
    assert counts() == (0, 7, 1)


def test_lines_and_logbook_together_have_the_same_afterwards(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    make_hiss(tmp_path / "hiss", 3)
    (tmp_path / "hiss" / "bad.flac").write_bytes(b"fLaC")
    run("hiss", "--lines", "r.jsonl", status=4)
    both = ("hiss", "--lines", "r.jsonl", "--logbook", "l.sqlite", "--json")
    first = json.loads(run(*both, status=4).stdout)
    second = json.loads(run(*both, status=4).stdout)
    assert (first["analysed"], first["known"], first["failed_before"]) == (3, 0, 1)
    assert (second["analysed"], second["known"], second["failed_before"]) == (0, 3, 1)


def test_the_sounds_of_a_logbook_in_the_archive_are_no_part_of_it(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    make_hiss(tmp_path / "hiss", 3)
    for analysed in (3, 0):
        done = json.loads(run(".", "--workers", 1, "--logbook", "hiss/l.sqlite", "--json").stdout)
        assert (done["analysed"], done["recordings"]) == (analysed, 3)
    assert len([each for each in (tmp_path / "hiss" / "l-sounds").rglob("*") if each.is_file()]) == 3


def test_a_file_that_changes_or_goes_while_it_is_analysed_is_named_and_not_entered(tmp_path):
    folder = make_hiss(tmp_path / "hiss", 4)

    def crew(files, settings):
        for outcome in local_crew(1)(files, settings):
            if outcome.file.path.endswith("001.wav"):
                shutil.copy(folder / "000.wav", folder / "001.wav")
            if outcome.file.path.endswith("002.wav"):
                (folder / "002.wav").unlink()
            yield outcome

    with open_logbook(tmp_path / "l.sqlite") as book:
        results = LoggedResults(book, SETTINGS)
        done = run_archive(to_do(find_sound_files([str(folder)]).files, results), results, SETTINGS, crew)
        assert done.analysed == 2 and len(modes_of(book)) == 2
    assert "001.wav: has changed while it was analysed" in done.failures[0]
    assert "002.wav" in done.failures[1] and "not found" in done.failures[1]


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_a_run_that_is_killed_goes_on_where_it_was(tmp_path):
    make_hiss(tmp_path / "hiss", 60)
    call = [sys.executable, "-m", "taptest", "analyse", "hiss", "--workers", "1", "--logbook", "l.sqlite", "--json"]
    started = subprocess.Popen(call, cwd=tmp_path, stdout=subprocess.DEVNULL)
    while len(list((tmp_path / "l-sounds").rglob("*.*"))) < 10:
        assert started.poll() is None
        time.sleep(0.02)
    started.send_signal(signal.SIGKILL)
    started.wait()
    rest = subprocess.run(call, cwd=tmp_path, stdout=subprocess.PIPE, check=True)
    document = json.loads(rest.stdout)
    assert document["known"] >= 9 and document["known"] + document["analysed"] == 60
    with open_logbook(tmp_path / "l.sqlite") as book:
        assert len(modes_of(book)) == 60
