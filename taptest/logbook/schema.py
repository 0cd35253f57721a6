"""The tables of the logbook, the same for SQLite and PostgreSQL, and how values become what is stored.

Ids are text that two stations never give to different things: derived from the contents (`derived_id`), so that logbooks
merge without renumbering and what was entered twice is there once. No row is ever changed; ``supersedes`` names the row
that a later one replaces. Times are UTC. What is not known is NULL, never NaN. Columns that end in ``_json`` hold JSON as
`canonical` writes it. ``digest`` is of the row together with the rows below it (`digest_of`), so that damage shows.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    DateTime,
    Dialect,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)

METADATA = MetaData()

Row = dict[str, Any]


class UtcTime(TypeDecorator[datetime]):
    """A time with its zone on this side, UTC on the other; SQLite keeps it as text without a zone."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def _own_id(length: int = 32) -> Column[str]:
    return Column("id", String(length), primary_key=True)


def _to(name: str, target: str, *, length: int = 32, needed: bool = True, part: bool = False) -> Column[str]:
    """A reference to the row of another table; as ``part`` of the key it belongs to that row."""
    return Column(name, String(length), ForeignKey(f"{target}.id"), primary_key=part, nullable=not needed)


def _number() -> Column[int]:
    return Column("number", Integer, primary_key=True, autoincrement=False)


def _values(kind: Any, names: str, *, needed: bool = False) -> list[Column[Any]]:
    return [Column(name, kind, nullable=not needed) for name in names.split()]


def _texts(names: str, *, needed: bool = True) -> list[Column[Any]]:
    return _values(Text, names, needed=needed)


def _reals(names: str) -> list[Column[Any]]:
    return _values(Double, names)


def _times(names: str) -> list[Column[Any]]:
    return _values(UtcTime, names, needed=True)


def _who() -> list[Column[Any]]:
    """When, where, by whom and with what a row was made."""
    return [
        *_times("made_utc"),
        _to("station", "stations"),
        _to("operator", "operators", needed=False),
        *_texts("software"),
    ]


META = Table("meta", METADATA, Column("name", String(40), primary_key=True), *_texts("value"))
STATIONS = Table("stations", METADATA, _own_id(), *_texts("name"), *_times("made_utc"))
OPERATORS = Table("operators", METADATA, _own_id(), *_texts("name"), *_times("made_utc"))
SKIS = Table(
    "skis",
    METADATA,
    _own_id(),
    *_texts("ski_id folded"),
    *_times("made_utc"),
    Index("skis_by_folded", "folded"),
)
PAIRS = Table("pairs", METADATA, _own_id(), *_texts("pair_id"), *_times("made_utc"))
LOTS = Table("lots", METADATA, _own_id(), *_texts("name"), *_values(Integer, "ski_count", needed=True), *_who())
RECORDINGS = Table(
    "recordings",
    METADATA,
    _own_id(64),  # the sound's SHA-256
    *_values(Integer, "sample_rate_hz channels frames", needed=True),
    *_values(Integer, "bits"),  # of whole-number samples; NULL for floating point
    *_texts("file_name stored_as flags_json"),
    *_times("recorded_utc"),
    *_who(),
    *_texts("digest"),
)
# A file that was seen: so that it need not be decoded again to be known.
FILES = Table("files", METADATA, _own_id(), _to("recording", "recordings", length=64), *_times("made_utc"))
ANALYSES = Table(
    "analyses",
    METADATA,
    _own_id(),
    _to("recording", "recordings", length=64),
    _to("ski", "skis", needed=False),
    *_texts("settings_json"),
    *_values(Integer, "channel tap_count taps_good mode_count", needed=True),
    *_reals("record_s"),
    *_texts("hum_hz_json flags_json"),
    *_times("measured_utc"),
    _to("supersedes", "analyses", needed=False),
    *_who(),
    *_texts("digest"),
    Index("analyses_by_recording", "recording", "made_utc"),
    Index("analyses_by_ski", "ski", "measured_utc"),
)
TAPS = Table(
    "taps",
    METADATA,
    _to("analysis", "analyses", part=True),
    _number(),
    *_values(Integer, "onset start stop silence", needed=True),
    *_reals("snr_db ring_s"),
    *_texts("reasons_json"),
    sqlite_with_rowid=False,
)
MODES = Table(
    "modes",
    METADATA,
    _to("analysis", "analyses", part=True),
    _number(),
    *_reals("frequency_hz frequency_u_hz damping_ratio damping_ratio_u level_db"),
    *_values(Integer, "taps", needed=True),
    *_texts("flags_json"),
    sqlite_with_rowid=False,
)
CALIBRATIONS = Table("calibrations", METADATA, _own_id(), *_texts("kind file"), *_times("calibrated_utc made_utc"))
CHECKS = Table(
    "checks",
    METADATA,
    _own_id(),
    _to("lot", "lots"),
    *_texts("settings_json notes_json problems_json unread_json"),
    *_reals("budget stiffness_u_rel mass_u_rel clock_factor clock_u_rel"),
    *_reals("frequency_floor_u_rel damping_floor_u_rel shift_floor_u_rel"),
    *_who(),
    *_texts("digest"),
    Index("checks_by_lot", "lot", "made_utc"),
)
CHECK_CALIBRATIONS = Table(
    "check_calibrations",
    METADATA,
    _to("lot_check", "checks", part=True),
    _to("calibration", "calibrations", part=True),
    *_texts("effect"),
)
CHECK_GROUPS = Table(
    "check_groups",
    METADATA,
    _to("lot_check", "checks", part=True),
    _number(),
    *_texts("construction length_class binding basis ski_ids_json"),
    *_values(Integer, "ski_count", needed=True),
    *_reals("centre_percent spread_percent limit_percent"),
    sqlite_with_rowid=False,
)
VERDICTS = Table(
    "verdicts",
    METADATA,
    _own_id(),
    _to("lot_check", "checks"),
    _to("ski", "skis"),
    _to("pair", "pairs", needed=False),
    *_times("measured_utc made_utc"),
    *_values(Integer, "line group_number"),
    *_texts("side generation construction_name", needed=False),
    *_texts("construction note"),
    *_reals("length_m mass_kg stiffness_n_per_m span_m rig_centre_m balance_m binding_mass_kg binding_m temperature_c"),
    *_reals("frequencies_at_c"),  # the temperature that the frequencies belong to: corrected ones to the reference
    *_reals("predicted_hz predicted_u_hz measured_hz measured_u_hz deviation_percent deviation_u_percent"),
    *_reals("damping_ratio damping_ratio_u unevenness score shift_percent shift_u_percent shift_limit_percent"),
    *_values(Boolean, "first_heard", needed=True),
    *_values(Integer, "taps_good taps_found", needed=True),
    *_texts("verdict reasons_json statistics_json"),
    *_texts("sounds_key"),  # of the set of its recordings: a later verdict on the same sounds supersedes this one
    _to("supersedes", "verdicts", needed=False),
    *_texts("digest"),
    Index("verdicts_by_ski", "ski", "measured_utc", "made_utc", "id"),
    Index("verdicts_by_time", "measured_utc", "made_utc", "id"),
    Index("verdicts_by_check", "lot_check"),
    Index("verdicts_by_pair", "pair"),
    Index("verdicts_by_supersedes", "supersedes"),
)
VERDICT_RECORDINGS = Table(
    "verdict_recordings",
    METADATA,
    _to("verdict", "verdicts", part=True),
    _to("recording", "recordings", length=64, part=True),
    Index("verdict_recordings_by_recording", "recording"),
)
PLACED_MODES = Table(
    "placed_modes",
    METADATA,
    _to("verdict", "verdicts", part=True),
    _number(),
    *_texts("family"),
    Column("mode_order", Integer),
    *_reals("frequency_hz frequency_u_hz damping_ratio damping_ratio_u level_db predicted_hz probability"),
    *_texts("flags_json"),
    sqlite_with_rowid=False,
)
PREDICTIONS = Table(
    "predictions",
    METADATA,
    _to("verdict", "verdicts", part=True),
    _number(),
    *_texts("family"),
    Column("mode_order", Integer, nullable=False),
    *_reals("frequency_hz frequency_u_hz"),
    sqlite_with_rowid=False,
)

