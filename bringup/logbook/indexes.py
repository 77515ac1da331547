"""Indexes that came after the tables. SQL text only."""

from __future__ import annotations

LATE_ONES = (
    # Nearly always empty: what came in from rescue files or from other logbooks has a place of its own in time.
    "CREATE INDEX events_rescued ON events (kind, attempt) WHERE kind = 'rescued'",
    "CREATE INDEX chain_of_others ON chain (row) WHERE covers = 'attempts' AND origin <> 1",
)
