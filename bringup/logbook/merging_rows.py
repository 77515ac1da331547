# ruff: noqa: S608 - the SQL is put together from words of ours
"""Takes one piece of another logbook's chain, and the rows that it covers, into this one: many by one statement.

The connection has the other logbook as `main`, read only, and this one as `here`; two tables of its own say which
entries belong to the piece. Rows keep their order, for the order of a chain names rows that have no other name.
What cannot be taken in keeps its entry, so that the chain still fits, and stands in `kept_out` with the reason.
"""

from __future__ import annotations

import sqlite3

from bringup.errors import LogbookError
from bringup.logbook.chain import COVERED, SHARED
from bringup.logbook.merging_conflicts import ENTERED, GROWING, OWNED, PIECE, Span, gather, joined, nothing_out

_NEW_ONES = "(SELECT id FROM temp.its WHERE out IS NULL)"


def take_piece(both: sqlite3.Connection, span: Span, resumed: frozenset[int], *, careful: bool) -> tuple[int, int]:
    """Take in the entries after span['begin'] up to span['end']; return how many attempts and rows are new here.

    Within the caller's transaction. `resumed`: numbers of attempts of which earlier entries are here; `careful`: look
    for what else would break a rule of the tables, and keep it out. Raises LogbookError for a row that the chain names
    and that is not there, sqlite3.Error.
    """
    there = dict(both.execute(f"SELECT c.covers, count(*) FROM {PIECE} GROUP BY c.covers", span).fetchall())
    gather(both, span, there, careful=careful)
    wanted = there if nothing_out(both) else _wanted(both, span)
    both.execute(
        "INSERT INTO here.origins SELECT * FROM temp.new_origins WHERE id NOT IN (SELECT id FROM here.origins)"
    )
    before = both.total_changes
    _units(both, span)
    taken: dict[str, int] = {}
    for table in SHARED:
        if table in there:
            _named(both, table, span, "OR IGNORE", "")
    attempts = _attempts(both, span)
    for table in OWNED:
        _owned(both, table)
    for table in ("readings", *GROWING):
        taken[table] = _growing(both, table, span, resumed)
    for table in (*ENTERED, "observation_readings"):
        if table in there:
            also = f" AND c.row NOT IN (SELECT row FROM temp.outs WHERE covers = '{table}')"
            taken[table] = _named(both, table, span, "", also)
    for table, count in taken.items():
        if count != wanted.get(table, 0):
            raise LogbookError(f"of {wanted.get(table, 0)} rows of {table} that were written, {count} are in it")
    rows = both.total_changes - before
    _chain(both, span)
    return attempts, rows


def _wanted(both: sqlite3.Connection, span: Span) -> dict[str, int]:
    """Return how many entries of each table are not kept out."""
    piece = joined(
        "LEFT JOIN temp.its i ON i.seq = c.attempt AND i.out IS NOT NULL"
        " LEFT JOIN temp.outs o ON o.covers = c.covers AND o.row = c.row"
    )
    found = both.execute(
        f"SELECT c.covers, count(*) FROM {piece} AND (i.seq IS NULL OR c.covers IN ({', '.join(map(repr, ENTERED))}))"
        " AND o.row IS NULL GROUP BY c.covers",
        span,
    )
    return {str(table): int(count) for table, count in found}


def _owned(both: sqlite3.Connection, table: str) -> None:
    """Take in rows that belong to an attempt, and renew those that are here."""
    names, key = _columns(both, table), COVERED[table]
    renewed = ", ".join(f"{name} = excluded.{name}" for name in names if name not in key)
    told = f"DO UPDATE SET {renewed}" if renewed else "DO NOTHING"
    both.execute(
        f"INSERT INTO here.{table} ({', '.join(names)}) SELECT {', '.join(f't.{name}' for name in names)}"
        f" FROM main.{table} t WHERE t.attempt IN {_NEW_ONES} ORDER BY t.rowid"
        f" ON CONFLICT ({', '.join(key)}) {told}"
    )


