"""Calls into a sound system that may never come back, and what it writes to a screen that is not its own."""

from __future__ import annotations

import atexit
import io
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

from taptest.core.errors import TaptestError, shown

WITHIN_S = 2.5
_THREAD = "sound system"

T = TypeVar("T")


def within(
    call: Callable[[], T], *, what: str, remedy: str, refusal: type[TaptestError], seconds: float = WITHIN_S
) -> T:
    """The result of a call, made in a thread of its own that is left behind when it hangs.

    Raises:
        TaptestError: ``refusal``, when ``what`` has not answered after so many seconds; whatever the call itself raises.
    """
    results: list[T] = []
    failures: list[BaseException] = []

    def run() -> None:
        try:
            results.append(call())
        except BaseException as failure:
            failures.append(failure)

    thread = threading.Thread(target=run, name=_THREAD, daemon=True)
    # PortAudio's binding turns standard error away while the library starts; where that hangs, it must come back.
    kept = _duplicate_of_stderr()
    thread.start()
    thread.join(seconds)
    if kept is not None:
        if thread.is_alive():
            with suppress(OSError):
                os.dup2(kept, 2)
        os.close(kept)
    if failures:
        raise failures[0]
    if results:
        return results[0]
    # The binding stops streams when the process ends, and would wait for ever for one that hangs.
    handler = getattr(sys.modules.get("sounddevice"), "_exit_handler", None)
    if handler is not None:
        atexit.unregister(handler)
    raise refusal(f"{what} has not answered for {seconds:g} s; {remedy}")


def anything_hangs() -> bool:
    """Whether a call is still out, so that the sound system must not be restarted under it."""
    return any(thread.name == _THREAD for thread in threading.enumerate() if thread is not threading.current_thread())


def portaudio(cannot: str, instead: str, refusal: type[TaptestError]) -> Any:
    """PortAudio's binding, loaded late: it looks for every device of the computer.

    Args:
        cannot: what is impossible without it.
        instead: what to do other than install it; empty for nothing.
        refusal: class of the error.

    Raises:
        TaptestError: ``refusal``, where PortAudio is missing.
    """
    try:
        import sounddevice
    except (ImportError, OSError) as problem:
        missing = "libportaudio2 (Debian and Ubuntu: apt install libportaudio2)"
        install = missing if sys.platform.startswith("linux") else "taptest again, which brings it"
        raise refusal(
            f"{cannot}: the library PortAudio is missing or broken ({shown(problem, 100)}); install {install}{instead}"
        ) from None
    return sounddevice


@contextmanager
def libraries_silenced() -> Iterator[None]:
    """Keep what system libraries write to standard error, from any thread, off the screen; ``sys.stderr`` works as before."""
    kept = _duplicate_of_stderr()
    if kept is None:  # it is closed, so there is nothing to keep away
        yield
        return
    before = sys.stderr
    if before is not None:
        before.flush()
    own = _on(kept, before)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        os.close(nowhere)
        if own is not None:
            sys.stderr = own
        yield
    finally:
        if own is not None:
            own.flush()
            sys.stderr = before
        os.dup2(kept, 2)
        os.close(kept)


def _duplicate_of_stderr() -> int | None:
    try:
        return os.dup(2)
    except OSError:
        return None


def _on(descriptor: int, before: object) -> io.TextIOWrapper | None:
    """A stream like ``before`` on another descriptor; None where that is not the process's standard error itself."""
    try:
        if not isinstance(before, io.TextIOWrapper) or before.fileno() != 2:
            return None
    except (OSError, ValueError):
        return None
    return open(descriptor, "w", 1, encoding=before.encoding, errors=before.errors, closefd=False)
