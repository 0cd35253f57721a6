"""What happens in a session, and what a view of it shows."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from taptest.capture.agreement import Difference
from taptest.core.messages import Message
from taptest.io.recording import Recording
from taptest.signal.analysis import Analysis, Mode
from taptest.ski.record import Ski

# Codes of the messages that say that a tap was heard and does not count through no fault of its own.
TAP_LOST = ("tap-without-ski", "tap-during-question", "tap-not-stored")


@dataclass(frozen=True)
class SkiEvent:
    """Something about a ski of which ``good`` taps of ``needed`` are kept and sound like one ski."""

    ski_id: str
    good: int
    needed: int


@dataclass(frozen=True)
class SkiUp(SkiEvent):
    """A ski is to be tapped; ``left`` skis have no recording, it included."""

    left: int


@dataclass(frozen=True)
class TapKept(SkiEvent):
    """A good tap that is on the disk; the taps of ``differs`` sound like another ski."""

    frequencies_hz: tuple[float, ...]
    differs: Difference | None = None


@dataclass(frozen=True)
class TapRefused(SkiEvent):
    """A tap that does not count, and why: words from ``taptest.signal.taps.REASONS``."""

    reasons: tuple[str, ...]


@dataclass(frozen=True)
class FirstLook:
    """What a quick look at the stronger modes says of a ski, as soon as its last tap has rung out; `SkiDone` follows."""

    ski_id: str
    verdict: Ski


@dataclass(frozen=True)
class SkiDone:
    """A ski with all its taps: the modes heard in them together, and the first verdict (None where it failed).

    ``heard`` holds its recordings with what was heard in them; a session of many hours lets go of that.
    """

    ski_id: str
    recordings: tuple[Path, ...]
    taps: int
    modes: tuple[Mode, ...]
    verdict: Ski | None
    heard: tuple[tuple[Recording, Analysis], ...] = ()


@dataclass(frozen=True)
class Told:
    """Something to tell: an "error" where something was not kept or not entered as it should, else a "note"."""

    message: Message

    @property
    def text(self) -> str:
        return str(self.message)

    @property
    def trouble(self) -> bool:
        return self.message.severity == "error"

    @property
    def tap_lost(self) -> bool:
        return self.message.code in TAP_LOST


@dataclass(frozen=True)
class Asked:
    """A question that the next line answers."""

    question: str


@dataclass(frozen=True)
class Ended:
    """No more taps are taken; of ``unfinished`` skis some are kept, and the next session goes on with them."""

    unfinished: tuple[tuple[str, int], ...]


SessionEvent = SkiUp | TapKept | TapRefused | FirstLook | SkiDone | Told | Asked | Ended


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
    told: Told | None
    ended: bool
