"""The questions that are asked of a logbook, as named statements in the SQL that SQLite and PostgreSQL share.

Functions take an open connection (see reading.read) and return the records of rows.py. No function of one
database only, no dates computed in SQL: times are text of one width, which sorts as it stands.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice
from types import MappingProxyType
from typing import Any

from bringup.core.frozen import frozen
from bringup.errors import CommandError
from bringup.logbook.attempt_parts import AT_A_TIME, at_a_time, counts_of, marks, warnings_of
from bringup.logbook.database import Database, Row
from bringup.logbook.deviation_queries import beside, notes_on
from bringup.logbook.deviation_rows import Beside
from bringup.logbook.filters import AS_DONE, CURRENT_ONLY, Filters, of_attempts, of_these_attempts, order, where
from bringup.logbook.known_names import check_names, find_attempt
from bringup.logbook.rework_effects import Effect, effects
from bringup.logbook.rows import LoggedAttempt, LoggedNote, LoggedReading
from bringup.logbook.sort_keys import ATTEMPT_KEYS, READING_KEYS
from bringup.logbook.unpacking import attempt_of, event_of, reading_of, step_of

READINGS = """
SELECT r.id, r.attempt, r.step, r.rail, r.quantity, r.aspect, r.value, r.unit, r.limits, r.limits_from,
       r.nominal_text, r.low_text, r.high_text, r.result, r.decision_rule, r.uncertainty, r.at, r.monotonic,
       r.instrument, r.raw, r.how, r.resolution, r.board_state, r.input_volts, r.input_amps, r.unsettled, r.lowest,
       r.highest, r.note, r.replaces, r.meter_range, r.limits_basis,
       r.coverage_factor, r.degrees_of_freedom, r.uncertainty_from, r.conformance,
       a.serial, a.simulated, a.procedure, a.board, a.revision, a.variant, a.lot, a.operator, a.bench,
       s.kind AS step_kind, s.title AS step_title, i.identity, i.calibration_due,
       (SELECT min(c.id) FROM readings c WHERE c.replaces = r.id) AS replaced_by
  FROM readings r
  JOIN attempts a ON a.id = r.attempt
  JOIN steps s ON s.attempt = r.attempt AND s.step = r.step
  LEFT JOIN instruments i ON i.attempt = r.attempt AND i.role = r.instrument
 WHERE {where}
"""

ATTEMPTS = """
SELECT a.id, a.serial, a.simulated, a.procedure, a.board, a.revision, a.variant, a.lot, a.bench, a.operator,
       a.attended, a.started, a.ended, a.result, a.cause, a.off_verified, a.tool_version, a.ambient, a.fixture,
       a.continues, (SELECT c.id FROM attempts c WHERE c.continues = a.id) AS continued_by,
       (SELECT h.link FROM chain h WHERE h.covers = 'attempts' AND h.row = a.id ORDER BY h.seq DESC LIMIT 1) AS anchor
  FROM attempts a
 WHERE {where}
"""

STEPS = "SELECT s.* FROM steps s WHERE s.attempt = :attempt ORDER BY s.step"

EVENTS = "SELECT e.* FROM events e WHERE e.attempt = :attempt ORDER BY e.monotonic, e.seq"


UNIT = "SELECT u.board, u.revision FROM units u WHERE u.serial = :serial AND u.simulated = :simulated"


@frozen
class Story:
    """One unit's attempts and notes as they were done; real and simulated ones of that number are two stories."""

    serial: str
    simulated: bool
    attempts: tuple[LoggedAttempt, ...]
    notes: tuple[LoggedNote, ...]
    last: str
    """Id of the attempt that counts as the last; '' where the unit was never run."""
    beside: Beside = Beside()
    """Reworks and what else was entered."""
    effects: tuple[Effect, ...] = ()
    """What attempts found otherwise than before a rework."""
    design: tuple[str, str] = ("", "")
    """Board and revision, as the unit was made known."""


def is_empty(connection: Database) -> bool:
    """Whether the logbook holds no attempt."""
    return connection.execute("SELECT 1 FROM attempts LIMIT 1").fetchone() is None


def readings(connection: Database, filters: Filters) -> list[LoggedReading]:
    """Return the readings asked for. Raises CommandError for names that nothing bears."""
    return readings_where(connection, check_names(connection, filters))


def behind_observations(connection: Database) -> list[LoggedReading]:
    """Return the readings that an observation refers to, corrected ones too."""
    return readings_where(connection, Filters(replaced=True), " AND r.id IN (SELECT reading FROM observation_readings)")


def each_reading(connection: Database, filters: Filters) -> Iterator[LoggedReading]:
    """Yield the same one after the other, however many they are."""
    filters = check_names(connection, filters)
    return map(reading_of, connection.execute(*_asked_readings(filters)))


def attempts(connection: Database, filters: Filters, *, brief: bool = False) -> list[LoggedAttempt]:
    """Return the attempts asked for, each with all its readings that still hold. Raises CommandError.

    `brief`: with the number of them only, which takes no more than counting.
    """
    return list(each_attempt(connection, filters, brief=brief))


