"""Results as rows of the logbook: what is written, with its id and digest, before anything is written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Table

from taptest.beam.predict import Prediction
from taptest.config.corrections import Citation, Corrections
from taptest.config.settings import RigUncertainty, Settings
from taptest.identify.measure import MeasuredSki
from taptest.identify.measured_lot import MeasuredLot
from taptest.io.recording import Recording
from taptest.logbook.schema import (
    ANALYSES,
    BELOW,
    CALIBRATIONS,
    CHECK_CALIBRATIONS,
    CHECK_GROUPS,
    CHECKS,
    LOTS,
    MODES,
    OPERATORS,
    PAIRS,
    PLACED_MODES,
    PREDICTIONS,
    RECORDINGS,
    SKIS,
    STATIONS,
    TAPS,
    VERDICT_RECORDINGS,
    VERDICTS,
    Row,
    canonical,
    derived_id,
    digest_of,
    stored_values,
)
from taptest.logbook.sounds import StoredSound
from taptest.screen.verdict import CheckResult, SkiVerdict
from taptest.signal.analysis import Analysis
from taptest.ski.facts import SkiFacts
from taptest.tables.lot import Lot

_DIGITS = 9  # of a prediction, where it tells one check from another: more than any construction file has


@dataclass(frozen=True)
class Who:
    """When, where, by whom and with what program something was done."""

    made_utc: datetime
    station: str
    operator: str | None
    software: str

    def columns(self) -> Row:
        operator = None if self.operator is None else derived_id("operator", self.operator)
        station = derived_id("station", self.station)
        return {"made_utc": self.made_utc, "station": station, "operator": operator, "software": self.software}

    def entries(self) -> list[Entry]:
        rows = [plain_entry(STATIONS, "station", self.station, {"name": self.station}, self.made_utc)]
        if self.operator is not None:
            rows.append(plain_entry(OPERATORS, "operator", self.operator, {"name": self.operator}, self.made_utc))
        return rows


@dataclass(frozen=True)
class Entry:
    """A row and, by the names of their tables, the rows that belong to it; entered together or not at all."""

    table: Table
    row: Row
    below: Mapping[str, Sequence[Row]] = field(default_factory=dict)

    @property
    def id(self) -> str:
        return str(self.row["id"])


@dataclass(frozen=True)
class HeardSound:
    """A recording that is kept in the store: what the logbook needs of it, without its samples."""

    stored: StoredSound
    entry: Entry

    @property
    def recorded_utc(self) -> datetime:
        recorded: datetime = self.entry.row["recorded_utc"]
        return recorded


def entry(
    table: Table, row: Mapping[str, Any], below: Mapping[Table, Sequence[Mapping[str, Any]]] | None = None
) -> Entry:
    """A row as it will be stored, with the digest of itself and of the rows below it where its table has one."""
    under = {child.name: [stored_values(child, each) for each in rows] for child, rows in (below or {}).items()}
    stored = stored_values(table, row)
    if table.name in BELOW:
        stored["digest"] = digest_of(table, stored, under)
    return Entry(table, stored, under)


def plain_entry(table: Table, kind: str, name: str, row: Row, made_utc: datetime) -> Entry:
    """A thing that has nothing but a name."""
    return entry(table, {"id": derived_id(kind, name), **row, "made_utc": made_utc})


def ski_entry(ski_id: str, made_utc: datetime) -> Entry:
    """A ski, by what is written on it: the same in every lot and at every station."""
    return plain_entry(SKIS, "ski", ski_id, {"ski_id": ski_id, "folded": ski_id.casefold()}, made_utc)


def settings_text(settings: Settings) -> str:
    """What was listened for, as text that is the same for the same settings."""
    return canonical(asdict(settings))


def analysis_id(sound: str, settings: Settings, software: str) -> str:
    """The same sound, settings and program: the same analysis, at whatever station."""
    return derived_id("analysis", sound, settings_text(settings), software)


def file_id(station: str, path: Path) -> str | None:
    """A file by station, path, size and time of its last change; None where there is no such file."""
    try:
        status = path.stat()
    except OSError:
        return None
    return derived_id("file", station, str(path.absolute()), status.st_size, status.st_mtime_ns)


def recorded_at(path: Path, now: datetime) -> datetime:
    """When a file was last changed, which for a recording is when it was made; now where that is not known or lies ahead."""
    try:
        changed = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    except (OSError, ValueError, OverflowError):
        return now
    return min(changed, now)


def sound_entry(recording: Recording, stored: StoredSound, recorded_utc: datetime, who: Who) -> Entry:
    """A recording; of its path only the file's name is kept."""
    row = {
        "id": stored.sha256,
        "sample_rate_hz": recording.sample_rate_hz,
        "channels": recording.channels,
        "frames": len(recording.samples),
        "bits": stored.bits,
        "file_name": Path(recording.path).name,
        "stored_as": stored.file,
        "flags_json": canonical(recording.flags),
        "recorded_utc": recorded_utc,
        **who.columns(),
    }
    return entry(RECORDINGS, row)


