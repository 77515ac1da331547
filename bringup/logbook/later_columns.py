"""Columns that tables got after they had shipped: each nullable, without a default. SQL text only."""

from __future__ import annotations


def _real(name: str) -> str:
    return f"{name} REAL CHECK ({name} BETWEEN -1.7976931348623157e308 AND 1.7976931348623157e308)"


CONTINUES = (
    "ALTER TABLE attempts ADD COLUMN continues TEXT REFERENCES attempts (id)",
    # In which attempt a step was really done that this one relies on; NULL: in this one.
    "ALTER TABLE steps ADD COLUMN carried_from TEXT REFERENCES attempts (id)",
    # An attempt is continued once: what came after it belongs to the one that did.
    "CREATE UNIQUE INDEX attempts_continuing ON attempts (continues) WHERE continues IS NOT NULL",
)

METER_RANGE = (f"ALTER TABLE readings ADD COLUMN {_real('meter_range')}",)

UNCERTAINTY = (
    f"ALTER TABLE readings ADD COLUMN {_real('coverage_factor')}",
    f"ALTER TABLE readings ADD COLUMN {_real('degrees_of_freedom')}",
    "ALTER TABLE readings ADD COLUMN uncertainty_from TEXT",
)

CONFORMANCE = ("ALTER TABLE readings ADD COLUMN conformance REAL CHECK (conformance BETWEEN 0 AND 1)",)

LIMITS_BASIS = ("ALTER TABLE readings ADD COLUMN limits_basis TEXT",)
