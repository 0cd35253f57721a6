"""What follows a tap: from exactly where its window ended, never over a gap, never into the next contact."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.tapped_skis import demo, taps_of

from taptest.capture.buffer import RingRemainder
from taptest.capture.stream import Block

RATE = 48_000


def cut(seconds_after):
    """The first tap of a recording, its window cut so long after its contact, and all that is played."""
    tap, sound = taps_of("c05l")[0], demo("c05l")[0].samples[:, 0].astype(np.float32)
    end = tap.onset + round(seconds_after * RATE)
    return replace(tap, samples=sound[:end]), sound, end


def fed(remainder, sound, start=0, lost=0):
    for at in range(start, len(sound), 960):
        remainder.feed(Block(sound[at : at + 960].reshape(-1, 1), lost if at == start else 0))


def test_it_goes_on_where_the_window_ended_and_is_long_enough():
    tap, sound, end = cut(0.7)
    remainder = RingRemainder(RATE)
    fed(remainder, sound[: end + 100])
    remainder.follow(tap)
    assert remainder.take() is None
    fed(remainder, sound[end + 100 :])
    found = remainder.take()
    assert np.array_equal(found, sound[end : end + len(found)])
    # A record holds one and a half times the ring (analysis.py).
    assert end + len(found) >= tap.onset + 1.5 * tap.analysis.taps[0].ring_s * RATE
    assert remainder.take(now=True) is None


def test_it_stops_before_the_next_contact():
    tap, sound, end = cut(0.7)
    sound = sound.copy()
    again = end + round(0.05 * RATE)
    sound[again : again + 9600] += sound[tap.onset : tap.onset + 9600]
    remainder = RingRemainder(RATE)
    fed(remainder, sound)
    remainder.follow(tap)
    assert 0 < len(remainder.take()) <= 0.05 * RATE


def test_it_stops_where_samples_were_lost():
    tap, sound, end = cut(0.7)
    whole = (end + 960) // 960 * 960
    remainder = RingRemainder(RATE)
    fed(remainder, sound[:whole])
    fed(remainder, sound, start=whole, lost=480)
    remainder.follow(tap)
    assert len(remainder.take()) == whole - end


def test_what_has_been_forgotten_is_not_made_up():
    tap, sound, _ = cut(0.7)
    remainder = RingRemainder(RATE, held_s=0.5)
    fed(remainder, sound)
    remainder.follow(tap)
    assert len(remainder.take(now=True)) == 0


@pytest.mark.parametrize("now", [False, True])
def test_without_a_tap_there_is_nothing(now):
    assert RingRemainder(RATE).take(now=now) is None
