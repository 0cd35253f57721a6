"""How long questions to a large logbook take: ``python benchmarks/logbook_size.py [SKIS] [sqlite|postgresql|both]``.

A logbook of 100,000 invented skis, every tenth of them measured three times, half a minute to some minutes to fill; then each
question is asked five times, with the logbook opened anew, and the median and the longest are printed. 0.5 s is the aim.
Needs what the tests need; nothing is asserted.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import places  # noqa: F401
from support.logbook_results import checked, modes, row
from support.postgres_server import postgres_server
from support.result_objects import verdict

from taptest.logbook.book import Logbook, open_logbook
from taptest.logbook.export import export_folder, export_sheet
from taptest.logbook.importing import import_folder

AIM_S = 0.5
_LOT = 1_000
_TIMES = 5
_WORDS = ("pass",) * 17 + ("recheck", "outlier", "not judged")


def fill(book: Logbook, skis: int) -> None:
    """Lots of a thousand skis, a day each; every tenth ski comes back twice."""
    start = datetime(2020, 1, 1, tzinfo=UTC)
    numbers = [*range(skis), *(n for again in range(2) for n in range(0, skis, 10))]
    for lot in range(0, len(numbers), _LOT):
        some = [
            (
                row(f"S{n // 2:06d}{'LR'[n % 2]}", construction=f"kind {n % 7}"),
                verdict(f"S{n // 2:06d}{'LR'[n % 2]}", _WORDS[(n + lot) % len(_WORDS)], modes=modes(1 - lot / 1e7)),
            )
            for n in numbers[lot : lot + _LOT]
        ]
        book.add_check(checked(*some, name=f"lot {lot}.csv"), at=start + timedelta(days=lot / _LOT))


def questions(skis: int) -> Iterator[tuple[str, Callable[[Logbook], object]]]:
    """What is asked, with what it is called."""
    middle = f"S{skis // 4 // 10 * 10:06d}L"
    yield "open and close", lambda book: None
    yield "list, the last 50", lambda book: book.skis()
    yield "list, 5,000", lambda book: book.skis(limit=5_000)
    yield "list, part of an id", lambda book: book.skis(middle[2:6])
    yield "list, an id that is not there", lambda book: book.skis("nobody")
    yield "list, outliers", lambda book: book.skis(verdict="outlier")
    yield "list, a construction", lambda book: book.skis(construction="kind 3")
    yield "list, a construction that is not there", lambda book: book.skis(construction="nobody")
    yield "show", lambda book: book.ski(middle)
    yield "history", lambda book: book.histories(middle)
    yield "history of a pair", lambda book: book.histories(middle[:-1])


def ask(name: str, where: str, skis: int) -> None:
    for what, question in questions(skis):
        took = []
        for _ in range(_TIMES):
            began = time.perf_counter()
            with open_logbook(where, create=False) as book:
                question(book)
            took.append(time.perf_counter() - began)
        over = "" if max(took) <= AIM_S else f"  OVER {AIM_S} s"
        print(f"{name:<11}{what:<40}{statistics.median(took):6.3f} s, longest {max(took):6.3f} s{over}", flush=True)


def there_and_back(name: str, where: str, folder: Path) -> None:
    """Export and import of everything; of SQLite only, as the files are the same."""
    with open_logbook(where) as book, open_logbook(folder / "again.sqlite") as other:
        for what, work in (
            ("export, sheet of latest figures (.csv)", lambda: export_sheet(book, folder / "skis.csv")),
            ("export, everything", lambda: export_folder(book, folder / "out")),
            ("import, everything", lambda: import_folder(other, folder / "out")),
        ):
            began = time.perf_counter()
            work()
            print(f"{name:<11}{what:<40}{time.perf_counter() - began:6.1f} s", flush=True)


def measure(name: str, where: str, skis: int) -> None:
    began = time.perf_counter()
    with open_logbook(where) as book:
        fill(book, skis)
    print(
        f"{name}: {skis} skis entered in {time.perf_counter() - began:.0f} s, load {os.getloadavg()[0]:.1f}", flush=True
    )
    ask(name, where, skis)


def main() -> None:
    skis = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    which = sys.argv[2] if len(sys.argv) > 2 else "both"
    with tempfile.TemporaryDirectory() as name:
        os.environ["TAPTEST_SOUNDS"] = f"{name}/sounds"
        if which != "postgresql":
            where = f"{name}/season.sqlite"
            measure("SQLite", where, skis)
            there_and_back("SQLite", where, Path(name))
        if which != "sqlite":
            with postgres_server() as server:
                measure("PostgreSQL", server.new_database(), skis)


if __name__ == "__main__":
    main()
