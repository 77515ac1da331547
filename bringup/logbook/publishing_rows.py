"""One piece of what is published: entries of the chain, and the rows of the logbook that they are about.

A row is sent as it is now, however often it was written. Rows of tables that only grow have no names: the Nth entry
about one of an attempt is its Nth row.
"""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from bringup.core.frozen import frozen
from bringup.errors import LogbookError
from bringup.logbook.chain import COVERED, SHARED
from bringup.logbook.publishing_plan import Plan


@frozen
class Entry:
    """An entry of the chain. `attempt`: its number in this file."""

    place: int
    attempt: int | None
    table: str
    key: str | None
    old: int
    digest: bytes
    link: bytes


@dataclass(slots=True)
class Rows:
    """Rows of one table, in the order in which they were written first."""

    names: tuple[str, ...]
    rows: list[tuple[Any, ...]] = field(default_factory=list)


@dataclass(slots=True)
class Piece:
    """What is sent in one transaction."""

    entries: dict[int, list[Entry]] = field(default_factory=lambda: defaultdict(list))
    """By the origin's number in this file."""
    tables: dict[str, Rows] = field(default_factory=dict)
    attempts: dict[int, str] = field(default_factory=dict)
    """Number in this file -> id, of every attempt that the entries are about."""

    kept_out: dict[int, tuple[str | None, int, str]] = field(default_factory=dict)
    """Place in the chain of an entry whose row this file lacks -> attempt's id, whether in conflict, why."""

    @property
    def count(self) -> int:
        """How many rows are sent."""
        return sum(len(table.rows) for table in self.tables.values())

    @property
    def in_order(self) -> Iterator[tuple[int, Entry]]:
        """Origin and entry of all, as they stand in the chain."""
        every = ((origin, entry) for origin, entries in self.entries.items() for entry in entries)
        return iter(sorted(every, key=lambda each: each[1].place))


def piece_of(connection: sqlite3.Connection, plan: Plan, begin: int, end: int) -> Piece:
    """Read what the chain has after `begin` and up to `end`. Raises LogbookError for a row that is not there."""
    piece = Piece()
    growing: dict[tuple[str, int], sqlite3.Cursor] = {}
    seen: set[tuple[str, str]] = set()
    entries = connection.execute(
        "SELECT origin, seq, attempt, covers, row, old, hash, link FROM chain WHERE seq > ? AND seq <= ? ORDER BY seq",
        (begin, end),
    ).fetchall()
    kept_out = {
        place: (attempt, conflict, why)
        for place, attempt, conflict, why in connection.execute(
            "SELECT place, attempt, conflict, why FROM kept_out WHERE place > ? AND place <= ?", (begin, end)
        )
    }
    for origin, *cells in entries:
        entry = Entry(*cells)
        if entry.place <= plan.after[origin]:
            continue
        piece.entries[origin].append(entry)
        if entry.place in kept_out:
            piece.kept_out[entry.place] = kept_out[entry.place]
            if entry.table not in SHARED:
                continue
        if entry.attempt is not None and entry.attempt not in piece.attempts:
            found = connection.execute("SELECT id FROM attempts WHERE seq = ?", (entry.attempt,)).fetchone()
            piece.attempts[entry.attempt] = _there(found, entry)[0]
        if COVERED[entry.table]:
            if (entry.table, entry.key or "") in seen:
                continue
            seen.add((entry.table, entry.key or ""))
            cursor = _keyed(connection, entry)
        else:
            cursor = _growing(connection, piece, entry, growing, resumed=entry.attempt in plan.resumed)
        if entry.table not in piece.tables:
            piece.tables[entry.table] = Rows(tuple(column[0] for column in cursor.description))
        piece.tables[entry.table].rows.append(_there(cursor.fetchone(), entry))
    return piece


def _keyed(connection: sqlite3.Connection, entry: Entry) -> sqlite3.Cursor:
    """Return the row that bears the entry's key."""
    columns = COVERED[entry.table]
    cells = [entry.key] if len(columns) == 1 else json.loads(entry.key or "[]")
    condition = " AND ".join(f"{column} = ?" for column in columns)
    return connection.execute(f"SELECT * FROM {entry.table} WHERE {condition}", cells)  # noqa: S608 - words of ours


def _growing(
    connection: sqlite3.Connection,
    piece: Piece,
    entry: Entry,
    begun: dict[tuple[str, int], sqlite3.Cursor],
    *,
    resumed: bool,
) -> sqlite3.Cursor:
    """Return the rows of a table that only grows, the next being the one that the entry is about."""
    number = entry.attempt or 0
    key = (entry.table, number)
    if key not in begun:
        # Looking through the whole chain takes long, and is seldom needed: an attempt is mostly sent as a whole.
        before = 0
        if resumed:
            before = connection.execute(
                "SELECT count(*) FROM chain WHERE seq < ? AND covers = ? AND attempt = ?",
                (entry.place, entry.table, number),
            ).fetchone()[0]
        begun[key] = connection.execute(
            f"SELECT * FROM {entry.table} WHERE attempt = ? ORDER BY seq LIMIT -1 OFFSET ?",  # noqa: S608 - words of ours
            (piece.attempts.get(number), before),
        )
    return begun[key]


def _there(row: tuple[Any, ...] | None, entry: Entry) -> tuple[Any, ...]:
    if row is None:
        raise LogbookError(
            f"a row of {entry.table} that was written is not in the logbook any more ({entry.key or 'by its order'})",
            "`bringup audit` says what was altered. Publish from a copy that is whole.",
        )
    return row
