"""Processes that share the work on many recordings."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from concurrent.futures import Executor


@contextmanager
def processes(count: int) -> Iterator[Executor | None]:
    """So many processes, which start as work is given to them; None where one is enough. What is not begun at the end is dropped.

    A calling script needs the usual guard ``if __name__ == "__main__"``.
    """
    if count <= 1:
        yield None
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    # A forked child of a program with threads (progress bars, linear algebra) can hang.
    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"))
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
