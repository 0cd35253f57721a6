"""A program on a terminal of its own, which a test types on and reads from. POSIX only."""

from __future__ import annotations

import os
import select
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager


class PseudoTerminal:
    """``seen`` is everything printed so far, ``theirs`` the descriptor of the program's side."""

    def __init__(self, arguments: Sequence[str], *, lines: int = 24) -> None:
        import pty

        self._ours, self.theirs = pty.openpty()
        self.seen = b""
        settings = {**os.environ, "COLUMNS": "80", "LINES": str(lines), "TERM": "xterm"}
        self.before = self.attributes()
        self.program = subprocess.Popen(
            arguments, stdin=self.theirs, stdout=self.theirs, stderr=self.theirs, env=settings, close_fds=True
        )

    def attributes(self) -> list[object]:
        import termios

        return list(termios.tcgetattr(self.theirs))

    def type(self, text: str) -> None:
        os.write(self._ours, text.encode())

    def until(self, words: str, limit_s: float = 60.0) -> None:
        """Read until ``words`` have been printed."""
        end = time.monotonic() + limit_s
        while words.encode() not in self.seen:
            assert time.monotonic() < end, self.seen[-2000:]
            if select.select([self._ours], [], [], 0.1)[0]:
                self.seen += os.read(self._ours, 65536)

    def close(self) -> None:
        self.program.kill()
        self.program.wait()
        os.close(self._ours)
        os.close(self.theirs)


@contextmanager
def on_a_terminal(arguments: Sequence[str], *, lines: int = 24) -> Iterator[PseudoTerminal]:
    terminal = PseudoTerminal(arguments, lines=lines)
    try:
        yield terminal
    finally:
        terminal.close()
