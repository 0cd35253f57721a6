"""From statistics to a verdict with its reasons: hedged, the most telling first, never a diagnosis.

A reason is a code of the catalogue with values; a new one is a rule here, a sentence there, and a test.
"""

from __future__ import annotations

from collections.abc import Sequence

from taptest.config.settings import Settings
from taptest.core.messages import Message, message
from taptest.screen.group import Findings, ModeStanding, largest_residual
from taptest.ski.record import Judgement, Ski, Test, Verdict, percent
from taptest.stats.tests import Statistic

# The statistics of the ring; the others may only ask for a recheck.
RING = ("shift", "unevenness", "damping")
_LABELS = ("mass", "stiffness")
# By whether the tone is low, and whether it is so evenly.
_TONE = {
    (True, True): "tone-low",
    (False, True): "tone-high",
    (True, False): "tone-low-unevenly",
    (False, False): "tone-high-unevenly",
}


def judgement_of(
    ski: Ski, found: Findings, ranks: dict[str, tuple[int, int]], group: int, settings: Settings, *, by_group: bool
) -> Judgement:
    """What a ski is judged to be.

    Args:
        ski: with its evidence.
        found: its statistics.
        ranks: by name of the statistic, its place in the group and of how many.
        group: number of the group.
        settings: limits.
        by_group: whether the limits come from the group, not from physics alone.
    """
    if found.get("shift") is None:
        return Judgement("not judged", (message("nothing-in-common"), *ski.remarks), group=group)
    verdict, reasons = verdict_of(ski, found, settings, by_group=by_group)
    limits = settings.limits.verdict
    # A mass or stiffness somewhat beyond its limit is a remark, and what is odd all together is then explained.
    weights = dict.fromkeys(_LABELS, 1 / limits.recheck_score)
    if any(found.out(name) for name in _LABELS):
        weights["all together"] = 0.0
    tests = tuple(
        Test(name, statistic, name in RING, *ranks[name], weights.get(name, 1.0))
        for name, statistic in found.statistics.items()
    )
    return Judgement(verdict, reasons, tests, group, found.damping_level, found.damping_level_u)


def verdict_of(ski: Ski, found: Findings, settings: Settings, *, by_group: bool) -> tuple[Verdict, tuple[Message, ...]]:
    """The verdict and its reasons.

    Outlier: a statistic of the ring beyond its limit by more than its uncertainty, from at least three good taps that agree.
    Recheck: a limit within the uncertainty, taps that disagree, too little of a ladder, an outlier that rests on too little,
    or something else that sets it apart from its group. A mass or a stiffness beyond its limit by less than half is a remark.
    """
    limits = settings.limits.verdict
    out = any(found.out(name) for name in RING)
    near = any(found.suspicious(name) for name in RING)
    reasons = (*_of_ring(found, settings, by_group=by_group), *_of_screen(found, settings), *ski.remarks)
    if ski.uneven_and_hidden(found.suspicious("unevenness")):
        reasons = (*reasons, message("first-mode-hidden"))
    doubts = [] if ski.evidence.too_few_modes is None else [ski.evidence.too_few_modes]
    if ski.evidence.uncertain_percent is not None:
        doubts.append(message("taps-disagree", percent=ski.evidence.uncertain_percent))
    if out and ski.taps_good < limits.least_taps:
        taps = "1 good tap" if ski.taps_good == 1 else f"{ski.taps_good} good taps"
        doubts.append(message("too-few-taps", taps=taps))
    if doubts:
        return "recheck", (*reasons, *doubts)
    if out:
        return "outlier", (*reasons, message("rehang"))
    if _sets_apart(found, settings):
        return "recheck", reasons
    if near:
        return "recheck", (*reasons, message("too-close"))
    return "pass", reasons


def _sets_apart(found: Findings, settings: Settings) -> bool:
    """Whether something asks for a recheck; an unusual mass or stiffness, and what follows from it, is at first a remark."""
    labels = [found.statistics[name] for name in _LABELS if found.out(name)]
    if any(each.score > settings.limits.verdict.recheck_score for each in labels):
        return True
    others = ("damping pattern", "tone apart", "damping apart", *(() if labels else ("all together",)))
    return any(found.out(name) for name in others)


def _how_far(name: str, found: Findings) -> float:
    """How far out a statistic is, on one scale for all: of a chi-square the root, which grows as a deviation does."""
    score = found.statistics[name].score
    return score**0.5 if name in ("unevenness", "damping pattern") else score


def _of_ring(found: Findings, settings: Settings, *, by_group: bool) -> list[Message]:
    """One reason for each statistic of the ring that is out or near its limit, the one farthest out first."""
    said = [
        (_how_far(name, found), _reason(name, found, settings, by_group=by_group))
        for name in RING
        if found.suspicious(name)
    ]
    return [reason for _, reason in sorted(said, key=lambda each: -each[0])]


