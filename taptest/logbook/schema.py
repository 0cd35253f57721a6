"""The tables of the logbook, the same for SQLite and PostgreSQL, and how values become what is stored.

Everything follows from these tables: rows are made by the names of their columns (`taptest.logbook.rows.row_of`), read by them
(`taptest.logbook.reading.query`), exported and imported with the kinds that they have here. A column ends with its unit; one
that ends in ``_json`` holds JSON as `canonical` writes it.

Ids are text that two stations never give to different things: derived from the contents (`derived_id`), so that logbooks
merge without renumbering and what was entered twice is there once. No row is ever changed; ``supersedes`` names the row
that a later one replaces. Times are UTC. What is not known is NULL, never NaN. ``digest`` is of the row together with the
rows below it (`digest_of`), so that damage shows.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
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

from taptest.ski.fields import SKI_FIELDS

METADATA = MetaData()

Row = dict[str, Any]
Columns = list[Column[Any]]


class UtcTime(TypeDecorator[datetime]):
    """A time with its zone on this side, UTC on the other; SQLite keeps it as text without a zone.

    Damaged text comes back as it is, so that one bad row does not keep the others from being read.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any]:
        return _time_of_text if dialect.name == "sqlite" else _time_in_utc


def _time_of_text(value: Any) -> Any:
    try:
        return None if value is None else datetime.fromisoformat(value).replace(tzinfo=UTC)
    except (ValueError, TypeError):
        return value


def _time_in_utc(value: datetime | None) -> datetime | None:
    return None if value is None else value.astimezone(UTC)


def _own_id(length: int = 32) -> Columns:
    return [Column("id", String(length), primary_key=True)]


def _to(name: str, target: str, *, length: int = 32, needed: bool = True, part: bool = False) -> Columns:
    """A reference to the row of another table; as ``part`` of the key it belongs to that row."""
    return [Column(name, String(length), ForeignKey(f"{target}.id"), primary_key=part, nullable=not needed)]


def _part_of(name: str, target: str) -> Columns:
    """The key of a row that belongs to another one, among others like it."""
    return [*_to(name, target, part=True), Column("number", Integer, primary_key=True, autoincrement=False)]


def _values(kind: Any, names: str, *, needed: bool = True) -> Columns:
    return [Column(name, kind, nullable=not needed) for name in names.split()]


def _texts(names: str, *, needed: bool = True) -> Columns:
    return _values(Text, names, needed=needed)


def _reals(names: str) -> Columns:
    return _values(Double, names, needed=False)


def _whole(names: str, *, needed: bool = True) -> Columns:
    return _values(Integer, names, needed=needed)


def _times(names: str) -> Columns:
    return _values(UtcTime, names)


def _who() -> Columns:
    """When, where, by whom and with what a row was made."""
    station, operator = _to("station", "stations"), _to("operator", "operators", needed=False)
    return [*_times("made_utc"), *station, *operator, *_texts("software")]


def _table(name: str, *columns: Columns, indexes: Mapping[str, str] | None = None, with_rowid: bool = True) -> Table:
    """``indexes``: by the end of their names the columns that they are of."""
    made = [Index(f"{name}_by_{of}", *names.split()) for of, names in (indexes or {}).items()]
    return Table(name, METADATA, *(each for some in columns for each in some), *made, sqlite_with_rowid=with_rowid)


