"""Results as rows of the logbook: what is written, with its id and digest, before anything is written.

Rows are made by name: a column is taken from the attribute of the same name of what is entered (see `row_of`), so that only
what is called otherwise or put together is said here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, is_dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, select

from taptest.archive.run import listening_document
from taptest.beam.predict import Prediction
from taptest.config.corrections import Citation
from taptest.config.settings import Settings
from taptest.core.fields import document_of
from taptest.core.messages import Message, codes
from taptest.logbook import schema
from taptest.logbook.schema import BELOW, Row, below, canonical, derived_id, digest_of, stored_values
from taptest.logbook.sounds import StoredSound
from taptest.screen.result import CheckResult
from taptest.signal.analysis import Analysis
from taptest.ski.fields import SKI_FIELDS, TEST_FIELDS
from taptest.ski.record import Ski
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
        station = named_entry(schema.STATIONS, self.made_utc, name=self.station)
        return [station] + (
            [] if self.operator is None else [named_entry(schema.OPERATORS, self.made_utc, name=self.operator)]
        )


@dataclass(frozen=True)
class Entry:
    """A row and, by the names of their tables, the rows that belong to it; entered together or not at all."""

    table: Table
    row: Row
    below: Mapping[str, Sequence[Row]] = field(default_factory=dict)

    @property
    def id(self) -> str:
        return str(self.row["id"])

    def with_id(self, own: str, **changes: Any) -> Entry:
        """The same row under an id of its own and with other values, and the digest of that."""
        columns = {child.name: column for child, column in below(self.table)}
        under = {name: [{**each, columns[name]: own} for each in rows] for name, rows in self.below.items()}
        row = {**self.row, **changes, "id": own}
        return Entry(self.table, {**row, "digest": digest_of(self.table, row, under)}, under)


def entry(table: Table, row: Mapping[str, Any], under: Mapping[Table, Sequence[Row]] | None = None) -> Entry:
    """A row as it will be stored, with the digest of itself and of the rows below it where its table has one."""
    parts = {child.name: [stored_values(child, each) for each in rows] for child, rows in (under or {}).items()}
    stored = stored_values(table, row)
    if table.name in BELOW:
        stored["digest"] = digest_of(table, stored, parts)
    return Entry(table, stored, parts)


@dataclass(frozen=True)
class Finding:
    """Something to be named of a logbook: what is damaged in it, or of what two of them say different things."""

    where: str  # a table, "sounds" or "database"; of a merge "ski", "analysis", "check" or "verdict"
    id: str
    told: str


def row_of(table: Table, *things: object, **given: Any) -> Row:
    """A row: what is ``given``, and every other column from the first thing that has an attribute of its name.

    A column ``x_json`` holds the attribute ``x``; numbers in it that are not finite are null.

    Raises:
        AttributeError: a column of which nobody says anything.
    """
    row = dict(given)
    for name in table.columns.keys() - given.keys() - {"digest"}:
        attribute = name.removesuffix("_json")
        thing = next((each for each in things if hasattr(each, attribute)), things[-1])
        value = getattr(thing, attribute)
        row[name] = value if attribute == name else canonical(_plain(value))
    return row


def _plain(value: Any) -> Any:
    if isinstance(value, Message):
        return str(value)
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and value - value != 0 else value


_KINDS = {"stations": "station", "operators": "operator", "skis": "ski", "pairs": "pair", "calibrations": "calibration"}


def named_entry(table: Table, made_utc: datetime, **named: Any) -> Entry:
    """A thing that is known by its name alone: the same in every lot and at every station."""
    return entry(table, {**named, "id": _named_id(table, named), "made_utc": made_utc})


def named_rightly(table: Table, row: Mapping[str, Any]) -> bool:
    """Whether a thing that is known by its name alone has the id that belongs to that name."""
    if table is schema.SKIS and row["folded"] != row["ski_id"].casefold():
        return False
    return table.name not in _KINDS or bool(row["id"] == _named_id(table, row))


def _named_id(table: Table, row: Mapping[str, Any]) -> str:
    if table is schema.CALIBRATIONS:
        made = row["calibrated_utc"].astimezone(UTC).isoformat()
        return derived_id("calibration", row["kind"], made, row["file"])
    name = next(row[name] for name in ("name", "ski_id", "pair_id") if name in table.columns)
    return derived_id(_KINDS[table.name], name)


def ski_entry(ski_id: str, made_utc: datetime) -> Entry:
    """A ski, by what is written on it."""
    return named_entry(schema.SKIS, made_utc, ski_id=ski_id, folded=ski_id.casefold())


def settings_text(settings: Settings) -> str:
    """How was listened, as text that is the same for the same settings; how was judged, a check says itself."""
    return canonical(listening_document(settings))


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
        return min(datetime.fromtimestamp(path.stat().st_mtime, UTC), now)
    except (OSError, ValueError, OverflowError):
        return now


def sound_entry(stored: StoredSound, recorded_utc: datetime, who: Who) -> Entry:
    """A recording; of its path only the file's name is kept."""
    made = row_of(
        schema.RECORDINGS,
        stored,
        id=stored.sha256,
        file_name=Path(stored.path).name,
        stored_as=stored.file,
        recorded_utc=recorded_utc,
        **who.columns(),
    )
    return entry(schema.RECORDINGS, made)


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
    row = row_of(
        schema.ANALYSES,
        analysis,
        id=own,
        recording=sound,
        ski=None if ski_id is None else derived_id("ski", ski_id),
        settings_json=settings_text(settings),
        tap_count=len(analysis.taps),
        taps_good=len(analysis.accepted),
        mode_count=len(analysis.modes),
        hum_hz_json=canonical([] if hum is None else [float(line) for line in hum.lines_hz]),
        measured_utc=measured_utc,
        supersedes=supersedes,
        **who.columns(),
    )
    parts = {
        table: [row_of(table, each, analysis=own, number=number) for number, each in enumerate(some, 1)]
        for table, some in ((schema.TAPS, analysis.taps), (schema.MODES, analysis.modes))
    }
    return entry(schema.ANALYSES, row, parts)


