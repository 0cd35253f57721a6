"""Checking a lot: every ski's modes against what its stiffness and mass predict, and against its group."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp, hypot, log

from taptest.beam.construction import Construction
from taptest.config.corrections import Corrections
from taptest.config.settings import RigUncertainty, Settings
from taptest.core.errors import ConstructionError, shown
from taptest.identify.measure import MeasuredSki, bare_mass_per_length, log_dampings, log_deviations, measure_heard
from taptest.identify.measured_lot import MeasuredLot, Progress, measure_lot
from taptest.screen.clusters import Member, populations
from taptest.screen.group import LEAST_GROUP, PHYSICS_FACTOR, Evidence, Findings, Ladder, Limits, judge_group, percent
from taptest.screen.judged import judged_statistics
from taptest.screen.reasons import Circumstances, two_builds, verdict_of
from taptest.screen.screening import LEAST_RANKED, screen_group
from taptest.screen.verdict import CheckResult, GroupSummary, SkiVerdict, Verdict
from taptest.signal.analysis import Analysis
from taptest.ski.facts import SkiFacts
from taptest.ski.kinds import Kind, kinds
from taptest.tables.lot import Lot

__all__ = [
    "CheckResult",
    "GroupSummary",
    "Progress",
    "SkiVerdict",
    "Verdict",
    "check",
    "check_heard",
    "check_measured",
    "judge",
]


BUDGET = 0.01
_WARM_K = 5.0


def check(
    lot: Lot,
    *,
    settings: Settings | None = None,
    rig: RigUncertainty | None = None,
    progress: Progress | None = None,
    workers: int = 1,
    corrections: Corrections | None = None,
    budget: float = BUDGET,
) -> CheckResult:
    """Read, analyse, predict and identify every ski of a lot, and judge them.

    Nothing in a single row stops the work: what cannot be read is in ``unread`` and its ski is not judged.

    Args:
        lot: the table.
        settings: for the analysis of the recordings.
        rig: uncertainties of the table's stiffness and mass.
        progress: called with (skis done, skis in all, id of the ski just done).
        workers: processes to share the recordings among; with more than one, a calling script needs the usual guard
            ``if __name__ == "__main__"``.
        corrections: what calibrations say about room, clock and repeatability.
        budget: the share of sound skis that may be called outliers, 0.001 to 0.1.
    """
    measured = measure_lot(lot, settings=settings, rig=rig, progress=progress, workers=workers, corrections=corrections)
    return check_measured(measured, budget=budget)


def check_measured(measured: MeasuredLot, *, budget: float = BUDGET) -> CheckResult:
    """Judge skis that were measured before; ``budget`` as in `check`."""
    lot, corrections = measured.lot, measured.corrections
    verdicts, groups, notes = judge(measured.skis, budget=budget)
    return CheckResult(
        skis=verdicts,
        groups=groups,
        problems=lot.problems,
        unread=measured.unread,
        notes=(*lot.notes, *corrections.notes, *notes),
        calibrations=corrections.citations,
        budget=budget,
    )


def check_heard(
    row: SkiFacts,
    construction: Construction | ConstructionError,
    analyses: Sequence[Analysis],
    *,
    settings: Settings | None = None,
    rig: RigUncertainty | None = None,
    corrections: Corrections | None = None,
) -> SkiVerdict:
    """One ski against its own prediction, without a group, from recordings that are analysed already.

    Args:
        row: one ski of a table; its ``recordings`` are not read.
        construction: the row's, or why it cannot be had: see `construction_of`.
        analyses: of its recordings.
        settings: with which they were analysed.
        rig: uncertainties of the table's stiffness and mass.
        corrections: what calibrations say about clock and repeatability.
    """
    ski = measure_heard(
        row, construction, analyses, settings or Settings(), rig or RigUncertainty(), corrections=corrections
    )
    verdicts, _, _ = judge([ski])
    return verdicts[0]


def judge(
    skis: Sequence[MeasuredSki], *, budget: float = BUDGET
) -> tuple[tuple[SkiVerdict, ...], tuple[GroupSummary, ...], tuple[str, ...]]:
    """Verdicts in the order of the skis, the groups they were judged in, and notes. Needs no sound.

    ``budget``: the share of sound skis that may be called outliers.

    A group shares construction, binding state and length class; lengths no more than 30 mm from the next shorter one
    of the group are one class, since each ski's own length is in its prediction.
    """
    verdicts: list[SkiVerdict] = [_verdict(ski, None, by_group=False) for ski in skis]
    groups: list[GroupSummary] = []
    notes: list[str] = []
    for (construction, with_binding, _), members in _groups(skis).items():
        judged = [skis[i] for i in members]
        evidence = [_evidence(ski) for ski in judged]
        findings, limits = judge_group(evidence, coverage=1 - budget)
        findings = screen_group(evidence, findings, coverage=1 - budget)
        by_group = limits.spread is not None
        for i, each, told in zip(members, findings, judged_statistics(findings), strict=True):
            verdicts[i] = replace(_verdict(skis[i], each, by_group=by_group), statistics=told, group=len(groups))
        group = replace(
            _summary(construction, with_binding, judged, limits, budget),
            ski_ids=tuple(ski.row.ski_id for ski in judged),
            populations=populations(
                [_member(ski, own, each) for ski, own, each in zip(judged, evidence, findings, strict=True)]
            ),
        )
        groups.append(group)
        notes += _notes(group, judged, limits)
    return tuple(verdicts), tuple(groups), tuple(notes)


def _groups(skis: Sequence[MeasuredSki]) -> dict[Kind, list[int]]:
    """Indices of the skis that can be judged, by kind."""
    return kinds((i, ski.row) for i, ski in enumerate(skis) if not ski.obstacles and log_deviations(ski))


def _evidence(ski: MeasuredSki) -> Evidence:
    deviations, dampings = log_deviations(ski), log_dampings(ski)
    assert ski.prediction is not None
    return Evidence(
        deviations=Ladder(*(tuple(column) for column in zip(*(each[:3] for each in deviations), strict=True))),
        damping=Ladder(*(tuple(column) for column in zip(*dampings, strict=True))),
        scale_u=hypot(ski.prediction.scale_u_rel, ski.corrections.clock_u_rel),
        least_shift_u=ski.corrections.floor.shift_u_rel,
        shape_u=tuple(each[3] for each in deviations),
        generation=ski.row.generation,
        mass=bare_mass_per_length(ski.row),
        stiffness=log(ski.prediction.ei_mid_n_m2),
    )


def _member(ski: MeasuredSki, evidence: Evidence, findings: Findings) -> Member:
    values = {
        "tone": None if findings.shift is None else findings.shift.value,
        "damping": findings.damping_level,
        "mass": evidence.mass,
        "stiffness": evidence.stiffness,
    }
    return Member(ski.row.ski_id, ski.row.pair_id, ski.row.generation, values)


def _verdict(ski: MeasuredSki, findings: Findings | None, *, by_group: bool) -> SkiVerdict:
    row, prediction, identification, remarks = ski.row, ski.prediction, ski.identification, ski.remarks
    uneven = findings.unevenness if findings is not None else None
    measured_hz = identification.first_hz if identification is not None else None
    measured_u_hz = ski.first_u_hz
    first_heard = identification is not None and identification.first_heard
    if measured_hz is not None and not first_heard and uneven is not None and (uneven.out or uneven.near):
        # The others tell of it only where all move evenly.
        measured_hz = measured_u_hz = None
        remarks = (*remarks, "its first mode was not heard, and from uneven ones it cannot be worked out")
    word: Verdict = "not judged"
    reasons = (*ski.obstacles, *remarks)
    if findings is not None and findings.shift is not None:
        word, reasons = verdict_of(
            findings, Circumstances(ski.taps_good, ski.taps_disagree, by_group, remarks, ski.thin_ladder)
        )
    elif not ski.obstacles:
        reasons = ("its modes are not those in which its group is heard: nothing to compare", *remarks)
    deviation = deviation_u = None
    if measured_hz is not None and measured_u_hz is not None and prediction is not None:
        ratio = measured_hz / prediction.bending_hz[0]
        deviation = 100 * (ratio - 1)
        deviation_u = 100 * ratio * hypot(measured_u_hz / measured_hz, prediction.u_rel(1))
    shift = findings.shift if findings is not None else None
    damping = damping_u = None
    if findings is not None and findings.damping_level is not None and findings.damping_level_u is not None:
        damping = exp(findings.damping_level)
        damping_u = damping * findings.damping_level_u
    return SkiVerdict(
        ski_id=row.ski_id,
        pair_id=row.pair_id,
        construction=row.construction,
        construction_name=ski.construction_name,
        generation=row.generation,
        mass_g=None if row.mass_kg is None else 1000 * row.mass_kg,
        stiffness_n_per_mm=None if row.stiffness_n_per_m is None else row.stiffness_n_per_m / 1000,
        span_mm=None if row.span_m is None else 1000 * row.span_m,
        predicted_hz=None if prediction is None else prediction.bending_hz[0],
        predicted_u_hz=None if prediction is None else prediction.u_hz(1),
        measured_hz=measured_hz,
        measured_u_hz=measured_u_hz,
        first_heard=first_heard,
        deviation_percent=deviation,
        deviation_u_percent=deviation_u,
        damping_ratio=damping,
        damping_ratio_u=damping_u,
        unevenness=None if uneven is None else uneven.value**2,
        score=max((each.score for each in findings.statistics()), default=None) if findings is not None else None,
        modes=ski.placed(),
        verdict=word,
        reasons=reasons,
        taps_good=ski.taps_good,
        taps_found=ski.taps_found,
        line=row.line,
        shift_percent=None if shift is None else percent(shift.value),
        shift_u_percent=None if shift is None else 100 * exp(shift.value) * shift.u,
        shift_limit_percent=None if shift is None else percent(shift.limit),
    )


def _summary(
    construction: str, with_binding: bool, skis: Sequence[MeasuredSki], limits: Limits, budget: float
) -> GroupSummary:
    lengths = [round(1000 * (ski.row.length_m or 0.0)) for ski in skis]
    count = len(skis)
    if limits.spread is not None:
        basis = f"group of {count}: 95/{100 * (1 - budget):.4g} tolerance limits"
    elif count >= LEAST_RANKED:
        basis = f"physics and ranks: {count} skis, fewer than {LEAST_GROUP}"
    else:
        basis = f"physics only: {count} {'ski' if count == 1 else 'skis'}, fewer than {LEAST_RANKED}"
    return GroupSummary(
        construction=construction,
        length_class=f"{min(lengths)}" if min(lengths) == max(lengths) else f"{min(lengths)}-{max(lengths)}",
        binding="with binding" if with_binding else "bare",
        count=count,
        centre_percent=percent(limits.centre),
        spread_percent=None if limits.spread is None else 100 * limits.spread,
        limit_percent=None if limits.limit is None else percent(limits.limit),
        basis=basis,
    )


def _notes(group: GroupSummary, skis: Sequence[MeasuredSki], limits: Limits) -> list[str]:
    """What concerns a whole group: a centre that physics does not explain, and temperatures too far apart."""
    name = f"{shown(group.construction)} {group.length_class} mm, {group.binding}"
    notes = []
    if group.populations is not None:
        notes.append(f"{name}: {two_builds(group.populations)}")
    first = skis[0].prediction
    if limits.spread is not None and first is not None:
        allowed = PHYSICS_FACTOR * first.u_rel(1)
        if abs(limits.centre) > allowed:
            notes.append(
                f"{name}: the whole group lies {percent(limits.centre):+.1f} % from its prediction, more than "
                f"{100 * allowed:.1f} %; check the span, the scale and the construction file"
            )
    warm = [ski.row.temperature_c for ski in skis if ski.row.temperature_c is not None]
    if warm and max(warm) - min(warm) > _WARM_K:
        between = f"{name}: measured between {min(warm):.0f} and {max(warm):.0f} °C"
        left = [ski.left_c for ski in skis if ski.left_c is not None]
        if max(left) - min(left) > _WARM_K:
            notes.append(f"{between}; frequencies move about 0.1 % a kelvin, so compare skis of one temperature")
        else:
            notes.append(f"{between}; frequencies are corrected for it, damping is not")
    return notes
