"""Lines from a keyboard, a scanner or a pipe, read in a thread so that nothing waits for them."""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

_LONGEST_LINE = 2_000


class Lines:
    """Lines typed since they were last asked for, and what is being typed now (``typed``)."""

    def __init__(self) -> None:
        self.typed = ""
        self.interrupted = False
        self._ready: queue.SimpleQueue[str] = queue.SimpleQueue()

    def take(self) -> list[str]:
        """Complete lines, oldest first."""
        lines = []
        while not self._ready.empty():
            lines.append(self._ready.get())
        return lines

    def put(self, text: str) -> None:
        """Characters as they come: Enter ends a line, Backspace takes one back, Ctrl-U all, Ctrl-C interrupts."""
        for character in text:
            if character in "\r\n":
                self._ready.put(self.typed)
                self.typed = ""
            elif character in "\x7f\b":
                self.typed = self.typed[:-1]
            elif character == "\x15":
                self.typed = ""
            elif character == "\x03":
                self.interrupted = True
            elif character.isprintable() and len(self.typed) < _LONGEST_LINE:
                self.typed += character


@contextmanager
def key_lines() -> Iterator[Lines]:
    """The keyboard of a terminal, without echo: the view shows what is typed. The terminal is restored at the end."""
    lines, over = Lines(), threading.Event()
    with _posix_keys() if os.name == "posix" else _windows_keys() as read:

        def work() -> None:
            while not over.is_set():
                lines.put(_without_sequences(read()))

        thread = threading.Thread(target=work, name="keyboard", daemon=True)
        thread.start()
        try:
            yield lines
        finally:
            over.set()
            thread.join(1.0)


def piped_lines() -> Lines:
    """Lines of standard input where it is no terminal; its end is nothing special."""
    lines = Lines()

    def work() -> None:
        for line in sys.stdin:
            lines.put(line if line.endswith("\n") else f"{line}\n")

    threading.Thread(target=work, name="input", daemon=True).start()
    return lines


def _without_sequences(text: str) -> str:
    """Arrow and function keys send an escape and more: all of that is nothing that was typed."""
    return text.split("\x1b", 1)[0]


@contextmanager
def _posix_keys() -> Iterator[Any]:
    import codecs
    import select
    import termios

    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)
    quiet = termios.tcgetattr(handle)
    quiet[3] &= ~(termios.ICANON | termios.ECHO)
    decoder = codecs.getincrementaldecoder("utf-8")(errors="replace")

    def read() -> str:
        if not select.select([handle], [], [], 0.1)[0]:
            return ""
        data = os.read(handle, 1024)
        if not data:
            time.sleep(0.1)  # the terminal has gone
        return decoder.decode(data)

    termios.tcsetattr(handle, termios.TCSADRAIN, quiet)
    try:
        yield read
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


@contextmanager
def _windows_keys() -> Iterator[Any]:
    import importlib

    console: Any = importlib.import_module("msvcrt")

    def read() -> str:
        if not console.kbhit():
            time.sleep(0.05)
            return ""
        character: str = console.getwch()
        if character in "\x00\xe0":  # an arrow or function key, which sends two
            console.getwch()
            return ""
        return character

    yield read
