# ruff: noqa: S608 - the SQL is put together from words of ours
"""What is asked of reworks, observations, photos and dispositions, in the SQL that SQLite and PostgreSQL share."""

from __future__ import annotations

import sqlite3
from collections import defaultdict

from bringup.core.deviations import Decision
from bringup.logbook.deviation_rows import (
    Beside,
    LoggedDisposition,
    LoggedPhoto,
    LoggedRework,
    observation_from,
    origin_from,
)
from bringup.logbook.reworked import rework_from

_UNIT = "x.serial = :serial AND x.simulated = :simulated ORDER BY x.seq"
REWORKS = f"SELECT x.* FROM reworks x WHERE {_UNIT}"
OBSERVATIONS = f"SELECT x.* FROM observations x WHERE {_UNIT}"
BEHIND = (
    "SELECT o.observation, o.reading FROM observation_readings o JOIN readings r ON r.id = o.reading"
    " ORDER BY o.observation, r.at, r.id"
)
PHOTOS = (
    "SELECT x.*, p.kind, p.width, p.height, p.bytes FROM photos x LEFT JOIN pictures p ON p.sha256 = x.picture"
    f" WHERE {_UNIT}"
)
DISPOSITIONS = f"SELECT x.* FROM dispositions x WHERE {_UNIT}"


def beside(connection: sqlite3.Connection, serial: str, *, simulated: bool) -> Beside:
    """Return everything of a unit beside its attempts and notes. The connection's rows have names."""
    unit = {"serial": serial, "simulated": int(simulated)}
    behind = readings_behind(connection)
    return Beside(
        reworks=tuple(_rework(row) for row in connection.execute(REWORKS, unit)),
        observations=tuple(observation_from(row, behind[row["id"]]) for row in connection.execute(OBSERVATIONS, unit)),
        photos=tuple(photo_from(row) for row in connection.execute(PHOTOS, unit)),
        dispositions=tuple(_disposition(row) for row in connection.execute(DISPOSITIONS, unit)),
    )


def readings_behind(connection: sqlite3.Connection) -> dict[str, tuple[str, ...]]:
    """Return the ids of the readings behind each observation that has some; () for any other."""
    found: dict[str, tuple[str, ...]] = defaultdict(tuple)
    for observation, reading in connection.execute(BEHIND):
        found[observation] += (reading,)
    return found


def _rework(row: sqlite3.Row) -> LoggedRework:
    rework = rework_from(*(row[name] for name in ("part", "was", "became", "why", "rails")))
    return LoggedRework(origin_from(row), rework, row["follows"], row["monotonic"])


def photo_from(row: sqlite3.Row) -> LoggedPhoto:
    """Make the record of a row of PHOTOS."""
    size = (row["width"] or 0, row["height"] or 0)
    return LoggedPhoto(
        origin_from(row), row["file"], row["caption"], row["picture"] or "", row["kind"] or "", size, row["bytes"] or 0
    )


def _disposition(row: sqlite3.Row) -> LoggedDisposition:
    return LoggedDisposition(origin_from(row), Decision(row["kind"]), row["why"], row["reading"])
