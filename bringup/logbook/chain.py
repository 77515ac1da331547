"""Every row that is written gets a hash, linked to all hashes before it, in the same transaction.

The chain is a table that only grows: one entry for each row written or changed. What is written here is what audit.py
compares the rows with. Nothing else in the logbook may insert or change rows of the tables in COVERED.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Sequence

from bringup.core.frozen import frozen
from bringup.errors import LogbookError
from bringup.logbook.encoding import Cell, link_hash, row_hash, row_key, seed
from bringup.logbook.statements import Statement

COVERED: dict[str, tuple[str, ...]] = {
    "units": ("serial", "simulated"),
    "sources": ("sha256",),
    "attempts": ("id",),
    "steps": ("attempt", "step"),
    "instruments": ("attempt", "role"),
    "attempt_sources": ("attempt", "kind", "path"),
    "readings": ("id",),
    "samples": (),
    "polls": (),
    "line_texts": (),
    "events": (),
    "notes": ("id",),
    "reworks": ("id",),
    "observations": ("id",),
    "observation_readings": ("observation", "reading"),
    "pictures": ("sha256",),
    "picture_parts": ("sha256", "part"),
    "photos": ("id",),
    "dispositions": ("id",),
    "reference_marks": ("id",),
    "withdrawals": ("id",),
}
"""Covered table -> the columns that name a row. None: rows are only ever added, and their order names them."""

SHARED = ("sources", "pictures", "picture_parts")
"""Tables whose rows are named by what they hold: several logbooks may have the same."""

NOT_COVERED = {
    "origins": "seeds the chain: altered, no link fits",
    "chain": "is the chain",
    "kept_out": "says which entries of other logbooks have no row here; of this one's own it may say nothing",
}
"""Every other table, and why."""

OWN = 1
"""Number of the origin that this logbook itself is; so it stands in the statements below."""

HEAD = "SELECT seq, link FROM chain WHERE origin = 1 ORDER BY seq DESC LIMIT 1"
LAST = "SELECT max(seq) FROM chain"
ORIGIN = "SELECT id, made FROM origins WHERE number = 1"
APPEND = "INSERT INTO chain (seq, origin, attempt, covers, row, old, hash, link) VALUES (?, 1, ?, ?, ?, ?, ?, ?)"
ANCHOR = "SELECT link FROM chain WHERE covers = 'attempts' AND row = :attempt ORDER BY seq DESC LIMIT 1"
"""The link made by the latest change of an attempt itself: its end, or its being marked broken off."""

_PLAIN = re.compile(r"INSERT INTO \w+ \(([\w, ]+)\) VALUES \([?, ]+\)")

Entry = tuple[str, str | None, str | None, bytes]
"""Table, key, attempt's id, hash."""


@frozen
class Plan:
    """How a statement is executed so that the rows it writes are known as they are stored."""

    table: str
    statement: str
    names: tuple[str, ...]
    """The columns of what `stored` takes."""
    reals: tuple[int, ...]
    """Places of the cells that are stored as doubles."""
    returning: bool
    """The statement returns the rows written, which costs; else its values are the row."""

    def stored(self, cells: Sequence[Cell]) -> Sequence[Cell]:
        """Return a row as a later SELECT will. What RETURNING gives for a REAL column can be an integer (3.40)."""
        row = list(cells)
        for place in self.reals:
            cell = row[place]
            if cell is not None:
                row[place] = float(cell)
        return row


def plan_of(connection: sqlite3.Connection, statement: str) -> Plan:
    """Return how to execute an INSERT or UPDATE. Raises LogbookError for tables that are not covered."""
    words = statement.split(maxsplit=3)
    table = words[2] if words[0] == "INSERT" else words[1]
    if table not in COVERED or words[0] not in ("INSERT", "UPDATE"):
        raise LogbookError(f"a statement on '{table}' is no part of the chain: {statement[:60]}")
    columns = {row[1]: (row[2], row[4]) for row in connection.execute(f"PRAGMA table_info({table})")}
    plain = _PLAIN.fullmatch(statement)
    given = tuple(plain[1].split(", ")) if plain else ()
    returning = not plain or any(default is not None for name, (_, default) in columns.items() if name not in given)
    names = tuple(columns) if returning else given
    reals = tuple(place for place, name in enumerate(names) if columns[name][0] == "REAL")
    return Plan(table, f"{statement} RETURNING *" if returning else statement, names, reals, returning)


