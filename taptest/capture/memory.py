"""Memory that a session of hours gives back."""

from __future__ import annotations

import ctypes
from contextlib import suppress

_M_MMAP_THRESHOLD = -3  # glibc's malloc.h
_LARGE_BYTES = 1 << 20


def give_back_large_arrays() -> None:
    """Let the C library return every large array to the system as soon as it is freed, where it is one that can be told so.

    Left to itself glibc keeps the largest of them for the next one, some 10 MB or 20, so that what a session takes goes up
    and down with what was tapped last.
    """
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, _LARGE_BYTES)
