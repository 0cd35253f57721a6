"""How long after a ski's last tap its verdict is there, and how long it takes to store a tap: python benchmarks/session.py

The tap itself is told by the listener a fifth of a second after the ring has sunk into the noise; that is not in here.
"""

from __future__ import annotations

import csv
import os
import statistics
import tempfile
import time
from pathlib import Path

# As the command line does it: the matrices are small, and threads would wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from places import DEMO

from taptest.capture.events import FirstLook, SkiDone, TapKept
from taptest.capture.listener import Listener
from taptest.capture.lot_table import LotTable
from taptest.capture.session import Session
from taptest.capture.sources import FileSource
from taptest.capture.store import Store
from taptest.capture.stream import HeardTap


def heard(name: str) -> list[HeardTap]:
    source = FileSource(DEMO / name, speed=None)
    listener = Listener(source.sample_rate_hz)
    events = [event for block in source.blocks() for event in listener.feed(block)] + listener.finish()
    return [event for event in events if isinstance(event, HeardTap)]


def main() -> None:
    times: dict[type, list[tuple[float, float]]] = {TapKept: [], FirstLook: [], SkiDone: []}
    with (DEMO / "lot.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    agree = looked = 0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lot.csv"
        with path.open("w", encoding="utf-8", newline="") as target:
            writer = csv.DictWriter(target, list(rows[0]))
            writer.writeheader()
            writer.writerows({**row, "recording": ""} for row in rows)
        words: dict[str, str] = {}
        begun = (0.0, 0.0)

        def tell(happening: object) -> None:
            nonlocal agree, looked
            if type(happening) in times:
                times[type(happening)].append((time.perf_counter() - begun[0], time.process_time() - begun[1]))
            if isinstance(happening, FirstLook):
                words[happening.ski_id] = happening.verdict.verdict
            elif isinstance(happening, SkiDone) and happening.verdict is not None:
                looked += 1
                agree += words.get(happening.ski_id) == happening.verdict.verdict

        desk, store = LotTable(path), Store(Path(folder) / "recordings")
        for row in rows:
            taps = heard(row["recording"])
            good = sum(tap.accepted for tap in taps)
            if not good:
                continue
            session = Session(desk, store, tell, taps=good, only=row["ski_id"])
            session.start()
            for tap in taps:
                begun = (time.perf_counter(), time.process_time())
                session.hear(tap, row["ski_id"])
            session.settle()
    for kind, what in ((TapKept, "tap on the disk"), (FirstLook, "first verdict"), (SkiDone, "looked at in full")):
        passed, worked = ([1000 * each[i] for each in times[kind]] for i in (0, 1))
        print(
            f"{what:<18} {len(passed):>4} times, typically after {statistics.median(passed):4.0f} ms "
            f"({statistics.median(worked):.0f} ms of work), at most {max(passed):.0f} ms ({max(worked):.0f})"
        )
    print(f"first verdict stands after the full look: {agree} of {looked}")


if __name__ == "__main__":
    main()
