"""Calls into a sound system that may never come back, and how long to wait for them."""

from __future__ import annotations

import atexit
import os
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from taptest.core.errors import CaptureError

WITHIN_S = 2.5
_NAME = "sound system"

T = TypeVar("T")


def within(call: Callable[[], T], *, what: str, remedy: str, seconds: float = WITHIN_S) -> T:
    """The result of a call, made in a thread of its own that is left behind when it hangs.

    Raises: CaptureError when it has not come back after ``seconds``; whatever the call itself raises.
    """
    results: list[T] = []
    failures: list[BaseException] = []

    def run() -> None:
        try:
            results.append(call())
        except BaseException as failure:
            failures.append(failure)

    thread = threading.Thread(target=run, name=_NAME, daemon=True)
    with _standard_error_kept() as restore:
        thread.start()
        thread.join(seconds)
        if thread.is_alive():
            restore()
    if failures:
        raise failures[0]
    if not results:
        _leave_behind()
        raise CaptureError(f"{what} has not answered for {seconds:g} s; {remedy}")
    return results[0]


class _standard_error_kept:
    """PortAudio's binding turns standard error away while the library starts; where that hangs, it must come back."""

    def __enter__(self) -> Callable[[], None]:
        self._kept: int | None = None
        with suppress(OSError):
            self._kept = os.dup(2)
        return self._restore

    def _restore(self) -> None:
        if self._kept is not None:
            with suppress(OSError):
                os.dup2(self._kept, 2)

    def __exit__(self, *_: object) -> None:
        if self._kept is not None:
            os.close(self._kept)


def anything_hangs() -> bool:
    """Whether a call is still out, so that the sound system must not be restarted under it."""
    return any(thread.name == _NAME for thread in threading.enumerate() if thread is not threading.current_thread())


def _leave_behind() -> None:
    """PortAudio's binding stops streams when the process ends, and would wait for ever for one that hangs."""
    binding = sys.modules.get("sounddevice")
    handler = getattr(binding, "_exit_handler", None)
    if handler is not None:
        atexit.unregister(handler)
