# ruff: noqa: S608 - the SQL is put together from words of ours
"""What is asked of reworks, observations, photos and dispositions, in the SQL that SQLite and PostgreSQL share."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

from bringup.core.deviations import Decision, ReferenceMark
from bringup.core.limits import parse_limits
from bringup.logbook.database import Database, Row
from bringup.logbook.deviation_rows import (
    Beside,
    LoggedDisposition,
    LoggedMark,
    LoggedPhoto,
    LoggedRework,
    Origin,
    Waived,
    observation_from,
    origin_from,
    withdrawals,
)
from bringup.logbook.reworked import STANDS, rework_from
from bringup.logbook.rows import LoggedNote
from bringup.logbook.unpacking import note_of

_UNIT = "x.serial = :serial AND x.simulated = :simulated ORDER BY x.seq"
REWORKS = f"SELECT x.* FROM reworks x WHERE {_UNIT}"
REWORKS_SINCE = (
    "SELECT x.* FROM reworks x WHERE x.attempt IS NULL AND x.follows IS NOT NULL"
    f" AND {STANDS.format(kind='rework', of='x')} ORDER BY x.seq"
)
NOTES = "SELECT n.* FROM notes n WHERE n.serial = :serial AND n.simulated = :simulated ORDER BY n.seq"
WITHDRAWALS = f"SELECT x.* FROM withdrawals x WHERE {_UNIT}"
OBSERVATIONS = f"SELECT x.* FROM observations x WHERE {_UNIT}"
BEHIND = (
    "SELECT o.observation, o.reading FROM observation_readings o JOIN readings r ON r.id = o.reading"
    " ORDER BY o.observation, r.at, r.id"
)
PHOTOS = (
    "SELECT x.*, p.kind, p.width, p.height, p.bytes FROM photos x LEFT JOIN pictures p ON p.sha256 = x.picture"
    f" WHERE {_UNIT}"
)
DISPOSITIONS = (
    "SELECT x.*, r.rail, r.quantity, r.aspect FROM dispositions x LEFT JOIN readings r ON r.id = x.reading"
    " WHERE (:serial IS NULL OR (x.serial = :serial AND x.simulated = :simulated)) ORDER BY x.seq"
)
REFERENCE_MARKS = f"SELECT x.* FROM reference_marks x WHERE {_UNIT}"


def beside(connection: Database, serial: str, *, simulated: bool) -> Beside:
    """Return everything of a unit beside its attempts and notes. The connection's rows have names."""
    unit = {"serial": serial, "simulated": int(simulated)}
    behind = readings_behind(connection)
    struck = withdrawals(connection.execute(WITHDRAWALS, unit))
    reworks = (_rework(row) for row in connection.execute(REWORKS, unit))
    observations = (observation_from(row, behind[row["id"]]) for row in connection.execute(OBSERVATIONS, unit))
    return Beside(
        reworks=tuple(replace(each, origin=_struck("rework", each.origin, struck)) for each in reworks),
        observations=tuple(replace(each, origin=_struck("observation", each.origin, struck)) for each in observations),
        photos=tuple(photo_from(row) for row in connection.execute(PHOTOS, unit)),
        dispositions=tuple(_disposition(row) for row in connection.execute(DISPOSITIONS, unit)),
        references=tuple(mark_from(row) for row in connection.execute(REFERENCE_MARKS, unit)),
    )


def notes_on(connection: Database, unit: Mapping[str, object]) -> tuple[LoggedNote, ...]:
    """Return a unit's notes in the order in which they were entered. `unit`: serial and simulated (0 or 1)."""
    struck = withdrawals(connection.execute(WITHDRAWALS, unit))
    notes = (note_of(row) for row in connection.execute(NOTES, unit))
    return tuple(replace(note, withdrawn=struck.get(("note", note.id), "")) for note in notes)


def _struck(kind: str, origin: Origin, struck: dict[tuple[str, str], str]) -> Origin:
    said = struck.get((kind, origin.id), "")
    return replace(origin, withdrawn=said) if said else origin


def readings_behind(connection: Database) -> dict[str, tuple[str, ...]]:
    """Return the ids of the readings behind each observation that has some; () for any other."""
    found: dict[str, tuple[str, ...]] = defaultdict(tuple)
    for observation, reading in connection.execute(BEHIND):
        found[observation] += (reading,)
    return found


def _rework(row: Row) -> LoggedRework:
    rework = rework_from(*(row[name] for name in ("part", "was", "became", "why", "rails")))
    return LoggedRework(origin_from(row), rework, row["follows"], row["monotonic"])


def photo_from(row: Row) -> LoggedPhoto:
    """Make the record of a row of PHOTOS."""
    size = (row["width"] or 0, row["height"] or 0)
    return LoggedPhoto(
        origin_from(row), row["file"], row["caption"], row["picture"] or "", row["kind"] or "", size, row["bytes"] or 0
    )


def mark_from(row: Row) -> LoggedMark:
    """Make the record of a row of `reference_marks`."""
    return LoggedMark(origin_from(row), row["about"], ReferenceMark(row["kind"]), row["why"])


def _disposition(row: Row) -> LoggedDisposition:
    waived = None
    if row["reading"] is not None:
        limits = None if row["limits"] is None else parse_limits(row["limits"])
        waived = Waived(row["reading"], row["rail"], row["quantity"], row["aspect"], limits)
    return LoggedDisposition(origin_from(row), Decision(row["kind"]), row["why"], waived)


def all_dispositions(connection: Database) -> dict[tuple[str, bool], tuple[LoggedDisposition, ...]]:
    """Return the decisions about every unit, by serial number and whether it is simulated, oldest first."""
    found: dict[tuple[str, bool], tuple[LoggedDisposition, ...]] = defaultdict(tuple)
    for row in connection.execute(DISPOSITIONS, {"serial": None, "simulated": 0}):
        made = _disposition(row)
        found[made.origin.serial, made.origin.simulated] += (made,)
    return found


def reworks_since(connection: Database) -> dict[str, tuple[LoggedRework, ...]]:
    """Return what was changed after the end of each attempt, before the next one on that unit, by the attempt's id."""
    found: dict[str, tuple[LoggedRework, ...]] = defaultdict(tuple)
    for row in connection.execute(REWORKS_SINCE):
        found[row["follows"]] += (_rework(row),)
    return found
