"""Samples counted against the clock: what a sound system loses without saying so."""

from __future__ import annotations

from collections import deque
from itertools import takewhile

_WINDOW_S = 0.25  # late sound that still comes, comes within this time
_LEAST_S = 0.03  # less than this is jitter
_REFERENCE_S = 2.0


class Pace:
    """How many samples are behind the clock, and for good.

    A block that comes late is followed by others that catch up; samples that were lost leave the count behind for good. So
    what lags for a quarter of a second behind the least lag before it has been lost. Clocks that drift apart by a few parts in
    a thousand do not matter: the comparison reaches back two seconds.
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self._rate = sample_rate_hz
        self._begun_s: float | None = None
        self._received = 0
        self._lags: deque[tuple[float, float]] = deque()  # at [s], lag [s]

    def received(self, frames: int, now_s: float) -> int:
        """Count a block that has just come; how many frames are found to be lost by now."""
        self._received += frames
        if self._begun_s is None:
            self._begun_s = now_s - frames / self._rate
        lag_s = now_s - self._begun_s - self._received / self._rate
        self._lags.append((now_s, lag_s))
        while self._lags[0][0] < now_s - _REFERENCE_S:
            self._lags.popleft()
        if lag_s < min(lag for _, lag in self._lags) + _LEAST_S:
            return 0
        usual_s = min((lag for at, lag in self._lags if at < now_s - _WINDOW_S), default=None)
        if usual_s is None:
            return 0
        late = list(takewhile(lambda each: each[1] >= usual_s + _LEAST_S, reversed(self._lags)))
        if not late or now_s - late[-1][0] < _WINDOW_S:
            return 0
        lost = round((min(lag for _, lag in late) - usual_s) * self._rate)
        self._lags.clear()  # from now on it lags by what was lost
        return lost
