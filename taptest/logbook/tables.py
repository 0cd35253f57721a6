"""The logbook as tables for other programs: which there are, what their columns are, and the one sheet of the latest figures."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from sqlalchemy import Boolean, Connection, Double, Integer, Select, Table, exists, func, select

from taptest.export.cells import Column, Kind, Value
from taptest.logbook.contents import tables_with_ids
from taptest.logbook.reading import measured_order
from taptest.logbook.schema import (
    BELOW,
    CHECKS,
    LOTS,
    METADATA,
    OPERATORS,
    PAIRS,
    SKIS,
    STATIONS,
    VERDICTS,
    UtcTime,
)

EXPORT_SCHEMA = "taptest.logbook_export/1"
CONTENTS = "logbook.json"  # in a folder of tables: what it is

# Heading, kind, where it comes from, and by what that is multiplied for the unit in the heading.
_SHEET: tuple[tuple[str, Kind, Any, float], ...] = (
    ("ski_id", "text", SKIS.c.ski_id, 1),
    ("pair_id", "text", PAIRS.c.pair_id, 1),
    ("construction", "text", VERDICTS.c.construction, 1),
    ("generation", "text", VERDICTS.c.generation, 1),
    ("measured_utc", "time", VERDICTS.c.measured_utc, 1),
    ("length_mm", "number", VERDICTS.c.length_m, 1000),
    ("mass_g", "number", VERDICTS.c.mass_kg, 1000),
    ("stiffness_n_per_mm", "number", VERDICTS.c.stiffness_n_per_m, 0.001),
    ("span_mm", "number", VERDICTS.c.span_m, 1000),
    ("temperature_c", "number", VERDICTS.c.temperature_c, 1),
    ("predicted_hz", "number", VERDICTS.c.predicted_hz, 1),
    ("predicted_u_hz", "number", VERDICTS.c.predicted_u_hz, 1),
    ("measured_hz", "number", VERDICTS.c.measured_hz, 1),
    ("measured_u_hz", "number", VERDICTS.c.measured_u_hz, 1),
    ("deviation_percent", "number", VERDICTS.c.deviation_percent, 1),
    ("deviation_u_percent", "number", VERDICTS.c.deviation_u_percent, 1),
    ("damping_ratio", "number", VERDICTS.c.damping_ratio, 1),
    ("damping_ratio_u", "number", VERDICTS.c.damping_ratio_u, 1),
    ("taps_good", "whole", VERDICTS.c.taps_good, 1),
    ("taps_found", "whole", VERDICTS.c.taps_found, 1),
    ("verdict", "text", VERDICTS.c.verdict, 1),
    ("reasons", "text", VERDICTS.c.reasons_json, 1),
    ("note", "text", VERDICTS.c.note, 1),
    ("lot", "text", LOTS.c.name, 1),
    ("station", "text", STATIONS.c.name, 1),
    ("operator", "text", OPERATORS.c.name, 1),
    ("software", "text", CHECKS.c.software, 1),
)
MEASUREMENTS = "verdicts_in_all"  # the heading by which the sheet is told from a lot's table
SHEET_COLUMNS = (*(Column(name, kind) for name, kind, _, _ in _SHEET), Column(MEASUREMENTS, "whole"))


def table_names() -> tuple[str, ...]:
    """Every table of the logbook that can be written, what a row refers to before it."""
    return tuple(table.name for each in tables_with_ids() for table in (each, *(child for child, _ in below(each))))


def below(table: Table) -> tuple[tuple[Table, str], ...]:
    """The tables whose rows belong to the rows of this one, by the column that names them."""
    return BELOW.get(table.name, ())


def columns_of(table: Table) -> tuple[Column, ...]:
    """The columns of a table as they are written."""
    return tuple(Column(column.name, _kind(column.type)) for column in table.columns)


def table_called(name: str) -> Table:
    """A table by its name."""
    return METADATA.tables[name]


def _kind(kind: object) -> Kind:
    if isinstance(kind, UtcTime):
        return "time"
    if isinstance(kind, Boolean):
        return "yes_no"
    if isinstance(kind, Integer):
        return "whole"
    return "number" if isinstance(kind, Double) else "text"


def latest_figures(connection: Connection) -> list[tuple[Value, ...]]:
    """A row for every ski that was judged, with its last verdict, in the order of ids; see `SHEET_COLUMNS`."""
    many = select(VERDICTS.c.ski, func.count().label("many")).group_by(VERDICTS.c.ski).subquery()
    later = VERDICTS.alias("later")
    wanted: Select[Any] = (
        select(*(source.label(name) for name, _, source, _ in _SHEET), many.c.many)
        .select_from(VERDICTS)
        .join(SKIS, SKIS.c.id == VERDICTS.c.ski)
        .join(CHECKS, CHECKS.c.id == VERDICTS.c.lot_check)
        .join(LOTS, LOTS.c.id == CHECKS.c.lot)
        .join(STATIONS, STATIONS.c.id == CHECKS.c.station)
        .join(many, many.c.ski == VERDICTS.c.ski)
        .outerjoin(OPERATORS, OPERATORS.c.id == CHECKS.c.operator)
        .outerjoin(PAIRS, PAIRS.c.id == VERDICTS.c.pair)
        .where(~exists().where(later.c.ski == VERDICTS.c.ski, measured_order(later) > measured_order(VERDICTS)))
        .order_by(SKIS.c.folded, SKIS.c.ski_id)
    )
    return [
        (*(_told(name, value, factor) for (name, _, _, factor), value in zip(_SHEET, row[:-1], strict=True)), row[-1])
        for row in connection.execute(wanted)
    ]


def _told(name: str, value: Any, factor: float) -> Value:
    if name == "reasons":
        return "; ".join(json.loads(value)) or None
    if isinstance(value, float):
        return value if factor == 1 else float(f"{factor * value:.12g}")
    if isinstance(value, datetime | int | str):
        return None if value == "" else value
    return None
