"""What the logbook knows of a unit before an attempt begins: the gate of first power asks it.

Attempts are ordered by when they were written, and within one by its monotonic clock, never by wall time: a
computer whose clock jumped must not make a trip look older than it is. Real and simulated units are two things
that happen to share a serial number.
"""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from bringup.core.words import Kind, Result
from bringup.errors import LogbookError
from bringup.runner.records import IRREVERSIBLE_BEGUN, IRREVERSIBLE_ENDED, AttemptStart, Once, UnitHistory

TAKEN_IN = "rescued"
"""Kind of the event that says that rows of the attempt came in late, from a rescue file."""

TRIP = "trip"
"""Kind of the event after which nothing carries over."""

_PASSED = (Result.PASS, Result.CONDITIONAL_PASS)


def check_same_board(connection: sqlite3.Connection, start: AttemptStart) -> None:
    """Raise LogbookError if this serial number belongs to a unit of another board."""
    row = connection.execute(
        "SELECT board FROM units WHERE serial = ? AND simulated = ?", (start.serial, int(start.simulated))
    ).fetchone()
    if row is not None and " ".join(row[0].split()).casefold() != " ".join(start.board.split()).casefold():
        raise LogbookError(
            f"{start.serial} is in this logbook as a unit of the board '{row[0]}', not of '{start.board}'",
            "Check the serial number and the procedure. Boards whose serial numbers overlap need a logbook each"
            " (--logbook).",
        )


def unit_history(
    connection: sqlite3.Connection, serial: str, *, simulated: bool, leave_out: str | None = None
) -> UnitHistory:
    """What earlier attempts settle. `leave_out`: the attempt under way, which is not its own past."""
    unit: dict[str, str | int] = {"serial": serial, "simulated": int(simulated), "leave_out": leave_out or ""}
    known = connection.execute(
        "SELECT 1 FROM attempts WHERE serial = :serial AND simulated = :simulated AND id <> :leave_out LIMIT 1", unit
    ).fetchone()
    if known is None:
        return UnitHistory()
    trip = connection.execute(
        "SELECT a.seq, e.monotonic FROM events e JOIN attempts a ON a.id = e.attempt"
        " WHERE a.serial = :serial AND a.simulated = :simulated AND a.id <> :leave_out AND e.kind = :trip"
        " ORDER BY a.seq DESC, e.monotonic DESC LIMIT 1",
        unit | {"trip": TRIP},
    ).fetchone()
    seq, monotonic = trip or (-1, 0.0)
    since = unit | {"seq": seq, "monotonic": monotonic}
    powered = connection.execute(
        "SELECT 1 FROM attempts a JOIN steps s ON s.attempt = a.id"
        " WHERE a.serial = :serial AND a.simulated = :simulated AND a.id <> :leave_out AND a.seq > :seq"
        " AND a.result = 'passed' AND a.attended = 1 AND s.kind = 'apply' AND s.outcome = 'done' LIMIT 1",
        since,
    ).fetchone()
    return UnitHistory(
        known=True,
        first_power_passed=powered is not None,
        resistance_seen=_points_passed(connection, since, "resistance", Kind.RESISTANCE),
        leads_seen=_points_passed(connection, since, "leads", Kind.VOLTAGE),
        irreversible=_irreversible(connection, unit),
    )


def _irreversible(connection: sqlite3.Connection, unit: dict[str, Any]) -> dict[str, Once]:
    """Irreversible steps that were ever begun on the unit, trips and all: by name, and by what they do."""
    rows = connection.execute(
        "SELECT e.kind, e.at, e.attempt, e.data FROM events e JOIN attempts a ON a.id = e.attempt"
        " WHERE a.serial = :serial AND a.simulated = :simulated AND a.id <> :leave_out AND e.kind IN (:begun, :ended)"
        " ORDER BY a.seq, e.monotonic",
        unit | {"begun": IRREVERSIBLE_BEGUN, "ended": IRREVERSIBLE_ENDED},
    ).fetchall()
    found: dict[str, Once] = {}
    for kind, at, attempt, data in rows:
        said = json.loads(data)
        passed = kind == IRREVERSIBLE_ENDED and said["result"] == "pass"
        became = "done" if passed else "begun, its end unknown" if kind == IRREVERSIBLE_BEGUN else said["result"]
        once = Once(passed, f"{became} at {at} in attempt {attempt[:8]}")
        for key in filter(None, (said["name"], said["what"])):
            found[key] = once
    return found


def _points_passed(connection: sqlite3.Connection, since: dict[str, Any], step: str, quantity: Kind) -> frozenset[str]:
    """Points of which everything that the latest such step read passed; corrected readings do not count."""
    rows = connection.execute(
        "SELECT r.rail, r.attempt, r.step, r.result FROM readings r"
        " JOIN attempts a ON a.id = r.attempt JOIN steps s ON s.attempt = r.attempt AND s.step = r.step"
        " WHERE a.serial = :serial AND a.simulated = :simulated AND a.id <> :leave_out"
        " AND (a.seq > :seq OR (a.seq = :seq AND r.monotonic > :monotonic))"
        " AND s.kind = :kind AND r.quantity = :quantity AND r.rail IS NOT NULL"
        " AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id)"
        " ORDER BY a.seq, r.monotonic",
        since | {"kind": step, "quantity": quantity},
    ).fetchall()
    latest: dict[str, tuple[str, int]] = {}
    passed: dict[str, bool] = {}
    for rail, attempt, number, result in rows:
        if latest.get(rail) != (attempt, number):
            latest[rail], passed[rail] = (attempt, number), True
        passed[rail] = passed[rail] and result in _PASSED
    return frozenset(rail for rail, good in passed.items() if good)
