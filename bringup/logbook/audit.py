"""Whether a logbook is as it was written: every row against its hash, every hash against the chain, an anchor in it.

An entry that fits is not enough: growth.py knows which ones the tool makes. What cannot be found without a hash kept
elsewhere: that the end was cut off, rows and hashes alike, or that somebody with the tool's code wrote all anew from
some point on. `audit` says what it found first, in the order of the chain.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from bringup.core.frozen import frozen
from bringup.errors import CommandError
from bringup.logbook.chain import COVERED, ORIGIN, OWN, SHARED
from bringup.logbook.comparing import Expected, Finding, compare_keyed, compare_ordered
from bringup.logbook.database import Database
from bringup.logbook.encoding import link_hash, seed
from bringup.logbook.growth import WHILE_IT_GOES_ON, Growth

CHAIN_COLUMNS = "seq, origin, attempt, covers, row, old, hash, link"

LEAST_ANCHOR = 12
"""Hexadecimal digits that name a hash well enough: a chance match is one in 2^48 for each hash in the chain."""


@frozen
class Audit:
    """What an audit found. `anchor`: the last hash, hexadecimal, '' where nothing was ever written."""

    origin: str
    since: str
    hashes: int
    rows: int
    old_rows: int
    attempts: int
    anchor: str
    findings: tuple[Finding, ...]
    asked: str | None = None
    asked_at: int | None = None
    """Place of the hash that was asked for; None where it is not in the chain."""
    others: int = 0
    """How many other logbooks' rows are in it, each with its own chain."""
    kept_out: int = 0
    """How many entries of those have no row here (merge)."""

    @property
    def sound(self) -> bool:
        """Whether nothing is other than it was written, and the hash asked for is in the chain."""
        return not self.findings and (self.asked is None or self.asked_at is not None)

    def as_json(self) -> dict[str, Any]:
        """Return the audit with all findings."""
        return {
            "sound": self.sound,
            "origin": self.origin,
            "since": self.since,
            "tables": list(COVERED),
            "hashes": self.hashes,
            "rows": self.rows,
            "rows_from_before": self.old_rows,
            "attempts": self.attempts,
            "anchor": self.anchor,
            "anchor_asked": self.asked,
            "anchor_found": None if self.asked is None else self.asked_at is not None,
            "other_logbooks": self.others,
            "kept_out": self.kept_out,
            "findings": [finding.as_json() for finding in self.findings],
        }


@dataclass(slots=True)
class _Walk:
    """What walking along the chain gathers."""

    expected: dict[str, Expected] = field(default_factory=lambda: {table: Expected() for table in COVERED})
    findings: list[Finding] = field(default_factory=list)
    old: int = 0
    hashes: int = 0
    kept_out: int = 0
    anchor: str = ""
    asked_at: int | None = None


def audit(connection: Database, asked: str | None = None) -> Audit:
    """Compare everything. `asked`: a hash printed earlier, or its beginning; CommandError for what is no hash."""
    if asked is not None:
        asked = anchor_asked(asked)
    if gone := _lacking(connection):
        findings = [Finding("removed", table, f"the whole table {table}, or columns of it", None, 0) for table in gone]
        return Audit("", "", 0, 0, 0, 0, "", tuple(findings), asked)
    ids: dict[int, str] = dict(
        connection.execute("SELECT attempt, row FROM chain WHERE covers = 'attempts' AND attempt > 0 ORDER BY seq DESC")
    )
    walk = _walk(connection, ids, asked)
    rows = 0
    for table, key in COVERED.items():
        expected = walk.expected[table]
        compare = compare_keyed if key else compare_ordered
        rows += compare(connection, table, expected, ids, walk.findings)
    serials = dict(connection.execute("SELECT id, serial FROM attempts"))
    walk.findings.sort(key=lambda finding: finding.place)
    damage = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if damage != "ok":
        # Last: what the hashes say names the row, SQLite's own words may not.
        walk.findings.append(Finding("altered", "file", f"SQLite finds it damaged: {damage}", None, walk.hashes))
    origin, since = connection.execute(ORIGIN).fetchone() or ("", "")
    return Audit(
        origin,
        since,
        walk.hashes,
        rows,
        walk.old,
        len(ids),
        walk.anchor,
        tuple(finding.of(serials.get(finding.attempt or "")) for finding in walk.findings),
        asked,
        walk.asked_at,
        connection.execute("SELECT count(*) FROM origins WHERE number <> ?", (OWN,)).fetchone()[0],
        walk.kept_out,
    )


