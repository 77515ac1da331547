"""Rows against the hashes that the chain has of them: which row is other than it was written, and how.

Tables whose rows have names are compared row by row. Of the others, to which rows are only ever added, the order of
an attempt's rows names them.
"""

from __future__ import annotations

import sqlite3
from array import array
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Any

from bringup.core.frozen import frozen
from bringup.logbook.chain import COVERED
from bringup.logbook.encoding import row_hash, row_key

SIZE = 32
"""Bytes of a SHA-256."""


@frozen
class Finding:
    """One thing that is other than it was written."""

    what: str
    """'altered', 'removed', 'inserted' or 'moved'."""
    table: str
    row: str
    """What names the row, for people."""
    attempt: str | None
    place: int
    """Where in the chain: the order of findings."""
    serial: str | None = None

    def of(self, serial: str | None) -> Finding:
        """Return the finding with the unit's serial number."""
        return replace(self, serial=serial)

    def as_json(self) -> dict[str, Any]:
        """Return what a program needs."""
        names = ("what", "table", "row", "attempt", "serial")
        return {name: getattr(self, name) for name in names}


@dataclass(slots=True)
class Expected:
    """What the chain has of one table. Keyed rows: their last hash; others: all hashes of each attempt, in order."""

    keyed: dict[str, tuple[bytes, int, int | None]] = field(default_factory=dict)
    first: dict[str, int] = field(default_factory=dict)
    """Place of the entry that made a keyed row."""
    hashes: defaultdict[int | None, bytearray] = field(default_factory=lambda: defaultdict(bytearray))
    places: defaultdict[int | None, array[int]] = field(default_factory=lambda: defaultdict(lambda: array("q")))
    end: int = 0

    def add(self, place: int, attempt: int | None, key: str | None, digest: bytes, *, keyed: bool) -> None:
        """Take in one entry of the chain."""
        self.end = place
        if keyed:
            self.keyed[key or ""] = (digest, place, attempt)
            self.first.setdefault(key or "", place)
        else:
            self.hashes[attempt] += digest
            self.places[attempt].append(place)


def compare_keyed(
    connection: sqlite3.Connection, table: str, expected: Expected, ids: dict[int, str], findings: list[Finding]
) -> int:
    """Compare a table whose rows have names. Returns how many rows there are."""
    left = dict(expected.keyed)
    count = latest = 0
    for names, row in _rows(connection, table, "rowid"):
        count += 1
        key = row_key(COVERED[table], names, row) or ""
        known = left.pop(key, None)
        attempt = _attempt_of(table, names, row)
        if known is None:
            findings.append(Finding("inserted", table, key, attempt, expected.end + 1))
            continue
        digest, place, number = known
        # What the chain says of it, not what the row says now.
        attempt = ids.get(number or -1) or attempt
        if digest != row_hash(table, names, row) or (table == "attempts" and row[names.index("seq")] != number):
            findings.append(Finding("altered", table, key, attempt, place))
        elif "seq" in names and expected.first[key] < latest:
            findings.append(Finding("moved", table, key, attempt, expected.first[key]))
        latest = max(latest, expected.first[key])
    for key, (_, place, number) in left.items():
        findings.append(Finding("removed", table, key, ids.get(number or -1), place))
    return count


def compare_ordered(
    connection: sqlite3.Connection, table: str, expected: Expected, ids: dict[int, str], findings: list[Finding]
) -> int:
    """Compare a table to which rows are only ever added. Returns how many rows there are."""
    numbers = {attempt: number for number, attempt in ids.items()}
    left = set(expected.hashes)
    count = 0
    rows = _rows(connection, table, "attempt, seq")
    for attempt, group in groupby(rows, key=lambda pair: _attempt_of(table, *pair)):
        hashes = b"".join(row_hash(table, names, row) for names, row in group)
        count += len(hashes) // SIZE
        number = numbers.get(attempt or "")
        left.discard(number)
        findings += _differences(table, attempt, expected, number, hashes)
    for number in left:
        findings += _differences(table, ids.get(number or -1), expected, number, b"")
    return count


def _differences(
    table: str, attempt: str | None, expected: Expected, number: int | None, found: bytes
) -> Iterator[Finding]:
    """Yield what differs between the hashes of an attempt's rows as written and as found."""
    written = bytes(expected.hashes.get(number, b""))
    if written == found:
        return
    places = expected.places.get(number, array("q"))
    were = [written[at : at + SIZE] for at in range(0, len(written), SIZE)]
    are = [found[at : at + SIZE] for at in range(0, len(found), SIZE)]
    same = _same_at_start(were, are)
    tail = _same_at_start(were[same:][::-1], are[same:][::-1])
    were, are = were[same : len(were) - tail], are[same : len(are) - tail]
    for index in range(max(len(were), len(are))):
        place = places[same + index] if same + index < len(places) else expected.end + 1
        row = f"number {same + index + 1} of the attempt"
        if index >= len(were):
            yield Finding("inserted", table, row, attempt, place)
        elif index >= len(are):
            yield Finding("removed", table, row, attempt, place)
        elif were[index] != are[index]:
            yield Finding("altered", table, row, attempt, place)


def _same_at_start(one: list[bytes], other: list[bytes]) -> int:
    for count, (left, right) in enumerate(zip(one, other, strict=False)):
        if left != right:
            return count
    return min(len(one), len(other))


def _rows(connection: sqlite3.Connection, table: str, order: str) -> Iterator[tuple[tuple[str, ...], tuple[Any, ...]]]:
    cursor = connection.execute(f"SELECT * FROM {table} ORDER BY {order}")  # noqa: S608 - words of ours
    names = tuple(column[0] for column in cursor.description)
    for row in cursor:
        yield names, tuple(row)


def _attempt_of(table: str, names: tuple[str, ...], row: tuple[Any, ...]) -> str | None:
    column = "id" if table == "attempts" else "attempt"
    return row[names.index(column)] if column in names else None