def analysis_entry(
    sound: str,
    analysis: Analysis,
    settings: Settings,
    who: Who,
    *,
    measured_utc: datetime,
    ski_id: str | None,
    supersedes: str | None,
) -> Entry:
    """What was heard in a recording, with its taps and modes."""
    own = analysis_id(sound, settings, who.software)
    hum = analysis.noise.hum
    row = {
        "id": own,
        "recording": sound,
        "ski": None if ski_id is None else derived_id("ski", ski_id),
        "settings_json": settings_text(settings),
        "channel": analysis.channel,
        "tap_count": len(analysis.taps),
        "taps_good": len(analysis.accepted),
        "mode_count": len(analysis.modes),
        "record_s": analysis.record_s,
        "hum_hz_json": canonical([] if hum is None else [float(line) for line in hum.lines_hz]),
        "flags_json": canonical(analysis.flags),
        "measured_utc": measured_utc,
        "supersedes": supersedes,
        **who.columns(),
    }
    taps = [
        {
            "analysis": own,
            "number": number,
            **_named(tap, "onset start stop silence snr_db ring_s"),
            "reasons_json": canonical(tap.reasons),
        }
        for number, tap in enumerate(analysis.taps, 1)
    ]
    modes = [
        {
            "analysis": own,
            "number": number,
            **_named(mode, "frequency_hz frequency_u_hz damping_ratio damping_ratio_u level_db taps"),
            "flags_json": canonical(mode.flags),
        }
        for number, mode in enumerate(analysis.modes, 1)
    ]
    return entry(ANALYSES, row, {TAPS: taps, MODES: modes})


@dataclass(frozen=True)
class CheckParts:
    """A check as it was made: everything that its rows are made of. ``sounds`` by the id of the ski."""

    result: CheckResult
    lot: Lot
    sounds: Mapping[str, Sequence[HeardSound]]
    settings: Settings
    rig: RigUncertainty
    corrections: Corrections
    measured: MeasuredLot | None
    at: datetime | None


def check_entries(parts: CheckParts, who: Who) -> tuple[list[Entry], Entry, list[Entry]]:
    """What a check refers to (lot, skis, pairs, calibrations), the check, and its verdicts, without what they supersede.

    A check is known by the lot, the sounds, the settings, the calibrations, the program and what came out; made twice, it is
    the same check.
    """
    rows = {row.ski_id: row for row in parts.lot.rows}
    lot = _lot_entry(parts.lot, who)
    calibrations = [_calibration_entry(each, who.made_utc) for each in parts.result.calibrations]
    known_by = [
        [ski.ski_id, _sounds_key(parts.sounds.get(ski.ski_id, ())), ski.verdict, _rounded(ski.predicted_hz)]
        for ski in parts.result.skis
    ]
    told = [
        settings_text(parts.settings),
        asdict(parts.rig),
        parts.result.budget,
        sorted(each.id for each in calibrations),
    ]
    own = derived_id("check", lot.id, known_by, told, who.software)
    skis = [ski_entry(ski.ski_id, who.made_utc) for ski in parts.result.skis]
    pair_ids = sorted({ski.pair_id for ski in parts.result.skis if ski.pair_id})
    pairs = [plain_entry(PAIRS, "pair", name, {"pair_id": name}, who.made_utc) for name in pair_ids]
    measured = {} if parts.measured is None else {each.row.ski_id: each for each in parts.measured.skis}
    verdicts = [
        _verdict_entry(own, ski, rows[ski.ski_id], measured.get(ski.ski_id), parts, who)
        for ski in parts.result.skis
        if ski.ski_id in rows
    ]
    return [lot, *skis, *pairs, *calibrations], _check_entry(own, lot.id, parts, who), verdicts


def superseding(verdict: Entry, before: str) -> Entry:
    """The same verdict, naming the one that it replaces; "" for none."""
    if not before:
        return verdict
    row = {**verdict.row, "supersedes": before}
    return replace(verdict, row={**row, "digest": digest_of(verdict.table, row, verdict.below)})


def _lot_entry(lot: Lot, who: Who) -> Entry:
    # Where in the table a ski stands and what its files are called does not matter: a check names the sounds themselves.
    contents = [{**asdict(row), "recordings": [], "line": 0} for row in lot.rows]
    own = derived_id("lot", lot.path.name, contents)
    return entry(LOTS, {"id": own, "name": lot.path.name, "ski_count": len(lot.rows), **who.columns()})


def _calibration_entry(citation: Citation, made_utc: datetime) -> Entry:
    own = _calibration_id(citation)
    row = {
        "id": own,
        "kind": citation.kind,
        "file": citation.file,
        "calibrated_utc": citation.made,
        "made_utc": made_utc,
    }
    return entry(CALIBRATIONS, row)


def _calibration_id(citation: Citation) -> str:
    return derived_id("calibration", citation.kind, citation.made.astimezone(UTC).isoformat(), citation.file)