# What belongs to a row and is digested with it, by the column that names that row; calibrations and sounds are named only.
BELOW: dict[str, tuple[tuple[Table, str], ...]] = {
    "recordings": (),
    "analyses": ((TAPS, "analysis"), (MODES, "analysis")),
    "checks": ((CHECK_GROUPS, "lot_check"), (CHECK_CALIBRATIONS, "lot_check")),
    "verdicts": ((PLACED_MODES, "verdict"), (PREDICTIONS, "verdict"), (VERDICT_RECORDINGS, "verdict")),
}


def canonical(value: object) -> str:
    """JSON that is the same text for the same value everywhere: sorted keys, no blanks, ASCII, no NaN.

    Raises:
        ValueError: NaN or an infinity in it.
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def derived_id(kind: str, *parts: object) -> str:
    """The id of a thing that is known by its contents: 32 hexadecimal digits (128 bits) of a SHA-256."""
    return hashlib.sha256(canonical([kind, *parts]).encode("ascii")).hexdigest()[:32]


def stored_values(table: Table, row: Mapping[str, Any]) -> Row:
    """A row with all of its columns, as it comes back from either database: finite reals, UTC, no character that one refuses.

    Raises:
        KeyError: a name that is no column.
    """
    unknown = sorted(row.keys() - table.columns.keys())
    if unknown:
        raise KeyError(f"{table.name} has no column {', '.join(unknown)}")
    return {column.name: _stored(column, row.get(column.name)) for column in table.columns}


def _stored(column: Column[Any], value: Any) -> Any:
    if value is None:
        return None
    kind = column.type
    if isinstance(kind, Double):
        return float(value) if math.isfinite(value) else None
    if isinstance(kind, UtcTime):
        return value.astimezone(UTC)
    if isinstance(kind, Boolean):
        return bool(value)
    if isinstance(kind, Integer):
        return int(value)
    # PostgreSQL takes no zero byte, and a file name may hold bytes that are no UTF-8.
    return str(value).replace("\0", "�").encode("utf-8", "replace").decode("utf-8")


def digest_of(table: Table, row: Mapping[str, Any], below: Mapping[str, Sequence[Mapping[str, Any]]]) -> str:
    """SHA-256 of a stored row and of the rows below it, by the names of their tables; in whatever order they come.

    What is not known does not count, so a column that a later schema adds leaves it as it was.
    """
    parts: dict[str, object] = {"": _known(row)}
    for child, _ in BELOW[table.name]:
        key = [column.name for column in child.primary_key.columns]
        ordered = sorted(below.get(child.name, ()), key=lambda each: tuple(each[name] for name in key))
        if ordered:
            parts[child.name] = [_known(each) for each in ordered]
    return hashlib.sha256(canonical(parts).encode("ascii")).hexdigest()


def _known(row: Mapping[str, Any]) -> dict[str, object]:
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in row.items()
        if value is not None and name != "digest"
    }
