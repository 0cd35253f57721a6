"""Whether anything measured on the skis goes with results on snow: reliability first, then association, never a cause."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import log, nan
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import shown
from taptest.core.messages import Message, message
from taptest.core.results import Result
from taptest.identify.measured_lot import Progress
from taptest.screen.check import check
from taptest.screen.result import CheckResult
from taptest.ski.kinds import kinds
from taptest.snow.reliability import Reliability, Runs, SnowValues, snow_values
from taptest.snow.results import Measure, SnowResults
from taptest.stats.association import Association, associate, least_correlation
from taptest.stats.permutation import holm
from taptest.tables.lot import Lot

Real = NDArray[np.float64]
Index = NDArray[np.int64]
State = Literal["found", "nothing found", "cannot separate skis"]

_LIMITS = LIMITS.snow
SEED = 20_260_105
# Of the properties: what is correlated with the result. A tone is that of the first bending mode.
PROPERTIES = {"mass": "g", "stiffness": "N/mm", "tone": "Hz", "damping": "%"}
# Of the joint model: mass and stiffness nearly make the tone, so the tone's share is what they do not explain.
TERMS = ("mass", "stiffness", "tone beyond both", "damping")


@dataclass(frozen=True)
class SkiProperties:
    """What is known of one ski, as logarithms; NaN where nothing is. ``tone_beyond``: ln(measured/predicted first mode)."""

    ski_id: str
    mass: float
    stiffness: float
    tone: float
    damping: float
    tone_beyond: float


@dataclass(frozen=True)
class Correlation:
    """One property against one measure. ``spread``: standard deviation of the property within strata, relative.

    ``p_holm``: p-value corrected for all tests of the report. ``least``: the smallest correlation that such data would
    show with a probability of 80 %, and ``least_effect`` what that is in the unit of the measure for one ``spread``.
    ``association`` is None where too few skis have the property.
    """

    name: str
    association: Association | None
    spread: float | None
    p_holm: float | None
    least: float | None
    least_effect: float | None

    @property
    def found(self) -> bool:
        """Whether chance alone is an unlikely explanation."""
        return self.p_holm is not None and self.p_holm <= _LIMITS.significance


@dataclass(frozen=True)
class RelatedSki:
    """One ski beside the others of its stratum: ``properties`` [%] and ``result`` [unit of the measure] less their means.

    ``kind``: which of `Relation.kinds` it is of.
    """

    ski_id: str
    kind: int
    properties: Mapping[str, float]
    result: float


@dataclass(frozen=True)
class Term:
    """One term of the joint model: change of the measure, in its unit, for one standard deviation of the property."""

    name: str
    effect: float
    low: float
    high: float


@dataclass(frozen=True)
class MeasureRelation:
    """What one measure says. ``spread``: standard deviation of the skis' values within strata, in its unit.

    ``model``: all properties together, by least squares within strata, with 95 % intervals; empty where too few skis
    have all of them. ``explained``: its share of the variance, adjusted for the number of terms.
    """

    measure: Measure
    runs: int
    skis: int
    sessions: int
    reliability: Reliability
    spread: float | None
    state: State
    reasons: tuple[Message, ...]
    correlations: tuple[Correlation, ...] = ()
    model: tuple[Term, ...] = ()
    explained: float | None = None
    related: tuple[RelatedSki, ...] = ()


@dataclass(frozen=True)
class Relation(Result):
    """The whole report.

    Attributes:
        measures: in the order of the contract.
        checked: the skis that ran, and with which settings they were judged.
        results: the runs.
        tests: how many p-values Holm's correction is for.
        seed: of the permutations.
        kinds: what skis of one kind have in common, in words.
        remarks: what was not used, and why.
    """

    measures: tuple[MeasureRelation, ...]
    checked: CheckResult
    results: SnowResults
    tests: int
    seed: int
    kinds: tuple[str, ...] = ()
    remarks: tuple[Message, ...] = ()

    @property
    def skis(self) -> int:
        """How many ran."""
        return len(self.checked.skis)

    @property
    def runs(self) -> int:
        """How many there are."""
        return len(self.results.runs)

    @property
    def problems(self) -> tuple[Message, ...]:
        """Bad cells of both tables."""
        return (*self.checked.problems, *self.results.problems)

    @property
    def unread(self) -> tuple[Message, ...]:
        """Inputs that could not be read."""
        return self.checked.unread

    @property
    def notes(self) -> tuple[Message, ...]:
        """What is good to know of both tables."""
        return (*self.checked.lot.notes, *self.results.notes, *self.remarks)


def relate(
    lot: Lot,
    results: SnowResults,
    *,
    settings: Settings | None = None,
    progress: Progress | None = None,
    workers: int = 1,
    seed: int = SEED,
) -> Relation:
    """Listen to the skis that ran, and relate what is known of them to their results on snow.

    Args:
        lot: the table of skis.
        results: the runs.
        settings: for the analysis of the recordings.
        progress: called with (skis done, skis in all, id of the ski just done).
        workers: processes to share the recordings among.
        seed: of the permutations and resamples.
    """
    ran = {run.ski_id for run in results.runs} | {run.against for run in results.runs if run.against}
    part = replace(lot, rows=tuple(row for row in lot.rows if row.ski_id in ran))
    checked = check(part, settings, progress=progress, workers=workers)
    properties, remarks = _properties(part, checked)
    kind, names = _kinds(part)
    measures, tests = relate_properties(properties, kind, results, seed=seed)
    return Relation(measures, checked, results, tests, seed, names, tuple(remarks))


def relate_properties(
    properties: Sequence[SkiProperties], kind: Sequence[int], results: SnowResults, *, seed: int = SEED
) -> tuple[tuple[MeasureRelation, ...], int]:
    """Relations of all measures, Holm's correction over all their tests, and how many those were. Needs no sound."""
    rng = np.random.default_rng(seed)
    drafts = [_draft(properties, kind, results, measure, rng) for measure in results.measures()]
    tested = [each for draft in drafts for each in draft.correlations if each.association is not None]
    adjusted = iter(holm([each.association.p for each in tested if each.association is not None]).tolist())
    finished = []
    for draft in drafts:
        correlations = tuple(_corrected(each, adjusted, len(tested), draft.spread) for each in draft.correlations)
        finished.append(_concluded(replace(draft, correlations=correlations)))
    return tuple(finished), len(tested)


