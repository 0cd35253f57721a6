"""A lot checked: every ski's modes against what its stiffness and mass predict, and against its group."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from taptest.beam.construction import Construction
from taptest.config.settings import Settings
from taptest.core.errors import ConstructionError, shown
from taptest.core.messages import Message, message
from taptest.identify.measure import measure_heard
from taptest.identify.measured_lot import MeasuredLot, Progress, measure_lot
from taptest.screen.clusters import Populations, populations
from taptest.screen.group import Findings, Limits, judge_group
from taptest.screen.result import CheckResult, GroupSummary
from taptest.screen.screening import screen_group
from taptest.screen.verdict import judgement_of
from taptest.signal.analysis import Analysis
from taptest.ski.facts import SkiFacts
from taptest.ski.kinds import Kind, kinds
from taptest.ski.record import Judgement, Ski, percent
from taptest.tables.lot import Lot


class Judged(NamedTuple):
    """Skis with their judgements, in the order given, the groups they were judged in, and what concerns whole groups."""

    skis: tuple[Ski, ...]
    groups: tuple[GroupSummary, ...]
    remarks: tuple[Message, ...]


def check(
    lot: Lot, settings: Settings | None = None, *, progress: Progress | None = None, workers: int = 1
) -> CheckResult:
    """Read, analyse, predict and identify every ski of a lot, and judge them; arguments as in `measure_lot`."""
    return check_measured(measure_lot(lot, settings, progress=progress, workers=workers))


def check_measured(measured: MeasuredLot) -> CheckResult:
    """Judge skis that were measured before."""
    judged = judge(measured.skis, measured.settings)
    remarks = (*measured.settings.corrections.messages, *judged.remarks)
    return CheckResult(measured.lot, judged.skis, judged.groups, measured.unread, remarks, measured.settings)


def check_heard(
    facts: SkiFacts,
    construction: Construction | ConstructionError | None,
    analyses: Sequence[Analysis],
    settings: Settings | None = None,
) -> Ski:
    """One ski against its own prediction, without a group, from recordings that are analysed already.

    Args:
        facts: one ski of a table; its recordings are not read.
        construction: see `taptest.identify.measured_lot.construction_of`.
        analyses: of its recordings.
        settings: with which they were analysed.
    """
    settings = settings or Settings()
    return judge([measure_heard(facts, construction, analyses, settings)], settings).skis[0]


def judge(skis: Sequence[Ski], settings: Settings | None = None) -> Judged:
    """The last stage: every ski against its group. Needs no sound.

    A group shares construction, binding state and length class; lengths no more than 30 mm from the next shorter one
    of the group are one class, since each ski's own length is in its prediction.
    """
    settings = settings or Settings()
    judged = [replace(ski, judgement=_unjudged(ski)) for ski in skis]
    groups: list[GroupSummary] = []
    remarks: list[Message] = []
    for (construction, with_binding, _), members in _groups(skis).items():
        own = [skis[i] for i in members]
        findings, limits = judge_group(own, settings)
        findings = screen_group(own, findings, settings)
        by_group = limits.spread is not None
        for i, each, ranks in zip(members, findings, _ranks(findings), strict=True):
            judgement = judgement_of(skis[i], each, ranks, len(groups), settings, by_group=by_group)
            judged[i] = replace(skis[i], judgement=judgement)
        group = _summary(construction, with_binding, own, limits, settings)
        groups.append(replace(group, populations=populations(own, findings)))
        remarks += _remarks(groups[-1], own, limits, settings)
    return Judged(tuple(judged), tuple(groups), tuple(remarks))


def _groups(skis: Sequence[Ski]) -> dict[Kind, list[int]]:
    """Indices of the skis that can be judged, by kind."""
    return kinds((i, ski.facts) for i, ski in enumerate(skis) if not ski.obstacles and ski.evidence.deviations.orders)


def _unjudged(ski: Ski) -> Judgement:
    reasons = ski.obstacles or (message("nothing-in-common"),)
    return Judgement("not judged", (*reasons, *ski.remarks))


def _ranks(findings: Sequence[Findings]) -> list[dict[str, tuple[int, int]]]:
    """Of every ski the place of each of its statistics in the group, from the lowest, and of how many."""
    ranks: list[dict[str, tuple[int, int]]] = [{} for _ in findings]
    for name in {name: None for each in findings for name in each.statistics}:
        values = sorted(each.statistics[name].value for each in findings if name in each.statistics)
        for own, each in zip(ranks, findings, strict=True):
            if name in each.statistics:
                own[name] = (1 + values.index(each.statistics[name].value), len(values))
    return ranks


def _summary(
    construction: str, with_binding: bool, skis: Sequence[Ski], limits: Limits, settings: Settings
) -> GroupSummary:
    lengths = [round(1000 * (ski.facts.length_m or 0.0)) for ski in skis]
    count, least = len(skis), settings.limits.group
    if limits.spread is not None:
        basis = f"group of {count}: {100 * least.confidence:.4g}/{100 * (1 - settings.false_alarm_rate):.4g} tolerance limits"
    elif count >= least.least_ranked:
        basis = f"physics and ranks: {count} skis, fewer than {least.least_skis}"
    else:
        basis = f"physics only: {count} {'ski' if count == 1 else 'skis'}, fewer than {least.least_ranked}"
    return GroupSummary(
        construction=construction,
        length_low_mm=min(lengths),
        length_high_mm=max(lengths),
        with_binding=with_binding,
        count=count,
        centre_percent=percent(limits.centre),
        spread_percent=None if limits.spread is None else 100 * limits.spread,
        limit_percent=None if limits.limit is None else percent(limits.limit),
        basis=basis,
        ski_ids=tuple(ski.ski_id for ski in skis),
    )


def _remarks(group: GroupSummary, skis: Sequence[Ski], limits: Limits, settings: Settings) -> list[Message]:
    """What concerns a whole group: two builds, a centre that physics does not explain, temperatures too far apart."""
    name = f"{shown(group.construction)} {group.length_class} mm, {group.binding}"
    remarks = []
    if group.populations is not None:
        remarks.append(_two_builds(name, group.populations))
    first = skis[0].prediction
    if limits.spread is not None and first is not None:
        allowed = settings.limits.group.physics_factor * first.u_rel(1)
        if abs(limits.centre) > allowed:
            off = percent(limits.centre)
            remarks.append(message("group-off-prediction", group=name, percent=off, allowed_percent=100 * allowed))
    return [*remarks, *warm_remarks(skis, settings, name)]


def warm_remarks(skis: Sequence[Ski], settings: Settings, name: str) -> list[Message]:
    """A remark where skis that are compared were measured at different temperatures."""
    warm = [ski.facts.temperature_c for ski in skis if ski.facts.temperature_c is not None]
    most = settings.limits.group.warm_k
    if not warm or max(warm) - min(warm) <= most:
        return []
    left = [ski.evidence.at_c for ski in skis if ski.evidence.at_c is not None]
    code = "temperatures-apart" if max(left) - min(left) > most else "temperatures-corrected"
    return [message(code, group=name, low_c=min(warm), high_c=max(warm))]


def _two_builds(name: str, found: Populations) -> Message:
    what = {"tone": "tones against the prediction", "mass": "masses", "damping": "dampings"}
    more = f" and {len(found.smaller) - 12} more" if len(found.smaller) > 12 else ""
    return message(
        "two-builds",
        group=name,
        quantity=what.get(found.quantity, found.quantity),
        apart_percent=found.apart_percent,
        larger=found.larger,
        smaller=len(found.smaller),
        side="lower" if found.smaller_is_lower else "higher",
        listed=", ".join(shown(ski, 20) for ski in found.smaller[:12]) + more,
    )
