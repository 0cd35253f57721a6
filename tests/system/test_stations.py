"""Several stations at one logbook: nothing is lost or doubled when they write at once, are killed, or lose their server."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time

import pytest
from sqlalchemy import func, select
from support.logbook_results import add, day, heard, sound
from support.places import ROOT
from support.postgres_server import postgres_server
from support.tapped_skis import DEMO
from typer.testing import CliRunner

from taptest.cli import app
from taptest.core.errors import LogbookUnreachable
from taptest.io.recording import read_recording
from taptest.logbook.book import open_logbook
from taptest.logbook.merge import merge_logbooks
from taptest.logbook.place import place_of, waiting_place
from taptest.logbook.schema import METADATA
from taptest.logbook.verify import verify_logbook
from taptest.logbook.waiting import StationLogbook, open_to_read


@pytest.fixture(scope="module")
def server():
    with postgres_server() as running:
        yield running


@pytest.fixture
def data(tmp_path, monkeypatch):
    """A user's own data folder, and sounds in it."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("TAPTEST_STATION", "bench 1")
    for name in ("TAPTEST_SOUNDS", "TAPTEST_LOGBOOK", "TAPTEST_LOG", "TAPTEST_OPERATOR"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request, data):
    return str(data / "shop.sqlite") if request.param == "sqlite" else request.getfixturevalue("server").new_database()


def count(book, table):
    return book.database.read(lambda c: c.scalar(select(func.count()).select_from(METADATA.tables[table])))


def skis_of(book):
    return {each.ski_id for each in book.skis(limit=100_000)[0]}


def run_writers(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "support.logbook_writers", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=500,
    )


def test_eight_stations_at_once_lose_nothing_and_double_nothing(where, data):
    open_logbook(where).close()
    done = run_writers("write", where, data, 8, 12)
    assert done.returncode == 0 and done.stderr == ""
    wanted = {f"S{station}-{ski:04d}" for station in range(8) for ski in range(12)}
    assert set(done.stdout.split()) == wanted
    with open_logbook(where) as book:
        assert skis_of(book) == wanted | {"shared"}
        # One sound, one check and one verdict each, and of what all have entered one as well.
        assert [count(book, name) for name in ("skis", "recordings", "checks", "verdicts")] == [97] * 4
        assert count(book, "stations") == 8
        found = verify_logbook(book)
        assert (found.ok, found.mended, found.notes, found.sounds) == (True, (), (), 97)


@pytest.mark.slow
def test_killed_at_a_hundred_random_moments_it_is_sound_and_has_every_write_that_was_acknowledged(where, data):
    open_logbook(where).close()
    server_kills = 20  # benchmarks/logbook.py has a hundred there as well
    done = run_writers("kill", where, data, server_kills if "://" in where else 100, 7)
    assert done.returncode == 0 and done.stderr == ""
    acknowledged = set(done.stdout.split())
    assert len(acknowledged) > 10
    with open_logbook(where) as book:
        assert acknowledged <= skis_of(book)
        found = verify_logbook(book)
        assert found.ok, found.faults
        # Killed between the sound and its row: the sound gets one as soon as nobody can be at work on it.
        for path in book.place.sounds.rglob("*"):
            os.utime(path, (time.time() - 3600,) * 2)
        after = verify_logbook(book)
        assert after.ok and verify_logbook(book).mended == ()
        # Control: a row that goes missing is noticed.
        with book.engine.begin() as connection:
            if connection.dialect.name == "sqlite":
                victim = connection.exec_driver_sql("SELECT verdict, number FROM placed_modes LIMIT 1").one()
                connection.exec_driver_sql("DELETE FROM placed_modes WHERE verdict = ? AND number = ?", tuple(victim))
        assert verify_logbook(book).ok == (book.place.path is None)


