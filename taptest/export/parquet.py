"""Tables as Parquet, with the extra ``parquet``."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from taptest.core.errors import shown
from taptest.export.cells import (
    MAX_CELLS,
    MAX_ROWS,
    MAX_UNPACKED_BYTES,
    Column,
    ExchangeTable,
    Kind,
    Refused,
    Value,
    columns_named,
    problem_with,
    refusal,
    table_of,
)


def parquet_bytes(path: Path, columns: Sequence[Column], rows: Sequence[Sequence[Value]]) -> bytes:
    arrow = _arrow(path)
    import pyarrow.parquet

    types = {
        "text": arrow.string(),
        "number": arrow.float64(),
        "whole": arrow.int64(),
        "time": arrow.timestamp("us", tz="UTC"),
        "yes_no": arrow.bool_(),
    }
    arrays = [arrow.array([row[at] for row in rows], types[column.kind]) for at, column in enumerate(columns)]
    stream = io.BytesIO()
    pyarrow.parquet.write_table(arrow.table(arrays, names=[column.name for column in columns]), stream)
    return stream.getvalue()


def from_parquet(
    path: Path, data: bytes, kinds: dict[str, Kind] | None, refused: Refused | None = None
) -> ExchangeTable:
    arrow = _arrow(path)
    import pyarrow.parquet

    try:
        file = pyarrow.parquet.ParquetFile(io.BytesIO(data))
        about = file.metadata
        unpacked = sum(about.row_group(at).total_byte_size for at in range(about.num_row_groups))
        if about.num_rows > MAX_ROWS or about.num_rows * about.num_columns > MAX_CELLS or unpacked > MAX_UNPACKED_BYTES:
            raise refusal(path, f"holds {about.num_rows} rows, {unpacked / 1e6:.0f} MB unpacked; split it")
        table = file.read()
        kinds_of = arrow.types
        is_kind: tuple[tuple[Any, Kind], ...] = (
            (kinds_of.is_boolean, "yes_no"),
            (kinds_of.is_integer, "whole"),
            (kinds_of.is_floating, "number"),
            (kinds_of.is_timestamp, "time"),
        )
        told = {field.name: kind for field in table.schema for is_of, kind in is_kind if is_of(field.type)}
        values = table.to_pydict()
    except (arrow.ArrowException, OSError, ValueError, MemoryError) as problem:
        raise refusal(path, f"is no Parquet file, or a damaged one ({shown(problem, 80)}); write it again") from problem
    columns = columns_named(path, list(table.column_names), told | (kinds or {}))

    def checked(line: int, row: tuple[Value, ...]) -> tuple[Value, ...]:
        for column, value in zip(columns, row, strict=True):
            wrong = problem_with(column.kind, value, sheet=False)
            if wrong:
                raise refusal(path, f"row {line}, column {shown(column.name)}: {wrong}")
        return row

    rows = zip(*(values[column.name] for column in columns), strict=True)
    return table_of(path, columns, enumerate(rows, 1), checked, refused)


def _arrow(path: Path) -> Any:
    try:
        import pyarrow
    except ImportError:
        raise refusal(
            path, "needs the extra 'parquet': pip install 'taptest[parquet]'; or choose .csv, .xlsx or .jsonl"
        ) from None
    return pyarrow