def each_attempt(connection: Database, filters: Filters, *, brief: bool = False) -> Iterator[LoggedAttempt]:
    """Yield the same one after the other, however many they are."""
    filters = check_names(connection, filters)
    rows = iter(connection.execute(*_asked_attempts(filters)))
    while found := [attempt_of(row) for row in islice(rows, AT_A_TIME)]:
        yield from _filled(connection, filters, found, brief=brief)


def _filled(
    connection: Database, filters: Filters, found: Sequence[LoggedAttempt], *, brief: bool
) -> Iterator[LoggedAttempt]:
    ids = [attempt.id for attempt in found]
    of_attempt: dict[str, list[LoggedReading]] = defaultdict(list)
    for values in at_a_time([] if brief else ids):
        some = replace(filters, sort="", limit=None, only=None)
        for reading in readings_where(connection, some, f" AND r.attempt IN ({marks(values)})", values):
            of_attempt[reading.attempt].append(reading)
    counts = counts_of(connection, filters, ids) if brief else {}
    warnings = warnings_of(connection, ids)
    for attempt in found:
        count = counts.get(attempt.id, 0) if brief else len(of_attempt[attempt.id])
        told = tuple(warnings.get(attempt.id, ()))
        yield replace(attempt, readings=tuple(of_attempt[attempt.id]), reading_count=count, warnings=told)


def attempt(connection: Database, beginning: str, *, replaced: bool = False) -> LoggedAttempt:
    """Return one attempt by its id or the beginning of it, with readings, steps and events. Raises CommandError.

    `replaced`: also readings that a later one corrects.
    """
    found = attempts(connection, Filters(attempt=find_attempt(connection, beginning), replaced=replaced))
    return _whole(connection, found[0])


def history(connection: Database, serial: str, simulated: bool | None = None) -> list[Story]:
    """Return a unit's stories: the real one, the simulated one, or both. Raises CommandError for an unknown one."""
    if "*" in serial or "?" in serial:
        raise CommandError(f"'{serial}' is a pattern; a history is of one unit", "Name one serial number.")
    check_names(connection, Filters(serial=serial))
    stories = []
    for kind in (False, True) if simulated is None else (simulated,):
        key = {"serial": serial, "simulated": int(kind)}
        unit = connection.execute(UNIT, key).fetchone()
        if unit is not None:
            made = tuple(attempts(connection, Filters(serial=serial, simulated=kind, replaced=True)))
            entered = beside(connection, serial, simulated=kind)
            notes = notes_on(connection, key)
            last = attempts_where(connection, Filters(serial=serial, simulated=kind, only="last"))
            whole = tuple(_whole(connection, one) for one in made)
            found = tuple(effects(made, [each for each in entered.reworks if not each.origin.withdrawn]))
            design = (unit["board"], unit["revision"])
            stories.append(Story(serial, kind, whole, notes, last[0].id if last else "", entered, found, design))
    if not stories:
        kind_asked = "simulated" if simulated else "real"
        raise CommandError(
            f"{serial} has no {kind_asked} attempt", f"It has {'real' if simulated else 'simulated'} ones only."
        )
    return stories


def _whole(connection: Database, attempt: LoggedAttempt) -> LoggedAttempt:
    key = {"attempt": attempt.id}
    return replace(
        attempt,
        steps=tuple(step_of(row) for row in connection.execute(STEPS, key)),
        events=tuple(event_of(row) for row in connection.execute(EVENTS, key)),
    )


def readings_where(
    connection: Database, filters: Filters, also: str = "", its: Mapping[str, str] = MappingProxyType({})
) -> list[LoggedReading]:
    """`also`: a further condition; `its`: values in it."""
    statement, values = _asked_readings(filters, also)
    return [reading_of(row) for row in _rows(connection, statement, values | dict(its))]


def _asked_readings(filters: Filters, also: str = "") -> tuple[str, dict[str, Any]]:
    condition, values = where(filters)
    # Within an attempt by its monotonic clock: the wall clock may have been set back meanwhile.
    ordered, more = order(filters, READING_KEYS, (*AS_DONE, "r.monotonic", "r.seq"))
    current = "" if filters.replaced else CURRENT_ONLY
    return READINGS.format(where=condition + of_these_attempts(filters) + also + current) + ordered, values | more


def attempts_where(
    connection: Database, filters: Filters, also: str = "", its: Mapping[str, Any] = MappingProxyType({})
) -> list[LoggedAttempt]:
    """`also`: a further condition; `its`: values in it."""
    statement, values = _asked_attempts(filters, also)
    return [attempt_of(row) for row in _rows(connection, statement, dict(its) | values)]


def _asked_attempts(filters: Filters, also: str = "") -> tuple[str, dict[str, Any]]:
    filters = of_attempts(filters)
    condition, values = where(filters)
    ordered, more = order(filters, ATTEMPT_KEYS, AS_DONE)
    return ATTEMPTS.format(where=condition + also) + ordered, values | more


def _rows(connection: Database, statement: str, values: dict[str, Any]) -> list[Row]:
    return connection.execute(statement, values).fetchall()
