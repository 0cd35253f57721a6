"""A station that loses the server goes on in a logbook of its own, and hands it over when the server is back.

What waits lies in ``waiting-….sqlite`` in the user's data folder, one for every server logbook. It is never deleted: handing it
over is a merge, which enters nothing twice, and a file beside it says how much of it the server has. A write that the server
did after it was taken for gone is entered here as well; the merge finds it there.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, func, select

from taptest.config.settings import Settings
from taptest.core.durable import write_durably
from taptest.core.errors import LogbookError, LogbookUnreachable
from taptest.io.recording import Recording
from taptest.logbook.book import Added, Logbook, open_logbook
from taptest.logbook.engine import SILENT_S, Watch
from taptest.logbook.merge import Merged, merge_logbooks
from taptest.logbook.place import Place, place_of, waiting_place
from taptest.logbook.schema import META, METADATA
from taptest.screen.result import CheckResult
from taptest.signal.analysis import Analysis

_LOOK_S = 0.05

T = TypeVar("T")


def open_to_read(where: str | Path | None = None) -> Logbook:
    """A logbook that is there, to be read; what has waited for its server is handed over first.

    Raises:
        LogbookError: as `open_logbook`; where the server does not answer, with where this machine's own skis wait.
    """
    place = place_of(where)
    waiting = waiting_place(place)
    try:
        book = _in_time(lambda: open_logbook(where, create=False), place, _close)
        if place.path is not None:
            return book
    except LogbookUnreachable as problem:
        if waiting.path is None or not waiting.path.exists():
            raise
        raise LogbookUnreachable(f"{problem}; what waits on this machine: --logbook {waiting.name}") from problem
    with suppress(LogbookUnreachable):  # what is to be read will say so
        book.notes += _in_time(lambda: hand_over(book, waiting), place, lambda _: book.close())
    return book


class StationLogbook:
    """A logbook to write to, for one thread at a time, that never keeps its station waiting for a server.

    ``notes`` are what there is to tell about it so far; `fresh_notes` gives each once.
    """

    def __init__(
        self, where: str | Path | None = None, *, station: str | None = None, operator: str | None = None
    ) -> None:
        """Open it, and hand over what has waited for its server.

        Raises:
            LogbookError: it cannot be opened for another reason than that its server does not answer.
        """
        self._open = partial(open_logbook, station=station, operator=operator)
        self._server = place_of(where)
        self._told = 0
        self.notes: tuple[str, ...] = ()
        try:
            self._book = _in_time(lambda: self._open(where), self._server, _close)
        except LogbookUnreachable as problem:
            self._go_local(problem)
            return
        self.notes = self._book.notes
        if self._server.path is None:
            waiting = waiting_place(self._server)
            self.notes += self._keep(lambda book: () if book.place == waiting else hand_over(book, waiting))

    def __enter__(self) -> StationLogbook:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def place(self) -> Place:
        """Where it writes to now."""
        return self._book.place

    @property
    def waits(self) -> bool:
        """Whether it writes to the local logbook, for want of the server."""
        return self._book.place != self._server

    def close(self) -> None:
        """Let go of the database."""
        self._book.close()

    def fresh_notes(self) -> tuple[str, ...]:
        """What there is to tell since this was last asked."""
        told, self._told = self._told, len(self.notes)
        return self.notes[told:]

    def add_analysis(
        self, recording: Recording, analysis: Analysis, settings: Settings | None = None, **more: Any
    ) -> Added:
        """As `Logbook.add_analysis`."""
        return self._keep(lambda book: book.add_analysis(recording, analysis, settings, **more))

    def add_check(self, result: CheckResult, *, at: datetime | None = None) -> Added:
        """As `Logbook.add_check`."""
        return self._keep(lambda book: book.add_check(result, at=at))

    def _keep(self, work: Callable[[Logbook], T]) -> T:
        book = self._book
        if not self.waits:
            try:
                return _in_time(lambda: work(book), self._server, lambda _: book.close())
            except LogbookUnreachable as problem:
                self._go_local(problem)
        return work(self._book)

    def _go_local(self, problem: LogbookUnreachable) -> None:
        place = waiting_place(self._server)
        self._book = self._open(place.path)
        self.notes += (
            *self._book.notes,
            f"{problem}. Until then everything is kept on this machine, in {place.name}, and handed over when the server is back",
        )


def hand_over(book: Logbook, waiting: Place) -> tuple[str, ...]:
    """Merge what waits into the server's logbook; what there is to tell about it.

    Raises:
        LogbookUnreachable: the server has gone again; the next time does the rest.
    """
    if waiting.path is None or not waiting.path.exists():
        return ()
    try:
        with open_logbook(waiting.path, create=False) as local:
            # Nothing is ever changed or removed, so nothing new is in as many rows.
            state = {"logbook": book.database.read(_identity), "rows": local.database.read(_rows)}
            mark = waiting.path.with_suffix(".handed-over.json")
            with suppress(OSError, ValueError):
                if json.loads(mark.read_text(encoding="utf-8")) == state:
                    return ()
            done = merge_logbooks(book, local)
            if not done.left_out and not done.sounds_missing:
                write_durably(mark, json.dumps(state, indent=1).encode("ascii"))
    except LogbookUnreachable:
        raise
    except (LogbookError, OSError) as problem:
        return (f"what waits in {waiting.name} could not be handed over: {problem}; 'taptest log merge' tries again",)
    return told_of(done) if done.anything_new or done.left_out else ()


def told_of(done: Merged) -> tuple[str, ...]:
    """What was handed over, in a few sentences."""
    skis = done.entered.get("verdicts", 0)
    return (
        f"what had waited in {done.source} is in the logbook now: {skis} verdicts, {done.entered.get('recordings', 0)} sounds",
        *(each.told for each in done.conflicts),
        *done.left_out,
        *((f"{len(done.sounds_missing)} of its sounds were not found",) if done.sounds_missing else ()),
    )


def _identity(connection: Connection) -> str | None:
    return connection.scalar(select(META.c.value).where(META.c.name == "logbook"))


def _rows(connection: Connection) -> dict[str, int]:
    counted = {name: select(func.count()).select_from(table) for name, table in METADATA.tables.items()}
    return {name: connection.scalar(wanted) or 0 for name, wanted in counted.items()}


def _in_time(work: Callable[[], T], place: Place, late: Callable[[T | None], None]) -> T:
    """What a function returns, unless the server is silent for too long in it: then it is left to itself.

    Args:
        work: what to do.
        place: the server's; a file on this machine is waited for.
        late: to be done when the server is gone, or answers when nobody waits any more (with what then came of it).

    Raises:
        LogbookUnreachable: no answer in time.
    """
    if place.path is not None:
        return work()
    answer: list[T] = []
    problems: list[BaseException] = []
    watch, left = Watch(), threading.Event()

    def run() -> None:
        try:
            with watch:
                answer.append(work())
        except BaseException as problem:
            problems.append(problem)
        if left.is_set() or (problems and isinstance(problems[0], LogbookUnreachable)):
            late(answer[0] if answer else None)

    worker = threading.Thread(target=run, daemon=True)
    worker.start()
    while worker.is_alive():
        worker.join(_LOOK_S)
        if worker.is_alive() and watch.silent_s() > SILENT_S:
            left.set()
            raise LogbookUnreachable(
                f"{place.name}: the logbook cannot be reached (no answer for {SILENT_S:.0f} s); check the network and the server"
            )
    if problems:
        raise problems[0]
    return answer[0]


def _close(book: Logbook | None) -> None:
    if book is not None:
        book.close()