def _check_entry(own: str, lot: str, parts: CheckParts, who: Who) -> Entry:
    result, corrections = parts.result, parts.corrections
    row = {
        "id": own,
        "lot": lot,
        "settings_json": settings_text(parts.settings),
        "notes_json": canonical(result.notes),
        "problems_json": canonical([asdict(problem) for problem in result.problems]),
        "unread_json": canonical(result.unread),
        "budget": result.budget,
        "stiffness_u_rel": parts.rig.stiffness_u_rel,
        "mass_u_rel": parts.rig.mass_u_rel,
        "clock_factor": corrections.clock_factor,
        "clock_u_rel": corrections.clock_u_rel,
        "frequency_floor_u_rel": corrections.floor.frequency_u_rel,
        "damping_floor_u_rel": corrections.floor.damping_u_rel,
        "shift_floor_u_rel": corrections.floor.shift_u_rel,
        **who.columns(),
    }
    groups = [
        {
            "lot_check": own,
            "number": number,
            **_named(group, "construction length_class binding basis centre_percent spread_percent limit_percent"),
            "ski_count": group.count,
            "ski_ids_json": canonical(group.ski_ids),
        }
        for number, group in enumerate(result.groups)
    ]
    cited = [
        {"lot_check": own, "calibration": _calibration_id(each), "effect": each.effect} for each in result.calibrations
    ]
    return entry(CHECKS, row, {CHECK_GROUPS: groups, CHECK_CALIBRATIONS: cited})


_OF_ROW = (
    "side generation construction note line length_m mass_kg stiffness_n_per_m span_m rig_centre_m balance_m "
    "binding_mass_kg binding_m temperature_c"
)
_OF_VERDICT = (
    "construction_name predicted_hz predicted_u_hz measured_hz measured_u_hz deviation_percent deviation_u_percent "
    "damping_ratio damping_ratio_u unevenness score shift_percent shift_u_percent shift_limit_percent first_heard "
    "taps_good taps_found verdict"
)
_OF_PLACED = "family frequency_hz frequency_u_hz damping_ratio damping_ratio_u level_db predicted_hz probability"


def _verdict_entry(
    check: str, ski: SkiVerdict, row: SkiFacts, measured: MeasuredSki | None, parts: CheckParts, who: Who
) -> Entry:
    own = derived_id("verdict", check, ski.ski_id)
    sounds = parts.sounds.get(ski.ski_id, ())
    measured_utc = parts.at or max((each.recorded_utc for each in sounds), default=who.made_utc)
    values = {
        "id": own,
        "lot_check": check,
        "ski": derived_id("ski", ski.ski_id),
        "pair": derived_id("pair", ski.pair_id) if ski.pair_id else None,
        "measured_utc": measured_utc,
        "made_utc": who.made_utc,
        "group_number": ski.group,
        **_named(row, _OF_ROW),
        "frequencies_at_c": row.temperature_c if measured is None else measured.left_c,
        **_named(ski, _OF_VERDICT),
        "reasons_json": canonical(ski.reasons),
        "statistics_json": canonical([_finite(asdict(each)) for each in ski.statistics]),
        "sounds_key": _sounds_key(sounds),
    }
    placed = [
        {
            "verdict": own,
            "number": number,
            "mode_order": mode.order,
            **_named(mode, _OF_PLACED),
            "flags_json": canonical(mode.flags),
        }
        for number, mode in enumerate(ski.modes, 1)
    ]
    prediction = None if measured is None else measured.prediction
    below = {
        PLACED_MODES: placed,
        PREDICTIONS: _predictions(own, ski, prediction),
        VERDICT_RECORDINGS: [
            {"verdict": own, "recording": sha256} for sha256 in sorted({each.stored.sha256 for each in sounds})
        ],
    }
    return entry(VERDICTS, values, below)


def _predictions(verdict: str, ski: SkiVerdict, prediction: Prediction | None) -> list[Row]:
    told: list[tuple[str, int, float, float | None]] = []
    if prediction is not None:
        told += [("bending", n, hz, prediction.u_hz(n)) for n, hz in enumerate(prediction.bending_hz, 1)]
        told += [("torsion", n, hz, None) for n, hz in enumerate(prediction.torsion_hz or (), 1)]
    elif ski.predicted_hz is not None:
        told.append(("bending", 1, ski.predicted_hz, ski.predicted_u_hz))
    return [
        {
            "verdict": verdict,
            "number": number,
            "family": family,
            "mode_order": n,
            "frequency_hz": hz,
            "frequency_u_hz": u,
        }
        for number, (family, n, hz, u) in enumerate(told, 1)
    ]


def _sounds_key(sounds: Sequence[HeardSound]) -> str:
    return derived_id("sounds", sorted({each.stored.sha256 for each in sounds})) if sounds else ""


def _rounded(value: float | None) -> str | None:
    return None if value is None else f"{value:.{_DIGITS}g}"


def _finite(values: Row) -> Row:
    return {name: None if isinstance(value, float) and value - value != 0 else value for name, value in values.items()}


def _named(thing: object, names: str) -> Row:
    return {name: getattr(thing, name) for name in names.split()}
