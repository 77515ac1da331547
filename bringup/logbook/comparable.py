"""Readings as statistics take them: those with a value that counts, lean, in the order in which they were done."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from decimal import Decimal
from typing import Any

from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.taken import Point, Taken, one_of_each_unit, usual_point
from bringup.core.words import Kind, Result
from bringup.errors import CommandError
from bringup.logbook.database import Database, Row
from bringup.logbook.filters import AS_DONE, Filters, of_attempts, of_these_attempts, where
from bringup.logbook.known_names import check_names
from bringup.logbook.values import time_from

_COUNTS = (
    "r.value IS NOT NULL AND r.unsettled = 0 AND r.result <> 'not judged'"
    " AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id)"
)
"""What did not settle, or was read where it cannot be judged, is no value to reckon with."""

TAKEN = """
SELECT a.serial, a.id AS attempt, r.rail, r.quantity, r.aspect, s.kind, r.board_state, r.value, r.unit, r.limits,
       r.nominal_text, r.low_text, r.high_text, r.result, r.at, coalesce(i.identity, r.instrument) AS meter,
       r.uncertainty, r.resolution
  FROM readings r
  JOIN attempts a ON a.id = r.attempt
  JOIN steps s ON s.attempt = r.attempt AND s.step = r.step
  LEFT JOIN instruments i ON i.attempt = r.attempt AND i.role = r.instrument
 WHERE {where} AND {counts}
 ORDER BY {order}, r.monotonic, r.seq
"""

UNITS = """
SELECT r.rail, r.quantity, r.aspect, s.kind, r.board_state, count(DISTINCT a.serial) AS units
  FROM readings r
  JOIN attempts a ON a.id = r.attempt
  JOIN steps s ON s.attempt = r.attempt AND s.step = r.step
 WHERE {where} AND {counts}
 GROUP BY r.rail, r.quantity, r.aspect, s.kind, r.board_state
 ORDER BY r.rail, r.quantity, r.aspect, s.kind, r.board_state
