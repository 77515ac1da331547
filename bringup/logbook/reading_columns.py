"""Columns that `readings` got after its table had shipped: each nullable, without a default. SQL text only."""

from __future__ import annotations


def _real(name: str) -> str:
    return f"{name} REAL CHECK ({name} BETWEEN -1.7976931348623157e308 AND 1.7976931348623157e308)"


METER_RANGE = (f"ALTER TABLE readings ADD COLUMN {_real('meter_range')}",)

LIMITS_BASIS = ("ALTER TABLE readings ADD COLUMN limits_basis TEXT",)
