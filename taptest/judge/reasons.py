"""Verdicts in words: plain, hedged sentences that can be read aloud, the most telling first, never a diagnosis."""

from __future__ import annotations

from dataclasses import dataclass

from taptest.judge.group import Findings, Statistic, StrangestMode, percent
from taptest.judge.verdict import Verdict

LEAST_TAPS = 3
REHANG = "take it out of the loops, hang it again and retap before setting it aside"


@dataclass(frozen=True)
class Circumstances:
    """What a verdict on one ski rests on besides its findings.

    ``taps_disagree_percent``: typical uncertainty of a mode where the taps contradict each other, else None.
    ``by_group``: whether the limits come from the group. ``remarks``: unusual values in the table.
    """

    taps_good: int
    taps_disagree_percent: float | None
    by_group: bool
    remarks: tuple[str, ...] = ()


def verdict_of(findings: Findings, about: Circumstances) -> tuple[Verdict, tuple[str, ...]]:
    """The verdict and its reasons.

    Outlier: a statistic beyond its limit by more than its uncertainty, from at least three good taps that agree.
    Recheck: a limit within the uncertainty, taps that disagree, or an outlier that rests on too little.
    """
    out = any(each.out for each in findings.statistics())
    near = any(each.near for each in findings.statistics())
    reasons = (*_in_words(findings, about), *about.remarks)
    doubts = []
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
    if near:
        return "recheck", (*reasons, "too close to its limit to tell: hang it again and retap")
    return "pass", reasons


def _in_words(findings: Findings, about: Circumstances) -> list[str]:
    """One sentence for each statistic that is out or near its limit, the one farthest out first."""
    said: list[tuple[float, str]] = []
    shift, uneven, damping = findings.shift, findings.unevenness, findings.damping
    if shift is not None and _suspicious(shift):
        against = "its group" if about.by_group else "the prediction"
        said.append((shift.score, _shift(shift, against, even=not _suspicious(uneven))))
    if uneven is not None and _suspicious(uneven):
        normal = damping is not None and not _suspicious(damping)
        said.append((uneven.score, _unevenness(findings.strangest, damping_normal=normal)))
    if damping is not None and _suspicious(damping):
        said.append((damping.score, _damping(percent(damping.value))))
    return [sentence for _, sentence in sorted(said, key=lambda each: -each[0])]


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


def _unevenness(strangest: StrangestMode | None, *, damping_normal: bool) -> str:
    where = ""
    if strangest is not None:
        size = percent(strangest.deviation)
        side = "lowest" if size < 0 else "highest"
        where = f": mode {strangest.order} {side} ({size:+.1f} % against the others)"
    return f"uneven{where}{', damping normal' if damping_normal else ''}: look for a soft spot or a separation"


def _damping(size: float) -> str:
    if size > 0:
        return f"damping {size:.0f} % above its group: look for a separation, water or loose parts"
    return f"damping {-size:.0f} % below its group: check that it hangs and is equipped like the others"
