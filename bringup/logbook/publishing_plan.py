"""What of a logbook is to be published, and in which pieces: the chain of hashes is the queue.

A server has the beginning of each origin's chain and the rows that it covers; whatever comes after is still to be
sent. Nothing about that is written down in the logbook. A piece ends where no attempt is in the middle, so that one
is on the server as a whole or not at all; an attempt that is going on is not sent, nor what was written after it began.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping

from bringup.core.frozen import frozen
from bringup.errors import LogbookError
from bringup.logbook.encoding import row_hash, row_key

PIECE = 4000
"""Entries of a piece, unless an attempt has more."""


@frozen
class Known:
    """What a server has of an origin's chain: how many entries, and the last one's link."""

    entries: int
    link: bytes


@frozen
class Plan:
    """`after`: for each origin's number the place in the chain up to which all is published; `until`: where to stop."""

    after: Mapping[int, int]
    until: int
    spans: tuple[tuple[int, int], ...]
    """First and last place of what must not be torn apart, in order, none touching another."""
    wanted: Mapping[int, int]
    """How many entries of each origin are to be on the server in the end."""
    resumed: frozenset[int]
    """Numbers of attempts of which something is published already, and more is to be sent."""
    going: tuple[str, ...]
    """Ids of the attempts that are going on and wait for their end."""

    @property
    def begin(self) -> int:
        """The place in the chain after which something may be to be sent."""
        return min(self.after.values(), default=0)


def plan_of(connection: sqlite3.Connection, known: Mapping[int, Known]) -> Plan:
    """Return what is to be sent. `known`: by origin's number, for all that are in the file. Raises LogbookError."""
    after = {origin: _place(connection, origin, there) for origin, there in known.items()}
    open_ones = connection.execute("SELECT seq, id FROM attempts WHERE result IS NULL ORDER BY seq").fetchall()
    until = connection.execute("SELECT coalesce(max(seq), 0) FROM chain").fetchone()[0]
    rows = connection.execute(
        "SELECT origin, attempt, min(seq), max(seq) FROM chain WHERE attempt IS NOT NULL AND seq > :begin"
        " GROUP BY origin, attempt ORDER BY 3",
        {"begin": min(after.values(), default=0)},
    )
    spans: list[tuple[int, int]] = []
    begun: dict[int, int] = {}
    for origin, attempt, first, last in rows:
        begin = max(first, after[origin] + 1)
        if last <= after[origin]:
            continue
        begun[attempt] = first if first > after[origin] else 0
        if any(attempt == seq for seq, _ in open_ones):
            until = min(until, begin - 1)
        if spans and begin <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(last, spans[-1][1]))
        else:
            spans.append((begin, last))
    until = _quiet(spans, until)
    if open_ones:
        while (earlier := _before_units_that_changed(connection, after, until)) < until:
            until = _quiet(spans, earlier)
    wanted = {
        origin: connection.execute(
            "SELECT count(*) FROM chain WHERE origin = ? AND seq <= ?", (origin, max(until, after[origin]))
        ).fetchone()[0]
        for origin in known
    }
    going = tuple(identity for _, identity in open_ones)
    resumed = {attempt for attempt, first in begun.items() if not first}
    if begun:
        sent = connection.execute(
            "SELECT DISTINCT attempt FROM chain WHERE seq <= ? AND attempt >= ?",
            (min(after.values(), default=0), min(begun)),
        )
        resumed |= {attempt for (attempt,) in sent} & begun.keys()
    return Plan(after, until, tuple(spans), wanted, frozenset(resumed), going)


def pieces(connection: sqlite3.Connection, plan: Plan, entries: int = PIECE) -> Iterator[tuple[int, int]]:
    """Yield the places in the chain after which, and up to which, entries belong together: about so many each."""
    begin = plan.begin
    while begin < plan.until:
        row = connection.execute(
            "SELECT seq FROM chain WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT 1 OFFSET ?",
            (begin, plan.until, entries - 1),
        ).fetchone()
        end = plan.until if row is None else row[0]
        end = max([end, *(last for first, last in plan.spans if first <= end < last)])
        yield begin, end
        begin = end


def _place(connection: sqlite3.Connection, origin: int, there: Known) -> int:
    """Return the place in this file's chain of the last entry that the server has; of our last one if it has more."""
    if not there.entries:
        return 0
    row = connection.execute(
        "SELECT seq, link FROM chain WHERE origin = ? ORDER BY seq LIMIT 1 OFFSET ?", (origin, there.entries - 1)
    ).fetchone()
    if row is not None and bytes(row[1]) == there.link:
        return int(row[0])
    if row is None:
        # An older copy: whoever asks has seen to it that the server has all of it.
        return int(
            connection.execute("SELECT coalesce(max(seq), 0) FROM chain WHERE origin = ?", (origin,)).fetchone()[0]
        )
    raise LogbookError(
        "what was published from this logbook goes on otherwise than the file does: it is a copy that was written to,"
        " or it was altered",
        "Nothing was published. `bringup audit` says whether the file was altered; publish from the one that was used"
        " before, and merge the other into it.",
    )


def _quiet(spans: list[tuple[int, int]], place: int) -> int:
    """Return the last place up to there at which nothing is torn apart."""
    return next((first - 1 for first, last in spans if first <= place < last), place)


def _before_units_that_changed(connection: sqlite3.Connection, after: Mapping[int, int], until: int) -> int:
    """Return where to stop before `until`: before the first unit that by now is otherwise than it was there.

    An attempt that goes on may have changed its unit's lot or revision, and the row from before is gone.
    """
    found = connection.execute(
        "SELECT row, min(seq) FROM chain WHERE covers = 'units' AND seq > ? AND seq <= ? GROUP BY row"
        " HAVING row IN (SELECT row FROM chain WHERE covers = 'units' AND seq > ?)",
        (min(after.values(), default=0), until, until),
    ).fetchall()
    if not found:
        return until
    cursor = connection.execute("SELECT * FROM units")
    names = tuple(column[0] for column in cursor.description)
    hashes = {row_key(("serial", "simulated"), names, row): row_hash("units", names, row) for row in cursor}
    for key, first in found:
        # Of a unit that several logbooks have, the row is one of theirs.
        written = connection.execute(
            "SELECT hash, max(seq) FROM chain WHERE covers = 'units' AND row = ? AND seq <= ? GROUP BY origin",
            (key, until),
        )
        if hashes.get(key) not in {bytes(digest) for digest, _ in written}:
            until = min(until, first - 1)
    return until