def _draft(
    properties: Sequence[SkiProperties],
    kind: Sequence[int],
    results: SnowResults,
    measure: Measure,
    rng: np.random.Generator,
) -> MeasureRelation:
    runs = _runs(properties, kind, results, measure)
    found = snow_values(runs)
    known = np.flatnonzero(np.isfinite(found.value))
    reasons = _doubts(found, runs, measure)
    told = not any(each.severity == "obstacle" for each in reasons)
    relation = MeasureRelation(
        measure=measure,
        runs=len(runs.value),
        skis=len(known),
        sessions=len(np.unique(runs.session)),
        reliability=found.reliability,
        spread=_spread(found.value[known], found.stratum[known]),
        state="nothing found" if told else "cannot separate skis",
        reasons=tuple(reasons),
    )
    if not told:
        return relation
    correlations = tuple(
        _correlation(name, np.array([getattr(ski, name) for ski in properties]), found, rng) for name in PROPERTIES
    )
    model, explained = _model(properties, found)
    related = tuple(_related(properties, kind, found))
    return replace(relation, correlations=correlations, model=model, explained=explained, related=related)


def _related(properties: Sequence[SkiProperties], kind: Sequence[int], found: SnowValues) -> Iterator[RelatedSki]:
    """Every ski with a value, each of its properties about the mean of those that are correlated with it."""
    known = np.isfinite(found.value)
    aligned: dict[str, Real] = {}
    for name in PROPERTIES:
        values = np.array([getattr(ski, name) for ski in properties])
        aligned[name] = np.full(len(values), nan)
        for stratum in np.unique(found.stratum[known]):
            of_it = known & np.isfinite(values) & (found.stratum == stratum)
            if of_it.sum() > 1:
                aligned[name][of_it] = values[of_it] - values[of_it].mean()
    for i in np.flatnonzero(known).tolist():
        own = {name: 100 * float(values[i]) for name, values in aligned.items() if np.isfinite(values[i])}
        yield RelatedSki(properties[i].ski_id, kind[i], own, float(found.value[i]))


