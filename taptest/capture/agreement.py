"""Whether taps that were kept under one id sound like one ski: a swapped ski is told, never averaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from taptest.signal.analysis import Analysis, Mode

# A tap moves a mode by less than 0.1 %, hanging anew by about that (common practice, no source). Between taps of one ski of
# the demonstration it is 0.32 % at most, between the two skis of a pair 0.35 to 1.5 %.
_AGREEMENT = 0.005
_STRONG_DB = -20.0  # against the strongest
_AUDIBLE_DB = -30.0
_MOST = 8
_LEAST = 3  # modes, without which nothing is said
FARTHEST_PERCENT = 4.0  # what is farther off is another mode
_UNCERTAIN = 2.0  # standard uncertainties


@dataclass(frozen=True)
class Difference:
    """How far apart [%] the modes of taps that do not agree typically are, ``FARTHEST_PERCENT`` or more; taps from 1."""

    taps: tuple[int, ...]
    others: tuple[int, ...]
    percent: float

    @property
    def by_the_last(self) -> bool:
        """Whether the last tap is one of those that differ."""
        return self.taps[-1] > self.others[-1]


def agreeing(taps: Sequence[Analysis]) -> list[list[int]]:
    """Indices of taps that sound like one ski, one list for each ski, the longest first (of two as long, the earlier)."""
    groups: list[list[int]] = []
    for number, tap in enumerate(taps):
        for group in groups:
            if np.median([apart(tap, taps[other]) for other in group]) <= _AGREEMENT:
                group.append(number)
                break
        else:
            groups.append([number])
    return sorted(groups, key=len, reverse=True)


def difference(taps: Sequence[Analysis]) -> Difference | None:
    """The largest group of taps, and the next one that sounds like another ski; None where all agree."""
    groups = agreeing(taps)
    if len(groups) < 2:
        return None
    most, other = groups[0], sorted(index for group in groups[1:] for index in group)
    percent = float(np.median([100 * apart(taps[i], taps[j]) for i in most for j in other]))
    return Difference(tuple(i + 1 for i in other), tuple(i + 1 for i in most), percent)


def apart(one: Analysis, other: Analysis) -> float:
    """How far the strong modes of two taps typically are from each other: median of |ln(f/f')|, 0 where they are too uncertain.

    A median, so that a mode of which one of the taps hit a node, or two that beat, do not matter.
    """
    return max(_from(one, other), _from(other, one))


def _from(one: Analysis, other: Analysis) -> float:
    strong = sorted(_clear(one, _STRONG_DB), key=lambda mode: -mode.level_db)[:_MOST]
    there = _clear(other, _AUDIBLE_DB)
    if min(len(strong), len(there)) < _LEAST:
        return 0.0
    nearest = [min(there, key=lambda mode: abs(mode.frequency_hz - each.frequency_hz)) for each in strong]
    ratios = [abs(np.log(a.frequency_hz / b.frequency_hz)) for a, b in zip(strong, nearest, strict=True)]
    doubts = [np.hypot(_u_rel(a), _u_rel(b)) for a, b in zip(strong, nearest, strict=True)]
    typical = float(np.median(np.minimum(ratios, FARTHEST_PERCENT / 100)))
    return typical if typical > _UNCERTAIN * float(np.median(doubts)) else 0.0


def _clear(tap: Analysis, least_db: float) -> list[Mode]:
    return [mode for mode in tap.modes if mode.level_db > least_db and "hum" not in mode.flags]


def _u_rel(mode: Mode) -> float:
    return mode.frequency_u_hz / mode.frequency_hz


def listed(numbers: Sequence[int]) -> str:
    """Numbers as they are read aloud: 1, 2 and 4."""
    *first, last = map(str, numbers)
    return f"{', '.join(first)} and {last}" if first else last
