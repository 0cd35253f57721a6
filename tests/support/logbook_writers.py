"""Stations that write to one logbook at once, each a process of its own.

``python -m support.logbook_writers write LOGBOOK FOLDER STATIONS SKIS`` or ``… kill LOGBOOK FOLDER KILLS SEED``.

Every station enters so many skis, each with its sound and a verdict, and one more that all of them enter. What was
acknowledged is printed as "STATION SKI" after the logbook has returned, so that whoever kills a station knows what must be there.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sys
import time

from support.logbook_results import add, day, sound
from taptest.logbook.book import open_logbook


def station(where: str, folder: str, number: int, skis: int, start: int = 0) -> None:
    """Enter skis, one after the other; every one is told on standard output as soon as it is entered."""
    name = f"S{number}"
    with open_logbook(where, station=name) as book:
        for ski in range(start, start + skis):
            own = f"{name}-{ski:04d}"
            path = sound(folder, f"{own}.flac", 100.0 + number + ski / 1000.0, seconds=0.12)
            add(book, own, path, at=day(1))
            path.unlink()
            os.write(1, f"{own}\n".encode("ascii"))
        # Of a sound that all have, and with the same verdict: one and the same thing.
        add(book, "shared", sound(folder, f"{name}-shared.flac", 99.0, seconds=0.12), at=day(1))


def run_stations(where: str, folder: str, stations: int, skis: int) -> None:
    """All of them at once, to the end.

    Raises:
        SystemExit: one of them failed.
    """
    fork = multiprocessing.get_context("fork")  # what they need is loaded once
    workers = [fork.Process(target=station, args=(where, folder, number, skis)) for number in range(stations)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    if any(worker.exitcode for worker in workers):
        raise SystemExit(f"stations ended with {[worker.exitcode for worker in workers]}")


def kill_stations(where: str, folder: str, kills: int, seed: int) -> None:
    """Let stations write, two at a time, until each is killed: one at a moment of its opening, one of its writing."""
    station(where, folder, kills, 1)  # loads what the others need, so that they begin at once
    chance = random.Random(seed)
    for number in range(0, kills, 2):
        began = time.monotonic()
        (opening, _), (writing, acknowledged) = (_forked(where, folder, own) for own in (number, number + 1))
        time.sleep(chance.uniform(0.0, 0.08))
        os.kill(opening, signal.SIGKILL)
        with os.fdopen(acknowledged, "rb", buffering=0) as told:
            first = told.readline()  # it is at work now
            time.sleep(chance.uniform(0.0, 0.1))
            os.kill(writing, signal.SIGKILL)
            sys.stdout.write(f"{(first + told.read()).decode('ascii')}")
        if [os.waitpid(child, 0)[1] for child in (opening, writing)] != [signal.SIGKILL] * 2:
            raise SystemExit(f"a station ended by itself within {time.monotonic() - began:.1f} s")


def _forked(where: str, folder: str, number: int) -> tuple[int, int]:
    """A station that writes until it is killed, and where it tells what was acknowledged."""
    told, to_tell = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.dup2(to_tell, 1)
            station(where, folder, number, 10_000)
        finally:
            os._exit(1)
    os.close(to_tell)
    return child, told


if __name__ == "__main__":
    what, the_place, the_folder, *numbers = sys.argv[1:]
    {"write": run_stations, "kill": kill_stations}[what](the_place, the_folder, *map(int, numbers))
