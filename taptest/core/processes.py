"""Processes that share the work on many recordings, and memory that a long one gives back."""

from __future__ import annotations

import ctypes
import signal
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from concurrent.futures import Executor, Future

_M_MMAP_THRESHOLD = -3  # glibc's malloc.h
_LARGE_BYTES = 1 << 20


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Processes that are started meanwhile never hear Ctrl-C; this one hears it a moment later, and ends them.

    Unlike where it is ignored meanwhile, as in `taptest.archive.crews`, it is not lost: jobs are handed out one after the
    other here, and one keystroke in thirty fell into such a moment.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


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

    class Pool(ProcessPoolExecutor):
        def submit(self, *args: Any, **options: Any) -> Future[Any]:
            # It is here that a process is started, when none is idle.
            with interrupts_held():
                return super().submit(*args, **options)

    # A forked child of a program with threads (progress bars, linear algebra) can hang.
    pool = Pool(count, mp_context=multiprocessing.get_context("spawn"))
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def give_back_large_arrays() -> None:
    """Let the C library return every large array to the system as soon as it is freed, where it is one that can be told so.

    Left to itself glibc keeps the largest of them for the next one, some 10 MB or 20, so that what a session takes goes up
    and down with what was tapped last.
    """
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, _LARGE_BYTES)
