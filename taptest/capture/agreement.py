"""Whether taps that were kept under one id sound like one ski: a swapped ski is reported, never averaged."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from taptest.capture.store import Store
from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import CaptureError
from taptest.io.recording import from_samples
from taptest.signal.analysis import Analysis, Mode, analyse


@dataclass(frozen=True)
class Difference:
    """How far apart [%] the modes of taps that do not agree typically are, ``agreement.farthest`` or more; taps from 1."""

    taps: tuple[int, ...]
    others: tuple[int, ...]
    percent: float

    @property
    def by_the_last(self) -> bool:
        """Whether the last tap is one of those that differ."""
        return self.taps[-1] > self.others[-1]


class TapAgreement:
    """What was heard in the kept taps of the ski that is up, and which of them sound like one ski."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self._store, self._settings = store, settings
        self._heard: list[Analysis] = []  # one for each kept tap of the ski ``_heard_of``
        self._heard_of: str | None = None
        self._all_count: set[str] = set()  # skis whose taps are to count though they do not agree
        self._found: tuple[str, int, Difference | None] | None = None  # ski, taps that agree, those that do not

    def kept(self, ski_id: str, analysis: Analysis) -> None:
        """A tap was kept, and this was heard in it."""
        count = self._store.count(ski_id)
        if count == 1:
            self._heard, self._heard_of = [], ski_id
        if self._heard_of == ski_id and len(self._heard) == count - 1:
            self._heard.append(analysis)
        self._found = None

    def dropped_last(self, ski_id: str) -> None:
        """The last tap of a ski does not count any more."""
        self._found = None
        if self._heard_of == ski_id:
            del self._heard[-1:]

    def started_anew(self, ski_id: str) -> None:
        """None of a ski's taps count any more."""
        self._found = None
        self._all_count.discard(ski_id)

    def count_all(self, ski_id: str) -> None:
        """All taps of a ski are to count though they do not agree."""
        self._found = None
        self._all_count.add(ski_id)

    def good(self, ski_id: str) -> int:
        """Number of kept taps that sound like one ski, all of them where they cannot be looked at."""
        return self._agreement(ski_id)[0]

    def differing(self, ski_id: str) -> Difference | None:
        """The kept taps that sound like another ski than most; None where all agree."""
        return self._agreement(ski_id)[1]

    def counting(self, ski_id: str) -> list[Analysis]:
        """What was heard in the taps that count.

        Raises:
            CaptureError: a tap that an earlier session kept cannot be read.
        """
        heard = self._analyses(ski_id)
        return heard if ski_id in self._all_count else [heard[index] for index in agreeing(heard)[0]]

    def drop_others(self, ski_id: str) -> Difference | None:
        """Move the taps that sound like another ski than most out of the way; which they were.

        Raises:
            CaptureError: one cannot be moved.
        """
        others = self.differing(ski_id)
        if others is not None:
            heard = self._analyses(ski_id)
            for number in reversed(others.taps):
                self._store.drop(ski_id, number - 1)
                del heard[number - 1]
            self._found = None
        return others

    def _agreement(self, ski_id: str) -> tuple[int, Difference | None]:
        if self._found is None or self._found[0] != ski_id:
            good, others = self._store.count(ski_id), None
            if ski_id not in self._all_count:
                with suppress(CaptureError):  # told when the taps are joined
                    heard = self._analyses(ski_id)
                    good, others = max(map(len, agreeing(heard)), default=0), difference(heard)
            self._found = ski_id, good, others
        return self._found[1:]

    def _analyses(self, ski_id: str) -> list[Analysis]:
        """What was heard in each kept tap when it was tapped, or of those that an earlier session kept, at a first look now."""
        if self._heard_of != ski_id or len(self._heard) != self._store.count(ski_id):
            self._heard = [
                analyse(from_samples(w.words, w.sample_rate_hz, name=w.kept.path.name), self._settings, rounds=1)
                for w in self._store.windows(ski_id)
            ]
            self._heard_of = ski_id
        return self._heard


def agreeing(taps: Sequence[Analysis]) -> list[list[int]]:
    """Indices of taps that sound like one ski, one list for each ski, the longest first (of two as long, the earlier)."""
    groups: list[list[int]] = []
    for number, tap in enumerate(taps):
        for group in groups:
            if np.median([apart(tap, taps[other]) for other in group]) <= LIMITS.agreement.same_ski:
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
    limits = LIMITS.agreement
    strong = sorted(_clear(one, limits.strong_db), key=lambda mode: -mode.level_db)[: limits.most_modes]
    there = _clear(other, limits.audible_db)
    if min(len(strong), len(there)) < limits.least_modes:
        return 0.0
    nearest = [min(there, key=lambda mode: abs(mode.frequency_hz - each.frequency_hz)) for each in strong]
    pairs = list(zip(strong, nearest, strict=True))
    ratios = [min(abs(np.log(a.frequency_hz / b.frequency_hz)), limits.farthest) for a, b in pairs]
    u = [np.hypot(a.frequency_u_hz / a.frequency_hz, b.frequency_u_hz / b.frequency_hz) for a, b in pairs]
    typical = float(np.median(ratios))
    return typical if typical > limits.uncertain * float(np.median(u)) else 0.0


def _clear(tap: Analysis, least_db: float) -> list[Mode]:
    return [mode for mode in tap.modes if mode.level_db > least_db and "hum" not in mode.flags]


def listed(numbers: Sequence[int]) -> str:
    """Numbers as they are read aloud: 1, 2 and 4."""
    *first, last = map(str, numbers)
    return f"{', '.join(first)} and {last}" if first else last
