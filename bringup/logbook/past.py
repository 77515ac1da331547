# ruff: noqa: S608 - the SQL is put together from words of ours
"""What the logbook knows of a unit before an attempt begins: the gate of first power asks it.

Attempts are ordered by when they were written, and within one by its monotonic clock, not by wall time: a computer
whose clock jumped must not make a trip look older than it is. One that came in late, from a rescue file, was written
before that: it vouches only for what holds by wall time, too. Real and simulated units are two things that happen to
share a serial number.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from typing import Any

from bringup.core.deviations import Decision
from bringup.core.placement import PART
from bringup.core.words import PASSED, Kind
from bringup.errors import LogbookError
from bringup.logbook.reworked import Done, Moment, reworks_of, undone
from bringup.runner.records import IRREVERSIBLE_BEGUN, IRREVERSIBLE_ENDED, AttemptStart, Once, UnitHistory

TAKEN_IN = "rescued"
"""Kind of the event that says that rows of the attempt came in late, from a rescue file."""

TRIP = "trip"
"""Kind of the event after which nothing carries over."""


def came_late(attempts: str) -> str:
    """Return the condition on attempts of that name: what is known of one came in, in part or as a whole, after it."""
    # A set that is made once for a statement, and mostly empty: nothing is looked up for each attempt. What is of
    # another logbook (merge) was recorded beside this one's.
    late = f"SELECT l.attempt FROM events l WHERE l.kind = '{TAKEN_IN}'"
    others = "SELECT o.row FROM chain o WHERE o.covers = 'attempts' AND o.origin <> 1"
    return f"{attempts}.id IN ({late} UNION ALL {others})"


CAME_LATE = came_late("a")

# After every trip by order of writing; what came in late by wall time, too. `within`: which trips of the same attempt
# count.
_SINCE_TRIPS = (
    " AND NOT EXISTS (SELECT 1 FROM attempts b JOIN events t ON t.attempt = b.id"
    " WHERE b.serial = :serial AND b.simulated = :simulated AND b.id <> :leave_out"
    f" AND t.kind = '{TRIP}' AND (b.seq > a.seq OR (b.seq = a.seq AND {{within}})"
    f" OR (b.seq < a.seq AND b.started >= a.started AND {CAME_LATE})))"
)


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
        return UnitHistory(held=held(connection, serial, simulated=simulated))
    late = _late(connection, unit)
    reworks = reworks_of(connection, serial, simulated=simulated)
    powered = connection.execute(
        f"SELECT a.seq, coalesce(s.monotonic, a.monotonic, 0.0), a.started, {CAME_LATE}"
        " FROM attempts a JOIN steps s ON s.attempt = a.id"
        " WHERE a.serial = :serial AND a.simulated = :simulated AND a.id <> :leave_out"
        " AND a.result = 'passed' AND a.attended = 1 AND s.kind = 'apply' AND s.outcome = 'done'"
        f"{_SINCE_TRIPS.format(within='1')}",
        unit,
    ).fetchall()
    return UnitHistory(
        known=True,
        first_power_passed=any(not undone(reworks, _moment(*row)) for row in powered),
        resistance_seen=_points_passed(connection, unit, ("resistance", Kind.RESISTANCE), reworks, late=late),
        leads_seen=_leads_passed(connection, unit, reworks, late=late),
        irreversible=_irreversible(connection, unit, late=late),
        parts=_parts(connection, unit),
        reworked=reworks[-1].said if reworks else "",
        held=held(connection, serial, simulated=simulated),
    )


def _parts(connection: sqlite3.Connection, unit: dict[str, Any]) -> dict[str, str]:
    """Return what became of parts that were not placed, as it was said last. Trips change nothing about that."""
    rows = connection.execute(
        "SELECT e.data FROM events e JOIN attempts a ON a.id = e.attempt"
        " WHERE a.serial = :serial AND a.simulated = :simulated AND a.id <> :leave_out AND e.kind = :part"
        " AND e.data IS NOT NULL ORDER BY a.started, e.monotonic",
        unit | {"part": PART},
    ).fetchall()
    said = (json.loads(data) for (data,) in rows)
    return {each["part"]: each["is"] for each in said if "part" in each}


def held(connection: sqlite3.Connection, serial: str, *, simulated: bool) -> str:
    """Return in words that a unit is in quarantine or scrapped; '' if it is not, or was released since."""
    row = connection.execute(
        "SELECT kind, at, who, why FROM dispositions WHERE serial = :serial AND simulated = :simulated"
        " AND kind <> 'waiver' ORDER BY seq DESC LIMIT 1",
        {"serial": serial, "simulated": int(simulated)},
    ).fetchone()
    if row is None or row[0] == Decision.RELEASED:
        return ""
    state = "scrapped" if row[0] == Decision.SCRAP else "in quarantine"
    return f"{state} since {row[1][:10]}, by {row[2]}: {row[3]}"


def _moment(seq: int, monotonic: float, started: str, late: int) -> Moment:
    return Moment(seq, monotonic, started, bool(late))


def _late(connection: sqlite3.Connection, unit: dict[str, Any]) -> bool:
    """Whether anything of the unit came in late: the order of its attempts is in doubt."""
    found = connection.execute(
        "SELECT 1 FROM attempts a WHERE a.serial = :serial AND a.simulated = :simulated AND a.id <> :leave_out"
        f" AND {CAME_LATE} LIMIT 1",
        unit,
    ).fetchone()
    return found is not None


def _irreversible(connection: sqlite3.Connection, unit: dict[str, Any], *, late: bool) -> dict[str, Once]:
    """Irreversible steps that were ever begun on the unit, trips and all: by name, and by what they do.

    `late`: one that passed must have passed last by wall time, too.
    """
    rows = connection.execute(
        "SELECT e.kind, e.at, e.attempt, e.data, a.started, e.monotonic"
        " FROM events e JOIN attempts a ON a.id = e.attempt"
        " WHERE a.serial = :serial AND a.simulated = :simulated AND a.id <> :leave_out AND e.kind IN (:begun, :ended)"
        " ORDER BY a.seq, e.monotonic",
        unit | {"begun": IRREVERSIBLE_BEGUN, "ended": IRREVERSIBLE_ENDED},
    ).fetchall()
    found = _once(rows)
    if not late:
        return found
    by_time = _once(sorted(rows, key=lambda row: row[4:6]))
    return {key: by_time[key] if once.passed else once for key, once in found.items()}


def _once(rows: Sequence[tuple[Any, ...]]) -> dict[str, Once]:
    """Return the last that is known of each irreversible step, of events in order."""
    found: dict[str, Once] = {}
    for kind, at, attempt, data, *_ in rows:
        said = json.loads(data)
        passed = kind == IRREVERSIBLE_ENDED and said["result"] == "pass"
        became = "done" if passed else "begun, its end unknown" if kind == IRREVERSIBLE_BEGUN else said["result"]
        once = Once(passed, f"{became} at {at} in attempt {attempt[:8]}")
        for key in filter(None, (said["name"], said["what"])):
            found[key] = once
    return found


def _leads_passed(
    connection: sqlite3.Connection, unit: dict[str, Any], reworks: tuple[Done, ...], *, late: bool
) -> frozenset[tuple[str, str]]:
    """Bench and input of the leads that passed when they were read last there: leads belong to a bench.

    Whatever a rework touched, the board was off its leads for it.
    """
    benches = connection.execute(
        "SELECT DISTINCT a.bench FROM attempts a WHERE a.serial = :serial AND a.simulated = :simulated", unit
    ).fetchall()
    return frozenset(
        (bench, name)
        for (bench,) in benches
        for name in _points_passed(connection, unit, ("leads", Kind.VOLTAGE), reworks, late=late, bench=bench)
    )


def _points_passed(
    connection: sqlite3.Connection,
    unit: dict[str, Any],
    what: tuple[str, Kind],
    reworks: tuple[Done, ...],
    *,
    late: bool,
    bench: str | None = None,
) -> frozenset[str]:
    """Points of which everything that the latest such step read passed; corrected readings do not count.

    `what`: kind of the step and of its readings; `reworks`: readings from before those that touch a rail do not count;
    `late`: the latest step by wall time must have passed, too; `bench`: on that one only.
    """
    found = connection.execute(
        f"SELECT r.rail, r.attempt, r.step, r.result, a.started, a.seq, r.monotonic, {CAME_LATE} FROM readings r"
        " JOIN attempts a ON a.id = r.attempt JOIN steps s ON s.attempt = r.attempt AND s.step = r.step"
        " WHERE a.serial = :serial AND a.simulated = :simulated AND a.id <> :leave_out"
        " AND (:bench IS NULL OR a.bench = :bench) AND s.kind = :kind AND r.quantity = :quantity AND r.rail IS NOT NULL"
        # Between two points, or with the leads swapped: nothing there vouches for the point, only against it.
        " AND (s.kind <> 'resistance' OR r.aspect = '' OR r.result IN ('fail', 'no value'))"
        " AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id)"
        f"{_SINCE_TRIPS.format(within='t.monotonic >= r.monotonic')} ORDER BY a.seq, r.monotonic",
        unit | {"kind": what[0], "quantity": what[1], "bench": bench},
    ).fetchall()
    any_of_them = what[1] is not Kind.RESISTANCE
    rows = [
        row
        for row in found
        if not undone(reworks, _moment(row[5], row[6], row[4], row[7]), None if any_of_them else row[0])
    ]
    passed = _latest_passed(rows)
    return passed & _latest_passed(sorted(rows, key=lambda row: row[4:7])) if late else passed


def _latest_passed(rows: Sequence[tuple[Any, ...]]) -> frozenset[str]:
    """Return the points of which the last step in that order passed."""
    latest: dict[str, tuple[str, int]] = {}
    passed: dict[str, bool] = {}
    for rail, attempt, number, result, *_ in rows:
        if latest.get(rail) != (attempt, number):
            latest[rail], passed[rail] = (attempt, number), True
        passed[rail] = passed[rail] and result in PASSED
    return frozenset(rail for rail, good in passed.items() if good)
