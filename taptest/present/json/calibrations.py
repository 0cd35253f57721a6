"""Calibrations, studies and plans as documents and as stored values: every key is a `Field`, which their tables show too."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from pathlib import Path
from typing import Any

from taptest.calibrate.bar import BarMode, BarResult
from taptest.calibrate.linearity import RingDown
from taptest.calibrate.room import BandDecay, RoomResult
from taptest.calibrate.suspension import LoopBias, SuspensionAdvice
from taptest.config.limits import LIMITS
from taptest.core.fields import Field, document_of
from taptest.learn.construction import LearnedConstruction, LearnedOrder, LeftOut
from taptest.learn.ladder_fit import LearnedShape
from taptest.studies.drift import Chart, Drift
from taptest.studies.plan import Effort, Plan
from taptest.studies.repeatability import QUANTITIES, Gauge
from taptest.studies.repeatability_table import StudyResult
from taptest.studies.temperature import TemperatureStudy

Document = dict[str, Any]


def rounded(key: str, name: str = "", places: int = 4, *, times: float = 1.0, **shown: Any) -> Field[Any]:
    """A number with fixed decimals: the attribute ``name`` (dotted; by default ``key``), ``times`` a factor."""
    get = attrgetter(name or key)

    def value(result: Any) -> float | None:
        found = get(result)
        return None if found is None else round(times * found, places)

    return Field(key, value, **shown)


def same(key: str, kind: Any = "text", name: str = "", **shown: Any) -> Field[Any]:
    """An attribute as it is."""
    return Field(key, attrgetter(name or key), kind, **shown)


def listed(key: str, fields: tuple[Field[Any], ...], name: str = "") -> Field[Any]:
    """A list of documents, one for each of the results in an attribute."""
    get = attrgetter(name or key)
    return Field(key, lambda result: [document_of(fields, each) for each in get(result)], "list")


BAND: tuple[Field[BandDecay], ...] = (
    same("centre_hz", "number", heading="band\nHz", decimals=0),
    rounded("low_hz", places=1),
    rounded("high_hz", places=1),
    rounded("reverberation_s", heading="reverberation\ns", decimals=2, u="reverberation_u_s"),
    rounded("reverberation_u_s"),
    same("method", heading="from"),
    same("decays", "integer", heading="decays"),
    rounded("range_db", places=1, heading="above noise\ndB", decimals=0),
    rounded("noise_db", places=1, heading="noise\ndB", decimals=0),
    same("curved", "boolean"),
    same("why_not"),
)

ROOM: tuple[Field[RoomResult], ...] = (
    listed("bands", BAND),
    same("decays", "integer"),
    Field("hum_hz", lambda room: [round(hz, 2) for hz in room.hum.lines_hz] if room.hum else [], "list"),
    Field("hum_db", lambda room: [round(db, 1) for db in room.hum.levels_db] if room.hum else [], "list"),
)

BAR_MODE: tuple[Field[BarMode], ...] = (
    same("order", "integer", heading="mode"),
    rounded("frequency_hz", places=5, heading="measured\nHz", decimals=3, u="frequency_u_hz"),
    rounded("frequency_u_hz", places=6),
    rounded("predicted_hz", places=5, heading="predicted\nHz", decimals=2),
    rounded("damping_ratio", places=8, heading="damping\n%", decimals=4, scale=100),
    rounded("damping_ratio_u", places=8),
    rounded("level_db", places=2, heading="level\ndB", decimals=0),
    same("taps", "integer"),
    rounded("modulus_gpa", "modulus_pa", times=1e-9),
)

RING_DOWN: tuple[Field[RingDown], ...] = (
    same("order", "integer"),
    same("taps", "integer"),
    rounded("frequency_change_ppm", "frequency_change_rel", 2, times=1e6),
    rounded("frequency_change_u_ppm", "frequency_change_u_rel", 2, times=1e6),
    rounded("damping_change_percent", "damping_change_rel", 3, times=100),
    rounded("damping_change_u_percent", "damping_change_u_rel", 3, times=100),
    same("linear", "boolean"),
)


def _if_separable(name: str) -> Callable[[BarResult], float | None]:
    return lambda bar: round(getattr(bar.clock, name), 8) if bar.clock.separable else None


BAR: tuple[Field[BarResult], ...] = (
    same("bar", name="bar.name"),
    Field("clock_factor", _if_separable("factor"), help="true over measured frequency"),
    Field("clock_u_rel", _if_separable("u_rel"), help="its relative standard uncertainty"),
    same("clock_basis", name="clock.basis"),
    rounded("common_factor", places=8),
    rounded("common_u_rel", places=8),
    rounded("predicted_u_rel", places=6),
    rounded("modulus_gpa", "modulus_pa", times=1e-9),
    rounded("modulus_u_gpa", "modulus_u_pa", times=1e-9),
    rounded("standard_modulus_gpa", "standard_modulus_pa", times=1e-9),
    rounded("slenderness", places=6),
    rounded("file_slenderness", "bar.slenderness", 6),
    rounded("ladder_off_percent"),
    rounded("lowest_hz", "reach.lowest_hz", 2),
    same("missed_orders", "list", "reach.missed_orders"),
    rounded("slope_db_per_octave", "reach.slope_db_per_octave", 2),
    same("taps", "integer"),
    listed("modes", BAR_MODE),
    listed("ring_downs", RING_DOWN),
)


def _mm(key: str, name: str) -> Field[Any]:
    return rounded(key, name, 2, times=1000)


def _places(key: str, name: str) -> Field[SuspensionAdvice]:
    get = attrgetter(name)
    return Field(key, lambda advice: [round(1000 * place, 2) for place in get(advice)], "list")


LOOP: tuple[Field[LoopBias], ...] = (
    same("order", "integer", heading="mode"),
    rounded("frequency_hz", heading="frequency\nHz"),
    Field("shift_percent", lambda loop: 100 * loop.shift_rel, heading="shift\n%", decimals=3),
    Field("damping_added", lambda loop: loop.damping_added, heading="adds\n%", decimals=3, scale=100),
)

MISPLACED: tuple[Field[LoopBias], ...] = (
    rounded("off_mm", "off_m", 2, times=1000, heading="both off by\nmm", decimals=0, sign=True),
    Field("shift_percent", lambda loop: 100 * loop.shift_rel, heading="shift of mode 1\n%", decimals=4),
    Field("damping_added", lambda loop: loop.damping_added, heading="adds\n%", decimals=3, scale=100),
)

SUSPENSION: tuple[Field[SuspensionAdvice], ...] = (
    _mm("length_mm", "length_m"),
    _mm("balance_mm", "balance_m"),
    rounded("first_hz"),
    same("first_assumed", "boolean"),
    rounded("bounce_hz", "bounce.frequency_hz"),
    rounded("bounce_damping_ratio", "bounce.damping_ratio", 6),
    same("bounce_seen", "boolean", "bounce.seen"),
    _places("nodes_mm", "nodes_m"),
    _places("compromise_mm", "spread_m"),
    _places("loops_mm", "loops_m"),
    rounded("tail_load_share", "tail_load", 5),
    listed("modes", LOOP, "biases"),
    listed("compromise_modes", LOOP, "spread_biases"),
    listed("misplaced", MISPLACED),
    same("notes", "list"),
)

LEFT_OUT: tuple[Field[LeftOut], ...] = (same("ski_id"), same("lot"), same("line", "integer"), same("why"))

LEARNED_ORDER: tuple[Field[LearnedOrder], ...] = (
    same("order", "integer", heading="bending"),
    same("skis", "integer"),
    rounded("factor", places=5),
    rounded("factor_u_rel", places=5),
    rounded("error_percent", places=3, heading="error\n%", decimals=2),
    rounded("base_error_percent", places=3, heading="base\n%", decimals=2),
    rounded("stated_u_percent", "u_percent", 3, heading="stated\n%", decimals=2),
)

LEARNED_SHAPE: tuple[Field[LearnedShape], ...] = (
    same("name"),
    rounded("amount"),
    rounded("amount_u"),
    rounded("determined", places=3),
)

CONSTRUCTION: tuple[Field[LearnedConstruction], ...] = (
    same("name", name="construction.name"),
    same("base"),
    same("skis", "integer"),
    listed("left_out", LEFT_OUT),
    rounded("error_percent", places=3),
    rounded("base_error_percent", places=3),
    rounded("within_stated_percent", "cover_percent", 1),
    rounded("shared_percent", places=3),
    rounded("uneven_percent", places=3),
    same("profile_changed", "boolean", "reshaped"),
    listed("orders", LEARNED_ORDER),
    listed("shapes", LEARNED_SHAPE),
)

# Those of a stored calibration; the order of a study's figures is that of its analysis.
_COMPONENTS = (
    ("repeatability", "equipment"),
    ("reproducibility", "appraisers"),
    ("gauge", "gauge"),
    ("part_variation", "parts"),
    ("gauge_percent", "gauge_percent"),
)

GAUGE: tuple[Field[Gauge], ...] = (
    same("quantity"),
    same("unit"),
    same("mean", "number"),
    same("parts", "integer", "part_count"),
    same("operators", "integer", "operator_count"),
    same("trials", "integer", "trial_count"),
    same("interaction_p", "number"),
    same("interaction_pooled", "boolean", "pooled"),
    same("total_variation", "number", "total"),
    same("distinct_categories", "integer", "categories"),
    same("fitness"),
    *(
        same(f"{key}{end}", "number", f"{name}.{part}")
        for key, name in _COMPONENTS
        for end, part in (("", "value"), ("_low", "low"), ("_high", "high"))
    ),
)


def _u_rel(quantity: str) -> Field[StudyResult]:
    def floor(result: StudyResult) -> float | None:
        return next((gauge.u_rel for gauge in result.gauges if gauge.quantity == quantity), None)

    return Field(f"{quantity}_u_rel", floor, help="relative standard uncertainty of one measurement by anybody")


REPEATABILITY: tuple[Field[StudyResult], ...] = (*map(_u_rel, QUANTITIES), listed("studies", GAUGE, "gauges"))

TEMPERATURE: tuple[Field[TemperatureStudy], ...] = (
    Field("percent_per_k", lambda study: 100 * study.slope_per_k),
    Field("percent_per_k_u", lambda study: 100 * study.slope_u_per_k),
    same("reference_c", "number"),
    same("low_c", "number"),
    same("high_c", "number"),
    same("measurements", "integer", "count"),
    same("parts", "integer"),
    Field("scatter_percent", lambda study: 100 * study.scatter_rel),
)

# A tapping with the drift that it is part of, by its number.
TAPPING: tuple[Field[tuple[Drift, int]], ...] = (
    Field("at", lambda at: _time(at[0].points[at[1]].at), "text"),
    Field("temperature_c", lambda at: at[0].points[at[1]].temperature_c, heading="room\n°C", decimals=0),
    Field("frequency_percent", lambda at: at[0].frequency.values[at[1]], heading="frequency\n%", decimals=2, sign=True),
    Field("damping_percent", lambda at: at[0].damping.values[at[1]], heading="damping\n%", decimals=0, sign=True),
    Field("broken_rules", lambda at: at[0].broken_rules(at[1]), "list"),
)

CHART: tuple[Field[Chart], ...] = (
    same("centre_percent", "number", "centre"),
    same("low_percent", "number", "low"),
    same("high_percent", "number", "high"),
    same("moving_range_percent", "number", "range_limit"),
)

DRIFT: tuple[Field[Drift], ...] = (
    same("reference"),
    same("state"),
    Field("points", lambda drift: [document_of(TAPPING, (drift, i)) for i in range(len(drift.points))], "list"),
    Field("frequency_limits", lambda drift: document_of(CHART, drift.frequency), "object"),
    Field("damping_limits", lambda drift: document_of(CHART, drift.damping), "object"),
    same("notes", "list"),
)

_TAPPED = ("frequency_hz", "damping_ratio", "level_db")

# What is stored is the last tapping, and the state that it left.
DRIFT_STORED: tuple[Field[Drift], ...] = (
    same("reference"),
    Field("last", lambda drift: _time(drift.points[-1].at), "text"),
    same("state"),
    Field("temperature_c", lambda drift: drift.points[-1].temperature_c),
    Field("modes", lambda drift: [dict(zip(_TAPPED, mode, strict=True)) for mode in drift.points[-1].modes], "list"),
    Field("frequency_percent", lambda drift: drift.frequency.values[-1]),
    Field("damping_percent", lambda drift: drift.damping.values[-1]),
    Field("points", lambda drift: len(drift.points), "integer"),
    Field("broken_rules", lambda drift: drift.broken_rules(-1), "list"),
)

EFFORT: tuple[Field[Effort], ...] = (
    same("days", "integer", heading="days"),
    same("repeats", "integer"),
    Field("scatter_percent", lambda effort: 100 * effort.scatter, heading="a ski scatters by\n%", decimals=2),
    same("skis_a_group", "integer", "skis"),
    same("measurements", "integer", heading="in all"),
)

PLAN: tuple[Field[Plan], ...] = (
    same("what"),
    Field("difference_percent", lambda plan: 100 * plan.difference),
    Field("power_percent", lambda plan: 100 * plan.power),
    Field("significance_percent", lambda plan: 100 * LIMITS.plan.significance),
    Field("between_percent", lambda plan: 100 * plan.scatter.between),
    Field("repeat_percent", lambda plan: 100 * plan.scatter.repeat),
    Field("day_percent", lambda plan: 100 * plan.scatter.day),
    same("basis"),
    listed("ways", EFFORT, "efforts"),
    same("pair_repeats", "integer"),
)


def _time(at: datetime) -> str:
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")


@dataclass(frozen=True)
class Kind:
    """One kind of result: its document's ``schema``, the fields of its values with those ``before`` and ``after`` them, and
    what is ``stored`` of it where that is something else; nothing is stored of one that is not a ``calibration``."""

    schema: str
    values: tuple[Field[Any], ...]
    before: tuple[Field[Any], ...] = ()
    after: tuple[Field[Any], ...] = ()
    stored: tuple[Field[Any], ...] = ()
    calibration: bool = True


_RECORDINGS, _UNREAD = (same("recordings", "list"),), (same("unread", "list"),)
_STUDY = (same("study", name="path"),)
_PROBLEMS = (Field[Any]("problems", lambda result: map(str, result.problems), "list"),)
_WRITTEN = Field[LearnedConstruction]("construction", lambda learned: str(learned.written), "text")
_WRITTEN_NAME = Field[LearnedConstruction]("construction", lambda learned: Path(learned.written).name, "text")

KINDS = {
    "room": Kind("taptest.room/1", ROOM, _RECORDINGS, _UNREAD),
    "bar": Kind("taptest.bar_result/1", BAR, _RECORDINGS, _UNREAD),
    "suspension": Kind("taptest.suspension/1", SUSPENSION, calibration=False),
    "construction": Kind(
        "taptest.learned-construction/1",
        CONSTRUCTION,
        (_WRITTEN, same("lots", "list")),
        stored=(_WRITTEN_NAME, *CONSTRUCTION),
    ),
    "repeatability": Kind("taptest.repeatability/1", REPEATABILITY, _STUDY, _PROBLEMS),
    "drift": Kind("taptest.drift/1", DRIFT, stored=DRIFT_STORED),
    "temperature": Kind("taptest.temperature/1", TEMPERATURE, _STUDY, _PROBLEMS),
    "plan": Kind("taptest.plan/1", PLAN, calibration=False),
}


def document(kind: str, result: object, stored: Path | None = None) -> Document:
    """A result of one of `KINDS` as the document of ``--json``: its values, and where they were stored."""
    of = KINDS[kind]
    where: Document = {"stored": None if stored is None else str(stored)} if of.calibration else {}
    return {
        "schema": of.schema,
        **document_of(of.before, result),
        **document_of(of.values, result),
        **where,
        **document_of(of.after, result),
    }


def stored_values(kind: str, result: object) -> Document:
    """What a stored calibration of one of `KINDS` holds; see `taptest.calibrate.values` for what is read of it."""
    return document_of(KINDS[kind].stored or KINDS[kind].values, result)
