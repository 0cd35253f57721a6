"""The thread that brings sound to a session: blocks to the listener, taps to the session, and sounds as an answer."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from typing import Protocol

from taptest.capture.buffer import RingRemainder
from taptest.capture.session import Session
from taptest.capture.stream import Block, HeardTap, Level, Source
from taptest.core.errors import CaptureError


class TapListener(Protocol):
    """What finds taps in blocks."""

    def feed(self, block: Block) -> list[Level | HeardTap]: ...

    def finish(self) -> list[Level | HeardTap]: ...

    def ignore(self, seconds: float) -> None: ...


class Worker:
    """One source heard to its end, in a thread of its own.

    ``lock`` guards the session, which lines from a keyboard reach from another thread. ``level`` is the latest, ``failure``
    why the source gave up, None where it simply ended.
    """

    def __init__(
        self,
        source: Source,
        listener: TapListener,
        session: Session,
        lock: threading.Lock,
        answer: Callable[[], float] | None = None,
    ) -> None:
        """
        Args:
            source: of the sound.
            listener: for its sample rate.
            session: takes the taps.
            lock: held while the session works.
            answer: called after each tap: for how long [s] what is being played in answer will sound, 0 for nothing.
        """
        self.level: Level | None = None
        self.failure: Exception | None = None
        self._source, self._listener, self._session, self._lock = source, listener, session, lock
        self._answer = answer
        self._remainder = RingRemainder(source.sample_rate_hz)
        self._stream = secrets.token_hex(8)
        self._thread = threading.Thread(target=self._work, name="listening", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def stop(self) -> None:
        """Close the source and wait until the thread has ended, three seconds at most."""
        self._source.close()
        if self._thread.ident is not None:
            self._thread.join(3.0)

    def _work(self) -> None:
        try:
            try:
                for block in self._source.blocks():
                    self._remainder.feed(block)
                    self._take(self._listener.feed(block))
                    self._settle()
                    if self._session.ended:
                        return
            except CaptureError as problem:
                self.failure = problem
            # What was heard before the source ended or failed still counts.
            self._take(self._listener.finish())
            self._settle(now=True)
        except Exception as problem:
            self.failure = problem
        finally:
            self._source.close()

    def _take(self, heard: list[Level | HeardTap]) -> None:
        for each in heard:
            if isinstance(each, Level):
                self.level = each
                continue
            self._settle(now=True)
            begun_s = time.monotonic()
            with self._lock:
                self._session.hear(each, self._stream)
            if each.accepted:
                self._remainder.follow(each)
            sounds_s = self._answer() if self._answer is not None else 0.0
            if sounds_s > 0:
                # The listener stands where the tap ended; what was played while the session worked comes to it yet.
                self._listener.ignore(sounds_s + time.monotonic() - begun_s)

    def _settle(self, *, now: bool = False) -> None:
        """Hand on what rang after the last good tap, which completes it."""
        tail = self._remainder.take(now=now)
        if tail is not None:
            with self._lock:
                self._session.settle(tail)
