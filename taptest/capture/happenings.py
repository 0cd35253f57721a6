"""What a session tells, and what a view of it shows."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from taptest.capture.agreement import Difference
from taptest.signal.analysis import Mode


class FirstVerdict(Protocol):
    """A ski's verdict in a word (pass, recheck, outlier, not judged) and hedged sentences."""

    @property
    def verdict(self) -> str: ...

    @property
    def reasons(self) -> tuple[str, ...]: ...


@dataclass(frozen=True)
class SkiUp:
    """A ski is to be tapped: ``good`` taps of ``needed`` are kept already, ``left`` skis have no recording, it included."""

    ski_id: str
    good: int
    needed: int
    left: int


@dataclass(frozen=True)
class TapKept:
    """A good tap that is on the disk; ``good`` taps sound like one ski, those of ``differs`` like another."""

    ski_id: str
    good: int
    needed: int
    frequencies_hz: tuple[float, ...]
    differs: Difference | None = None


@dataclass(frozen=True)
class TapRefused:
    """A tap that does not count, and why: words from ``taptest.signal.taps.REASONS``."""

    ski_id: str
    good: int
    needed: int
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class TapLost:
    """A tap that was heard but could not count, through no fault of its own: nobody was up, or (``trouble``) a full disk."""

    why: str
    trouble: bool = False


@dataclass(frozen=True)
class FirstLook:
    """What a quick look at the stronger modes says of a ski, as soon as its last tap has rung out; `SkiDone` follows."""

    ski_id: str
    verdict: FirstVerdict


@dataclass(frozen=True)
class SkiDone:
    """A ski with all its taps: the modes heard in them together, and the first verdict (None where it failed).

    No more than that: a session of many hours remembers what it has told.
    """

    ski_id: str
    recordings: tuple[Path, ...]
    taps: int
    modes: tuple[Mode, ...]
    verdict: FirstVerdict | None


@dataclass(frozen=True)
class Said:
    """Something to tell; ``trouble`` where something was not kept or not entered as it should."""

    text: str
    trouble: bool = False


@dataclass(frozen=True)
class Asked:
    """A question that the next line answers."""

    question: str


@dataclass(frozen=True)
class Ended:
    """No more taps are taken; of ``unfinished`` skis some are kept, and the next session goes on with them."""

    unfinished: tuple[tuple[str, int], ...]


Happening = SkiUp | TapKept | TapRefused | TapLost | FirstLook | SkiDone | Said | Asked | Ended


@dataclass(frozen=True)
class Status:
    """What a view shows at any time; ``last`` is the last tap, ``done`` the last finished ski or a first look at it."""

    ski_id: str | None
    good: int
    needed: int
    left: int
    question: str | None
    last: TapKept | TapRefused | None
    done: SkiDone | FirstLook | None
    said: Said | None
    ended: bool
