"""Sound systems write straight to the process's standard error, from threads of their own and at any moment."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def library_chatter_off() -> Iterator[None]:
    """Keep what system libraries write to standard error away from the screen, while ``sys.stderr`` goes on as before."""
    try:
        kept = os.dup(2)
    except OSError:  # it is closed, so there is nothing to keep away
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


def _on(descriptor: int, before: object) -> io.TextIOWrapper | None:
    """A stream like ``before`` on another descriptor; None where that is not the process's standard error itself."""
    try:
        if not isinstance(before, io.TextIOWrapper) or before.fileno() != 2:
            return None
    except (OSError, ValueError):
        return None
    return open(descriptor, "w", 1, encoding=before.encoding, errors=before.errors, closefd=False)