META = _table("meta", [Column("name", String(40), primary_key=True)], _texts("value"))
STATIONS = _table("stations", _own_id(), _texts("name"), _times("made_utc"))
OPERATORS = _table("operators", _own_id(), _texts("name"), _times("made_utc"))
SKIS = _table("skis", _own_id(), _texts("ski_id folded"), _times("made_utc"), indexes={"folded": "folded"})
PAIRS = _table("pairs", _own_id(), _texts("pair_id"), _times("made_utc"))
LOTS = _table("lots", _own_id(), _texts("name"), _whole("ski_count"), _who())
RECORDINGS = _table(
    "recordings",
    _own_id(64),  # the sound's SHA-256
    _whole("sample_rate_hz channels frames"),
    _whole("bits", needed=False),  # of whole-number samples; NULL for floating point
    _texts("file_name stored_as flags_json"),
    _times("recorded_utc"),
    _who(),
    _texts("digest"),
)
# A file that was seen: so that it need not be decoded again to be known.
FILES = _table("files", _own_id(), _to("recording", "recordings", length=64), _times("made_utc"))
ANALYSES = _table(
    "analyses",
    _own_id(),
    _to("recording", "recordings", length=64),
    _to("ski", "skis", needed=False),
    _texts("settings_json"),
    _whole("channel tap_count taps_good mode_count"),
    _reals("record_s"),
    _texts("hum_hz_json flags_json"),
    _times("measured_utc"),
    _to("supersedes", "analyses", needed=False),
    _who(),
    _texts("digest"),
    indexes={"recording": "recording made_utc", "ski": "ski measured_utc"},
)
TAPS = _table(
    "taps",
    _part_of("analysis", "analyses"),
    _whole("onset start stop silence"),
    _reals("snr_db ring_s"),
    _texts("reasons_json"),
    with_rowid=False,
)
MODES = _table(
    "modes",
    _part_of("analysis", "analyses"),
    _reals("frequency_hz frequency_u_hz damping_ratio damping_ratio_u level_db"),
    _whole("taps"),
    _texts("flags_json"),
    with_rowid=False,
)
CALIBRATIONS = _table("calibrations", _own_id(), _texts("kind file"), _times("calibrated_utc made_utc"))
CHECKS = _table(
    "checks",
    _own_id(),
    _to("lot", "lots"),
    _texts("settings_json notes_json problems_json unread_json"),
    _reals("false_alarm_rate stiffness_u_rel mass_u_rel clock_factor clock_u_rel"),
    _reals("frequency_floor_u_rel damping_floor_u_rel shift_floor_u_rel"),
    _who(),
    _texts("digest"),
    indexes={"lot": "lot made_utc"},
)
CHECK_CALIBRATIONS = _table(
    "check_calibrations",
    _to("lot_check", "checks", part=True),
    _to("calibration", "calibrations", part=True),
    _texts("effect"),
)
CHECK_GROUPS = _table(
    "check_groups",
    _part_of("lot_check", "checks"),
    _texts("construction length_class binding basis ski_ids_json"),
    _whole("ski_count"),
    _reals("centre_percent spread_percent limit_percent"),
    with_rowid=False,
)
# What a verdict keeps of the ski: its facts, and of its results those that the registry of fields has a column for.
_FACTS = (
    *_whole("line", needed=False),
    *_texts("side generation", needed=False),
    *_texts("construction note"),
    *_reals("length_m mass_kg stiffness_n_per_m span_m rig_centre_m balance_m binding_mass_kg binding_m temperature_c"),
)
_KINDS: dict[str, Any] = {"text": Text, "number": Double, "integer": Integer, "boolean": Boolean}
_NEEDED = ("taps_good", "taps_found", "verdict")
_RESULTS: Columns = [
    Column(each.logbook, _KINDS[each.kind], nullable=each.logbook not in _NEEDED)
    for each in SKI_FIELDS
    if each.logbook and each.logbook not in {column.name for column in _FACTS}
]
VERDICTS = _table(
    "verdicts",
    _own_id(),
    _to("lot_check", "checks"),
    _to("ski", "skis"),
    _to("pair", "pairs", needed=False),
    _times("measured_utc made_utc"),
    [*_FACTS, *_RESULTS],
    _texts("construction_name", needed=False),
    _reals("frequencies_at_c"),  # the temperature that the frequencies belong to: corrected ones to the reference
    _texts("reasons_json reason_codes_json statistics_json"),
    _texts("sounds_key"),  # of the set of its recordings: a later verdict on the same sounds supersedes this one
    _to("supersedes", "verdicts", needed=False),
    _texts("digest"),
    indexes={
        "ski": "ski measured_utc made_utc id",
        "time": "measured_utc made_utc id",
        "check": "lot_check",
        "pair": "pair",
        "supersedes": "supersedes",
    },
)
VERDICT_RECORDINGS = _table(
    "verdict_recordings",
    _to("verdict", "verdicts", part=True),
    _to("recording", "recordings", length=64, part=True),
    indexes={"recording": "recording"},
)
PLACED_MODES = _table(
    "placed_modes",
    _part_of("verdict", "verdicts"),
    _texts("family"),
    _whole("mode_order", needed=False),
    _reals("frequency_hz frequency_u_hz damping_ratio damping_ratio_u level_db predicted_hz probability"),
    _texts("flags_json"),
    with_rowid=False,
)
PREDICTIONS = _table(
    "predictions",
    _part_of("verdict", "verdicts"),
    _texts("family"),
    _whole("mode_order"),
    _reals("frequency_hz frequency_u_hz"),
    with_rowid=False,
)

# What belongs to a row and is digested with it, by the column that names that row; calibrations and sounds are named only.
BELOW: dict[str, tuple[tuple[Table, str], ...]] = {
    "recordings": (),
    "analyses": ((TAPS, "analysis"), (MODES, "analysis")),
    "checks": ((CHECK_GROUPS, "lot_check"), (CHECK_CALIBRATIONS, "lot_check")),
    "verdicts": ((PLACED_MODES, "verdict"), (PREDICTIONS, "verdict"), (VERDICT_RECORDINGS, "verdict")),
}


def below(table: Table) -> tuple[tuple[Table, str], ...]:
    """The tables whose rows belong to the rows of this one, each with the column that names them."""
    return BELOW.get(table.name, ())


def tables_with_ids() -> tuple[Table, ...]:
    """Every table whose rows are known by their contents; what a row refers to comes before it."""
    return tuple(table for table in METADATA.sorted_tables if "id" in table.columns)


def references(table: Table) -> tuple[tuple[Column[Any], Table], ...]:
    """The columns that name rows of other tables (or of the same one)."""
    return tuple(
        (column, next(iter(column.foreign_keys)).column.table) for column in table.columns if column.foreign_keys
    )


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
    if isinstance(kind, Boolean | Integer):
        return bool(value) if isinstance(kind, Boolean) else int(value)
    # PostgreSQL takes no zero byte, and a file name may hold bytes that are no UTF-8.
    return str(value).replace("\0", "�").encode("utf-8", "replace").decode("utf-8")


def digest_of(table: Table, row: Mapping[str, Any], under: Mapping[str, Sequence[Mapping[str, Any]]]) -> str:
    """SHA-256 of a stored row and of the rows below it, by the names of their tables; in whatever order they come.

    What is not known does not count, so a column that a later schema adds leaves it as it was.
    """
    parts: dict[str, object] = {"": _known(row)}
    for child, _ in BELOW[table.name]:
        ordered = in_order_of_key(child, under.get(child.name, ()))
        if ordered:
            parts[child.name] = [_known(each) for each in ordered]
    return hashlib.sha256(canonical(parts).encode("ascii")).hexdigest()


def in_order_of_key(table: Table, rows: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Rows of a table in the order of its primary key."""
    return sorted(rows, key=lambda row: tuple(row[column.name] for column in table.primary_key.columns))


def _known(row: Mapping[str, Any]) -> dict[str, object]:
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in row.items()
        if value is not None and name != "digest"
    }
