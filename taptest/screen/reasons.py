"""Verdicts in words: plain, hedged sentences that can be read aloud, the most telling first, never a diagnosis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from taptest.core.errors import shown
from taptest.screen.clusters import Populations
from taptest.screen.group import STRANGE, Findings, ModeStanding, Screen, Statistic, percent
from taptest.screen.verdict import Verdict

LEAST_TAPS = 3
FAR = 1.5  # of the limit
FITS = 0.5  # of the limit: within about two standard deviations of the group
REHANG = "take it out of the loops, hang it again and retap before setting it aside"


@dataclass(frozen=True)
class Circumstances:
    """What a verdict on one ski rests on besides its findings.

    ``taps_disagree_percent``: typical uncertainty of a mode where the taps contradict each other, else None.
    ``by_group``: whether the limits come from the group. ``remarks``: what else is to be said of it. ``thin_ladder``: why it
    may be no ski's ladder, else None.
    """

    taps_good: int
    taps_disagree_percent: float | None
    by_group: bool
    remarks: tuple[str, ...] = ()
    thin_ladder: str | None = None


def verdict_of(findings: Findings, about: Circumstances) -> tuple[Verdict, tuple[str, ...]]:
    """The verdict and its reasons.

    Outlier: a statistic beyond its limit by more than its uncertainty, from at least three good taps that agree.
    Recheck: a limit within the uncertainty, taps that disagree, too little of a ladder, an outlier that rests on too little,
    or something else that sets it apart from its group. A mass or a stiffness beyond its limit by less than half is a remark.
    """
    out = any(each.out for each in findings.statistics())
    near = any(each.near for each in findings.statistics())
    reasons = (*_in_words(findings, about), *about.remarks)
    doubts = [] if about.thin_ladder is None else [about.thin_ladder]
    if about.taps_disagree_percent is not None:
        size = about.taps_disagree_percent
        doubts.append(
            f"its modes are uncertain by {size:.1f} %: the taps disagree or the room is too live; hang it still and retap"
        )
    if out and about.taps_good < LEAST_TAPS:
        taps = "1 good tap" if about.taps_good == 1 else f"{about.taps_good} good taps"
        doubts.append(f"only {taps}: too few to call it an outlier; tap it again")
    if doubts:
        return "recheck", (*reasons, *doubts)
    if out:
        return "outlier", (*reasons, REHANG)
    if _sets_apart(findings.screen):
        return "recheck", reasons
    if near:
        return "recheck", (*reasons, "too close to its limit to tell: hang it again and retap")
    return "pass", reasons


def _in_words(findings: Findings, about: Circumstances) -> list[str]:
    """One sentence for each statistic that is out or near its limit, the one farthest out first."""
    said: list[tuple[float, str]] = []
    shift, uneven, damping = findings.shift, findings.unevenness, findings.damping
    fits = _fits(findings)
    if shift is not None and _suspicious(shift):
        against = "its group" if about.by_group else "the prediction"
        sentence = _shift(shift, against, even=not _suspicious(uneven))
        said.append((shift.score, sentence + _label(findings.screen, shift)))
    if uneven is not None and _suspicious(uneven):
        normal = damping is not None and not _suspicious(damping)
        said.append((uneven.score, _unevenness(findings, fits, damping_normal=normal)))
    if damping is not None and _suspicious(damping):
        said.append((damping.score, _damping(percent(damping.value))))
    ring = [sentence for _, sentence in sorted(said, key=lambda each: -each[0])]
    return ring + _screened(findings, suspected=bool(ring), ring_fits=not said)


def _screened(findings: Findings, *, suspected: bool, ring_fits: bool) -> list[str]:
    """What sets the ski apart besides its ring; "all together" only where nothing else explains it."""
    screen, said = findings.screen, []
    for quantity, statistic in (("mass", screen.mass), ("stiffness", screen.stiffness)):
        if statistic is not None and statistic.out:
            rings = ", yet it rings as that predicts: another build, another flex or another ski" if ring_fits else ""
            again = "weigh" if quantity == "mass" else "bend"
            said.append((statistic.score, f"{quantity} {_off(statistic)} its group{rings}; {again} it again"))
    if screen.damping_pattern is not None and screen.damping_pattern.out and screen.damped is not None:
        size = percent(screen.damped.deviation)
        said.append(
            (
                screen.damping_pattern.score,
                f"damping uneven: mode {screen.damped.order} {'highest' if size > 0 else 'lowest'} ({size:+.0f} % against "
                "the others): retap from another place, then look for a separation",
            )
        )
    for what, statistic in (("tone", screen.tone_apart), ("damping", screen.damping_apart)):
        if statistic is not None and statistic.out:
            side = "lowest" if statistic.value < 0 else "highest"
            said.append((statistic.score, f"{what} {side} of its group and far from the rest: hang it again and retap"))
    joint = screen.together
    if joint is not None and joint.out and not said and not suspected:
        said.append((joint.score, "nothing alone is beyond its limit, but several things are rather far out: retap it"))
    return [sentence for _, sentence in sorted(said, key=lambda each: -each[0])]


def _off(statistic: Statistic) -> str:
    size = percent(statistic.value)
    return f"{abs(size):.1f} % {'below' if size < 0 else 'above'}"


def _fits(findings: Findings) -> str:
    """What is as in the group, among mass and stiffness."""
    screen = findings.screen
    fitting = [
        name
        for name, each in (("mass", screen.mass), ("stiffness", screen.stiffness))
        if each is not None and each.score <= FITS
    ]
    if len(fitting) == 2:
        return ", mass and stiffness within limits"
    return f", {fitting[0]} fits" if fitting else ""


def _label(screen: Screen, shift: Statistic) -> str:
    """Which of mass and stiffness to doubt first: the one that is off in the direction that explains the shift."""
    if screen.mass is None or screen.stiffness is None:
        return ""
    # Rings low: a mass that the table gives too low, or a stiffness that it gives too high.
    low = shift.value < 0
    doubts = {
        "mass": (screen.mass, (screen.mass.value < 0) == low, "weigh"),
        "stiffness": (screen.stiffness, (screen.stiffness.value > 0) == low, "bend"),
    }
    off = {name: each for name, each in doubts.items() if each[1] and each[0].score > FITS}
    if len(off) != 1:
        return ""
    ((name, (statistic, _, again)),) = off.items()
    other = "stiffness" if name == "mass" else "mass"
    fits = f" and the {other} fits" if doubts[other][0].score <= FITS else ""
    return f" (its {name} there lies {_off(statistic)} its group{fits}: {again} first)"


def _sets_apart(screen: Screen) -> bool:
    """Whether something asks for a recheck; an unusual mass or stiffness, and what follows from it, is at first a remark."""
    labels = [each for each in (screen.mass, screen.stiffness) if each is not None and each.out]
    if any(each.score > FAR for each in labels):
        return True
    others = (screen.damping_pattern, screen.tone_apart, screen.damping_apart, None if labels else screen.together)
    return any(each is not None and each.out for each in others)


def _suspicious(statistic: Statistic | None) -> bool:
    return statistic is not None and (statistic.out or statistic.near)


def _shift(shift: Statistic, against: str, *, even: bool) -> str:
    size = percent(shift.value)
    off = f"{abs(size):.1f} % {'low' if size < 0 else 'high'}"
    bounds = f"against {against} (limit {percent(shift.limit):.1f} %)"
    if even:
        kind = "heavier or softer" if size < 0 else "lighter or stiffer"
        return (
            f"all modes {off}, evenly, {bounds}: {kind} than its label says; weigh and bend it again, "
            "the mass or the stiffness in the table may be wrong"
        )
    if size > 0:
        return (
            f"modes {off} on average, unevenly, {bounds}: it rings stiffer than the rig says; look for a soft spot "
            "near the middle, or bend it again"
        )
    return f"modes {off} on average, unevenly, {bounds}"


def _unevenness(findings: Findings, fits: str, *, damping_normal: bool) -> str:
    where, strangest = "", findings.strangest
    if strangest is not None:
        size = percent(strangest.deviation)
        side = "lowest" if size < 0 else "highest"
        where = f": mode {strangest.order} {side} ({size:+.1f} % against its other modes)"
        where += _run(findings.ladder, low=size < 0)
    normal = ", damping normal" if damping_normal else ""
    return f"uneven{where}{fits}{normal}: look for a soft spot or a separation"


def _run(ladder: Sequence[ModeStanding], *, low: bool) -> str:
    """The modes that are surely off to the same side, where they are more than one."""
    orders = [each.order for each in ladder if (each.certain < -STRANGE if low else each.certain > STRANGE)]
    if len(orders) < 2:
        return ""
    together = orders[-1] - orders[0] + 1 == len(orders)
    listed = f"{orders[0]}-{orders[-1]}" if together and len(orders) > 2 else ", ".join(map(str, orders))
    return f", modes {listed} {'low' if low else 'high'}"


def two_builds(found: Populations) -> str:
    """That a group looks like two."""
    what = {"tone": "tones against the prediction", "mass": "masses", "damping": "dampings"}
    named = ", ".join(shown(ski, 20) for ski in found.smaller[:12])
    more = f" and {len(found.smaller) - 12} more" if len(found.smaller) > 12 else ""
    return (
        f"looks like two builds under one label: its {what.get(found.quantity, found.quantity)} fall into two heaps "
        f"{found.apart_percent:.1f} % apart, {found.larger} skis and {len(found.smaller)} "
        f"{'lower' if found.smaller_is_lower else 'higher'} ones ({named}{more}); name the builds in the column generation "
        "or construction, since limits that hold two builds find little"
    )


def _damping(size: float) -> str:
    if size > 0:
        return f"damping {size:.0f} % above its group: look for a separation, water or loose parts"
    return f"damping {-size:.0f} % below its group: check that it hangs and is equipped like the others"
