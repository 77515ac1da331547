"""Attempts that are under way, as far as the logbook has heard of them: for whoever looks on from elsewhere."""

from __future__ import annotations

import json
from datetime import datetime, timedelta

from bringup.core.frozen import frozen
from bringup.logbook.database import Database
from bringup.logbook.filters import Filters
from bringup.logbook.queries import attempts, readings
from bringup.logbook.rows import LoggedAttempt, LoggedReading
from bringup.logbook.traces import output_names
from bringup.logbook.values import time_from

LAST_READINGS = 6

OPEN = "SELECT a.id FROM attempts a WHERE a.result IS NULL ORDER BY a.started DESC, a.seq DESC"
STEP = """
SELECT s.step, s.kind, s.title, s.started FROM steps s
 WHERE s.attempt = :attempt AND s.started IS NOT NULL AND s.ended IS NULL ORDER BY s.step DESC LIMIT 1
"""
STEPS = "SELECT count(*) AS steps FROM steps s WHERE s.attempt = :attempt"
CLOCK = "SELECT a.monotonic FROM attempts a WHERE a.id = :attempt"
POLLS = """
SELECT p.output, p.monotonic, p.volts, p.amps, p.is_on FROM polls p
 WHERE p.seq IN (SELECT max(q.seq) FROM polls q WHERE q.attempt = :attempt GROUP BY q.output) ORDER BY p.output
"""
POWER = """
SELECT e.content, e.at, e.data FROM events e
 WHERE e.attempt = :attempt AND e.kind = 'power' ORDER BY e.monotonic DESC, e.seq DESC LIMIT 1
"""
LAST_EVENT = "SELECT max(e.at) AS at FROM events e WHERE e.attempt = :attempt"
LAST_READING = "SELECT max(r.at) AS at FROM readings r WHERE r.attempt = :attempt"


@frozen
class Look:
    """The last look at one output of the supply, and when it was."""

    called: str
    """Which output that is: '1', or '1 of the supply bias' where there are several supplies."""
    volts: float | None
    amps: float | None
    is_on: bool | None
    at: datetime


@frozen
class Going:
    """One attempt under way. `step` counts from 1, 0: none has begun; `on`: what was last said of the power."""

    attempt: LoggedAttempt
    step: int
    steps: int
    kind: str
    title: str
    looks: tuple[Look, ...]
    on: bool | None
    """True once something was switched on and nothing said it went off again; None: nothing was switched on yet."""
    power: str
    """The last word about the power."""
    readings: tuple[LoggedReading, ...]
    """The last ones, newest first."""
    heard: datetime
    """When the logbook last heard of the attempt at all."""


def going(connection: Database) -> list[Going]:
    """Return the attempts that have not ended, the newest first. One whose process died stays until the next start."""
    return [_going(connection, row["id"]) for row in connection.execute(OPEN).fetchall()]


def _going(connection: Database, identity: str) -> Going:
    key = {"attempt": identity}
    attempt = attempts(connection, Filters(attempt=identity), brief=True)[0]
    newest = Filters(attempt=identity, sort="-at", limit=LAST_READINGS)
    step = connection.execute(STEP, key).fetchone()
    began = connection.execute(CLOCK, key).fetchone()["monotonic"]
    called = output_names(connection, identity)
    looks = tuple(
        Look(
            called(row["output"]).removeprefix("output "),
            row["volts"],
            row["amps"],
            None if row["is_on"] is None else bool(row["is_on"]),
            attempt.started + timedelta(seconds=row["monotonic"] - began),
        )
        for row in connection.execute(POLLS, key)
    )
    power = connection.execute(POWER, key).fetchone()
    last = [connection.execute(statement, key).fetchone()["at"] for statement in (LAST_EVENT, LAST_READING)]
    times = [time_from(text) for text in last if text]
    return Going(
        attempt,
        step["step"] if step else 0,
        connection.execute(STEPS, key).fetchone()["steps"],
        step["kind"] if step else "",
        step["title"] if step else "",
        looks,
        None if power is None else json.loads(power["data"] or "{}").get("on") != "no",
        "" if power is None else power["content"],
        tuple(readings(connection, newest)),
        max([attempt.started, *times, *(look.at for look in looks)]),
    )