def check_entries(
    result: CheckResult, sounds: Mapping[str, Sequence[Entry]], at: datetime | None, who: Who
) -> tuple[list[Entry], Entry, list[Entry]]:
    """What a check refers to (lot, skis, pairs, calibrations), the check, and its verdicts, without what they supersede.

    A check is known by the lot, the sounds, the settings, the calibrations, the program and what came out; made twice, it is
    the same check.

    Args:
        result: what was judged.
        sounds: its recordings, by the id of the ski.
        at: when the skis were measured; otherwise when their recordings were made.
        who: enters it.
    """
    made_utc, settings = who.made_utc, result.settings
    lot = _lot_entry(result.lot, who)
    calibrations = [_calibration_entry(each, made_utc) for each in result.calibrations]
    known_by = [
        [ski.ski_id, _sounds_key(sounds.get(ski.ski_id, ())), ski.verdict, _rounded(ski.predicted_hz)]
        for ski in result.skis
    ]
    judged_with = [asdict(settings.rig), settings.false_alarm_rate, sorted(each.id for each in calibrations)]
    own = derived_id("check", lot.id, known_by, settings_text(settings), judged_with, who.software)
    pairs = [
        named_entry(schema.PAIRS, made_utc, pair_id=name)
        for name in sorted({ski.pair_id for ski in result.skis if ski.pair_id})
    ]
    skis = [ski_entry(ski.ski_id, made_utc) for ski in result.skis]
    verdicts = [_verdict_entry(own, ski, sounds.get(ski.ski_id, ()), at, who) for ski in result.skis]
    return [lot, *skis, *pairs, *calibrations], _check_entry(own, lot.id, result, who), verdicts


def _lot_entry(lot: Lot, who: Who) -> Entry:
    # Where in the table a ski stands and what its files are called does not matter: a check names the sounds themselves.
    contents = [asdict(replace(row, recordings=(), line=0)) for row in lot.rows]
    own = derived_id("lot", lot.path.name, contents)
    return entry(schema.LOTS, {"id": own, "name": lot.path.name, "ski_count": len(lot.rows), **who.columns()})


def _calibration_entry(citation: Citation, made_utc: datetime) -> Entry:
    named = {"kind": citation.kind, "file": citation.file, "calibrated_utc": citation.made}
    return named_entry(schema.CALIBRATIONS, made_utc, **named)


def _check_entry(own: str, lot: str, result: CheckResult, who: Who) -> Entry:
    settings = result.settings
    floor = settings.corrections.floor
    row = row_of(
        schema.CHECKS,
        result,
        settings,
        settings.rig,
        settings.corrections,
        id=own,
        lot=lot,
        settings_json=settings_text(settings),
        frequency_floor_u_rel=floor.frequency_u_rel,
        damping_floor_u_rel=floor.damping_u_rel,
        shift_floor_u_rel=floor.shift_u_rel,
        **who.columns(),
    )
    groups = [
        row_of(schema.CHECK_GROUPS, group, lot_check=own, number=number, ski_count=group.count)
        for number, group in enumerate(result.groups)
    ]
    cited = [
        row_of(schema.CHECK_CALIBRATIONS, each, lot_check=own, calibration=_calibration_entry(each, who.made_utc).id)
        for each in result.calibrations
    ]
    return entry(schema.CHECKS, row, {schema.CHECK_GROUPS: groups, schema.CHECK_CALIBRATIONS: cited})


