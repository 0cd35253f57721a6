"""Generations and constructions side by side: what differs, how surely, and where a change of tone comes from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import exp, hypot, log
from typing import Literal

import numpy as np

from taptest.comparison.figures import (
    KINDS,
    Figure,
    SkiFigures,
    ski_figures,
    unit_parts,
    units,
)
from taptest.config.corrections import Citation
from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import LotError, shown
from taptest.core.messages import Message, message
from taptest.core.results import Result
from taptest.identify.measured_lot import MeasuredLot, Progress, measure_lot
from taptest.ski.facts import SkiFacts
from taptest.ski.modes import Family
from taptest.stats.permutation import Shift, Stratum, holm, shift
from taptest.tables.lot import Lot

By = Literal["generation", "construction"]
Word = Literal["higher", "lower", "not shown", "too few"]
Part = Literal["mass", "stiffness", "geometry", "rest", "together"]
PARTS: tuple[Part, ...] = ("mass", "stiffness", "geometry", "rest", "together")

SIGNIFICANCE = 1 - LIMITS.compare.confidence
UNNAMED = "not named"
_LENGTH_STEP_M = 0.010


@dataclass(frozen=True)
class Spread:
    """Mean and standard deviation of the units in SI; geometric mean and sd of the logarithm times it where ratios count."""

    mean: float
    deviation: float | None
    count: int


@dataclass(frozen=True)
class LoudestMode:
    """The mode that is most often the strongest: in ``count`` of ``skis`` heard, and the mean of where it lies."""

    family: Family
    order: int
    frequency_hz: float
    count: int
    skis: int


@dataclass(frozen=True)
class SkiPoint:
    """One ski: mass, bending stiffness of the middle section where it is known, and first mode at the common length."""

    mass_kg: float
    section_stiffness_n_m2: float | None
    first_mode_hz: float


@dataclass(frozen=True)
class GroupFigures:
    """The skis of one group: how many, in how many units (pairs, and skis without one), and their figures."""

    name: str
    skis: int
    units: int
    heard: int
    lengths_m: tuple[float, float] | None
    figures: dict[Figure, Spread]
    loudest: LoudestMode | None
    swing_tip: float | None
    points: tuple[SkiPoint, ...]


@dataclass(frozen=True)
class FigureShift:
    """One figure of a group against another: logarithm of the ratio, for the balance point a share of the length.

    ``p_holm`` is adjusted for the figures compared beside it. ``word``: higher or lower where that is at most 0.05,
    too few where so few units could never show a difference.
    """

    figure: Figure
    shift: Shift
    p_holm: float
    word: Word


@dataclass(frozen=True)
class PartShift:
    """One part of a change of the first mode: logarithm, with its interval where there are enough units."""

    part: Part
    shift: Shift


@dataclass(frozen=True)
class Contrast:
    """One group against another: every figure that both have, and where the change of the first mode comes from.

    ``shape_u``: relative standard uncertainty of a first mode that the shapes of different construction files bring,
    which is in no interval; None where both groups are of one construction.
    """

    group: str
    against: str
    shifts: tuple[FigureShift, ...]
    parts: tuple[PartShift, ...]
    shape_u: float | None = None

    def shift(self, figure: Figure) -> FigureShift | None:
        """The one of a figure."""
        return next((each for each in self.shifts if each.figure == figure), None)


@dataclass(frozen=True)
class Section:
    """Groups that may be compared directly: ``stratum`` says what they share. Without ``groups`` it sums up the others."""

    stratum: str
    groups: tuple[GroupFigures, ...]
    contrasts: tuple[Contrast, ...]


@dataclass(frozen=True)
class Comparison(Result):
    """Everything compared.

    Attributes:
        by: what makes a group.
        length_m: the common length that frequencies are also told at.
        sections: in the order of the tables; the last sums up where there are several.
        lots: the tables, their skis and settings.
        remarks: what may be taken for a difference and is none.
    """

    by: By
    length_m: float
    sections: tuple[Section, ...]
    lots: tuple[MeasuredLot, ...]
    remarks: tuple[Message, ...] = ()

    @property
    def skis(self) -> int:
        """How many were compared."""
        return sum(len(lot.skis) for lot in self.lots)

    @property
    def problems(self) -> tuple[Message, ...]:
        """Bad cells of the tables."""
        return tuple(problem for lot in self.lots for problem in lot.lot.problems)

    @property
    def unread(self) -> tuple[Message, ...]:
        """Inputs that could not be read."""
        return _once(message for lot in self.lots for message in lot.unread)

    @property
    def notes(self) -> tuple[Message, ...]:
        """What is good to know: of the tables, of calibrations and of the groups."""
        told = (note for lot in self.lots for note in (*lot.lot.notes, *lot.settings.corrections.messages))
        return (*_once(told), *self.remarks)

    @property
    def calibrations(self) -> tuple[Citation, ...]:
        """Those that changed something.

        A study of repeatability does not: what measuring anew does is in the scatter of the skis, from which every interval
        comes.
        """
        every = [
            each for lot in self.lots for each in lot.settings.corrections.citations if each.kind != "repeatability"
        ]
        return tuple({(each.kind, each.file, each.made): each for each in every}.values())


def _once(messages: Iterable[Message]) -> tuple[Message, ...]:
    """Tables beside one another share their calibrations, and what is to be said of these is said once."""
    return tuple({str(each): each for each in messages}.values())


def compare(
    lots: Sequence[Lot],
    *,
    by: By = "generation",
    against: str | None = None,
    length_m: float | None = None,
    settings: Sequence[Settings] = (),
    progress: Progress | None = None,
    workers: int = 1,
) -> Comparison:
    """Measure the skis of one or several lots and compare their groups within what these share.

    That is generations within each construction, or constructions within each generation, and in both cases skis with
    a binding apart from bare ones.

    Args:
        lots: the tables; a pair is a pair within its table only.
        by: what makes a group.
        against: the group that the others are compared with; the first of the tables when left out.
        length_m: the common length; the median length, to a centimetre, when left out.
        settings: one for each table, with what calibrations say of it; none for the defaults.
        progress, workers: as in `measure_lot`.

    Raises:
        LotError: fewer than two groups, none of the name ``against``, or a table given twice.
    """
    _refuse_twice(lots)
    _groups(lots, by, against)
    measured = [
        measure_lot(lot, each, progress=progress, workers=workers)
        for lot, each in zip(lots, settings or [Settings()] * len(lots), strict=True)
    ]
    return compare_measured(measured, by=by, against=against, length_m=length_m)


def compare_measured(
    lots: Sequence[MeasuredLot],
    *,
    by: By = "generation",
    against: str | None = None,
    length_m: float | None = None,
) -> Comparison:
    """What `compare` does once the skis are measured. Needs no sound.

    Raises:
        LotError: fewer than two groups, or none of the name ``against``.
    """
    rows = [ski.facts for lot in lots for ski in lot.skis]
    groups = _groups([lot.lot for lot in lots], by, against)
    common_m = length_m or _usual_length_m(rows)
    skis = [
        ski_figures(
            ski,
            lot.constructions.get(ski.facts.construction),
            group=_group(ski.facts, by),
            stratum=_stratum(ski.facts, by),
            unit=(index, ski.facts.pair_id) if ski.facts.pair_id is not None else (index, ski.facts.ski_id, "alone"),
            length_m=common_m,
        )
        for index, lot in enumerate(lots)
        for ski in lot.skis
    ]
    strata = list(dict.fromkeys(ski.stratum for ski in skis))
    sections = [_section(stratum, [ski for ski in skis if ski.stratum == stratum], groups) for stratum in strata]
    overall = _overall(skis, groups)
    if overall is not None:
        sections.append(overall)
    return Comparison(by, common_m, tuple(sections), tuple(lots), tuple(_remarks(skis, groups)))


def _refuse_twice(lots: Sequence[Lot]) -> None:
    """Skis that count twice would make every difference look surer than it is."""
    seen = set()
    for lot in lots:
        path = lot.path.resolve()
        if path in seen:
            raise LotError(
                f"{shown(lot.path.name, 100)}: given twice, so its skis would count twice; name every table once"
            )
        seen.add(path)


def _groups(lots: Sequence[Lot], by: By, against: str | None) -> list[str]:
    """Names of the groups, the one that the others are compared with first."""
    groups = list(dict.fromkeys(_group(row, by) for lot in lots for row in lot.rows))
    if groups and (len(groups) < 2 or (against is not None and against not in groups)):
        raise _wrong_groups(lots, groups, by, against)
    return groups if against is None else [against, *(name for name in groups if name != against)]


def _group(row: SkiFacts, by: By) -> str:
    return (row.generation if by == "generation" else row.construction) or UNNAMED


def _stratum(row: SkiFacts, by: By) -> str:
    shared = (row.construction if by == "generation" else row.generation) or UNNAMED
    return f"{shared}, {'with binding' if row.binding_mass_kg > 0 else 'bare'}"


def _wrong_groups(lots: Sequence[Lot], groups: Sequence[str], by: By, against: str | None) -> LotError:
    where = ", ".join(shown(lot.path.name, 100) for lot in lots[:5])
    named = ", ".join(shown(name) for name in groups[:10])
    if len(groups) < 2:
        other = "construction" if by == "generation" else "generation"
        return LotError(
            f"{where}: every ski is of one {by} ({named}), so there is nothing to compare; fill in the column {by}, or "
            f"compare by {other}"
        )
    return LotError(f"{where}: there is no {by} '{shown(against or '')}'; there are {named}")


def _usual_length_m(rows: Sequence[SkiFacts]) -> float:
    lengths = [row.length_m for row in rows if row.length_m is not None]
    return round(float(np.median(lengths)) / _LENGTH_STEP_M) * _LENGTH_STEP_M if lengths else 1.0


def _section(stratum: str, skis: Sequence[SkiFigures], order: Sequence[str]) -> Section:
    members = {name: [ski for ski in skis if ski.group == name] for name in order}
    present = [name for name in order if members[name]]
    usable = _usable(skis)
    groups = tuple(_figures(name, members[name], usable) for name in present)
    contrasts = tuple(_contrast([(members[present[0]], members[name])], usable) for name in present[1:])
    return Section(stratum, groups, contrasts)


def _usable(skis: Sequence[SkiFigures]) -> list[Figure]:
    """Rig stiffness compares only where every ski lay on the rig alike."""
    rigs = {(ski.facts.span_m, ski.facts.rig_centre_m) for ski in skis if ski.facts.stiffness_n_per_m is not None}
    return [figure for figure in KINDS if figure != "stiffness" or len(rigs) == 1]


def _figures(name: str, skis: Sequence[SkiFigures], usable: Sequence[Figure]) -> GroupFigures:
    lengths = [ski.facts.length_m for ski in skis if ski.facts.length_m is not None]
    tips = [ski.swing_tip for ski in skis if ski.swing_tip is not None]
    return GroupFigures(
        name=name,
        skis=len(skis),
        units=len({ski.unit for ski in skis}),
        heard=sum("first_mode" in ski.values for ski in skis),
        lengths_m=(min(lengths), max(lengths)) if lengths else None,
        figures={figure: _spread(figure, values) for figure in usable if (values := units(skis, figure))},
        loudest=_loudest(skis),
        swing_tip=float(np.mean(tips)) if tips else None,
        points=tuple(point for ski in skis if (point := _point(ski)) is not None),
    )


def _point(ski: SkiFigures) -> SkiPoint | None:
    mass, section, tone = (ski.values.get(name) for name in ("mass", "section_stiffness", "first_mode_at_length"))
    if mass is None or tone is None:
        return None
    return SkiPoint(exp(mass), None if section is None else exp(section), exp(tone))


def _spread(figure: Figure, values: Sequence[float]) -> Spread:
    mean = KINDS[figure].value(float(np.mean(values)))
    if len(values) < 2:
        return Spread(mean, None, len(values))
    deviation = float(np.std(values, ddof=1))
    return Spread(mean, deviation if KINDS[figure].plain else mean * deviation, len(values))


def _loudest(skis: Sequence[SkiFigures]) -> LoudestMode | None:
    counts = Counter(ski.loudest for ski in skis if ski.loudest is not None)
    if not counts:
        return None
    # Where two are as often the strongest, the lower order, whatever the order of the table.
    family, order = min(counts, key=lambda mode: (-counts[mode], mode[1], mode[0]))
    heard = [log(ski.modes[family, order]) for ski in skis if (family, order) in ski.modes]
    return LoudestMode(family, order, exp(float(np.mean(heard))), counts[family, order], sum(counts.values()))


def _contrast(pairs: Sequence[tuple[Sequence[SkiFigures], Sequence[SkiFigures]]], usable: Sequence[Figure]) -> Contrast:
    """The second group of every pair against the first, within the pairs."""
    found: list[tuple[Figure, Shift]] = []
    for figure in usable:
        strata = [Stratum(tuple(units(one, figure)), tuple(units(other, figure))) for one, other in pairs]
        moved = shift(strata)
        if moved is not None:
            found.append((figure, moved))
    adjusted = holm([moved.p_value for _, moved in found])
    shifts = tuple(
        FigureShift(figure, moved, float(p), _word(moved, float(p), len(found)))
        for (figure, moved), p in zip(found, adjusted, strict=True)
    )
    one, other = pairs[0][0][0], pairs[0][1][0]
    return Contrast(other.group, one.group, shifts, _parts(pairs), _shape_u(one, other))


def _shape_u(one: SkiFigures, other: SkiFigures) -> float | None:
    if one.facts.construction == other.facts.construction or one.shape_u is None or other.shape_u is None:
        return None
    return hypot(one.shape_u, other.shape_u)


def _word(moved: Shift, p_holm: float, figures: int) -> Word:
    # Holm's first step multiplies by the number of figures: what stays above the level then can show nothing.
    if moved.least_p_value * figures > SIGNIFICANCE:
        return "too few"
    if p_holm > SIGNIFICANCE:
        return "not shown"
    return "higher" if moved.difference > 0 else "lower"


def _parts(pairs: Sequence[tuple[Sequence[SkiFigures], Sequence[SkiFigures]]]) -> tuple[PartShift, ...]:
    known = [(unit_parts(one), unit_parts(other)) for one, other in pairs]
    parts = []
    for at, part in enumerate(PARTS):
        strata = [
            Stratum(*(tuple(sum(each) if part == "together" else each[at] for each in side) for side in both))
            for both in known
        ]
        moved = shift(strata)
        if moved is not None:
            parts.append(PartShift(part, moved))
    return tuple(parts)


def _overall(skis: Sequence[SkiFigures], order: Sequence[str]) -> Section | None:
    """Groups that meet in several strata, compared within each of them and then together."""
    contrasts = []
    first = order[0] if order else ""
    for name in order[1:]:
        pairs = []
        for stratum in dict.fromkeys(ski.stratum for ski in skis):
            one, other = ([ski for ski in skis if (ski.stratum, ski.group) == (stratum, g)] for g in (first, name))
            if one and other:
                pairs.append((one, other))
        if len(pairs) > 1:
            usable = [figure for figure in KINDS if all(figure in _usable([*a, *b]) for a, b in pairs)]
            contrasts.append(_contrast(pairs, usable))
    return Section("together", (), tuple(contrasts)) if contrasts else None


def _remarks(skis: Sequence[SkiFigures], order: Sequence[str]) -> list[Message]:
    """What may be taken for a difference and is none: temperatures far apart, and skis of no named group."""
    remarks = []
    warm = {
        name: float(np.mean(degrees))
        for name in order
        if (degrees := [s.at_c for s in skis if s.group == name and s.at_c is not None])
    }
    coldest, warmest = min(warm, key=warm.__getitem__, default=""), max(warm, key=warm.__getitem__, default="")
    apart = warm[warmest] - warm[coldest] if warm else 0.0
    if apart > LIMITS.compare.warm_k:
        hot, cold, percent = shown(warmest), shown(coldest), 0.1 * apart
        remarks.append(
            message("groups-of-other-temperature", warmest=hot, coldest=cold, apart_k=apart, percent=percent)
        )
    nameless = sum(ski.group == UNNAMED for ski in skis)
    if nameless:
        who = "1 ski names" if nameless == 1 else f"{nameless} skis name"
        remarks.append(message("skis-of-no-group", skis=nameless, who=who))
    return remarks