def test_a_station_whose_server_stops_goes_on_and_hands_over_when_it_is_back(server, data):
    where = server.new_database()
    with StationLogbook(where) as station:
        first = add(station, "17L", sound(data, "a.flac", 200.0), at=day(1))
        assert first.new and not station.waits and station.fresh_notes() == ()
        server.stop()
        try:
            assert add(station, "17R", sound(data, "b.flac", 210.0), at=day(1)).new
            (told,) = station.fresh_notes()
            assert "cannot be reached" in told and "kept on this machine" in told
            add(station, "18L", sound(data, "c.flac", 220.0), at=day(1))
            station.add_analysis(read_recording(sound(data, "d.flac", 230.0)), heard(), ski_id="18R")
            assert station.waits and station.fresh_notes() == ()
            with StationLogbook(where) as other:  # the next command, with the server still gone
                add(other, "19L", sound(data, "e.flac", 240.0), at=day(2))
                assert len(other.notes) == 1
            with pytest.raises(LogbookUnreachable, match=r"what waits on this machine: --logbook .*waiting-"):
                open_to_read(where)
        finally:
            server.start()
    with open_to_read(where) as book:
        assert skis_of(book) == {"17L", "17R", "18L", "18R", "19L"}
        (told,) = book.notes
        assert "what had waited" in told and "3 verdicts" in told
        assert all((book.place.sounds / name).exists() for name in book.database.read(stored_names))
        assert verify_logbook(book).ok and verify_logbook(book).notes == ()
    with StationLogbook(where) as station:  # once, and what comes later waits again
        assert station.notes == () and not station.waits


def stored_names(connection):
    return connection.scalars(select(METADATA.tables["recordings"].c.stored_as)).all()


def test_what_waits_is_merged_by_hand_as_well_and_only_once(server, data):
    where = server.new_database()
    open_logbook(where).close()
    server.stop()
    try:
        with StationLogbook(where) as station:
            add(station, "17L", sound(data), at=day(1))
            local = station.place
    finally:
        server.start()
    assert local == waiting_place(place_of(where))
    with open_logbook(where) as book, open_logbook(local.path) as waiting:
        assert merge_logbooks(book, waiting).entered["verdicts"] == 1
    with open_to_read(where) as book:
        assert skis_of(book) == {"17L"} and book.notes == () and count(book, "verdicts") == 1


@pytest.mark.slow
def test_a_server_that_is_silent_keeps_nobody_waiting(server, data):
    where = server.new_database()
    with StationLogbook(where) as station:
        add(station, "17L", sound(data), at=day(1))
        processes = subprocess.run(["ps", "-eo", "pid,args"], capture_output=True, text=True, check=True).stdout
        database = where.split("/")[3].partition("?")[0]
        (backend,) = re.findall(rf"^\s*(\d+) postgres: owner {database} ", processes, re.MULTILINE)
        os.kill(int(backend), signal.SIGSTOP)
        try:
            # Before it goes on, the server answers nothing: that this returns at all is the point.
            assert add(station, "17R", sound(data, "b.flac", 210.0), at=day(1)).new
        finally:
            os.kill(int(backend), signal.SIGCONT)
        assert station.waits and "no answer for 3 s" in station.notes[0]
    with open_to_read(where) as book:
        assert skis_of(book) == {"17L", "17R"} and count(book, "verdicts") == 2


# --- rights and passwords ------------------------------------------------------------------------------------------

PASSWORD = "correct-horse-9471"


