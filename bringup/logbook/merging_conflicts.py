# ruff: noqa: S608 - the SQL is put together from words of ours
"""What of another logbook is here already, as it is there or otherwise: found before a piece of it is taken in.

See merging_rows for the connection, which has the other logbook as `main` and this one as `here`.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from bringup.logbook.chain import COVERED
from bringup.logbook.encoding import row_hash

Span = dict[str, int]
"""'begin' and 'end' of a piece: places in the other logbook's chain."""
OWNED = ("steps", "instruments", "attempt_sources")
"""Tables whose rows belong to an attempt and are named by its id."""
GROWING = tuple(table for table, key in COVERED.items() if not key)
ENTERED = ("notes", "reworks", "observations", "photos", "dispositions", "reference_marks", "withdrawals")
"""Tables of what people entered about a unit; each row has an id."""

WORKING = (
    "CREATE TEMP TABLE new_origins (number INTEGER, id TEXT, made TEXT)",
    # Origin in the other file, its number here, and the place up to which all of it is here already.
    "CREATE TEMP TABLE known (origin INTEGER PRIMARY KEY, number INTEGER NOT NULL, after INTEGER NOT NULL)",
    # Attempts of the piece: number there, id, number here if it is here, why it is kept out.
    "CREATE TEMP TABLE its (seq INTEGER PRIMARY KEY, id TEXT UNIQUE, place INTEGER, out TEXT, conflict INTEGER)",
    "CREATE TEMP TABLE strangers (serial TEXT, simulated INTEGER, board TEXT, PRIMARY KEY (serial, simulated))",
    "CREATE TEMP TABLE outs (covers TEXT, row TEXT, why TEXT, conflict INTEGER, PRIMARY KEY (covers, row))",
    # Rows that came later of attempts that are here in part; place 0 only says that there is such an attempt.
    "CREATE TEMP TABLE late (seq INTEGER, number INTEGER)",
)

PIECE = (
    "main.chain c JOIN temp.known k ON k.origin = c.origin WHERE c.seq > :begin AND c.seq <= :end AND c.seq > k.after"
)
"""The entries of a piece, `c`."""

OTHER_BOARD = "its serial number is that of a unit of another board here"


def joined(others: str) -> str:
    """Return PIECE with other tables joined to it."""
    return PIECE.replace(" WHERE ", f" {others} WHERE ", 1)


def nothing_out(both: sqlite3.Connection) -> bool:
    """Whether all of the piece is taken in."""
    outs = "SELECT 1 FROM temp.outs UNION ALL SELECT 1 FROM temp.its WHERE out IS NOT NULL"
    return both.execute(f"SELECT 1 FROM ({outs}) LIMIT 1").fetchone() is None


def gather(both: sqlite3.Connection, span: Span, there: Mapping[str, int], *, careful: bool) -> None:
    """Find the attempts of the piece, and what of it is to be kept out. `there`: tables that its entries are about."""
    both.execute("DELETE FROM temp.its")
    both.execute("DELETE FROM temp.outs")
    both.execute(
        "INSERT INTO temp.its (seq, id, place) SELECT a.seq, a.id, h.seq FROM main.attempts a"
        " LEFT JOIN here.attempts h ON h.id = a.id"
        f" WHERE a.seq IN (SELECT c.attempt FROM {PIECE})",
        span,
    )
    both.execute(
        f"UPDATE temp.its SET out = '{OTHER_BOARD}', conflict = 1"
        " WHERE id IN (SELECT a.id FROM main.attempts a JOIN temp.strangers s"
        " ON s.serial = a.serial AND s.simulated = a.simulated)"
    )
    _known_attempts(both, span, careful=careful)
    for table in there.keys() & {*ENTERED}:
        strange = joined(
            f"JOIN main.{table} t ON t.id = c.row"
            " JOIN temp.strangers s ON s.serial = t.serial AND s.simulated = t.simulated"
        )
        both.execute(
            f"INSERT OR IGNORE INTO temp.outs SELECT '{table}', c.row, '{OTHER_BOARD}', 1 FROM {strange}"
            f" AND c.covers = '{table}'",
            span,
        )
        known = joined(f"JOIN here.{table} h ON h.id = c.row")
        found = both.execute(f"SELECT c.row FROM {known} AND c.covers = '{table}'", span).fetchall()
        for (identity,) in found:
            same = _hashes(both, "main", table, "id", identity) == _hashes(both, "here", table, "id", identity)
            _keep_out(both, table, identity, same=same)
    if careful:
        _orphans(both, span)
    if "observation_readings" in there:
        _observed(both, span)


ABOUT = {"reworks": "follows", "dispositions": "reading", "reference_marks": "about", "observations": "same_as"}
"""What else than its attempt a row is about, by table: an attempt, a reading, an earlier observation."""


