"""Whether a ski has gone soft, in plain words; and how its tone has gone over time, in characters."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from rich.console import Group
from rich.text import Text

from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.logbook.history import History, Softness
from taptest.present.text.characters import CharacterPicture, even_axis
from taptest.present.text.tables import heading, number, prose, with_u

_HEIGHT = 14
_WIDEST = 120
_DAY_S = 86_400.0


def softness_view(found: Sequence[Softness]) -> Group:
    """The question and an answer for each ski."""
    return Group(heading("Gone soft?"), *(prose(f"{shown(each.ski_id)}: {_words(each)}") for each in found), Text())


def _words(found: Softness) -> str:
    if found.stiffness is None:
        return "cannot be told before two measurements with a bending mode in common."
    least = number(found.seen_above_percent, 1)
    change = number(abs(found.stiffness.percent), 1)
    weighed = "" if found.mass_known else " It was not weighed both times, and a heavier ski rings lower, too."
    bends = found.bends
    if found.answer == "maybe softer":
        by_tone = found.stiffness.exceeds
        says = f"its tone is what about {change} % less stiffness would do" if by_tone else "its tone does not show it"
        if bends is None:
            test = "; bend it again, as it was bent at first"
        elif bends.exceeds and bends.percent < 0:
            test = f"; in the bending test it is {number(abs(bends.percent), 1)} % softer"
        else:
            read = f"{with_u(bends.percent, bends.u_percent, 1, sign=True)} %"
            apart = abs(bends.percent - found.stiffness.percent)
            if apart > LIMITS.logbook.coverage_factor * hypot(bends.u_percent, found.stiffness.u_percent):
                test = f"; the bending test says otherwise: {read}"
            else:
                sense = (
                    "agrees but would not show it alone" if bends.percent < 0 else "neither shows it nor rules it out"
                )
                test = f"; the bending test reads {read}, which {sense}"
        return f"it may have: {says}{test}. Hang it again, tap it once more and look for a separation.{weighed}"
    if found.answer == "heavier":
        return "it rings lower, and its greater mass explains that: water, wax or a binding? No sign of lost stiffness."
    if found.answer == "not softer":
        return f"it does not look like it: its tone is what about {change} % more stiffness would do.{weighed}"
    return f"no sign of it. A loss of stiffness below about {least} % would not show.{weighed}"


def history_picture(history: History, width: int, *, dots: bool) -> Group | None:
    """Change of tone against time with its expanded uncertainty; None where there are fewer than two to compare."""
    points = [each for each in history.points if each.tone is not None]
    if not points:
        return None
    start = min(each.verdict.measured for each in history.points)
    days = [(each.verdict.measured - start).total_seconds() / _DAY_S for each in points]
    by_number = max(days) < 1
    across = [float(at) for at in range(1, len(points) + 1)] if by_number else days
    tones = [each.tone for each in points if each.tone is not None]
    low = min([0.0, *(each.percent - LIMITS.logbook.coverage_factor * each.u_percent for each in tones)])
    high = max([0.0, *(each.percent + LIMITS.logbook.coverage_factor * each.u_percent for each in tones)])
    room = 0.1 * (high - low) or 0.1
    picture = CharacterPicture(
        even_axis(-0.05 * max(across), 1.05 * max(across), "" if by_number else "days"),
        even_axis(low - room, high + room, "%"),
        width=min(width, _WIDEST),
        height=_HEIGHT,
        dots=dots,
    )
    picture.line([(0.0, 0.0), (max(across), 0.0)])
    picture.mark(0.0, 0.0, "o")
    for x, tone in zip(across, tones, strict=True):
        for share in range(-10, 11):
            picture.mark(x, tone.percent + share / 10 * LIMITS.logbook.coverage_factor * tone.u_percent, "|")
    for x, tone in zip(across, tones, strict=True):
        picture.mark(x, tone.percent, "!" if tone.exceeds else "o")
    what = "number of the measurement after the first" if by_number else "days since the first measurement"
    legend = f"Across: {what}. o: within twice its uncertainty (|) of the first; !: beyond."
    return Group(
        heading(f"Tone of {shown(history.ski_id)} against its first measurement"),
        Text(picture.text(), no_wrap=True, overflow="ignore"),
        prose(legend, style="dim"),
        Text(),
    )