def documented_sql():
    """The statements of the README, word for word."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"^```sql\n(.*?)^```", readme, re.DOTALL | re.MULTILINE)
    return block


@pytest.fixture
def guarded(server, data):
    """A logbook in which bench_1 may do what the README lets a station do, and has to give a password."""
    where = server.new_database()
    open_logbook(where, station="office").close()
    database = where.split("/")[3].partition("?")[0]
    # Roles belong to the whole server.
    server.sql(database, "DROP ROLE IF EXISTS bench_1; DROP ROLE IF EXISTS taptest_station;")
    statements = documented_sql().replace("DATABASE skis", f"DATABASE {database}")
    server.sql(database, statements.replace("\\password bench_1", f"ALTER ROLE bench_1 PASSWORD '{PASSWORD}';"))
    rules = server.folder / "data" / "pg_hba.conf"
    before = rules.read_text()
    rules.write_text(f"local all bench_1 scram-sha-256\n{before}")
    server.sql("postgres", "SELECT pg_reload_conf()")
    yield server.address(database, "bench_1")
    rules.write_text(before)
    server.sql("postgres", "SELECT pg_reload_conf()")
    server.sql(database, "DROP OWNED BY bench_1, taptest_station CASCADE; DROP ROLE bench_1, taptest_station;")


def test_a_station_with_the_least_rights_can_do_its_work_and_nothing_else(guarded, server, data, monkeypatch):
    monkeypatch.setenv("PGPASSWORD", PASSWORD)
    with StationLogbook(guarded, station="bench 1", operator="A") as station:
        add(station, "17L", sound(data), at=day(1))
        station.add_analysis(read_recording(sound(data, "b.flac", 300.0)), heard(), ski_id="17R")
        assert not station.waits and station.notes == ()
    with open_logbook(data / "laptop.sqlite") as laptop, open_to_read(guarded) as book:
        add(laptop, "18L", sound(data, "c.flac", 400.0), at=day(1))
        assert merge_logbooks(book, laptop).entered["verdicts"] == 1
        assert merge_logbooks(laptop, book).entered["verdicts"] == 1
        assert skis_of(book) == {"17L", "17R", "18L"} and book.ski("17L").last.verdict == "pass"
        assert len(book.history("18L").points) == 1 and verify_logbook(book).ok
        columns = {name: next(iter(table.columns)).name for name, table in METADATA.tables.items()}
        for table, column in {**columns, "alembic_version": "version_num"}.items():
            for statement in (
                f"DROP TABLE {table}",
                f"DELETE FROM {table}",
                f"TRUNCATE {table}",
                f"ALTER TABLE {table} ADD COLUMN x text",
                f"UPDATE {table} SET {column} = {column}",
            ):
                refused(book, statement)
        for statement in (
            "INSERT INTO meta (name, value) VALUES ('x', 'y')",
            "INSERT INTO alembic_version (version_num) VALUES ('9')",
            "CREATE TABLE mine (x int)",
            "CREATE ROLE another",
        ):
            refused(book, statement)
        assert skis_of(book) == {"17L", "17R", "18L"}


def refused(book, statement):
    with book.engine.connect() as connection, pytest.raises(Exception, match=r"permission denied|must be owner"):
        connection.exec_driver_sql(statement)


def test_a_password_is_nowhere(guarded, server, data, monkeypatch):
    shutil.copy(DEMO / "c05l.flac", data)
    shutil.copy(DEMO / "c05r.flac", data)
    monkeypatch.chdir(data)
    monkeypatch.setenv("TAPTEST_LOGBOOK", guarded)
    said = []
    keys = {}
    for name, secret in (("right", PASSWORD), ("wrong", "never-right-5530")):
        keys[name] = data / f"{name}.pgpass"
        keys[name].write_text(f"*:*:*:bench_1:{secret}\n", encoding="ascii")
        keys[name].chmod(0o600)

    def run(*arguments, passfile=None, password=None, status=0):
        with monkeypatch.context() as patch:
            patch.setenv("PGPASSFILE", str(passfile or data / "none"))
            if password is not None:
                patch.setenv("PGPASSWORD", password)
            done = CliRunner().invoke(app, ["log", *arguments])
        said.append(done.output)
        assert done.exit_code == status, done.output
        return done.output

    run("add", "c05l.flac", "--ski", "17L", passfile=keys["right"])
    assert "17L" in run("list", password=PASSWORD)
    assert "password authentication failed" in run("list", passfile=keys["wrong"], status=1)
    assert "no password supplied" in run("add", "c05r.flac", status=1)
    server.stop()
    try:
        assert "kept on this machine" in run("add", "c05r.flac", "--ski", "17R", password=PASSWORD)
    finally:
        server.start()
    assert "what had waited" in run("list", passfile=keys["right"])
    run("verify", "--json", password=PASSWORD)
    kept = [path for path in data.rglob("*") if path.is_file() and path not in keys.values()]
    assert any(path.name.startswith("waiting-") for path in kept)
    for secret in (PASSWORD, "never-right-5530"):
        assert not any(secret in text for text in said)
        assert not any(secret.encode("ascii") in path.read_bytes() for path in kept)
    assert PASSWORD.encode("ascii") in keys["right"].read_bytes()  # control: it would be found


def test_sounds_that_lie_with_other_stations_are_no_fault_and_lost_ones_are(server, data, monkeypatch):
    where = server.new_database()
    for name in ("bench 1", "bench 2"):
        monkeypatch.setenv("TAPTEST_SOUNDS", str(data / name))
        with StationLogbook(where, station=name) as station:
            add(station, name, sound(data, f"{name}.flac", 200.0 + 10 * int(name[-1])), at=day(1))
    with open_logbook(where, station="bench 2") as book:
        found = verify_logbook(book)
        assert (
            found.ok
            and found.sounds == 1
            and found.notes == ("sounds that lie with other stations and were not looked at: 1",)
        )
        for path in book.place.sounds.rglob("*.flac"):
            path.unlink()
        assert not verify_logbook(book).ok
        mended = verify_logbook(book, search=[data / "bench 1", data])
        assert mended.ok and mended.notes == () and mended.sounds == 2
