"""What the logbook knows, as results: a list of skis, and one ski with all that its last verdict rests on."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, RowMapping, Select, and_, exists, func, or_, select, tuple_

from taptest.core.errors import LogbookError, shown
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


@dataclass(frozen=True)
class SkiSummary:
    """A ski and its last verdict; None where it was analysed and never judged. Times are UTC."""

    ski_id: str
    pair_id: str | None
    construction: str | None
    measured: datetime
    measured_hz: float | None
    measured_u_hz: float | None
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
    damping_ratio: float
    damping_ratio_u: float
    predicted_hz: float | None
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
    measured_hz: float | None
    measured_u_hz: float | None
    first_heard: bool
    deviation_percent: float | None
    deviation_u_percent: float | None
    damping_ratio: float | None
    damping_ratio_u: float | None
    taps_good: int
    taps_found: int
    verdict: str
    reasons: tuple[str, ...]
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


def find_ski(connection: Connection, ski_id: str, logbook: str) -> FoundSki:
    """A ski as it is written, or without regard to capitals where only one is then meant.

    Raises:
        LogbookError: there is none; the message has the ids that begin like it.
    """
    folded = ski_id.strip().casefold()
    alike = connection.execute(select(SKIS.c.id, SKIS.c.ski_id).where(SKIS.c.folded == folded)).all()
    exact = [each for each in alike if each.ski_id == ski_id.strip()]
    if len(exact or alike) == 1:
        found = (exact or alike)[0]
        return FoundSki(found.id, found.ski_id)
    if alike:
        names = ", ".join(shown(each.ski_id) for each in alike)
        raise LogbookError(f"{logbook}: ski '{shown(ski_id)}' may be any of {names}; write it with its capitals")
    for length in range(len(folded), 0, -1):
        start = folded[:length]
        like = select(SKIS.c.ski_id).where(SKIS.c.folded.startswith(start, autoescape=True))
        near = connection.scalars(like.order_by(SKIS.c.folded).limit(_NEAR)).all()
        if near:
            raise LogbookError(
                f"{logbook}: there is no ski '{shown(ski_id)}'; similar: {', '.join(map(shown, near))}; 'taptest log list' "
                "shows all"
            )
    raise LogbookError(f"{logbook}: there is no ski '{shown(ski_id)}'; 'taptest log list' shows which there are")


def skis_of_pair(connection: Connection, pair_id: str) -> tuple[FoundSki, ...]:
    """The skis that were judged as this pair, whatever its capitals; none where there is no such pair."""
    text = pair_id.strip()
    pairs = select(PAIRS.c.id).where((PAIRS.c.pair_id == text) | (func.lower(PAIRS.c.pair_id) == text.casefold()))
    skis = select(VERDICTS.c.ski).where(VERDICTS.c.pair.in_(pairs))
    wanted = select(SKIS.c.id, SKIS.c.ski_id).where(SKIS.c.id.in_(skis)).order_by(SKIS.c.folded)
    return tuple(FoundSki(found.id, found.ski_id) for found in connection.execute(wanted))


def is_ski(connection: Connection, ski_id: str) -> bool:
    """Whether there is a ski of this id, whatever its capitals."""
    alike = select(SKIS.c.id).where(SKIS.c.folded == ski_id.strip().casefold())
    return connection.scalar(alike.limit(1)) is not None


def list_skis(
    connection: Connection, find: str, verdict: str | None, construction: str | None, limit: int
) -> tuple[tuple[SkiSummary, ...], bool]:
    """The skis measured last, and whether there are more: see `Logbook.skis`."""
    later = VERDICTS.alias("later")
    judged = (
        select(
            SKIS.c.ski_id,
            PAIRS.c.pair_id,
            VERDICTS.c.construction,
            VERDICTS.c.measured_utc,
            VERDICTS.c.measured_hz,
            VERDICTS.c.measured_u_hz,
            VERDICTS.c.deviation_percent,
            VERDICTS.c.damping_ratio,
            VERDICTS.c.verdict,
            STATIONS.c.name.label("station"),
        )
        .select_from(VERDICTS)
        .join(SKIS, SKIS.c.id == VERDICTS.c.ski)
        .outerjoin(PAIRS, PAIRS.c.id == VERDICTS.c.pair)
        .join(CHECKS, CHECKS.c.id == VERDICTS.c.lot_check)
        .join(STATIONS, STATIONS.c.id == CHECKS.c.station)
        .where(~exists().where(later.c.ski == VERDICTS.c.ski, measured_order(later) > measured_order(VERDICTS)))
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
    rows = [_summary(row) for row in connection.execute(judged).mappings()]
    if verdict is None and construction is None:
        rows += [_summary(row) for row in connection.execute(_only_heard(find, limit + 1)).mappings()]
        rows.sort(key=lambda each: each.measured, reverse=True)
    return tuple(rows[:limit]), len(rows) > limit


def measured_order(verdicts: Any) -> ColumnElement[Any]:
    """What makes one verdict of a ski the last: measured later, or of one measurement judged later."""
    return tuple_(verdicts.c.measured_utc, verdicts.c.made_utc, verdicts.c.id)


def _judged_later(after: Any) -> ColumnElement[Any]:
    """A later verdict on the same sounds, which does not name the one that it replaces where it came from another logbook."""
    return and_(
        after.c.ski == VERDICTS.c.ski,
        VERDICTS.c.sounds_key != "",
        after.c.sounds_key == VERDICTS.c.sounds_key,
        tuple_(after.c.made_utc, after.c.id) > tuple_(VERDICTS.c.made_utc, VERDICTS.c.id),
    )


def _only_heard(find: str, limit: int) -> Select[Any]:
    """Skis of which recordings were analysed and that were never judged."""
    last = func.max(ANALYSES.c.measured_utc).label("measured_utc")
    heard = (
        select(SKIS.c.ski_id, last, func.max(STATIONS.c.name).label("station"))
        .select_from(ANALYSES)
        .join(SKIS, SKIS.c.id == ANALYSES.c.ski)
        .join(STATIONS, STATIONS.c.id == ANALYSES.c.station)
        .where(~exists().where(VERDICTS.c.ski == ANALYSES.c.ski))
        .group_by(SKIS.c.ski_id)
        .order_by(last.desc())
        .limit(limit)
    )
    return heard.where(SKIS.c.folded.contains(find.strip().casefold(), autoescape=True)) if find else heard


def _summary(row: RowMapping) -> SkiSummary:
    return SkiSummary(
        ski_id=row["ski_id"],
        pair_id=row.get("pair_id"),
        construction=row.get("construction"),
        measured=row["measured_utc"],
        measured_hz=row.get("measured_hz"),
        measured_u_hz=row.get("measured_u_hz"),
        deviation_percent=row.get("deviation_percent"),
        damping_ratio=row.get("damping_ratio"),
        verdict=row.get("verdict"),
        station=row["station"],
    )


def verdicts_of(connection: Connection, ski: FoundSki, *, last: bool = False) -> tuple[LoggedVerdict, ...]:
    """Every verdict on a ski, the one measured first first; or only the ``last``."""
    after = VERDICTS.alias("after")
    wanted = (
        select(
            *(VERDICTS.c[name] for name in _OF_VERDICT),
            PAIRS.c.pair_id,
            LOTS.c.name.label("lot"),
            STATIONS.c.name.label("station"),
            OPERATORS.c.name.label("operator"),
            CHECKS.c.software,
            *(CHECKS.c[name] for name in _OF_CHECK),
            or_(exists().where(after.c.supersedes == VERDICTS.c.id), exists().where(_judged_later(after))).label(
                "superseded"
            ),
        )
        .select_from(VERDICTS)
        .join(CHECKS, CHECKS.c.id == VERDICTS.c.lot_check)
        .join(LOTS, LOTS.c.id == CHECKS.c.lot)
        .join(STATIONS, STATIONS.c.id == CHECKS.c.station)
        .outerjoin(OPERATORS, OPERATORS.c.id == CHECKS.c.operator)
        .outerjoin(PAIRS, PAIRS.c.id == VERDICTS.c.pair)
        .where(VERDICTS.c.ski == ski.id)
    )
    ordered = [VERDICTS.c.measured_utc, VERDICTS.c.made_utc, VERDICTS.c.id]
    wanted = wanted.order_by(*(c.desc() for c in ordered)).limit(1) if last else wanted.order_by(*ordered)
    rows = connection.execute(wanted).mappings().all()
    modes = _modes_of(connection, [row["id"] for row in rows])
    return tuple(_verdict(row, modes.get(row["id"], ())) for row in rows)


_RENAMED = {"measured_utc": "measured", "made_utc": "made"}
_OF_CHECK = ("clock_u_rel", "damping_floor_u_rel", "shift_floor_u_rel", "mass_u_rel", "stiffness_u_rel")
# What comes from elsewhere than the table of verdicts.
_JOINED = (
    *_OF_CHECK,
    "station",
    "operator",
    "software",
    "lot",
    "pair_id",
    "superseded",
    "modes",
    "reasons",
    *_RENAMED.values(),
)
_OF_VERDICT = (
    *_RENAMED,
    "reasons_json",
    *(each.name for each in fields(LoggedVerdict) if each.name not in _JOINED),
)


def _verdict(row: RowMapping, modes: Sequence[LoggedMode]) -> LoggedVerdict:
    values = {_RENAMED.get(name, name): value for name, value in row.items() if name != "reasons_json"}
    values |= {name: values[name] or 0.0 for name in _OF_CHECK}
    return LoggedVerdict(**values, reasons=tuple(json.loads(row["reasons_json"])), modes=tuple(modes))


def _modes_of(connection: Connection, verdicts: Sequence[str]) -> dict[str, list[LoggedMode]]:
    placed = select(PLACED_MODES).where(PLACED_MODES.c.verdict.in_(verdicts), PLACED_MODES.c.mode_order.is_not(None))
    found: dict[str, list[LoggedMode]] = {}
    for row in connection.execute(placed.order_by(PLACED_MODES.c.frequency_hz)).mappings():
        mode = LoggedMode(
            family=row["family"],
            order=row["mode_order"],
            frequency_hz=row["frequency_hz"],
            frequency_u_hz=row["frequency_u_hz"],
            damping_ratio=row["damping_ratio"],
            damping_ratio_u=row["damping_ratio_u"],
            predicted_hz=row["predicted_hz"],
            flags=tuple(json.loads(row["flags_json"])),
        )
        found.setdefault(row["verdict"], []).append(mode)
    return found


def ski_page(connection: Connection, ski: FoundSki) -> SkiPage:
    """One ski as it was judged last; where it never was, the sounds that were heard of it."""
    last = next(iter(verdicts_of(connection, ski, last=True)), None)
    of_it = VERDICT_RECORDINGS.c.recording == RECORDINGS.c.id
    if last is None:
        sounds = exists().where(ANALYSES.c.recording == RECORDINGS.c.id, ANALYSES.c.ski == ski.id)
    else:
        sounds = exists().where(and_(of_it, VERDICT_RECORDINGS.c.verdict == last.id))
    return SkiPage(
        ski_id=ski.ski_id,
        last=last,
        predictions=() if last is None else _predictions(connection, last.id),
        recordings=tuple(
            LoggedRecording(
                sha256=row["id"],
                name=row["file_name"],
                file=row["stored_as"],
                recorded=row["recorded_utc"],
                sample_rate_hz=row["sample_rate_hz"],
                channels=row["channels"],
                duration_s=row["frames"] / row["sample_rate_hz"],
            )
            for row in connection.execute(select(RECORDINGS).where(sounds).order_by(RECORDINGS.c.id)).mappings()
        ),
        calibrations=() if last is None else _calibrations(connection, last.id),
        verdicts=connection.scalar(select(func.count()).where(VERDICTS.c.ski == ski.id)) or 0,
    )


def _predictions(connection: Connection, verdict: str) -> tuple[PredictedMode, ...]:
    wanted = select(PREDICTIONS).where(PREDICTIONS.c.verdict == verdict).order_by(PREDICTIONS.c.number)
    return tuple(
        PredictedMode(row["family"], row["mode_order"], row["frequency_hz"], row["frequency_u_hz"])
        for row in connection.execute(wanted).mappings()
    )


def _calibrations(connection: Connection, verdict: str) -> tuple[LoggedCalibration, ...]:
    wanted = (
        select(CALIBRATIONS.c.kind, CALIBRATIONS.c.calibrated_utc, CALIBRATIONS.c.file, CHECK_CALIBRATIONS.c.effect)
        .join(CHECK_CALIBRATIONS, CHECK_CALIBRATIONS.c.calibration == CALIBRATIONS.c.id)
        .join(VERDICTS, VERDICTS.c.lot_check == CHECK_CALIBRATIONS.c.lot_check)
        .where(VERDICTS.c.id == verdict)
        .order_by(CALIBRATIONS.c.kind)
    )
    return tuple(LoggedCalibration(*row) for row in connection.execute(wanted))