def _run(both: sqlite3.Connection, statement: str, span: Span) -> int:
    return both.execute(statement, span).rowcount


def _columns(both: sqlite3.Connection, table: str) -> tuple[str, ...]:
    return tuple(row[1] for row in both.execute(f"PRAGMA main.table_info({table})") if row[1] != "seq")


def _units(both: sqlite3.Connection, span: Span) -> None:
    """Take in units: of one that is in both, the row that belongs to the attempt begun last."""
    names = _columns(both, "units")
    listed = ", ".join(f"u.{name}" for name in names)
    of_piece = (
        f"SELECT json_extract(c.row, '$[0]'), json_extract(c.row, '$[1]') FROM {PIECE} AND c.covers = 'units'"
        " AND (c.attempt IS NULL OR c.attempt IN (SELECT seq FROM temp.its WHERE out IS NULL))"
    )
    both.execute(
        f"INSERT INTO here.units ({', '.join(names)}) SELECT {listed} FROM main.units u"
        f" WHERE (u.serial, u.simulated) IN ({of_piece}) AND NOT EXISTS"
        " (SELECT 1 FROM here.units h WHERE h.serial = u.serial AND h.simulated = u.simulated)",
        span,
    )
    of_unit = "a.serial = u.serial AND a.simulated = u.simulated"
    latest = f"(SELECT coalesce(max(a.started), '') FROM {{0}}.attempts a WHERE {of_unit})"
    other = " OR ".join(f"u.{name} <> h.{name}" for name in names if name not in COVERED["units"])
    found = both.execute(
        f"SELECT {listed}, {', '.join(f'h.{name}' for name in names)}, {latest.format('main')}, {latest.format('here')}"
        f" FROM main.units u JOIN here.units h ON h.serial = u.serial AND h.simulated = u.simulated"
        f" WHERE (u.serial, u.simulated) IN ({of_piece}) AND ({other})"
        " AND (u.serial, u.simulated) NOT IN (SELECT serial, simulated FROM temp.strangers)",
        span,
    ).fetchall()
    for row in found:
        theirs, ours = row[: len(names)], row[len(names) : 2 * len(names)]
        if (row[-2], theirs) > (row[-1], ours):
            marks = ", ".join(f"{name} = ?" for name in names)
            values = (*theirs, *(theirs[names.index(name)] for name in COVERED["units"]))
            both.execute(f"UPDATE here.units SET {marks} WHERE serial = ? AND simulated = ?", values)


def _attempts(both: sqlite3.Connection, span: Span) -> int:
    """Take in attempts, and give each its number here; return how many are new."""
    names = _columns(both, "attempts")
    listed = ", ".join(f"a.{name}" for name in names)
    new = _run(
        both,
        f"INSERT INTO here.attempts ({', '.join(names)}) SELECT {listed} FROM temp.its i"
        " JOIN main.attempts a ON a.seq = i.seq WHERE i.out IS NULL AND i.place IS NULL ORDER BY i.seq",
        span,
    )
    both.execute(
        "UPDATE temp.its SET place = (SELECT h.seq FROM here.attempts h WHERE h.id = its.id)"
        " WHERE out IS NULL AND place IS NULL"
    )
    renewed = both.execute(
        f"SELECT {listed}, a.id FROM temp.its i JOIN main.attempts a ON a.seq = i.seq"
        f" JOIN here.attempts h ON h.id = i.id WHERE i.out IS NULL"
        f" AND ({' OR '.join(f'a.{name} IS NOT h.{name}' for name in names)})"
    ).fetchall()
    marks = ", ".join(f"{name} = ?" for name in names)
    both.executemany(f"UPDATE here.attempts SET {marks} WHERE id = ?", renewed)
    return new


