"""What several stations do to one logbook: python benchmarks/logbook.py [STATIONS SKIS KILLS]

Writes at once by processes (8 stations of 200 skis each) into SQLite and into a PostgreSQL of its own, all of it counted
and verified afterwards; stations killed with SIGKILL at 100 random moments; a logbook merged into another one, and merged
again; and how long a station waits when its server stops or falls silent. Needs what the tests need.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from places import ROOT
from sqlalchemy import func, select
from support.logbook_results import add, day, sound
from support.postgres_server import PostgresServer, postgres_server

from taptest.logbook.book import Logbook, open_logbook
from taptest.logbook.merge import merge_logbooks
from taptest.logbook.schema import METADATA
from taptest.logbook.verify import verify_logbook
from taptest.logbook.waiting import StationLogbook


def timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def writers(*arguments: object) -> set[str]:
    """What was acknowledged by the stations of ``tests/support/logbook_writers.py``."""
    command = [sys.executable, "-m", "support.logbook_writers", *map(str, arguments)]
    done = subprocess.run(command, cwd=ROOT / "tests", capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(done.stderr)
    return set(done.stdout.split())


def count(book: Logbook, table: str) -> int:
    return book.database.read(lambda c: c.scalar(select(func.count()).select_from(METADATA.tables[table])) or 0)


def skis_of(book: Logbook) -> set[str]:
    return {each.ski_id for each in book.skis(limit=1_000_000)[0]}


def at_once(name: str, where: str, folder: Path, stations: int, skis: int) -> None:
    open_logbook(where).close()
    began = time.perf_counter()
    told = writers("write", where, folder, stations, skis)
    took_s = time.perf_counter() - began
    with open_logbook(where) as book:
        lost = len((told | {"shared"}) - skis_of(book))
        doubled = count(book, "verdicts") - (stations * skis + 1)
        began = time.perf_counter()
        found = verify_logbook(book)
        verify_s = time.perf_counter() - began
    print(
        f"{name}: {stations} stations x {skis} skis in {took_s:.0f} s ({stations * skis / took_s:.0f} a second): acknowledged "
        f"{len(told)}, lost {lost}, doubled {doubled}; verify {verify_s:.1f} s: {'sound' if found.ok else 'NOT SOUND'}, "
        f"{found.rows} rows, {found.sounds} sounds"
    )


def killed(name: str, where: str, folder: Path, kills: int) -> None:
    open_logbook(where).close()
    began = time.perf_counter()
    told = writers("kill", where, folder, kills, 1)
    took_s = time.perf_counter() - began
    with open_logbook(where) as book:
        lost = len(told - skis_of(book))
        found = verify_logbook(book)
        for path in book.place.sounds.rglob("*"):
            os.utime(path, (time.time() - 3600,) * 2)
        after = verify_logbook(book)
    print(
        f"{name}: {kills} stations killed in {took_s:.0f} s: acknowledged {len(told)}, lost {lost}; "
        f"{'sound' if found.ok and after.ok else 'NOT SOUND'}, {len(after.mended)} things left over and mended"
    )


def merged(source: Path, target: Path) -> None:
    with open_logbook(source) as one, open_logbook(target) as other:
        first_s = timed(lambda: merge_logbooks(other, one))
        again_s = timed(lambda: merge_logbooks(other, one))
        print(
            f"merge of {count(one, 'verdicts')} verdicts with their sounds: {first_s:.1f} s, once more {again_s:.2f} s"
        )


def without_server(server: PostgresServer, folder: Path) -> None:
    where = server.new_database()
    with StationLogbook(where) as station:
        add(station, "1", sound(folder, "1.flac", 200.0), at=day(1))
        server.stop()
        took_s = timed(lambda: add(station, "2", sound(folder, "2.flac", 210.0), at=day(1)))
        next_s = timed(lambda: add(station, "3", sound(folder, "3.flac", 220.0), at=day(1)))
        server.start()
    print(f"server stopped: the next ski is kept after {took_s:.2f} s, the one after it {next_s:.2f} s", end="; ")
    with StationLogbook(where) as station:
        print(station.notes[0].partition(": ")[2], "handed over")


def main() -> None:
    stations, skis, kills = (int(each) for each in (sys.argv[1:] or ("8", "200", "100")))
    with tempfile.TemporaryDirectory() as name, postgres_server() as server:
        folder = Path(name)
        os.environ["XDG_DATA_HOME"] = name
        shop = folder / "shop.sqlite"
        at_once("SQLite", str(shop), folder, stations, skis)
        os.environ["TAPTEST_SOUNDS"] = f"{name}/sounds-1"
        at_once("PostgreSQL", server.new_database(), folder, stations, skis)
        merged(shop, folder / "other.sqlite")
        killed("SQLite", str(folder / "killed.sqlite"), folder, kills)
        os.environ["TAPTEST_SOUNDS"] = f"{name}/sounds-2"
        killed("PostgreSQL", server.new_database(), folder, kills)
        without_server(server, folder)


if __name__ == "__main__":
    main()
