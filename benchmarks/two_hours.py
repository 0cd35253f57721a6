"""Memory over a long session: ``python benchmarks/two_hours.py [HOURS]``. Nothing is asserted.

The demonstration's skis are replayed one after the other as fast as they are taken, bad taps and talk included, through
everything that a session consists of but microphone and screen: listener, what rings after a tap, store, table, first look
and full look, and what is remembered of it for the closing words. Printed every ten minutes of sound, when a ski is done (the
taps of the one at hand take up to 12 MB): the resident set, and what of it is in use, that is, left when the C library has
given back the pages that it keeps for the next large array (malloc_trim, with glibc).
"""

from __future__ import annotations

import csv
import ctypes
import gc
import os
import shutil
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

# As the command line does it: the matrices are small, and threads would wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from capture import SOUNDS, memory_mb
from places import DEMO

from taptest.capture.events import SessionEvent, SkiDone, TapKept
from taptest.capture.listener import Listener
from taptest.capture.lot_table import LotTable
from taptest.capture.session import Session
from taptest.capture.sources import FileSource
from taptest.capture.store import Store
from taptest.capture.stream import Block
from taptest.capture.worker import Worker
from taptest.cli.station import Story
from taptest.core.processes import give_back_large_arrays

RATE_HZ = 48_000
EVERY_S = 600.0
WARM_UP_S = 900.0


class Replay:
    """A source that goes on for so many hours; tells how far it has come."""

    name = "the demonstration, over and over"
    sample_rate_hz = RATE_HZ
    channels = 1

    def __init__(self, hours: float) -> None:
        self._seconds = hours * 3600
        self._told_s, self._started_s = 0.0, time.monotonic()
        self.between_skis = False
        self.told_mb: list[tuple[float, float, float]] = []  # time [s], resident, in use

    def blocks(self) -> Iterator[Block]:
        at_s = 0.0
        while True:
            for path in (path for path in SOUNDS if path.stem not in ("bar", "clap")):
                for block in FileSource(path, speed=None).blocks():
                    at_s += len(block.samples) / RATE_HZ
                    self.between_skis = False
                    yield block
                    if self.between_skis and at_s - self._told_s >= EVERY_S:
                        self._told_s = at_s
                        self._tell(at_s)
                    if at_s >= self._seconds:
                        return

    def close(self) -> None:
        """Nothing is open."""

    def _tell(self, at_s: float) -> None:
        resident_mb = memory_mb()
        give_back()
        self.told_mb.append((at_s, resident_mb, memory_mb()))
        took_s = time.monotonic() - self._started_s
        print(
            f"{at_s / 60:4.0f} min of sound: {resident_mb:6.1f} MB, {self.told_mb[-1][2]:6.1f} in use, after {took_s:.0f} s"
        )


def give_back() -> None:
    """Free what nothing refers to, as far as the system can be asked to."""
    gc.collect()
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def main(hours: float) -> None:
    give_back_large_arrays()  # as `taptest record` does
    folder = Path(tempfile.mkdtemp(prefix="two-hours-"))
    try:
        with (DEMO / "lot.csv").open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        with (folder / "lot.csv").open("w", encoding="utf-8", newline="") as stream:
            table = csv.DictWriter(stream, list(rows[0]))
            table.writeheader()
            for number in range(round(hours * 500)):
                table.writerow({**rows[number % len(rows)], "ski_id": f"{number:05d}", "pair_id": "", "recording": ""})
        story = Story(modes=False)
        counts: Counter[type] = Counter()

        def tell(happening: SessionEvent) -> None:
            counts[type(happening)] += 1
            source.between_skis |= isinstance(happening, SkiDone)
            story.tell(happening)
            story.take()

        source = Replay(hours)
        session = Session(LotTable(folder / "lot.csv"), Store(folder / "recordings"), tell)
        session.start()
        worker = Worker(source, Listener(RATE_HZ), session, threading.Lock())
        worker.start()
        while worker.running:
            time.sleep(0.5)
        if worker.failure is not None:
            raise worker.failure
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    later = [used for at_s, _, used in source.told_mb if at_s >= WARM_UP_S]
    resident = [held for at_s, held, _ in source.told_mb if at_s >= WARM_UP_S]
    done, kept = counts[SkiDone], counts[TapKept]
    print(
        f"{hours:g} h, {kept} good taps, {done} skis: after the first 15 min {min(later):.1f} to {max(later):.1f} MB in use,"
        f" {min(resident):.1f} to {max(resident):.1f} MB resident"
    )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 2.0)
