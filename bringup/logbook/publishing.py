"""Publishing a logbook to a PostgreSQL server: what its chain has more than the server is sent, piece by piece.

Each piece is one transaction, and publishers take turns at them. What the server has of a chain is asked anew each
time, so that a cut, a second publisher or a repetition changes nothing about what is there in the end.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bringup.core.frozen import frozen
from bringup.errors import LogbookError
from bringup.logbook.additions import opened
from bringup.logbook.chain import COVERED
from bringup.logbook.publishing_plan import PIECE, Known, Plan, pieces, plan_of
from bringup.logbook.publishing_rows import Piece, piece_of
from bringup.logbook.server import ServerConnection, check_version, opened_server, version_on
from bringup.logbook.server_address import Server
from bringup.logbook.server_dialect import VERSION_TABLE, table_statements
from bringup.logbook.server_writing import write_piece
from bringup.logbook.values import time_text
from bringup.logbook.version import VERSION

TURN = 0x62755570
"""The advisory lock that a publisher holds while it writes: only one at a time does."""
WAIT = "60s"
"""How long one waits for its turn."""
MANY = 1000
"""Rows from which on the server is told to look at its tables anew."""
TRIES = 20
"""How often it is planned anew, when somebody else publishes the same logbook meanwhile."""


@frozen
class Published:
    """What was sent. `there`: entries of this logbook's chain that the server has now."""

    attempts: int = 0
    rows: int = 0
    there: int = 0
    going: tuple[str, ...] = ()
    """Ids of attempts that are going on, which wait."""

    def as_json(self) -> dict[str, Any]:
        """Return what a program needs."""
        return {"attempts": self.attempts, "rows": self.rows, "hashes": self.there, "going": list(self.going)}

    def with_piece(self, attempts: int, rows: int) -> Published:
        """Return the same with what one more piece brought."""
        return Published(self.attempts + attempts, self.rows + rows, self.there, self.going)


class _OvertakenError(Exception):
    """Somebody else has published from the same logbook since it was planned."""


def publish(
    path: Path, server: Server, lasting: Path | None = None, told: Callable[[int, int], None] = lambda *_: None
) -> Published:
    """Send what the server lacks. `told`: called with the entries that are there, and that are to be there.

    `lasting`: the user's folder for rescue files. Raises LogbookError; what was sent by then stays.
    """
    with opened(path, lasting) as logbook:
        connection = logbook.connection
        connection.execute("PRAGMA query_only = ON")
        # One moment for all of it, whatever an attempt writes meanwhile.
        connection.execute("BEGIN")
        sent = Published()
        try:
            with opened_server(server) as there:
                _make_tables(there, server)
                for _ in range(TRIES):
                    try:
                        sent = _publish(connection, there, sent, told)
                    except _OvertakenError:
                        there.driver.rollback()
                        continue
                    if sent.rows >= MANY:
                        _learn(there)
                    return sent
        except LogbookError as error:
            raise LogbookError(
                error.message, f"{error.what_to_do} What was sent stays, and nothing is lost: publish again."
            ) from error
        raise LogbookError(f"others publish to {server} from a copy of {path} all the time", "Try again later.")


def _make_tables(there: ServerConnection, server: Server) -> None:
    """Make the tables, or bring those of an earlier version up to date; in one transaction."""
    with there.driver.transaction():
        _take_turn(there)
        version = version_on(there)
        check_version(server, version or 0)
        if version == VERSION:
            return
        if version is None:
            there.execute(f"CREATE TABLE {VERSION_TABLE} (version BIGINT NOT NULL)")
            there.execute(f"INSERT INTO {VERSION_TABLE} (version) VALUES (0)")  # noqa: S608 - a word of ours
        for statement in table_statements(after=version or 0):
            there.execute(statement)
        there.execute(f"UPDATE {VERSION_TABLE} SET version = ?", (VERSION,))  # noqa: S608 - a word of ours


def _learn(there: ServerConnection) -> None:
    """Have the server gather what it plans by: without, the first questions may take a thousand times as long."""
    with there.driver.transaction():
        there.execute(f"ANALYZE {', '.join((*COVERED, 'origins', 'chain'))}")