def _orphans(both: sqlite3.Connection, span: Span) -> None:
    """Keep out what is about something that is neither here nor taken in."""
    into = "(SELECT id FROM temp.its WHERE out IS NULL)"
    both.execute(
        "UPDATE temp.its SET out = 'the attempt that it continues was kept out', conflict = 1"
        " WHERE out IS NULL AND id IN"
        " (SELECT a.id FROM main.attempts a WHERE a.continues IS NOT NULL AND a.continues NOT IN"
        " (SELECT id FROM here.attempts UNION ALL SELECT id FROM temp.its WHERE out IS NULL))"
    )
    for table in ENTERED:
        piece = joined(f"JOIN main.{table} t ON t.id = c.row")
        of = {
            "reading": "SELECT id FROM here.readings UNION ALL SELECT r.id FROM main.readings r WHERE r.attempt IN "
            + into,
            "same_as": "SELECT id FROM main.observations WHERE id NOT IN (SELECT row FROM temp.outs)",
        }
        for column in dict.fromkeys(("attempt", ABOUT.get(table, "attempt"))):
            known = of.get(column, f"SELECT id FROM here.attempts UNION ALL SELECT id FROM temp.its WHERE id IN {into}")
            both.execute(
                f"INSERT OR IGNORE INTO temp.outs SELECT '{table}', c.row, 'what it is about was kept out', 1"
                f" FROM {piece}"
                f" AND c.covers = '{table}' AND t.{column} IS NOT NULL AND t.{column} NOT IN ({known})",
                span,
            )


def _observed(both: sqlite3.Connection, span: Span) -> None:
    """Keep out which readings were behind an observation where that, or the reading, is not taken in."""
    found = both.execute(f"SELECT c.row FROM {PIECE} AND c.covers = 'observation_readings'", span).fetchall()
    for (key,) in found:
        observation, reading = json.loads(key)
        there = both.execute(
            "SELECT 1 FROM here.observation_readings WHERE observation = ? AND reading = ?", (observation, reading)
        ).fetchone()
        out = both.execute(
            "SELECT 1 FROM temp.outs WHERE covers = 'observations' AND row = ?", (observation,)
        ).fetchone()
        if there or out:
            _keep_out(both, "observation_readings", key, same=True)


def _keep_out(both: sqlite3.Connection, table: str, row: str, *, same: bool) -> None:
    why = "it is here already" if same else "it is here already, with other content"
    both.execute("INSERT OR IGNORE INTO temp.outs VALUES (?, ?, ?, ?)", (table, row, why, int(not same)))


def _known_attempts(both: sqlite3.Connection, span: Span, *, careful: bool) -> None:
    """Keep out attempts that are here, but from another logbook's chain; say whether they are the same."""
    known = both.execute("SELECT seq, id FROM temp.its WHERE place IS NOT NULL AND out IS NULL").fetchall()
    if careful:
        readings = joined("JOIN main.readings r ON r.id = c.row JOIN here.readings h ON h.id = r.id")
        known += both.execute(
            "SELECT seq, id FROM temp.its WHERE place IS NULL AND out IS NULL"
            f" AND id IN (SELECT r.attempt FROM {readings} AND c.covers = 'readings')",
            span,
        ).fetchall()
    for number, identity in known:
        ours = both.execute(
            "SELECT origin FROM here.chain WHERE covers = 'attempts' AND row = ? ORDER BY seq DESC LIMIT 1", (identity,)
        ).fetchone()
        theirs = both.execute(
            f"SELECT k.number FROM {PIECE} AND c.attempt = :attempt LIMIT 1", {**span, "attempt": number}
        ).fetchone()
        if ours is not None and theirs is not None and ours[0] == theirs[0]:
            continue  # the same chain goes on with it
        differs = next(_differing(both, identity), None)
        why = "it is here already" if differs is None else f"it is here already, with other content: {differs}"
        both.execute("UPDATE temp.its SET out = ?, conflict = ? WHERE seq = ?", (why, int(differs is not None), number))


def _differing(both: sqlite3.Connection, attempt: str) -> Iterator[str]:
    """Yield the tables in which an attempt is otherwise in the two logbooks."""
    for table in ("attempts", *OWNED, "readings", *GROWING):
        column = "id" if table == "attempts" else "attempt"
        if _hashes(both, "main", table, column, attempt) != _hashes(both, "here", table, column, attempt):
            yield table


def _hashes(both: sqlite3.Connection, schema: str, table: str, column: str, value: str) -> list[bytes]:
    cursor = both.execute(f"SELECT * FROM {schema}.{table} WHERE {column} = ?", (value,))
    names = tuple(each[0] for each in cursor.description)
    return sorted(row_hash(table, names, row) for row in cursor)


def kept_out_of(both: sqlite3.Connection) -> Sequence[tuple[Any, ...]]:
    """Return what of the piece was in conflict: table, key, serial number, why."""
    found = both.execute(
        "SELECT 'attempts', i.id, a.serial, i.out FROM temp.its i JOIN main.attempts a ON a.id = i.id"
        " WHERE i.conflict = 1"
    ).fetchall()
    for table in ENTERED:
        found += both.execute(
            f"SELECT o.covers, o.row, t.serial, o.why FROM temp.outs o JOIN main.{table} t ON t.id = o.row"
            f" WHERE o.covers = '{table}' AND o.conflict = 1"
        ).fetchall()
    return found
