"""Why a ski was judged as it was: its ladder beside that of its group, mode by mode, and every statistic with its limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log
from statistics import median

from taptest.core.errors import LotError, nearest, shown
from taptest.core.fields import Field
from taptest.screen.result import CheckResult, GroupSummary
from taptest.ski.kinds import kinds
from taptest.ski.record import Ski, percent
from taptest.tables.lot import Lot


@dataclass(frozen=True)
class ExplainedMode:
    """One bending mode beside the others' of the same order.

    ``deviation_percent`` from the prediction, ``group_percent`` the median of the other skis' and ``against_percent`` from
    that median; ``peers_percent`` the same of every other ski. ``damping_group`` is the median
    damping ratio of the others. None where no other ski has the mode. ``damping_ratio_limit`` as in `Mode`.
    """

    order: int
    frequency_hz: float
    frequency_u_hz: float
    predicted_hz: float
    deviation_percent: float
    group_percent: float | None
    against_percent: float | None
    peers_percent: tuple[float, ...]
    damping_ratio: float
    damping_group: float | None
    damping_ratio_limit: float | None = None


@dataclass(frozen=True)
class Explanation:
    """A ski, the group it was judged in (None where it was not judged), and its modes beside the group's."""

    ski: Ski
    group: GroupSummary | None
    modes: tuple[ExplainedMode, ...]


def same_kind(lot: Lot, ski_id: str) -> Lot:
    """The lot with the skis only that may be judged together with one of them.

    Raises:
        LotError: there is no such ski.
    """
    for members in kinds(enumerate(lot.rows)).values():
        if any(lot.rows[i].ski_id == ski_id for i in members):
            return replace(lot, rows=tuple(lot.rows[i] for i in sorted(members)))
    if (spoilt := next((each for each in lot.problems if each.subject.ski == ski_id), None)) is not None:
        raise LotError(str(spoilt))
    near = nearest(ski_id, (row.ski_id for row in lot.rows), 0.5)
    remedy = f"is {shown(near)} meant?" if near else "write the id as the table has it"
    raise LotError(f"{shown(lot.path.name, 100)}: has no usable ski '{shown(ski_id)}'; {remedy}")


def explain(result: CheckResult, ski_id: str) -> Explanation:
    """One ski of a checked lot with what its verdict rests on.

    Raises:
        LotError: there is no such ski.
    """
    ski = next((each for each in result.skis if each.ski_id == ski_id), None)
    if ski is None:
        raise LotError(f"no ski '{shown(ski_id)}' was checked; write the id as the table has it")
    number = None if ski.judgement is None else ski.judgement.group
    group = None if number is None else result.groups[number]
    members = set() if group is None else {*group.ski_ids} - {ski_id}
    return Explanation(ski, group, _modes(ski, [each for each in result.skis if each.ski_id in members]))


def _modes(ski: Ski, peers: Sequence[Ski]) -> tuple[ExplainedMode, ...]:
    others = [_deviations(peer) for peer in peers]
    found = []
    for mode in sorted(ski.modes, key=lambda mode: mode.frequency_hz):
        if mode.family != "bending" or mode.order is None or mode.predicted_hz is None:
            continue
        own = log(mode.frequency_hz / mode.predicted_hz)
        known = [other[mode.order] for other in others if mode.order in other]
        centre = median(deviation for deviation, _ in known) if known else None
        found.append(
            ExplainedMode(
                order=mode.order,
                frequency_hz=mode.frequency_hz,
                frequency_u_hz=mode.frequency_u_hz,
                predicted_hz=mode.predicted_hz,
                deviation_percent=percent(own),
                group_percent=None if centre is None else percent(centre),
                against_percent=None if centre is None else percent(own - centre),
                peers_percent=() if centre is None else tuple(percent(deviation - centre) for deviation, _ in known),
                damping_ratio=mode.damping_ratio,
                damping_group=median(damping for _, damping in known) if known else None,
                damping_ratio_limit=mode.damping_ratio_limit,
            )
        )
    return tuple(found)


def _deviations(ski: Ski) -> dict[int, tuple[float, float]]:
    """By bending order: ln(measured/predicted), and the damping ratio."""
    return {
        mode.order: (log(mode.frequency_hz / mode.predicted_hz), mode.damping_ratio)
        for mode in ski.modes
        if mode.family == "bending" and mode.order is not None and mode.predicted_hz is not None
    }


EXPLAINED_FIELDS: tuple[Field[ExplainedMode], ...] = (
    Field("order", lambda mode: mode.order, "integer", "bending order", heading="bending"),
    Field("frequency_hz", lambda mode: mode.frequency_hz, heading="measured\nHz", decimals=2, u="frequency_u_hz"),
    Field("frequency_u_hz", lambda mode: mode.frequency_u_hz),
    Field("predicted_hz", lambda mode: mode.predicted_hz, heading="predicted\nHz"),
    Field("deviation_percent", lambda mode: mode.deviation_percent, heading="off by\n%", sign=True),
    Field("group_percent", lambda mode: mode.group_percent, heading="group\n%", sign=True),
    Field("against_percent", lambda mode: mode.against_percent, heading="against\ngroup %", sign=True),
    Field("damping_ratio", lambda mode: mode.damping_ratio, heading="damp\n%", decimals=2, scale=100),
    Field("damping_ratio_limit", lambda mode: mode.damping_ratio_limit),
    Field("group_damping_ratio", lambda mode: mode.damping_group, heading="group's\ndamp %", decimals=2, scale=100),
)
