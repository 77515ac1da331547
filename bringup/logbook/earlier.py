# ruff: noqa: S608 - the SQL is put together from words of ours
"""Reads a unit's last attempt from the logbook, as far as going on with it depends on it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from bringup.core.words import AttemptResult, StepOutcome
from bringup.logbook.database import Database
from bringup.logbook.faults import explain
from bringup.logbook.opening import OpenLogbook
from bringup.logbook.past import CAME_LATE
from bringup.logbook.reworked import STANDS, rework_from
from bringup.logbook.values import time_from
from bringup.runner.earlier import Earlier, EarlierStep
from bringup.runner.records import SourceText

# An attempt that was called off before anything was done or switched leaves the one before it the last. One that came
# in late, from a rescue file, was written after others that were begun later.
_COUNTING = (
    "SELECT a.* FROM attempts a WHERE a.serial = :serial AND a.simulated = :simulated"
    " AND NOT (coalesce(a.result, '') = 'called off' AND a.off_verified IS NULL AND a.continues IS NULL"
    " AND NOT EXISTS (SELECT 1 FROM steps s WHERE s.attempt = a.id AND s.outcome = 'done' AND s.result <> '')"
    " AND NOT EXISTS (SELECT 1 FROM readings r WHERE r.attempt = a.id)"
    " AND NOT EXISTS (SELECT 1 FROM events e WHERE e.attempt = a.id AND e.kind IN ('trip', 'found-on')))"
)
_LAST = (
    f"WITH counting AS ({_COUNTING})"
    " SELECT a.id, a.started, a.result, a.cause, a.procedure, a.board, a.revision, a.variant, a.off_verified"
    f" FROM counting a WHERE NOT ({CAME_LATE} AND EXISTS (SELECT 1 FROM counting b WHERE b.started > a.started))"
    " ORDER BY a.seq DESC LIMIT 1"
)
_STEPS = (
    "SELECT s.kind, s.outcome, s.result, coalesce(s.carried_from, s.attempt), EXISTS (SELECT 1 FROM readings r"
    " WHERE r.attempt = coalesce(s.carried_from, s.attempt) AND r.step = s.step"
    " AND (r.result IN ('fail', 'conditional fail') OR (r.replaces IS NOT NULL AND r.result = 'no value'))"
    " AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id))"
    " FROM steps s WHERE s.attempt = :attempt ORDER BY s.step"
)
_SOURCES = (
    "SELECT u.kind, u.path, s.content FROM attempt_sources u JOIN sources s ON s.sha256 = u.sha256"
    " WHERE u.attempt = :attempt ORDER BY u.kind, u.path"
)
_FAILED = (
    "SELECT r.rail FROM readings r WHERE r.attempt = :attempt AND r.rail IS NOT NULL"
    " AND r.result IN ('fail', 'conditional fail', 'no value')"
    " AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id) ORDER BY r.seq"
)
_EVENT = "SELECT 1 FROM events WHERE attempt = :attempt AND kind IN ({kinds}) LIMIT 1"
# Whatever came in late is compared by wall time, too.
_REWORK = (
    "SELECT w.part, w.was, w.became, w.why, w.rails, w.at FROM reworks w JOIN attempts f ON f.id = w.follows,"
    " attempts a WHERE a.id = :attempt AND w.serial = a.serial AND w.simulated = a.simulated"
    f" AND {STANDS.format(kind='rework', of='w')}"
    f" AND (f.seq >= a.seq OR ({CAME_LATE} AND w.at >= a.started)) ORDER BY w.seq DESC LIMIT 1"
)
_POWERED = "SELECT 1 FROM steps WHERE attempt = :attempt AND kind = 'apply' AND started IS NOT NULL LIMIT 1"


def last_attempt(logbook: OpenLogbook, serial: str, *, simulated: bool) -> Earlier | None:
    """Return the unit's last attempt, also one that is still going; None if it has none. Raises LogbookError.

    One that was called off with nothing done or switched on is passed over.
    """
    try:
        return _last_attempt(logbook.connection, serial, simulated=simulated)
    except sqlite3.Error as error:
        raise explain(error, logbook.path, "read") from error


def failed_points(logbook: OpenLogbook, attempt: str) -> tuple[str, ...]:
    """Return inputs and rails of which a reading of that attempt, as corrected since, failed or has no value.

    In the order in which they were read. Raises LogbookError.
    """
    try:
        rows = logbook.connection.execute(_FAILED, {"attempt": attempt}).fetchall()
    except sqlite3.Error as error:
        raise explain(error, logbook.path, "read") from error
    return tuple(dict.fromkeys(str(row[0]) for row in rows))


def _last_attempt(connection: sqlite3.Connection, serial: str, *, simulated: bool) -> Earlier | None:
    row = connection.execute(_LAST, {"serial": serial, "simulated": int(simulated)}).fetchone()
    if row is None:
        return None
    attempt, started, result, cause, procedure, board, revision, variant, off_verified = row
    key = {"attempt": attempt}
    steps = tuple(
        EarlierStep(kind, StepOutcome(outcome) if outcome else None, found, origin, bool(doubted))
        for kind, outcome, found, origin, doubted in connection.execute(_STEPS, key)
    )
    rework = connection.execute(_REWORK, key).fetchone()
    return Earlier(
        id=attempt,
        started=time_from(started),
        result=AttemptResult(result) if result else None,
        cause=cause,
        procedure=procedure,
        board=board,
        revision=revision,
        variant=variant,
        steps=steps,
        sources=sources_of(connection, attempt),
        disturbed=next(_disturbed(connection, attempt, off_verified=off_verified), ""),
        reworked="" if rework is None else f"{rework_from(*rework[:5]).change} ({rework[5][:10]})",
    )


def sources_of(connection: Database, attempt: str) -> tuple[SourceText, ...]:
    """Return the files that an attempt was made with, as they were then."""
    return tuple(SourceText(*source) for source in connection.execute(_SOURCES, {"attempt": attempt}))


def _disturbed(connection: sqlite3.Connection, attempt: str, *, off_verified: int | None) -> Iterator[str]:
    """Say why readings of the unpowered board do not hold after that attempt; nothing if they do."""

    def any_of(statement: str) -> bool:
        return connection.execute(statement, {"attempt": attempt}).fetchone() is not None

    if any_of(_EVENT.format(kinds="'trip'")):
        yield "there was a trip, or what may have been one, in that attempt"
    if off_verified == 0:
        yield "the outputs were not verified off at the end of that attempt"
    if any_of(_POWERED) and any_of(_EVENT.format(kinds="'guardian', 'left open'")):
        yield "the tool died after it had powered the board: nobody saw whether anything tripped"
