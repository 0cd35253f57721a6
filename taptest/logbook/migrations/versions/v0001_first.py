"""The first schema. Never changed again: what comes later is a migration of its own.

What the columns mean stands in ``taptest/logbook/schema.py``.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_KINDS: dict[str, Any] = {
    "text": sa.Text,
    "whole": sa.Integer,
    "real": sa.Double,
    "time": lambda: sa.DateTime(timezone=True),
    "yes": sa.Boolean,
}
_WHO = "time made_utc!; to station>stations!; to operator>operators; text software!"
# Table by table: kind and names of columns; "!" not null, "*" part of the key, "to name>table" a reference.
_TABLES = {
    "meta": "id40 name; text value!",
    "stations": "id32 id; text name!; time made_utc!",
    "operators": "id32 id; text name!; time made_utc!",
    "skis": "id32 id; text ski_id! folded!; time made_utc!",
    "pairs": "id32 id; text pair_id!; time made_utc!",
    "lots": f"id32 id; text name!; whole ski_count!; {_WHO}",
    "recordings": "id64 id; whole sample_rate_hz! channels! frames! bits; text file_name! stored_as! flags_json!; "
    f"time recorded_utc!; {_WHO}; text digest!",
    "files": "id32 id; to64 recording>recordings!; time made_utc!",
    "analyses": "id32 id; to64 recording>recordings!; to ski>skis; text settings_json!; "
    "whole channel! tap_count! taps_good! mode_count!; real record_s; text hum_hz_json! flags_json!; time measured_utc!; "
    f"to supersedes>analyses; {_WHO}; text digest!",
    "taps": "to analysis>analyses*; whole number*; whole onset! start! stop! silence!; real snr_db ring_s; text reasons_json!",
    "modes": "to analysis>analyses*; whole number*; real frequency_hz frequency_u_hz damping_ratio damping_ratio_u level_db; "
    "whole taps!; text flags_json!",
    "calibrations": "id32 id; text kind! file!; time calibrated_utc! made_utc!",
    "checks": "id32 id; to lot>lots!; text settings_json! notes_json! problems_json! unread_json!; "
    "real budget stiffness_u_rel mass_u_rel clock_factor clock_u_rel; "
    f"real frequency_floor_u_rel damping_floor_u_rel shift_floor_u_rel; {_WHO}; text digest!",
    "check_calibrations": "to lot_check>checks*; to calibration>calibrations*; text effect!",
    "check_groups": "to lot_check>checks*; whole number*; text construction! length_class! binding! basis! ski_ids_json!; "
    "whole ski_count!; real centre_percent spread_percent limit_percent",
    "verdicts": "id32 id; to lot_check>checks!; to ski>skis!; to pair>pairs; time measured_utc! made_utc!; "
    "whole line group_number; text side generation construction_name construction! note!; "
    "real length_m mass_kg stiffness_n_per_m span_m rig_centre_m balance_m binding_mass_kg binding_m temperature_c; "
    "real frequencies_at_c predicted_hz predicted_u_hz measured_hz measured_u_hz deviation_percent deviation_u_percent; "
    "real damping_ratio damping_ratio_u unevenness score shift_percent shift_u_percent shift_limit_percent; "
    "yes first_heard!; whole taps_good! taps_found!; text verdict! reasons_json! statistics_json! sounds_key!; "
    "to supersedes>verdicts; text digest!",
    "verdict_recordings": "to verdict>verdicts*; to64 recording>recordings*",
    "placed_modes": "to verdict>verdicts*; whole number*; text family!; whole mode_order; "
    "real frequency_hz frequency_u_hz damping_ratio damping_ratio_u level_db predicted_hz probability; text flags_json!",
    "predictions": "to verdict>verdicts*; whole number*; text family!; whole mode_order!; real frequency_hz frequency_u_hz",
}
_WITHOUT_ROWID = ("taps", "modes", "check_groups", "placed_modes", "predictions")
_INDEXES = {
    "skis_by_folded": ("skis", "folded"),
    "analyses_by_recording": ("analyses", "recording made_utc"),
    "analyses_by_ski": ("analyses", "ski measured_utc"),
    "checks_by_lot": ("checks", "lot made_utc"),
    "verdicts_by_ski": ("verdicts", "ski measured_utc made_utc id"),
    "verdicts_by_time": ("verdicts", "measured_utc made_utc id"),
    "verdicts_by_check": ("verdicts", "lot_check"),
    "verdicts_by_pair": ("verdicts", "pair"),
    "verdicts_by_supersedes": ("verdicts", "supersedes"),
    "verdict_recordings_by_recording": ("verdict_recordings", "recording"),
}


def upgrade() -> None:
    for table, columns in _TABLES.items():
        made = [
            _column(kind, name) for group in columns.split("; ") for kind, *names in [group.split()] for name in names
        ]
        op.create_table(table, *made, sqlite_with_rowid=table not in _WITHOUT_ROWID)
    for index, (table, names) in _INDEXES.items():
        op.create_index(index, table, names.split())


def _column(kind: str, written: str) -> sa.Column[Any]:
    name, _, target = written.rstrip("!*").partition(">")
    key = written.endswith("*") or kind.startswith("id")
    if kind.startswith(("id", "to")):
        of_type: Any = sa.String(int(kind.removeprefix("id").removeprefix("to") or 32))
    else:
        of_type = _KINDS[kind]()
    reference = [sa.ForeignKey(f"{target}.id")] if target else []
    needed = key or written.endswith("!")
    return sa.Column(name, of_type, *reference, primary_key=key, nullable=not needed, autoincrement=False)
