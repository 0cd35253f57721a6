"""Samples against the clock: jitter and late blocks are no loss, and what is lost is counted."""

import numpy as np
import pytest

from taptest.capture.microphone import LostFrames

RATE_HZ = 48_000
BLOCK = 480


def lost(arrivals_s, *, frames=BLOCK) -> list[int]:
    losses = LostFrames(RATE_HZ)
    return [losses.received(frames, at) for at in arrivals_s]


def steady(count: int) -> np.ndarray:
    return 0.01 * np.arange(1, count + 1)


def test_a_steady_source_loses_nothing() -> None:
    assert sum(lost(steady(6000))) == 0
    jitter = np.random.default_rng(1).exponential(0.004, 6000)
    assert sum(lost(np.maximum.accumulate(steady(6000) + jitter))) == 0


def test_late_blocks_that_catch_up_lose_nothing() -> None:
    at = steady(2000)
    for hiccup_s in (0.1, 0.5, 1.5):
        late = at.copy()
        late[(at > 5) & (at < 5 + hiccup_s)] = 5 + hiccup_s
        assert sum(lost(late)) == 0


@pytest.mark.parametrize("drift", [-3e-3, -1e-4, 1e-4, 3e-3])
def test_clocks_that_drift_apart_lose_nothing(drift: float) -> None:
    # A clock is out by some 1e-4 at most (common practice, no source).
    assert sum(lost(steady(60_000) * (1 + drift))) == 0


@pytest.mark.parametrize("gap_s", [0.05, 0.2, 1.0])
def test_a_gap_is_counted_once_and_soon(gap_s: float) -> None:
    at = steady(3000)
    at[1000:] += gap_s
    jitter = np.random.default_rng(2).uniform(0, 0.005, len(at))
    found = lost(np.maximum.accumulate(at + jitter))
    assert sum(found) == pytest.approx(gap_s * RATE_HZ, abs=0.006 * RATE_HZ)
    (where,) = np.flatnonzero(found)
    assert at[1000] < at[where] < at[1000] + 0.3


def test_two_gaps_are_two() -> None:
    at = steady(3000)
    at[1000:] += 0.1
    at[2000:] += 0.1
    assert np.count_nonzero(lost(at)) == 2 and sum(lost(at)) == pytest.approx(0.2 * RATE_HZ, abs=10)