def _reason(name: str, found: Findings, settings: Settings, *, by_group: bool) -> Message:
    statistic = found.statistics[name]
    low = statistic.value < 0
    if name == "shift":
        return message(
            _TONE[low, not found.suspicious("unevenness")],
            percent=abs(percent(statistic.value)),
            limit_percent=percent(statistic.limit),
            against="its group" if by_group else "the prediction",
            label=_label(found, settings),
        )
    if name == "damping":
        return message("damping-low" if low else "damping-high", percent=abs(percent(statistic.value)))
    normal = found.get("damping") is not None and not found.suspicious("damping")
    return _uneven(found, settings, normal=normal)


def _uneven(found: Findings, settings: Settings, *, normal: bool) -> Message:
    where, order, size = "", None, 0.0
    largest = largest_residual(found.standings)
    if largest is not None:
        order, size = largest.order, percent(largest.deviation)
        where = f": mode {order} {'lowest' if size < 0 else 'highest'} ({size:+.1f} % against its other modes)"
        where += _run(found.standings, settings.limits.verdict.far_mode, low=size < 0)
    return message(
        "uneven",
        order=order,
        percent=size,
        where=where,
        fits=_fits(found, settings),
        normal=", damping normal" if normal else "",
    )


def _run(standings: Sequence[ModeStanding], far: float, *, low: bool) -> str:
    """The modes that are surely off to the same side, where they are more than one."""
    orders = [each.order for each in standings if (each.z < -far if low else each.z > far)]
    if len(orders) < 2:
        return ""
    together = orders[-1] - orders[0] + 1 == len(orders)
    listed = f"{orders[0]}-{orders[-1]}" if together and len(orders) > 2 else ", ".join(map(str, orders))
    return f", modes {listed} {'low' if low else 'high'}"


def _of_screen(found: Findings, settings: Settings) -> list[Message]:
    """What sets the ski apart besides its ring; "all together" only where nothing else explains it."""
    ring = any(found.suspicious(name) for name in RING)
    said: list[tuple[float, Message]] = []
    for name, code in (("mass", "mass-apart"), ("stiffness", "stiffness-apart")):
        if found.out(name):
            rings = "" if ring else ", yet it rings as that predicts: another build, another flex or another ski"
            said.append((found.statistics[name].score, message(code, off=_off(found.statistics[name]), rings=rings)))
    if found.out("damping pattern") and found.damped is not None:
        size = percent(found.damped.deviation)
        side = "highest" if size > 0 else "lowest"
        reason = message("damping-uneven", order=found.damped.order, side=side, percent=size)
        said.append((_how_far("damping pattern", found), reason))
    for name, code in (("tone apart", "tone-apart"), ("damping apart", "damping-apart")):
        if found.out(name):
            statistic = found.statistics[name]
            side = "lowest" if statistic.value < 0 else "highest"
            said.append((_how_far(name, found), message(code, side=side)))
    if found.out("all together") and not said and not ring:
        said.append((found.statistics["all together"].score, message("together-apart")))
    return [reason for _, reason in sorted(said, key=lambda each: -each[0])]


def _off(statistic: Statistic) -> str:
    size = percent(statistic.value)
    return f"{abs(size):.1f} % {'below' if size < 0 else 'above'}"


def _fits(found: Findings, settings: Settings) -> str:
    """What is as in the group, among mass and stiffness."""
    most = settings.limits.verdict.fits_score
    fitting = [name for name in _LABELS if name in found.statistics and found.statistics[name].score <= most]
    if len(fitting) == 2:
        return ", mass and stiffness within limits"
    return f", {fitting[0]} fits" if fitting else ""


def _label(found: Findings, settings: Settings) -> str:
    """Which of mass and stiffness to doubt first: the one that is off in the direction that explains the shift."""
    mass, stiffness = found.get("mass"), found.get("stiffness")
    if mass is None or stiffness is None:
        return ""
    # Rings low: a mass that the table gives too low, or a stiffness that it gives too high.
    low, most = found.statistics["shift"].value < 0, settings.limits.verdict.fits_score
    doubts = {
        "mass": (mass, (mass.value < 0) == low, "weigh"),
        "stiffness": (stiffness, (stiffness.value > 0) == low, "bend"),
    }
    off = {name: each for name, each in doubts.items() if each[1] and each[0].score > most}
    if len(off) != 1:
        return ""
    ((name, (statistic, _, again)),) = off.items()
    other = "stiffness" if name == "mass" else "mass"
    fits = f" and the {other} fits" if doubts[other][0].score <= most else ""
    return f" (its {name} there lies {_off(statistic)} its group{fits}: {again} first)"
