"""Has a ski gone soft? What its last measurement against the first says about that, and what it could not have shown.

All bending frequencies of a beam go with the square root of stiffness over mass (Euler-Bernoulli, the ends free: derived), so
a tone lower by x percent is what about 2 x percent less bending stiffness does, or 2 x percent more mass.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, log
from typing import Literal

from taptest.logbook.history import COVERAGE, Change, History, HistoryPoint

Answer = Literal["maybe softer", "no sign of it", "heavier", "not softer", "cannot tell"]


@dataclass(frozen=True)
class Softness:
    """The answer for one ski.

    ``stiffness``: what the change of tone means for the bending stiffness once the mass is accounted for; ``seen_above_percent``
    the least loss of stiffness that these two measurements would have shown; ``bends``: what the bending test says itself.
    """

    ski_id: str
    answer: Answer
    stiffness: Change | None = None
    seen_above_percent: float | None = None
    bends: Change | None = None
    mass_known: bool = False


def softness(history: History) -> Softness:
    """What the last measurement that can be compared says; a superseded one does not count."""
    last = next(
        (each for each in reversed(history.points) if each.tone is not None and not each.verdict.superseded), None
    )
    if last is None or last.tone is None:
        return Softness(history.ski_id, "cannot tell")
    implied = _implied(last.tone, last.mass)
    return Softness(
        history.ski_id,
        _answer(last, implied),
        stiffness=implied,
        seen_above_percent=COVERAGE * implied.u_percent,
        bends=last.stiffness,
        mass_known=last.mass is not None,
    )


def _implied(tone: Change, mass: Change | None) -> Change:
    """ln k = 2 ln f + ln m, and the uncertainties added up."""
    ratio = 2 * _log(tone) + (0.0 if mass is None else _log(mass))
    u_percent = hypot(2 * tone.u_percent, 0.0 if mass is None else mass.u_percent)
    return Change(100 * (exp(ratio) - 1), u_percent)


def _answer(last: HistoryPoint, implied: Change) -> Answer:
    bends_softer = last.stiffness is not None and last.stiffness.exceeds and last.stiffness.percent < 0
    if (implied.exceeds and implied.percent < 0) or bends_softer:
        return "maybe softer"
    if last.tone is not None and last.tone.exceeds and last.tone.percent < 0:
        return "heavier"
    return "not softer" if implied.exceeds else "no sign of it"


def _log(change: Change) -> float:
    return log(1 + change.percent / 100)
