"""Closes attempts that their own process can close no more: at the next opening, or by the guardian from beside it.

Both leave the same traces: the result `broken off` with its cause, whether the outputs were verified off, and an
event that says who found out.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from bringup.core.words import UNSEEN, AttemptResult
from bringup.errors import LogbookError
from bringup.logbook.chain import Chain
from bringup.logbook.empty_rescue import remove_empty
from bringup.logbook.faults import explain
from bringup.logbook.processes import Process, may_be_alive
from bringup.logbook.statements import END, event_statement
from bringup.logbook.values import flag, storable, time_text
from bringup.logbook.version import APPLICATION_ID, VERSION, version_of

if TYPE_CHECKING:
    from bringup.logbook.several_guardians import OneOf

LEFT_OPEN = "the process ended without closing it"
"""Cause of an attempt whose process died."""
WAIT_SECONDS = 5.0
"""How long the guardian waits for another writer: nothing is powered any more by then."""


def mark_broken_off(
    path: Path,
    attempt: str,
    cause: str,
    *,
    off_verified: bool | None,
    at: datetime,
    asked: bool = True,
    unseen: bool = False,
    one_of: OneOf | None = None,
) -> bool:
    """Close an attempt from another process. Returns whether it was open; an event says what is known in any case.

    Its rescue file is removed where nothing had to be put into it and its process is gone.

    `attempt`: its whole id; `off_verified`: False means that the outputs may have stayed on, None that nothing had
    been on. `asked` False: outputs that nobody can ask, which may have stayed on if the attempt used power, whatever
    `off_verified` says of something else. `unseen`: nobody saw an output that was on for too long. `at`: aware.
    `one_of`: which of how many supplies the caller knows of; off is verified only once it was said of all of them.

    Call it when what can be switched off is off: it waits up to WAIT_SECONDS for another writer. Raises LogbookError
    for a file that is gone, of another version, or cannot be written, and for an unknown attempt.
    """
    try:
        with closing(_open_existing(path)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                _check(connection, path)
                _, monotonic = _last(connection, attempt)
                if not asked:
                    off_verified = False if _powered(connection, attempt) else None
                off, data = off_verified, None
                if one_of is not None:
                    off = one_of.together(connection, attempt, off_verified)
                found = _close(connection, attempt, (AttemptResult.BROKEN_OFF, cause, time_text(at), off))
                if one_of is not None:
                    data = one_of.words(off_verified, closed=found)
                said = cause if found else f"{cause} (it was closed already)"
                _say(connection, attempt, "guardian", said, monotonic, data)
                if one_of is not None and not found:
                    one_of.correct(connection, attempt, off, cause)
                if unseen or off_verified is False:
                    _may_have_tripped(connection, attempt, cause, monotonic)
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise explain(error, path, "written to") from error
    remove_empty(path, attempt)
    return found


def close_left_open(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Mark attempts of dead processes as broken off. Returns their ids."""
    rows = connection.execute(
        "SELECT id, host, boot, process, process_started FROM attempts WHERE result IS NULL"
    ).fetchall()
    dead = tuple(row[0] for row in rows if not may_be_alive(Process(*row[1:])))
    if not dead:
        return ()
    connection.execute("BEGIN IMMEDIATE")
    try:
        for attempt in dead:
            _left_open(connection, attempt)
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
    return dead


def _open_existing(path: Path) -> sqlite3.Connection:
    """Open for writing what exists, as it is set up already. Creates nothing."""
    where = f"{path.absolute().as_uri()}?mode=rw"
    connection = sqlite3.connect(where, uri=True, isolation_level=None, timeout=WAIT_SECONDS)
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _check(connection: sqlite3.Connection, path: Path) -> None:
    if int(connection.execute("PRAGMA application_id").fetchone()[0]) != APPLICATION_ID:
        raise LogbookError(f"{path} is not a logbook of bringup")
    if version_of(connection) != VERSION:
        raise LogbookError(f"the logbook {path} is of version {version_of(connection)}, not {VERSION}")


def _left_open(connection: sqlite3.Connection, attempt: str) -> None:
    """Close one attempt at the time of the last thing it recorded; nothing says that its outputs went off."""
    last, monotonic = _last(connection, attempt)
    powered = _powered(connection, attempt)
    off_verified = False if powered else None
    if _close(connection, attempt, (AttemptResult.BROKEN_OFF, LEFT_OPEN, last, off_verified)):
        stayed = " Its outputs may have stayed on." if powered else ""
        said = f"Found open, its process gone; closed as broken off.{stayed}"
        _say(connection, attempt, "left open", said, monotonic)
        if powered:
            _may_have_tripped(connection, attempt, LEFT_OPEN, monotonic)


def _may_have_tripped(connection: sqlite3.Connection, attempt: str, cause: str, monotonic: float) -> None:
    """After this event nothing of the unit's history carries over."""
    _say(connection, attempt, "trip", f"{cause}: {UNSEEN}", monotonic)


def _powered(connection: sqlite3.Connection, attempt: str) -> bool:
    """Whether an output was seen on, or a step was begun that switches one on."""
    (powered,) = connection.execute(
        "SELECT EXISTS (SELECT 1 FROM polls WHERE attempt = :attempt AND is_on = 1)"
        " OR EXISTS (SELECT 1 FROM steps WHERE attempt = :attempt AND started IS NOT NULL"
        " AND kind IN ('apply', 'leads'))",
        {"attempt": attempt},
    ).fetchone()
    return bool(powered)


def _last(connection: sqlite3.Connection, attempt: str) -> tuple[str, float]:
    """Return the time and the monotonic time of the last thing an attempt recorded. Raises LogbookError: unknown."""
    # By the monotonic clock: the wall clock may have been set back meanwhile.
    found = connection.execute(
        "SELECT started AS at, monotonic FROM attempts WHERE id = :attempt"
        " UNION ALL SELECT started, monotonic FROM steps WHERE attempt = :attempt"
        " UNION ALL SELECT at, monotonic FROM readings WHERE attempt = :attempt"
        " UNION ALL SELECT at, monotonic FROM samples WHERE attempt = :attempt"
        " UNION ALL SELECT at, monotonic FROM events WHERE attempt = :attempt"
        " ORDER BY 2 DESC, 1 DESC LIMIT 1",
        {"attempt": attempt},
    ).fetchone()
    if found is None:
        raise LogbookError(f"no attempt {attempt} is in the logbook")
    return found[0], found[1]


def _close(connection: sqlite3.Connection, attempt: str, end: tuple[AttemptResult, str, str, bool | None]) -> bool:
    """Close an attempt if it is open. Returns whether it was."""
    result, cause, ended, off_verified = end
    statement = f"{END} AND result IS NULL"
    values = (result, storable(cause), ended, flag(off_verified), attempt)
    return bool(Chain(connection).write([(statement, values)], attempt))


def _say(
    connection: sqlite3.Connection,
    attempt: str,
    kind: str,
    text: str,
    monotonic: float,
    data: Mapping[str, str] | None = None,
) -> None:
    said = event_statement(attempt, None, kind, text, datetime.now(UTC), monotonic, data)
    Chain(connection).write([said], attempt)
