"""What a check says about skis and groups: results only, for tables, JSON and reports."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from taptest.config.corrections import Citation
from taptest.identify.ladder import PlacedMode
from taptest.screen.clusters import Populations
from taptest.tables.reader import CellProblem

Verdict = Literal["pass", "recheck", "outlier", "not judged"]


@dataclass(frozen=True)
class JudgedStatistic:
    """One of the things that a ski was judged by, so that its reasoning can be followed.

    ``value`` against ``limit``, both in ``unit``: "%" of the group's centre (or of the prediction), or none. ``u``: standard
    uncertainty. ``score``: value over limit, 1 at the limit; of ratios by their logarithms, of ``unevenness``, which is a
    chi-square, by the root. ``suspicious``: beyond the limit, or the limit is within the uncertainty. ``may_reject``: whether
    it can make an outlier, or only ask for a recheck. ``rank`` of ``count``: from the lowest value of the group, 1.
    """

    name: str
    unit: str
    value: float
    limit: float
    u: float
    score: float
    suspicious: bool
    may_reject: bool
    rank: int
    count: int


@dataclass(frozen=True)
class SkiVerdict:
    """What one ski measured and what it was judged to be; None where nothing is known, ``_u_`` a standard uncertainty.

    ``predicted_hz``, ``measured_hz`` and ``deviation_percent`` speak of the first bending mode, inferred from the
    others unless ``first_heard``. ``deviation_u_percent`` holds the prediction's uncertainty too. ``damping_ratio`` is
    the mean over the bending modes. ``unevenness`` is the chi-square per degree of freedom of the deviations about what
    they share (1 expected). ``score`` is the largest over its limit (1 = at the limit) of the shift, the root of the
    unevenness and the logarithm of the damping over its group's. ``modes``: the placed bending and torsion ones.
    ``taps_good`` of ``taps_found``. ``line`` of the table. ``statistics``: all that it was judged by. ``shift_percent`` is what
    all its modes share against the centre of its group (against the prediction, where only physics judges), and
    ``shift_limit_percent`` its limit either way. ``group``: index of its group in the result, None where it was not judged.
    """

    ski_id: str
    pair_id: str | None
    construction: str
    construction_name: str | None
    generation: str | None
    mass_g: float | None
    stiffness_n_per_mm: float | None
    span_mm: float | None
    predicted_hz: float | None
    predicted_u_hz: float | None
    measured_hz: float | None
    measured_u_hz: float | None
    first_heard: bool
    deviation_percent: float | None
    deviation_u_percent: float | None
    damping_ratio: float | None
    damping_ratio_u: float | None
    unevenness: float | None
    score: float | None
    modes: tuple[PlacedMode, ...]
    verdict: Verdict
    reasons: tuple[str, ...]
    taps_good: int
    taps_found: int
    line: int
    statistics: tuple[JudgedStatistic, ...] = ()
    shift_percent: float | None = None
    shift_u_percent: float | None = None
    shift_limit_percent: float | None = None
    group: int | None = None


@dataclass(frozen=True)
class GroupSummary:
    """Skis of one kind and the limits they were judged by, in percent of the shift that all modes of a ski share.

    ``length_class`` in mm ("1990" or "1990-2000"); ``binding`` "bare" or "with binding"; ``count`` of the skis judged;
    ``limit_percent`` to either side of ``centre_percent``, which is the group's own or, where only physics judges, the
    prediction (0); ``spread_percent`` robust standard deviation of the group; ``basis`` where the limit comes from;
    ``ski_ids`` of its members; ``populations`` where it looks like two.
    """

    construction: str
    length_class: str
    binding: str
    count: int
    centre_percent: float | None
    spread_percent: float | None
    limit_percent: float | None
    basis: str
    ski_ids: tuple[str, ...] = ()
    populations: Populations | None = None


@dataclass(frozen=True)
class CheckResult:
    """A checked lot: ``unread`` says which inputs could not be read and why, ``problems`` are the table's bad cells.

    ``calibrations``: those that the verdicts rest on. ``budget``: the share of sound skis that may be called outliers.
    """

    skis: tuple[SkiVerdict, ...]
    groups: tuple[GroupSummary, ...]
    problems: tuple[CellProblem, ...]
    unread: tuple[str, ...]
    notes: tuple[str, ...] = ()
    calibrations: tuple[Citation, ...] = ()
    budget: float = 0.01

    def count(self, verdict: Verdict) -> int:
        """Number of skis with a verdict."""
        return sum(ski.verdict == verdict for ski in self.skis)