def _named(both: sqlite3.Connection, table: str, span: Span, or_else: str, also: str) -> int:
    """Take in the rows of a table that the piece's entries name, in their order; return how many."""
    names, key = _columns(both, table), COVERED[table]
    on = " AND ".join(
        f"t.{column} = " + ("c.row" if len(key) == 1 else f"json_extract(c.row, '$[{place}]')")
        for place, column in enumerate(key)
    )
    piece = joined(f"JOIN main.{table} t ON {on}")
    return _run(
        both,
        f"INSERT {or_else} INTO here.{table} ({', '.join(names)}) SELECT {', '.join(f't.{name}' for name in names)}"
        f" FROM {piece} AND c.covers = '{table}'{also} ORDER BY c.seq",
        span,
    )


def _growing(both: sqlite3.Connection, table: str, span: Span, resumed: frozenset[int]) -> int:
    """Take in rows that are only ever added: the Nth entry about one of an attempt is its Nth row."""
    names = _columns(both, table)
    both.execute("DELETE FROM temp.late")
    for number, identity in both.execute("SELECT seq, id FROM temp.its WHERE out IS NULL").fetchall():
        if number in resumed:
            _late(both, table, span, number, identity)
    of_piece = "(SELECT id FROM temp.its WHERE out IS NULL AND seq NOT IN (SELECT number FROM temp.late))"
    first, last = both.execute(
        f"SELECT min(seq), max(seq) FROM (SELECT seq FROM main.{table} WHERE attempt IN {of_piece}"
        " UNION ALL SELECT seq FROM temp.late WHERE seq > 0)"
    ).fetchone()
    if first is None:
        return 0
    # Along the table, not by attempts: there the rows lie in the order in which they must come.
    return both.execute(
        f"INSERT INTO here.{table} ({', '.join(names)}) SELECT {', '.join(f't.{name}' for name in names)}"
        f" FROM main.{table} t WHERE t.seq BETWEEN ? AND ?"
        f" AND (+t.attempt IN {of_piece} OR t.seq IN (SELECT seq FROM temp.late)) ORDER BY t.seq",
        (first, last),
    ).rowcount


def _late(both: sqlite3.Connection, table: str, span: Span, number: int, identity: str) -> None:
    """Find the rows that came later of an attempt of which some are here."""
    about = {**span, "attempt": number}
    wanted, first = both.execute(
        f"SELECT count(*), min(c.seq) FROM {PIECE} AND c.covers = '{table}' AND c.attempt = :attempt", about
    ).fetchone()
    earlier = both.execute(
        f"SELECT count(*) FROM main.chain WHERE seq < ? AND covers = '{table}' AND attempt = ?", (first or 0, number)
    ).fetchone()[0]
    both.execute("INSERT INTO temp.late VALUES (0, ?)", (number,))
    both.execute(
        f"INSERT INTO temp.late SELECT t.seq, ? FROM main.{table} t WHERE t.attempt = ?"
        " ORDER BY t.seq LIMIT ? OFFSET ?",
        (number, identity, wanted, earlier),
    )


def _chain(both: sqlite3.Connection, span: Span) -> None:
    """Take in the entries, and say which of them have no row here."""
    last = both.execute("SELECT coalesce(max(seq), 0) FROM here.chain").fetchone()[0]
    both.execute(
        "INSERT INTO here.chain (origin, attempt, covers, row, old, hash, link)"
        " SELECT k.number, i.place, c.covers, c.row, c.old, c.hash, c.link"
        f" FROM {joined('LEFT JOIN temp.its i ON i.seq = c.attempt AND i.out IS NULL')}"
        " ORDER BY c.seq",
        span,
    )
    if nothing_out(both):
        return
    # The entries have their places here in the order that they had there.
    both.execute(
        "INSERT INTO here.kept_out (place, attempt, conflict, why) SELECT place, attempt, conflict, why FROM ("
        " SELECT :last + row_number() OVER (ORDER BY c.seq) AS place, i.id AS attempt,"
        " coalesce(o.conflict, i.conflict) AS conflict, coalesce(o.why, i.out) AS why"
        " FROM "
        + joined(
            "LEFT JOIN temp.its i ON i.seq = c.attempt AND i.out IS NOT NULL"
            " LEFT JOIN temp.outs o ON o.covers = c.covers AND o.row = c.row"
        )
        + ") WHERE why IS NOT NULL",
        {**span, "last": last},
    )