def _take_turn(there: ServerConnection) -> None:
    there.execute(f"SET LOCAL lock_timeout = '{WAIT}'")
    there.execute("SELECT pg_advisory_xact_lock(?)", (TURN,))


def _publish(
    connection: sqlite3.Connection, there: ServerConnection, sent: Published, told: Callable[[int, int], None]
) -> Published:
    origins = {number: (identity, made) for number, identity, made in connection.execute("SELECT * FROM origins")}
    with there.driver.transaction():
        _take_turn(there)
        numbers = {number: _number_of(there, identity, made) for number, (identity, made) in origins.items()}
        known = {number: _known(there, numbers[number]) for number in origins}
        for number, head in known.items():
            _check_older_copy(connection, there, number, head)
    plan = plan_of(connection, known)
    sent = Published(sent.attempts, sent.rows, 0, plan.going)
    wanted = sum(plan.wanted.values())
    for begin, end in pieces(connection, plan, PIECE):
        piece = piece_of(connection, plan, begin, end)
        with there.driver.transaction():
            _take_turn(there)
            for number in piece.entries:
                if _known(there, numbers[number]) != known[number]:
                    raise _OvertakenError
            new = write_piece(there, piece, numbers)
            known |= _heads(piece, known)
            _note(there, plan, known, numbers, piece)
        sent = sent.with_piece(new, piece.count)
        told(sum(head.entries for head in known.values()), wanted)
    return Published(sent.attempts, sent.rows, sum(head.entries for head in known.values()), plan.going)


def _number_of(there: ServerConnection, identity: str, made: str) -> int:
    """Return the server's number of an origin; a new one is made known."""
    row = there.execute("SELECT number FROM origins WHERE id = ?", (identity,)).fetchone()
    if row is not None:
        return int(row[0])
    number = there.execute("SELECT coalesce(max(number), 0) + 1 FROM origins").fetchone()[0]
    there.execute("INSERT INTO origins (number, id, made) VALUES (?, ?, ?)", (number, identity, made))
    return int(number)


def _known(there: ServerConnection, number: int) -> Known:
    row = there.execute("SELECT entries, link FROM publications WHERE origin = ?", (number,)).fetchone()
    return Known(0, b"") if row is None else Known(int(row[0]), bytes(row[1]))


def _check_older_copy(connection: sqlite3.Connection, there: ServerConnection, origin: int, head: Known) -> None:
    """Raise LogbookError where the server has more of an origin than the file, and the file is no beginning of that."""
    count, last = connection.execute("SELECT count(*), max(seq) FROM chain WHERE origin = ?", (origin,)).fetchone()
    if not count or count >= head.entries:
        return
    link = connection.execute("SELECT link FROM chain WHERE seq = ?", (last,)).fetchone()[0]
    if there.execute("SELECT 1 FROM chain WHERE link = ? LIMIT 1", (bytes(link),)).fetchone() is None:
        raise LogbookError(
            "the server has more of this logbook than the file, and goes on otherwise: the file is a copy that was"
            " written to, or it was altered",
            "`bringup audit` says whether the file was altered; publish from the one that was used before.",
        )


def _heads(piece: Piece, known: dict[int, Known]) -> dict[int, Known]:
    """Return what the server has of each origin after a piece."""
    return {
        origin: Known(known[origin].entries + len(entries), entries[-1].link)
        for origin, entries in piece.entries.items()
    }


def _note(there: ServerConnection, plan: Plan, known: dict[int, Known], numbers: dict[int, int], piece: Piece) -> None:
    """Keep how far each origin is published, and how far it is to be: less says that it was cut off."""
    at = time_text(datetime.now(UTC))
    for origin in piece.entries:
        head = known[origin]
        there.execute(
            "INSERT INTO publications (origin, entries, link, wanted, at) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (origin) DO UPDATE SET entries = excluded.entries, link = excluded.link,"
            " wanted = excluded.wanted, at = excluded.at",
            (numbers[origin], head.entries, head.link, plan.wanted[origin], at),
        )