"""
MOST_COUNTED = 5000
"""Units: of more of them, what else was read at a rail is not counted, for that takes as long as all the rest."""

_RESULTS = {str(result): result for result in Result}
KINDS = "SELECT DISTINCT a.simulated FROM attempts a WHERE {where} ORDER BY a.simulated"
BOARDS = "SELECT DISTINCT a.board FROM attempts a WHERE {where} ORDER BY a.board"


def taken(connection: Database, filters: Filters) -> list[Taken]:
    """Return the readings asked for that have a value. `filters.simulated` must be set: real and simulated never mix.

    Raises CommandError for a name that nothing bears, ValueError where it is not said which of the two.
    """
    if filters.simulated is None:
        raise ValueError("real or simulated readings, never both")
    filters = check_names(connection, filters)
    condition, values = where(filters)
    statement = TAKEN.format(counts=_COUNTS, where=condition + of_these_attempts(filters), order=", ".join(AS_DONE))
    counts: Counter[tuple[Any, ...]] = Counter()
    points: dict[tuple[Any, ...], Point] = {}
    limits: dict[tuple[Any, ...], Limits] = {}
    found = []
    for row in connection.execute(statement, values):
        key = (row["rail"], row["quantity"], row["aspect"], row["kind"], row["board_state"])
        of_attempt = (row["attempt"], *key)
        counts[of_attempt] += 1
        known = (*key, counts[of_attempt])
        point = points.get(known)
        if point is None:
            rail, quantity, *others = known
            point = points[known] = Point(rail, Kind(quantity), *others)
        found.append(_taken(row, point, limits))
    return found


@frozen
class Usual:
    """What is meant by a rail alone. `others`: what else was read there, on how many units; None: not counted."""

    point: Point
    of: list[Taken]
    """One value of each unit, in the order in which they were done."""
    others: dict[Point, int] | None
    simulated: bool


def usual(connection: Database, filters: Filters) -> Usual:
    """Return the usual readings of what was asked for: real ones, else simulated ones.

    Raises CommandError where there are neither, and for several boards.
    """
    for kind in kinds(connection, filters):
        asked = replace(filters, simulated=kind)
        groups = _first_of_each(connection, _narrow(asked)) or _first_of_each(connection, asked)
        if groups:
            _refuse_several_boards(connection, asked)
            point = usual_point({each: len(of) for each, of in groups.items()})
            units = None if len(groups[point]) > MOST_COUNTED else _units(connection, asked)
            others = None if units is None else {each: count for each, count in units.items() if each != point}
            return Usual(point, groups[point], others, kind)
    raise _nothing(filters)


def _narrow(filters: Filters) -> Filters:
    """What `usual_point` takes where it is there: the voltage in a `measure`."""
    return replace(filters, quantity=filters.quantity or Kind.VOLTAGE, step=filters.step or "measure")


def _first_of_each(connection: Database, filters: Filters) -> dict[Point, list[Taken]]:
    found = one_of_each_unit((each for each in taken(connection, filters) if each.point.nth == 1), "first")
    return dict(sorted(found.items(), key=lambda each: str(each[0])))


def of_one_kind(connection: Database, filters: Filters) -> tuple[list[Taken], bool]:
    """Return the real readings asked for, else the simulated ones, and which they are.

    Raises CommandError where there are neither, and for several boards.
    """
    for kind in kinds(connection, filters):
        asked = replace(filters, simulated=kind)
        found = taken(connection, asked)
        if found:
            _refuse_several_boards(connection, asked)
            return found, kind
    raise _nothing(filters)


def _refuse_several_boards(connection: Database, asked: Filters) -> None:
    names = boards(connection, asked)
    if len(names) > 1:
        raise CommandError(f"several boards have attempts here: {', '.join(names)}", "Name one with --board.")


def _nothing(filters: Filters) -> CommandError:
    return CommandError(
        f"no reading of {filters.rail} with a value matches",
        "`bringup readings --rail NAME` shows what there is; --last looks at each unit's last attempt.",
    )


def _units(connection: Database, filters: Filters) -> dict[Point, int]:
    """Return every point that was read, by the first such reading of an attempt, and how many units have it."""
    filters = check_names(connection, filters)
    condition, values = where(filters)
    statement = UNITS.format(counts=_COUNTS, where=condition + of_these_attempts(filters))
    return {
        Point(row["rail"], Kind(row["quantity"]), row["aspect"], row["kind"], row["board_state"]): row["units"]
        for row in connection.execute(statement, values)
    }


def kinds(connection: Database, filters: Filters) -> list[bool]:
    """Return whether real (False) and simulated (True) attempts match, real first."""
    condition, values = where(of_attempts(check_names(connection, filters)))
    return [bool(row[0]) for row in connection.execute(KINDS.format(where=condition), values)]


def boards(connection: Database, filters: Filters) -> list[str]:
    """Return the boards of the attempts that match."""
    condition, values = where(of_attempts(check_names(connection, filters)))
    return [str(row[0]) for row in connection.execute(BOARDS.format(where=condition), values)]


def _taken(row: Row, point: Point, known: dict[tuple[Any, ...], Limits]) -> Taken:
    limits = None
    if row["limits"] is not None:
        key = (row["unit"], row["low_text"], row["high_text"], row["nominal_text"], row["limits"])
        if key not in known:
            low, high, nominal = (None if text is None else Decimal(text) for text in key[1:4])
            known[key] = Limits(row["unit"], low, high, nominal, row["limits"])
        limits = known[key]
    return Taken(
        point,
        row["serial"],
        row["attempt"],
        time_from(row["at"]),
        row["value"],
        row["unit"],
        limits,
        _RESULTS[row["result"]],
        row["meter"],
        row["uncertainty"],
        row["resolution"],
    )