def _runs(properties: Sequence[SkiProperties], kind: Sequence[int], results: SnowResults, measure: Measure) -> Runs:
    number = {ski.ski_id: i for i, ski in enumerate(properties)}
    runs = [run for run in results.runs if measure.name in run.values]
    sessions = {name: i for i, name in enumerate(dict.fromkeys(run.session for run in runs))}
    value = np.array([run.values[measure.name] for run in runs])
    return Runs(
        value=100 * np.log(value) if measure.relative else value,
        ski=np.array([number[run.ski_id] for run in runs]),
        against=np.array([number[run.against] if measure.paired and run.against else -1 for run in runs]),
        session=np.array([sessions[run.session] for run in runs]),
        order=np.array([nan if run.order is None else run.order for run in runs]),
        temperature_c=np.array([nan if run.temperature_c is None else run.temperature_c for run in runs]),
        kind=np.array(kind, dtype=np.int64),
    )


def _doubts(found: SnowValues, runs: Runs, measure: Measure) -> list[Message]:
    """Why the runs do not tell the skis apart at all ("obstacle"), or what is to be doubted though they do."""
    told = found.reliability
    repeated = len(runs.value) > len(np.unique(runs.ski)) or measure.paired
    if not repeated:
        return [message("runs-single")]
    if told.p is None:
        return [message("runs-without-comparison" if told.dof[0] < 1 else "runs-too-few")]
    if not told.separates:
        more = "more runs and more days"
        if told.by_session:
            more = "more runs of every ski, on more days, in changing order"
        return [message("skis-not-separated", f=told.f, dof=told.dof[0], dof_error=told.dof[1], p=told.p, more=more)]
    doubts = []
    if told.weak:
        doubts.append(message("reliability-weak", reliability=told.mean or 0.0))
    if not told.by_session:
        doubts.append(message("days-not-separated"))
    return doubts


def _correlation(name: str, values: Real, found: SnowValues, rng: np.random.Generator) -> Correlation:
    known = np.isfinite(values) & np.isfinite(found.value)
    x, y, stratum = values[known], found.value[known], found.stratum[known]
    association = associate(x, y, stratum, rng) if known.any() else None
    return Correlation(name, association, _spread(x, stratum), None, None, None)


def _corrected(each: Correlation, adjusted: Iterator[float], tests: int, spread: float | None) -> Correlation:
    if each.association is None:
        return each
    least = least_correlation(each.association.skis, each.association.strata, tests, significance=_LIMITS.significance)
    effect = None if least is None or spread is None else least * spread
    return replace(each, p_holm=next(adjusted), least=least, least_effect=effect)


def _concluded(draft: MeasureRelation) -> MeasureRelation:
    if any(each.found for each in draft.correlations):
        return replace(draft, state="found")
    if draft.state == "nothing found" and not any(each.association for each in draft.correlations):
        return replace(draft, reasons=(*draft.reasons, message("too-little-to-relate")))
    return draft


def _about_means(table: Real, stratum: Index) -> tuple[Real, int]:
    """Columns less the means of their strata, and how many degrees of freedom that leaves."""
    _, at, count = np.unique(stratum, return_inverse=True, return_counts=True)
    means = np.column_stack([np.bincount(at, column) / count for column in table.T])
    return table - means[at], len(table) - len(count)


def _spread(values: Real, stratum: Index) -> float | None:
    """Standard deviation within strata."""
    if not len(values):
        return None
    centred, dof = _about_means(values[:, None], stratum)
    return float(np.sqrt((centred**2).sum() / dof)) if dof > 0 else None