def _verdict_entry(check: str, ski: Ski, sounds: Sequence[Entry], at: datetime | None, who: Who) -> Entry:
    own = derived_id("verdict", check, ski.ski_id)
    row = row_of(
        schema.VERDICTS,
        ski.facts,
        ski,
        id=own,
        lot_check=check,
        ski=derived_id("ski", ski.ski_id),
        pair=derived_id("pair", ski.pair_id) if ski.pair_id else None,
        measured_utc=at or max((each.row["recorded_utc"] for each in sounds), default=who.made_utc),
        made_utc=who.made_utc,
        frequencies_at_c=ski.evidence.at_c,
        reason_codes_json=canonical(codes(ski.reasons)),
        statistics_json=canonical([document_of(TEST_FIELDS, each) for each in ski.tests]),
        sounds_key=_sounds_key(sounds),
        supersedes=None,
        **{each.logbook: each.get(ski) for each in SKI_FIELDS if each.logbook},
    )
    placed = [
        row_of(schema.PLACED_MODES, mode, verdict=own, number=number, mode_order=mode.order)
        for number, mode in enumerate(ski.modes, 1)
    ]
    recordings = [{"verdict": own, "recording": sha256} for sha256 in sorted({each.id for each in sounds})]
    under = {
        schema.PLACED_MODES: placed,
        schema.PREDICTIONS: _predictions(own, ski.prediction),
        schema.VERDICT_RECORDINGS: recordings,
    }
    return entry(schema.VERDICTS, row, under)


def _predictions(verdict: str, prediction: Prediction | None) -> list[Row]:
    if prediction is None:
        return []
    bending = [("bending", n, hz, prediction.u_hz(n)) for n, hz in enumerate(prediction.bending_hz, 1)]
    torsion = [("torsion", n, hz, None) for n, hz in enumerate(prediction.torsion_hz or (), 1)]
    names = ("verdict", "number", "family", "mode_order", "frequency_hz", "frequency_u_hz")
    return [
        dict(zip(names, (verdict, number, *each), strict=True)) for number, each in enumerate([*bending, *torsion], 1)
    ]


def _sounds_key(sounds: Sequence[Entry]) -> str:
    return derived_id("sounds", sorted({each.id for each in sounds})) if sounds else ""


def _rounded(value: float | None) -> str | None:
    return None if value is None else f"{value:.{_DIGITS}g}"


# --- rows as they are stored -------------------------------------------------------------------------------------------

# Who entered a thing, when and after what: the same thing entered twice differs in these, and the first one stands.
_ENTERED = {"id", "made_utc", "station", "operator", "software", "supersedes", "digest"}
# When an analysed file was made is known from the file's date, which a copy may lose; that of a verdict counts.
_NOT_COMPARED = {
    "analyses": {*_ENTERED, "measured_utc"},
    "checks": {*_ENTERED, "problems_json", "unread_json"},
    "verdicts": {*_ENTERED, "line"},
}
_SAME_DIGITS = 6  # more than any measurement has, and far from what rounding changes


def entries(connection: Connection, table: Table, wanted: Sequence[str]) -> list[Entry]:
    """Rows with what is below them, in the order in which they are wanted; at most as many as one statement takes."""
    rows = {row["id"]: dict(row) for row in connection.execute(select(table).where(table.c.id.in_(wanted))).mappings()}
    under: dict[str, dict[str, list[Row]]] = {own: {} for own in rows}
    for child, column in below(table):
        for row in connection.execute(select(child).where(child.c[column].in_(wanted))).mappings():
            if row[column] in under:
                under[row[column]].setdefault(child.name, []).append(dict(row))
    return [Entry(table, rows[own], under[own]) for own in wanted if own in rows]


def is_as_entered(each: Entry) -> bool:
    """Whether a row and what is below it are what was entered: by its digest, or by the id that belongs to its name."""
    try:
        if each.table.name in BELOW:
            return bool(digest_of(each.table, each.row, each.below) == each.row["digest"])
        return named_rightly(each.table, each.row)
    except (TypeError, ValueError, AttributeError, OverflowError):  # what is no number, text or time any more
        return False


def core_of(each: Entry) -> str | None:
    """SHA-256 of what a row says, whoever entered it and under which id; None where the id alone says it all."""
    apart = _NOT_COMPARED.get(each.table.name)
    if apart is None:
        return None
    row = {name: _nearly(value) for name, value in each.row.items() if name not in apart}
    columns = {child.name: column for child, column in below(each.table)}
    under = {
        name: [{**{key: _nearly(value) for key, value in one.items()}, columns[name]: ""} for one in rows]
        for name, rows in each.below.items()
    }
    return digest_of(each.table, row, under)


def _nearly(value: Any) -> Any:
    """Two computers compute the last digits of the same thing differently."""
    return float(f"{value:.{_SAME_DIGITS}g}") if isinstance(value, float) else value
