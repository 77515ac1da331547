"""Parquet files with typed columns: the one door to pyarrow, which is optional."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from itertools import islice
from pathlib import Path
from typing import Any

from bringup.commands.export_rows import Row
from bringup.errors import CommandError

GROUP = 8_000
"""Rows that are in memory at a time: a row group of the file."""

REAL = (
    *("value", "nominal", "low", "high", "uncertainty", "coverage_factor", "degrees_of_freedom", "conformance"),
    *("monotonic", "meter_range", "resolution", "input_volts", "input_amps", "lowest", "highest", "ambient"),
)
WHOLE = ("step", "readings")
YES_OR_NO = ("unsettled", "simulated", "attended", "off_verified")
TIMES = ("at", "started", "ended")
DATES = ("calibration_due",)
"""Columns by their types; all others are text."""


def write_parquet(file: Path, rows: Iterable[Row], columns: Sequence[str]) -> int:
    """Write rows by groups, a file with these `columns` where there is no row; return how many.

    Raises CommandError where pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as error:
        raise CommandError(
            "writing Parquet needs pyarrow, which is not installed",
            "Install it: pip install 'bringup[parquet]' (from a checkout: pip install '.[parquet]').",
        ) from error
    types = {name: pa.float64() for name in REAL}
    types |= {name: pa.int32() for name in WHOLE}
    types |= {name: pa.bool_() for name in YES_OR_NO}
    types |= {name: pa.timestamp("us", tz="UTC") for name in TIMES}
    types |= {name: pa.date32() for name in DATES}
    count = 0
    writer = None
    try:
        for group in _groups(rows):
            if writer is None:
                schema = pa.schema([(name, types.get(name, pa.string())) for name in group[0]])
                writer = parquet.ParquetWriter(file, schema, compression="zstd")
            writer.write_table(pa.Table.from_pylist([_typed(row) for row in group], schema=writer.schema))
            count += len(group)
        if writer is None:
            writer = parquet.ParquetWriter(file, pa.schema([(name, types.get(name, pa.string())) for name in columns]))
    finally:
        if writer is not None:
            writer.close()
    return count


def _groups(rows: Iterable[Row]) -> Iterator[list[Row]]:
    left = iter(rows)
    while group := list(islice(left, GROUP)):
        yield group


def _typed(row: Row) -> Row:
    return {name: _value(name, value) for name, value in row.items()}


def _value(name: str, value: Any) -> Any:
    if value is None:
        return None
    if name in TIMES:
        return datetime.fromisoformat(value)
    if name in DATES:
        return date.fromisoformat(value)
    if name in REAL:
        return float(value)
    if isinstance(value, list | tuple):
        return "; ".join(str(each) for each in value)
    return value
