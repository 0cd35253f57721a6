"""What the logbook knows, as results: a list of skis, and one ski with all that its last verdict rests on.

A result is read by the names of its fields (`query`) and validated against their types (`Reading.records`): a damaged value is
named by table, id and column, and costs its own row only.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from functools import cache, partial
from operator import attrgetter
from typing import Any, TypeVar, get_type_hints

from sqlalchemy import ColumnElement, Connection, Double, Select, Table, and_, exists, func, null, or_, select, tuple_
from sqlalchemy import cast as as_type

from taptest.core.errors import LogbookDamaged, LogbookError, shown
from taptest.core.fields import Field, document_of
from taptest.logbook.schema import (
    ANALYSES,
    CALIBRATIONS,
    CHECK_CALIBRATIONS,
    CHECKS,
    LOTS,
    OPERATORS,
    PAIRS,
    PLACED_MODES,
    PREDICTIONS,
    RECORDINGS,
    SKIS,
    STATIONS,
    VERDICT_RECORDINGS,
    VERDICTS,
)

_NEAR = 3
# Keys of documents that are not made by rule.
_KEYS = {
    "LoggedVerdict.made": "judged_utc",
    "LoggedCalibration.made": "made",
    **{
        f"{kind}.first_mode{end}": f"measured{end}"
        for kind in ("LoggedVerdict", "SkiSummary")
        for end in ("_hz", "_u_hz")
    },
}
# Ends of names whose values documents and sheets have in other units, the longest first: key, factor.
_UNITS = (("_n_per_m", "_n_per_mm", 0.001), ("_kg", "_g", 1000.0), ("_m", "_mm", 1000.0))

R = TypeVar("R")


@dataclass(frozen=True)
class SkiSummary:
    """A ski and its last verdict; None where it was analysed and never judged. Times are UTC."""

    ski_id: str
    pair_id: str | None
    construction: str | None
    measured: datetime
    first_mode_hz: float | None
    first_mode_u_hz: float | None
    deviation_percent: float | None
    damping_ratio: float | None
    verdict: str | None
    station: str


@dataclass(frozen=True)
class LoggedMode:
    """A mode that has a place: ``order`` from 1 within its family."""

    family: str
    order: int
    frequency_hz: float
    frequency_u_hz: float
    predicted_hz: float | None
    damping_ratio: float
    damping_ratio_u: float
    flags: tuple[str, ...]


@dataclass(frozen=True)
class PredictedMode:
    """What stiffness and mass predicted, whether or not it was heard."""

    family: str
    order: int
    frequency_hz: float
    frequency_u_hz: float | None


@dataclass(frozen=True)
class LoggedVerdict:
    """One verdict on a ski with the measurements it came from, in SI units; None where nothing is known.

    ``measured`` when the ski was tapped, ``made`` when it was judged (UTC). ``superseded``: a later one on the same sounds is
    there. ``frequencies_at_c``: the temperature that the frequencies belong to. The ``_floor_u_rel`` are what a study of
    repeatability found, 0 where there was none.
    """

    id: str
    measured: datetime
    made: datetime
    station: str
    operator: str | None
    software: str
    lot: str
    pair_id: str | None
    construction: str
    generation: str | None
    length_m: float | None
    mass_kg: float | None
    stiffness_n_per_m: float | None
    span_m: float | None
    temperature_c: float | None
    frequencies_at_c: float | None
    predicted_hz: float | None
    predicted_u_hz: float | None
    first_mode_hz: float | None
    first_mode_u_hz: float | None
    first_mode_source: str | None
    deviation_percent: float | None
    deviation_u_percent: float | None
    damping_ratio: float | None
    damping_ratio_u: float | None
    taps_good: int
    taps_found: int
    verdict: str
    reasons: tuple[str, ...]
    reason_codes: tuple[str, ...]
    note: str
    supersedes: str | None
    superseded: bool
    modes: tuple[LoggedMode, ...]
    clock_u_rel: float
    damping_floor_u_rel: float
    shift_floor_u_rel: float
    mass_u_rel: float
    stiffness_u_rel: float


@dataclass(frozen=True)
class LoggedRecording:
    """A sound in the logbook: ``file`` below its folder of sounds, ``name`` what it was called when it was entered."""

    sha256: str
    name: str
    file: str
    recorded: datetime
    sample_rate_hz: int
    channels: int
    duration_s: float


@dataclass(frozen=True)
class LoggedCalibration:
    """A calibration that a verdict rests on."""

    kind: str
    made: datetime
    file: str
    effect: str


@dataclass(frozen=True)
class SkiPage:
    """A ski, its last verdict (None where it was never judged) with its sounds, and how many verdicts there are in all."""

    ski_id: str
    last: LoggedVerdict | None
    predictions: tuple[PredictedMode, ...]
    recordings: tuple[LoggedRecording, ...]
    calibrations: tuple[LoggedCalibration, ...]
    verdicts: int


@dataclass(frozen=True)
class FoundSki:
    """A ski by what is written on it, and its id in the tables."""

    id: str
    ski_id: str


# --- results as documents ----------------------------------------------------------------------------------------------


@cache
def fields_of(kind: Any) -> tuple[Field[Any], ...]:
    """What documents and sheets have of a result: times end in ``_utc``, lengths are in mm, masses in g, stiffness in N/mm."""
    return tuple(
        _field(name, hint, _KEYS.get(f"{kind.__name__}.{name}"))
        for name, hint in _hints(kind).items()
        if not name.endswith("_u_rel")
    )


def _field(name: str, hint: Any, key: str | None) -> Field[Any]:
    get = attrgetter(name)
    if hint is datetime:
        return Field(key or f"{name}_utc", lambda result: utc_text(get(result)), "text")
    if "tuple" in str(hint):
        return Field(name, lambda result: [_plain(each) for each in get(result)], "list")
    if hint in (bool, int):
        return Field(name, get, "boolean" if hint is bool else "integer")
    if "float" not in str(hint):
        return Field(name, get, "text")
    for si, other, factor in _UNITS:
        if name.endswith(si):
            return Field(name.removesuffix(si) + other, partial(_times, get, factor))
    return Field(key or name, get)


def _times(get: Callable[[Any], float | None], factor: float, result: Any) -> float | None:
    value = get(result)
    return None if value is None else float(f"{factor * value:.12g}")  # 0.539 kg are 539 g


@cache
def _hints(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind)


def _lists_of_texts(kind: Any) -> list[str]:
    return [name for name, hint in _hints(kind).items() if hint == tuple[str, ...]]


def _plain(value: Any) -> Any:
    return value if isinstance(value, str) else document(value)


def document(result: Any) -> dict[str, Any]:
    """A result of this module as a part of a document."""
    kind: Any = type(result)
    return document_of(fields_of(kind), result)


def utc_text(when: datetime) -> str:
    """A time as documents have it."""
    return when.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


# --- rows as results ---------------------------------------------------------------------------------------------------


def query(kind: type[Any], table: Table, **elsewhere: ColumnElement[Any]) -> Select[Any]:
    """A selection of what a result has: columns of a table by the names of its fields, and what is ``elsewhere``."""
    names = [each.name for each in fields(kind)]
    own = {name: table.c[found] for name in names for found in (name, f"{name}_json") if found in table.c}
    return select(
        next(iter(table.primary_key)).label("row_id"),
        *(column.label(name) for name, column in (own | elsewhere).items()),
    ).select_from(table)


class Reading:
    """A connection to read with; ``damaged`` tells of each row that was left out for a value that is not of its kind."""

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self.damaged: list[str] = []

    def rows(self, wanted: Select[Any]) -> list[Mapping[str, Any]]:
        """What is selected, by name."""
        return [dict(row) for row in self.connection.execute(wanted).mappings()]

    def record(self, kind: type[R], table: Table, row: Mapping[str, Any], **more: Any) -> R | None:
        """A row as a result, with what does not come from it; None, and a word about it, where it is damaged."""
        import msgspec

        values = {name: value for name, value in row.items() if name != "row_id"} | more
        name = ""
        try:
            for name in _lists_of_texts(kind):
                values[name] = json.loads(values[name])
            name = ""
            return msgspec.convert(values, kind)
        except (ValueError, TypeError, RecursionError) as problem:  # msgspec.ValidationError is a ValueError
            at = re.search(r"\$\.(\w+)", str(problem))
            name = name or (at[1] if at else "")
            column = next((each for each in (name, f"{name}_utc", f"{name}_json") if each in table.c), name)
            self.damaged.append(
                f"{table.name} {str(row['row_id'])[:12]}, column {column}: '{shown(values.get(name))}' cannot be read, so it is "
                "damaged and the row is left out: 'taptest log verify' looks closer, and a backup has it as it was"
            )
            return None

    def records(self, kind: type[R], table: Table, wanted: Select[Any]) -> tuple[R, ...]:
        """All rows as results, without the damaged ones."""
        found = (self.record(kind, table, row) for row in self.rows(wanted))
        return tuple(each for each in found if each is not None)


def find_ski(reading: Reading, ski_id: str, logbook: str) -> FoundSki:
    """A ski as it is written, or without regard to capitals where only one is then meant.

    Raises:
        LogbookError: there is none; the message has the ids that begin like it.
    """
    folded = ski_id.strip().casefold()
    alike = reading.records(FoundSki, SKIS, query(FoundSki, SKIS).where(SKIS.c.folded == folded))
    exact = [each for each in alike if each.ski_id == ski_id.strip()]
    if len(exact or alike) == 1:
        return (exact or alike)[0]
    if alike:
        names = ", ".join(shown(each.ski_id) for each in alike)
        raise LogbookError(f"{logbook}: ski '{shown(ski_id)}' may be any of {names}; write it with its capitals")
    for length in range(len(folded), 0, -1):
        like = select(SKIS.c.ski_id).where(SKIS.c.folded.startswith(folded[:length], autoescape=True))
        near = reading.connection.scalars(like.order_by(SKIS.c.folded).limit(_NEAR)).all()
        if near:
            names = ", ".join(map(shown, near))
            raise LogbookError(
                f"{logbook}: there is no ski '{shown(ski_id)}'; similar: {names}; 'taptest log list' shows all"
            )
    raise LogbookError(f"{logbook}: there is no ski '{shown(ski_id)}'; 'taptest log list' shows which there are")


def skis_of_pair(reading: Reading, pair_id: str) -> tuple[FoundSki, ...]:
    """The skis that were judged as this pair, whatever its capitals; none where there is no such pair, or it is a ski."""
    text = pair_id.strip()
    if reading.connection.scalar(select(SKIS.c.id).where(SKIS.c.folded == text.casefold()).limit(1)) is not None:
        return ()
    pairs = select(PAIRS.c.id).where((PAIRS.c.pair_id == text) | (func.lower(PAIRS.c.pair_id) == text.casefold()))
    skis = select(VERDICTS.c.ski).where(VERDICTS.c.pair.in_(pairs))
    return reading.records(FoundSki, SKIS, query(FoundSki, SKIS).where(SKIS.c.id.in_(skis)).order_by(SKIS.c.folded))


def list_skis(
    reading: Reading, find: str, verdict: str | None, construction: str | None, limit: int
) -> tuple[tuple[SkiSummary, ...], bool]:
    """The skis measured last, and whether there are more: see `Logbook.skis`."""
    judged = (
        _with_names(
            query(
                SkiSummary,
                VERDICTS,
                ski_id=SKIS.c.ski_id,
                pair_id=PAIRS.c.pair_id,
                measured=VERDICTS.c.measured_utc,
                station=STATIONS.c.name,
            )
        )
        .where(is_last())
        .order_by(VERDICTS.c.measured_utc.desc(), VERDICTS.c.made_utc.desc(), SKIS.c.folded)
        .limit(limit + 1)
    )
    if find:
        text = find.strip().casefold()
        skis = select(SKIS.c.id).where(SKIS.c.folded.contains(text, autoescape=True))
        pairs = select(PAIRS.c.id).where(func.lower(PAIRS.c.pair_id).contains(text, autoescape=True))
        judged = judged.where(VERDICTS.c.ski.in_(skis) | VERDICTS.c.pair.in_(pairs))
    if verdict is not None:
        judged = judged.where(VERDICTS.c.verdict == verdict)
    if construction is not None:
        judged = judged.where(VERDICTS.c.construction == construction)
    found = list(reading.records(SkiSummary, VERDICTS, judged))
    if verdict is None and construction is None:
        found += reading.records(SkiSummary, SKIS, _only_heard(find, limit + 1))
        found.sort(key=lambda each: each.measured, reverse=True)
    return tuple(found[:limit]), len(found) > limit


def _with_names(verdicts: Select[Any]) -> Select[Any]:
    """A selection of verdicts with what they name: ski, check, station, lot and, if any, operator and pair."""
    return (
        verdicts.join(SKIS, SKIS.c.id == VERDICTS.c.ski)
        .join(CHECKS, CHECKS.c.id == VERDICTS.c.lot_check)
        .join(LOTS, LOTS.c.id == CHECKS.c.lot)
        .join(STATIONS, STATIONS.c.id == CHECKS.c.station)
        .outerjoin(OPERATORS, OPERATORS.c.id == CHECKS.c.operator)
        .outerjoin(PAIRS, PAIRS.c.id == VERDICTS.c.pair)
    )


def is_last() -> ColumnElement[bool]:
    """Whether a verdict is the last of its ski: measured last, or of one measurement judged last."""
    later = VERDICTS.alias("later")
    return ~exists().where(later.c.ski == VERDICTS.c.ski, tuple_(*_order(later)) > tuple_(*_order(VERDICTS)))


def _order(verdicts: Any) -> tuple[ColumnElement[Any], ...]:
    return (verdicts.c.measured_utc, verdicts.c.made_utc, verdicts.c.id)


def _only_heard(find: str, limit: int) -> Select[Any]:
    """Skis of which recordings were analysed and that were never judged."""
    last = func.max(ANALYSES.c.measured_utc)
    nothing = {each.name: null() for each in fields(SkiSummary)}
    known = {"measured": last, "station": func.max(STATIONS.c.name), "ski_id": SKIS.c.ski_id}
    heard = (
        query(SkiSummary, SKIS, **(nothing | known))
        .join(ANALYSES, SKIS.c.id == ANALYSES.c.ski)
        .join(STATIONS, STATIONS.c.id == ANALYSES.c.station)
        .where(~exists().where(VERDICTS.c.ski == ANALYSES.c.ski))
        .group_by(SKIS.c.id, SKIS.c.ski_id)
        .order_by(last.desc())
        .limit(limit)
    )
    return heard.where(SKIS.c.folded.contains(find.strip().casefold(), autoescape=True)) if find else heard


def verdicts() -> Select[Any]:
    """A selection of verdicts as `LoggedVerdict` has them, without the modes; see `verdicts_of`."""
    after = VERDICTS.alias("after")
    # A later verdict on the same sounds does not name the one that it replaces where it came from another logbook.
    judged_later = and_(
        after.c.ski == VERDICTS.c.ski,
        VERDICTS.c.sounds_key != "",
        after.c.sounds_key == VERDICTS.c.sounds_key,
        tuple_(after.c.made_utc, after.c.id) > tuple_(VERDICTS.c.made_utc, VERDICTS.c.id),
    )
    of_check = ("clock_u_rel", "damping_floor_u_rel", "shift_floor_u_rel", "mass_u_rel", "stiffness_u_rel")
    superseded = or_(exists().where(after.c.supersedes == VERDICTS.c.id), exists().where(judged_later))
    wanted = query(
        LoggedVerdict,
        VERDICTS,
        measured=VERDICTS.c.measured_utc,
        made=VERDICTS.c.made_utc,
        pair_id=PAIRS.c.pair_id,
        lot=LOTS.c.name,
        station=STATIONS.c.name,
        operator=OPERATORS.c.name,
        software=CHECKS.c.software,
        superseded=superseded,
        **{name: func.coalesce(CHECKS.c[name], 0.0) for name in of_check},
    )
    return _with_names(wanted)


def verdicts_of(reading: Reading, ski: FoundSki, *, last: bool = False) -> tuple[LoggedVerdict, ...]:
    """Every verdict on a ski, the one measured first first; or only the ``last`` that can be read."""
    rows = reading.rows(verdicts().where(VERDICTS.c.ski == ski.id).order_by(*_order(VERDICTS)))
    for several in [[row] for row in reversed(rows)] if last else [rows]:
        modes = _modes_of(reading, [row["row_id"] for row in several])
        records = (reading.record(LoggedVerdict, VERDICTS, row, modes=modes.get(row["row_id"], ())) for row in several)
        found = tuple(each for each in records if each is not None)
        if found:
            return found
    if rows:
        raise LogbookDamaged(f"ski {shown(ski.ski_id)}: no verdict on it can be read; {reading.damaged[0]}")
    return ()


def _modes_of(reading: Reading, wanted: list[str]) -> dict[str, list[LoggedMode]]:
    placed = query(LoggedMode, PLACED_MODES, order=PLACED_MODES.c.mode_order).where(
        PLACED_MODES.c.verdict.in_(wanted), PLACED_MODES.c.mode_order.is_not(None)
    )
    found: dict[str, list[LoggedMode]] = {}
    for row in reading.rows(placed.order_by(PLACED_MODES.c.frequency_hz)):
        mode = reading.record(LoggedMode, PLACED_MODES, row)
        if mode is not None:
            found.setdefault(row["row_id"], []).append(mode)
    return found


def ski_page(reading: Reading, ski: FoundSki) -> SkiPage:
    """One ski as it was judged last; where it never was, the sounds that were heard of it."""
    last = next(iter(verdicts_of(reading, ski, last=True)), None)
    own = "" if last is None else last.id
    if last is None:
        sounds = exists().where(ANALYSES.c.recording == RECORDINGS.c.id, ANALYSES.c.ski == ski.id)
    else:
        sounds = exists().where(VERDICT_RECORDINGS.c.recording == RECORDINGS.c.id, VERDICT_RECORDINGS.c.verdict == own)
    recordings = query(
        LoggedRecording,
        RECORDINGS,
        sha256=RECORDINGS.c.id,
        name=RECORDINGS.c.file_name,
        file=RECORDINGS.c.stored_as,
        recorded=RECORDINGS.c.recorded_utc,
        duration_s=as_type(RECORDINGS.c.frames, Double) / func.nullif(RECORDINGS.c.sample_rate_hz, 0),
    )
    predictions = query(PredictedMode, PREDICTIONS, order=PREDICTIONS.c.mode_order)
    calibrations = (
        query(LoggedCalibration, CALIBRATIONS, made=CALIBRATIONS.c.calibrated_utc, effect=CHECK_CALIBRATIONS.c.effect)
        .join(CHECK_CALIBRATIONS, CHECK_CALIBRATIONS.c.calibration == CALIBRATIONS.c.id)
        .join(VERDICTS, VERDICTS.c.lot_check == CHECK_CALIBRATIONS.c.lot_check)
        .where(VERDICTS.c.id == own)
    )
    of_last = predictions.where(PREDICTIONS.c.verdict == own).order_by(PREDICTIONS.c.number)
    return SkiPage(
        ski_id=ski.ski_id,
        last=last,
        predictions=reading.records(PredictedMode, PREDICTIONS, of_last),
        recordings=reading.records(LoggedRecording, RECORDINGS, recordings.where(sounds).order_by(RECORDINGS.c.id)),
        calibrations=reading.records(LoggedCalibration, CALIBRATIONS, calibrations.order_by(CALIBRATIONS.c.kind)),
        verdicts=reading.connection.scalar(select(func.count()).where(VERDICTS.c.ski == ski.id)) or 0,
    )
