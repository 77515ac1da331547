"""Readings by what their attempts have in common: lot, revision, bench, who did it, which meter."""

from __future__ import annotations

from collections.abc import Iterable

from bringup.core.taken import Taken
from bringup.errors import CommandError
from bringup.logbook.database import Database

WAYS = ("lot", "revision", "variant", "bench", "operator", "procedure", "fixture", "meter")
_FACTS = "SELECT id, lot, revision, variant, bench, operator, procedure, fixture FROM attempts"
NONE_STATED = "not stated"


def grouped(connection: Database, readings: Iterable[Taken], way: str) -> dict[str, list[Taken]]:
    """Return readings by one of WAYS, in the order in which groups begin; what states none makes a group of its own."""
    if way not in WAYS:
        raise CommandError(f"nothing is grouped by '{way}'", f"Group by one of: {', '.join(WAYS)}.")
    facts: dict[str, str] = {}
    if way != "meter":
        facts = {str(row["id"]): str(row[way]) for row in connection.execute(_FACTS)}
    found: dict[str, list[Taken]] = {}
    for each in readings:
        name = each.meter if way == "meter" else facts[each.attempt]
        found.setdefault(name or NONE_STATED, []).append(each)
    return found