def _model(properties: Sequence[SkiProperties], found: SnowValues) -> tuple[tuple[Term, ...], float | None]:
    """Least squares of the skis' values on all properties together, all about the means of their strata.

    Every property is in units of its standard deviation within strata; intervals are Student's.
    """
    from scipy.special import stdtrit

    columns = [[ski.mass, ski.stiffness, ski.tone_beyond, ski.damping] for ski in properties]
    table = np.column_stack([np.array(columns, dtype=float), found.value])
    known = np.isfinite(table).all(axis=1)
    if known.sum() <= len(TERMS):
        return (), None
    both, dof_total = _about_means(table[known], found.stratum[known])
    dof = dof_total - len(TERMS)
    if dof < _LIMITS.least_model_dof:
        return (), None
    size = np.sqrt((both[:, :-1] ** 2).sum(axis=0) / dof_total)
    if (size < 1e-12).any() or np.linalg.cond(both[:, :-1] / size) > 1e6:
        return (), None
    x, y = both[:, :-1] / size, both[:, -1]
    inverse = np.linalg.inv(x.T @ x)
    effect = inverse @ x.T @ y
    left, total = float(((y - x @ effect) ** 2).sum()) / dof, float((y**2).sum()) / dof_total
    half = float(stdtrit(dof, 0.975)) * np.sqrt(np.diag(inverse) * left)
    terms = zip(TERMS, effect.tolist(), half.tolist(), strict=True)
    explained = 1 - left / total if total > 0 else None
    return tuple(Term(name, value, value - wide, value + wide) for name, value, wide in terms), explained


def _kinds(lot: Lot) -> tuple[list[int], tuple[str, ...]]:
    """Number of each ski's kind, and their names; generations are kinds of their own, which `compare` compares."""
    found = [0] * len(lot.rows)
    names: dict[tuple[object, ...], int] = {}
    words: list[str] = []
    for kind, members in kinds(enumerate(lot.rows)).items():
        for i in members:
            row = lot.rows[i]
            at = names.setdefault((kind, row.generation), len(names))
            if at == len(words):
                where = f" of {1000 * row.length_m:.0f} mm" if row.length_m is not None else ""
                words.append(
                    f"{row.generation or ''} {row.construction}{where}, {'with binding' if kind[1] else 'bare'}".strip()
                )
            found[i] = at
    return found, tuple(words)


def _properties(lot: Lot, checked: CheckResult) -> tuple[list[SkiProperties], list[Message]]:
    usual, remarks = _usual_spans(lot)
    found = []
    for row, ski, span_m in zip(lot.rows, checked.skis, usual, strict=True):
        same_span = row.span_m is not None and span_m is not None and abs(row.span_m - span_m) <= 1.5e-3
        ratio = None if ski.deviation_percent is None else 1 + ski.deviation_percent / 100
        found.append(
            SkiProperties(
                ski_id=row.ski_id,
                mass=_log(row.mass_kg),
                stiffness=_log(row.stiffness_n_per_m if same_span else None),
                tone=_log(ski.first_mode_hz),
                damping=_log(ski.damping_ratio),
                tone_beyond=_log(ratio),
            )
        )
    return found, remarks


def _log(value: float | None) -> float:
    return log(value) if value is not None and value > 0 else nan


def _usual_spans(lot: Lot) -> tuple[list[float | None], list[Message]]:
    """The most frequent span of each ski's kind: stiffness at other spans is another quantity."""
    usual: list[float | None] = [None] * len(lot.rows)
    others: list[str] = []
    for members in kinds(enumerate(lot.rows)).values():
        spans = [row.span_m for row in (lot.rows[i] for i in members) if row.span_m is not None]
        span_m = max(sorted(set(spans)), key=spans.count) if spans else None
        for i in members:
            usual[i] = span_m
            own = lot.rows[i].span_m
            if own is not None and span_m is not None and abs(own - span_m) > 1.5e-3:
                others.append(lot.rows[i].ski_id)
    if not others:
        return usual, []
    listed = ", ".join(map(shown, others[:8])) + (f" and {len(others) - 8} more" if len(others) > 8 else "")
    return usual, [message("stiffness-of-other-span", skis=len(others), listed=listed)]