def anchor_asked(asked: str) -> str:
    """Return a hash that somebody kept, or its beginning, as it is compared. Raises CommandError for what is none."""
    plain = asked.strip().lower()
    if len(plain) < LEAST_ANCHOR or set(plain) - set("0123456789abcdef"):
        raise CommandError(
            f"'{asked}' is no hash of a logbook",
            f"Give the hash that was printed, or at least its first {LEAST_ANCHOR} digits (0 to 9, a to f).",
        )
    return plain


def _walk(connection: Database, ids: dict[int, str], asked: str | None) -> _Walk:
    """Follow the links from the beginning, and gather what the rows must be."""
    walk = _Walk()
    links = {number: seed(origin, made) for number, origin, made in _origins(connection)}
    growth = {origin: Growth(ids) for origin in links}
    for each in growth.values():
        each.excuse(connection)
    owners: dict[int, int] = dict(
        connection.execute(
            "SELECT attempt, origin FROM chain WHERE covers = 'attempts' AND attempt > 0 ORDER BY seq DESC"
        )
    )
    out: dict[int, str | None] = dict(connection.execute("SELECT place, attempt FROM kept_out"))
    previous = 0
    for place, origin, number, table, key, old, digest, link in _entries(connection):
        kept_out = place in out
        attempt = out[place] if kept_out else ids.get(number, "") if number is not None else None
        made = link_hash(links.get(origin, b""), table, key, attempt, digest, old=bool(old))
        if made != link:
            walk.findings.append(_unlinked(place, previous, (table, key, attempt)))
        links[origin], previous = link, place
        if origin not in growth or (kept_out and origin == OWN) or owners.get(number or 0, origin) != origin:
            # The tool keeps nothing of its own out, names every logbook that it takes something of, and what is of one
            # attempt comes from one logbook.
            walk.findings.append(Finding("inserted", "chain", f"entry {place} of the chain", attempt, place))
        elif table in walk.expected and (not kept_out or table in SHARED):
            growth[origin].judge(
                (place, number, table, key), walk.expected[table], old=bool(old), asked_at=walk.asked_at
            )
            walk.expected[table].add(place, number, key, digest, keyed=bool(COVERED[table]))
            if table == "units":
                walk.expected[table].by_origin[key or ""][origin] = digest
        walk.kept_out += kept_out
        walk.old += old
        walk.hashes += 1
        if origin == OWN:
            walk.anchor = link.hex()
        if asked is not None and link.hex().startswith(asked):
            walk.asked_at = place
    for each in growth.values():
        walk.findings += each.end()
    walk.findings += [
        Finding("inserted", "origins", f"origin {number}: nothing is of it", None, walk.hashes)
        for number, origin, made in _origins(connection)
        if number != OWN and links[number] == seed(origin, made)
    ]
    return walk


def _origins(connection: Database) -> list[tuple[int, str, str]]:
    return connection.execute("SELECT number, id, made FROM origins ORDER BY number").fetchall()


def _lacking(connection: Database) -> list[str]:
    """Return the tables that are not there, or not with the columns by which rows are found."""
    wanted = {table: {*key, *(("seq",) if not key else ())} for table, key in COVERED.items()}
    wanted |= {"origins": {"number", "id", "made"}, "chain": {*CHAIN_COLUMNS.split(", ")}}
    for table in wanted.keys() & {*WHILE_IT_GOES_ON, "events", "notes"}:
        wanted[table] |= {"attempt"}
    wanted["attempts"] |= {"seq", "serial"}
    wanted["events"] |= {"kind"}
    wanted["kept_out"] = {"place", "attempt"}
    return [
        table
        for table, columns in wanted.items()
        if columns - {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}
    ]


def _entries(
    connection: Database,
) -> Iterator[tuple[int, int, int | None, str, str | None, int, bytes, bytes]]:
    for row in connection.execute(f"SELECT {CHAIN_COLUMNS} FROM chain ORDER BY seq"):  # noqa: S608 - words of ours
        yield tuple(row)


def _unlinked(place: int, previous: int, entry: tuple[str, str | None, str | None]) -> Finding:
    table, key, attempt = entry
    if place != previous + 1:
        gap = (
            f"entry {previous + 1} of the chain is missing"
            if place == previous + 2
            else (f"entries {previous + 1} to {place - 1} of the chain are missing")
        )
        return Finding("removed", "chain", gap, attempt, place)
    about = f"entry {place} of the chain, about {table} {key or ''}".rstrip()
    return Finding("altered", "chain", f"{about}: it, or the one before it", attempt, place)
