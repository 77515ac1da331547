"""Rows against the hashes that the chain has of them: which row is other than it was written, and how.

Tables whose rows have names are compared row by row. Of the others, to which rows are only ever added, their order
names them.
"""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from bringup.core.frozen import frozen
from bringup.logbook.chain import COVERED
from bringup.logbook.database import Database
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
    """What the chain has of one table. Keyed rows: their last hash; others: all hashes, in order."""

    keyed: dict[str, tuple[bytes, int, int | None]] = field(default_factory=dict)
    first: dict[str, int] = field(default_factory=dict)
    """Place of the entry that made a keyed row."""
    hashes: bytearray = field(default_factory=bytearray)
    places: array[int] = field(default_factory=lambda: array("q"))
    attempts: array[int] = field(default_factory=lambda: array("q"))
    """Of the other tables: number of the attempt of each hash, 0 for none."""
    end: int = 0
    by_origin: dict[str, dict[int, bytes]] = field(default_factory=lambda: defaultdict(dict))
    """Of units: the last hash that each logbook has of one; whichever was used last has its row here."""

    def add(self, place: int, attempt: int | None, key: str | None, digest: bytes, *, keyed: bool) -> None:
        """Take in one entry of the chain."""
        self.end = place
        if keyed:
            self.keyed[key or ""] = (digest, place, attempt)
            self.first.setdefault(key or "", place)
        else:
            self.hashes += digest
            self.places.append(place)
            self.attempts.append(attempt or 0)


def compare_keyed(
    connection: Database, table: str, expected: Expected, ids: dict[int, str], findings: list[Finding]
) -> int:
    """Compare a table whose rows have names. Returns how many rows there are."""
    left = dict(expected.keyed)
    count = latest = 0
    # By the first column, which is `seq` where there is one.
    for names, row in _rows(connection, table, "1"):
        count += 1
        key = row_key(COVERED[table], names, row) or ""
        known = left.pop(key, None)
        attempt = owner = _attempt_of(table, names, row)
        if known is None:
            findings.append(Finding("inserted", table, key, attempt, expected.end + 1))
            continue
        digest, place, number = known
        # What the chain says of it, not what the row says now.
        attempt = None if number is None else ids.get(number) or attempt
        made = row_hash(table, names, row)
        as_written = made == digest or made in expected.by_origin.get(key, {}).values()
        if not as_written or (table == "attempts" and row[names.index("seq")] != number):
            findings.append(Finding("altered", table, key, attempt, place))
        elif "attempt" in names and owner != ids.get(number or -1):
            findings.append(Finding("altered", table, f"{key}, put to another attempt's account", attempt, place))
        elif "seq" in names and expected.first[key] < latest:
            findings.append(Finding("moved", table, key, attempt, expected.first[key]))
        latest = max(latest, expected.first[key])
    for key, (_, place, number) in left.items():
        findings.append(Finding("removed", table, key, ids.get(number or -1), place))
    return count


def compare_ordered(
    connection: Database, table: str, expected: Expected, ids: dict[int, str], findings: list[Finding]
) -> int:
    """Compare a table to which rows are only ever added. Returns how many rows there are."""
    found, owners, same = bytearray(), list[str | None](), dict[str | None, str | None]()
    for names, row in _rows(connection, table, "seq"):
        found += row_hash(table, names, row)
        owner = _attempt_of(table, names, row)
        owners.append(same.setdefault(owner, owner))
    if found != expected.hashes:
        findings += _differences(table, expected, ids, (bytes(found), owners))
        return len(owners)
    for owner, number, place in zip(owners, expected.attempts, expected.places, strict=True):
        if owner != ids.get(number):
            findings.append(Finding("altered", table, "a row put to another attempt's account", owner, place))
    return len(owners)


def _differences(
    table: str, expected: Expected, ids: dict[int, str], found: tuple[bytes, list[str | None]]
) -> Iterator[Finding]:
    """Yield what differs between the hashes as written and as found. What only one of them has names its attempt."""
    were, are = _split(bytes(expected.hashes)), _split(found[0])
    same = _same_at_start(were, are)
    tail = _same_at_start(were[same:][::-1], are[same:][::-1])
    written, present = len(were) - tail, len(are) - tail
    for index in range(same, max(written, present)):
        if index >= written:
            yield Finding("inserted", table, "a row more than was written", found[1][index], _place(expected, index))
            continue
        number = expected.attempts[index]
        row = f"number {expected.attempts[: index + 1].count(number)} of the attempt"
        if index >= present:
            yield Finding("removed", table, row, ids.get(number), expected.places[index])
        elif were[index] != are[index]:
            yield Finding("altered", table, row, ids.get(number), expected.places[index])


def _split(hashes: bytes) -> list[bytes]:
    return [hashes[at : at + SIZE] for at in range(0, len(hashes), SIZE)]


def _place(expected: Expected, index: int) -> int:
    return expected.places[index] if index < len(expected.places) else expected.end + 1


def _same_at_start(one: list[bytes], other: list[bytes]) -> int:
    for count, (left, right) in enumerate(zip(one, other, strict=False)):
        if left != right:
            return count
    return min(len(one), len(other))


def _rows(connection: Database, table: str, order: str) -> Iterator[tuple[tuple[str, ...], tuple[Any, ...]]]:
    cursor = connection.execute(f"SELECT * FROM {table} ORDER BY {order}")  # noqa: S608 - words of ours
    names = tuple(column[0] for column in cursor.description)
    for row in cursor:
        yield names, tuple(row)


def _attempt_of(table: str, names: tuple[str, ...], row: tuple[Any, ...]) -> str | None:
    column = "id" if table == "attempts" else "attempt"
    return row[names.index(column)] if column in names else None
