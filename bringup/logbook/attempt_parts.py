"""What belongs to many attempts at once: how many readings each has, its warnings. Asked for some of them at a time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from bringup.logbook.database import Database
from bringup.logbook.filters import CURRENT_ONLY, Filters, where

WARNINGS = (
    "SELECT e.attempt, e.content FROM events e WHERE e.attempt IN ({marks}) AND e.kind = 'warning'"
    " ORDER BY e.attempt, e.monotonic, e.seq"
)

COUNTS = (
    "SELECT r.attempt, count(*) FROM readings r JOIN attempts a ON a.id = r.attempt"
    " JOIN steps s ON s.attempt = r.attempt AND s.step = r.step"
    " LEFT JOIN instruments i ON i.attempt = r.attempt AND i.role = r.instrument"
    " WHERE {where} AND r.attempt IN ({marks}){current} GROUP BY r.attempt"
)


AT_A_TIME = 500
"""Attempts about which one statement asks."""


def at_a_time(ids: Sequence[str], most: int = AT_A_TIME) -> Iterator[dict[str, str]]:
    """Yield some of the ids after the other, as values of a statement: it takes only so many."""
    for begin in range(0, len(ids), most):
        yield {f"id{number}": identity for number, identity in enumerate(ids[begin : begin + most])}


def marks(values: Mapping[str, str]) -> str:
    """Return the marks of these values, for a list in a statement."""
    return ", ".join(f":{name}" for name in values)


def warnings_of(connection: Database, ids: Sequence[str]) -> dict[str, list[str]]:
    """Return each attempt's warnings, of those that have some."""
    found: dict[str, list[str]] = defaultdict(list)
    for values in at_a_time(ids):
        for attempt, content in connection.execute(WARNINGS.format(marks=marks(values)), values):
            found[attempt].append(content)
    return found


def counts_of(connection: Database, filters: Filters, ids: Sequence[str]) -> dict[str, int]:
    """Return how many readings that match each attempt has, of those that have some."""
    condition, asked = where(replace(filters, only=None))
    current = "" if filters.replaced else CURRENT_ONLY
    found: dict[str, int] = {}
    for values in at_a_time(ids):
        statement = COUNTS.format(where=condition, marks=marks(values), current=current)
        found |= {str(row[0]): int(row[1]) for row in connection.execute(statement, asked | values)}
    return found