class Chain:
    """The end of the chain as one connection knows it. Another process may lengthen it at any time."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._end: tuple[int, bytes] | None = None
        self._attempts: dict[str, int] = {}
        self._plans: dict[str, Plan] = {}

    def forget(self) -> None:
        """What was written was rolled back: look again where the chain ends."""
        self._end = None
        self._attempts.clear()

    def write(self, made: Iterable[Statement], attempt: str | None) -> int:
        """Execute statements and link the rows that they wrote; within the caller's transaction. Returns how many.

        `attempt`: on whose account this is written; None for what belongs to no attempt. Whoever rolls back
        afterwards calls `forget`.
        """
        entries: list[Entry] = []
        for statement, values in made:
            plan = self._plans.get(statement)
            if plan is None:
                plan = self._plans[statement] = plan_of(self._connection, statement)
            cursor = self._connection.execute(plan.statement, values)
            columns = COVERED[plan.table]
            for written in cursor.fetchall() if plan.returning else (values,):
                row = plan.stored(written)
                digest = row_hash(plan.table, plan.names, row)
                entries.append((plan.table, row_key(columns, plan.names, row), attempt, digest))
        if entries:
            self.append(entries)
        return len(entries)

    def append(self, entries: Sequence[Entry], *, old: bool = False) -> None:
        """Link entries to the end of the chain, wherever it is by now."""
        if self._end is not None:
            try:
                self._append(self._end, entries, old=old)
            except sqlite3.IntegrityError:
                # Another process has written since: the next number is taken. Nothing was appended.
                self._end = None
            else:
                return
        self._append(self._find_end(), entries, old=old)

    def _append(self, end: tuple[int, bytes], entries: Sequence[Entry], *, old: bool) -> None:
        number, link = end
        rows = []
        for table, key, attempt, digest in entries:
            number += 1
            link = link_hash(link, table, key, attempt, digest, old=old)
            rows.append((number, self._number_of(attempt), table, key, int(old), digest, link))
        if len(rows) == 1:
            self._connection.execute(APPEND, rows[0])
        else:
            self._connection.executemany(APPEND, rows)
        self._end = number, link

    def _find_end(self) -> tuple[int, bytes]:
        """Return the last number, and the last link: it stands for everything before it."""
        last = self._connection.execute(HEAD).fetchone()
        # After the last entry of all, which may be of another origin.
        number = self._connection.execute(LAST).fetchone()[0] or 0
        return number, seed(*self._connection.execute(ORIGIN).fetchone()) if last is None else last[1]

    def _number_of(self, attempt: str | None) -> int | None:
        if attempt is None:
            return None
        if attempt not in self._attempts:
            found = self._connection.execute("SELECT seq FROM attempts WHERE id = ?", (attempt,)).fetchone()
            self._attempts[attempt] = found[0]
        return self._attempts[attempt]


def anchor(connection: sqlite3.Connection, attempt: str) -> str | None:
    """Return the hash of an attempt, which stands for all its rows up to then and everything before; None: unknown."""
    found = connection.execute(ANCHOR, {"attempt": attempt}).fetchone()
    return None if found is None else bytes(found[0]).hex()


def adopt(connection: sqlite3.Connection) -> None:
    """Link every row of a logbook from before the chain, marked so: changes are found from here on."""
    chain = Chain(connection)
    there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for table, key in COVERED.items():
        if table not in there:
            continue  # a later migration makes it
        cursor = connection.execute(f"SELECT * FROM {table} ORDER BY rowid")  # noqa: S608 - words of ours
        names = tuple(column[0] for column in cursor.description)
        owner = "id" if table == "attempts" else "attempt"
        place = names.index(owner) if owner in names else None
        while rows := cursor.fetchmany(1000):
            owners = [None if place is None else row[place] for row in rows]
            entries = [
                (table, row_key(key, names, row), attempt, row_hash(table, names, row))
                for row, attempt in zip(rows, owners, strict=True)
            ]
            chain.append(entries, old=True)
