"""Which readings and attempts are asked for: filters as SQL that SQLite and PostgreSQL share.

Names are checked first, in known_names.py; names that exist and have no row in common are simply an empty answer.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from bringup.core.frozen import frozen
from bringup.core.words import AttemptResult, Kind, Result
from bringup.errors import CommandError
from bringup.logbook.past import came_late
from bringup.logbook.values import time_text

ID_SHOWN = 8
"""How many characters of an attempt's id are shown to people; any unambiguous beginning is understood."""


@frozen
class Filters:
    """None: no restriction. Text may hold `*` (any characters) and `?` (one); times are aware, both ends included."""

    serial: str | None = None
    procedure: str | None = None
    board: str | None = None
    revision: str | None = None
    variant: str | None = None
    lot: str | None = None
    operator: str | None = None
    bench: str | None = None
    firmware: str | None = None
    """What the board named as its own: the word `version` or `firmware` of a `listen` of the attempt."""
    attempt: str | None = None
    """An id or the beginning of one."""
    attempt_result: AttemptResult | None = None
    since: datetime | None = None
    until: datetime | None = None
    """When the attempt started."""
    simulated: bool | None = None
    only: str | None = None
    """'first' or 'last' attempt of each unit (of those with this procedure, where one is asked for)."""
    rail: str | None = None
    step: str | None = None
    """The kind of step that a reading is from: 'measure', 'resistance'."""
    board_state: str | None = None
    instrument: str | None = None
    """What took a reading: role, model, serial number or whole identity."""
    used: str | None = None
    """The same of any instrument of an attempt."""
    quantity: Kind | None = None
    result: Result | None = None
    replaced: bool = False
    """Also readings that a later one corrects."""
    having: Filters | None = None
    """Of attempts: that one of their readings, which none corrects, is all that this asks of readings."""
    sort: str = ""
    """A name of the statement's sort keys, with `-` in front for the other way round."""
    limit: int | None = None


_COLUMNS = {
    name: f"a.{name}" for name in ("serial", "procedure", "board", "revision", "variant", "lot", "operator", "bench")
}
_OF_READINGS = {"rail": "r.rail", "step": "s.kind", "board_state": "r.board_state"}
"""Filter by name -> its column."""

_ASKED_OF_READINGS = (*_OF_READINGS, "instrument", "quantity", "result")

CURRENT_ONLY = " AND NOT EXISTS (SELECT 1 FROM readings c WHERE c.replaces = r.id)"

_HAVING = (
    "a.id IN (SELECT r.attempt FROM readings r JOIN steps s ON s.attempt = r.attempt AND s.step = r.step"
    " LEFT JOIN instruments i ON i.attempt = r.attempt AND i.role = r.instrument WHERE {where})"
)

_CALLED = (
    "(i.role LIKE :{0} ESCAPE '\\' OR i.model LIKE :{0} ESCAPE '\\' OR i.serial LIKE :{0} ESCAPE '\\'"
    " OR i.identity LIKE :{0} ESCAPE '\\')"
)
"""That the instrument `i` is called so, one way or another."""

FIRMWARE_WORDS = ("version", "firmware")
"""Words of a `listen` (`words:` in the procedure file) that are taken for the version of the board's firmware."""

_FIRMWARE = " OR ".join(f"e.data LIKE :{word}_named ESCAPE '\\'" for word in FIRMWARE_WORDS)


def is_pattern(asked: str) -> bool:
    """Whether it stands for any number of names."""
    return "*" in asked or "?" in asked


def is_called(column: str, name: str, asked: str) -> str:
    """Return the condition that a column is what is asked for, the value `name`. Only `=` is sure of an index."""
    return f"{column} LIKE :{name} ESCAPE '\\'" if is_pattern(asked) else f"{column} = :{name}"


def like(pattern: str) -> str:
    """Turn `*` and `?` into a LIKE pattern, whose own signs are escaped with a backslash."""
    for sign in "\\%_":
        pattern = pattern.replace(sign, "\\" + sign)
    return pattern.replace("*", "%").replace("?", "_")


def where(filters: Filters) -> tuple[str, dict[str, str | int]]:
    """Return the condition on `a` (attempts) and `r` (readings, where one of those is asked for), and its values."""
    clauses, values = ["1 = 1"], dict[str, str | int]()
    _named(filters, _COLUMNS, "", clauses, values)
    _of_readings(filters, "", clauses, values)
    if filters.having is not None:
        of_one = ["1 = 1"]
        _of_readings(filters.having, "its_", of_one, values)
        clauses.append(_HAVING.format(where=" AND ".join(of_one) + CURRENT_ONLY))
    if filters.used is not None:
        clauses.append(f"EXISTS (SELECT 1 FROM instruments i WHERE i.attempt = a.id AND {_CALLED.format('used')})")  # noqa: S608 - words of ours
        values["used"] = like(filters.used)
    if filters.firmware is not None:
        clauses.append(f"EXISTS (SELECT 1 FROM events e WHERE e.attempt = a.id AND e.kind = 'heard' AND ({_FIRMWARE}))")  # noqa: S608 - words of ours
        written = like(json.dumps(filters.firmware, ensure_ascii=False))
        values |= {f"{word}_named": f'%"{word}": {written}%' for word in FIRMWARE_WORDS}
    plain: tuple[tuple[str, str, str | int | None], ...] = (
        ("attempt", "a.id = :attempt", filters.attempt),
        ("attempt_result", "a.result = :attempt_result", filters.attempt_result),
        ("since", "a.started >= :since", time_text(filters.since) if filters.since else None),
        ("until", "a.started <= :until", time_text(filters.until) if filters.until else None),
        ("simulated", "a.simulated = :simulated", None if filters.simulated is None else int(filters.simulated)),
    )
    for name, clause, value in plain:
        if value is not None:
            clauses.append(clause)
            values[name] = value
    if filters.only is not None:
        clauses.append(_first_or_last(filters))
    return " AND ".join(clauses), values


def _named(
    filters: Filters, columns: Mapping[str, str], mark: str, clauses: list[str], values: dict[str, str | int]
) -> None:
    """Add the conditions on names. `mark`: before the name of each value, to tell it from another of its kind."""
    for name, column in columns.items():
        asked = getattr(filters, name)
        if asked is not None:
            clauses.append(is_called(column, mark + name, asked))
            values[mark + name] = like(asked) if is_pattern(asked) else asked


def _of_readings(filters: Filters, mark: str, clauses: list[str], values: dict[str, str | int]) -> None:
    """Add the conditions on `r`, its step `s` and its instrument `i`."""
    _named(filters, _OF_READINGS, mark, clauses, values)
    if filters.instrument is not None:
        clauses.append(_CALLED.format(f"{mark}instrument"))
        values[f"{mark}instrument"] = like(filters.instrument)
    for name in ("quantity", "result"):
        asked = getattr(filters, name)
        if asked is not None:
            clauses.append(f"r.{name} = :{mark}{name}")
            values[mark + name] = str(asked)


def of_these_attempts(filters: Filters) -> str:
    """Return a further condition on `r`, which says nothing new: that its attempt is one of those asked for.

    It has the database find attempts first and then their readings, where it would go through all readings; '' where a
    rail is asked for, for there is an index on these. Its values are those of `where`.
    """
    condition, _ = where(replace(of_attempts(filters), only=None))
    if filters.rail is not None or condition == "1 = 1":
        return ""
    return f" AND r.attempt IN (SELECT a.id FROM attempts a WHERE {condition})"  # noqa: S608 - words of ours


def of_attempts(filters: Filters) -> Filters:
    """Return them without what is asked of readings."""
    nothing: dict[str, Any] = dict.fromkeys(_ASKED_OF_READINGS)
    return replace(filters, **nothing)


def with_such_a_reading(filters: Filters) -> Filters:
    """Return what asks for the attempts that have a reading of which all holds that is asked of readings."""
    asked: dict[str, Any] = {name: getattr(filters, name) for name in _ASKED_OF_READINGS}
    having = Filters(**asked)
    return replace(of_attempts(filters), having=None if having == Filters() else having)


_BEFORE = "(SELECT min(c.seq) FROM attempts c WHERE c.started > a.started AND c.seq < a.seq)"
AS_DONE = (
    f"CASE WHEN {came_late('a')} THEN coalesce({_BEFORE}, a.seq) ELSE a.seq END",
    f"CASE WHEN {came_late('a')} THEN 0 ELSE 1 END",
    "a.started",
    "a.seq",
)
"""The order in which attempts were done: that of recording, for the wall clock may have been set back between two.

One that came in late, from a rescue file, stands before the first of those recorded sooner that was begun later.
"""


def order(filters: Filters, keys: Mapping[str, str], as_done: tuple[str, ...]) -> tuple[str, dict[str, str | int]]:
    """Return ORDER BY (and LIMIT); without a sort key, as it was done. Raises CommandError for a key there is not."""
    key = filters.sort.removeprefix("-")
    if key and key not in keys:
        raise CommandError(f"cannot sort by '{key}'", f"Sort by one of: {', '.join(keys)}.")
    direction = "DESC" if filters.sort.startswith("-") else "ASC"
    columns = dict.fromkeys((keys[key], *as_done) if key else as_done)
    # Rows without a value come last whichever way: NULLs sort differently in the two databases.
    text = f"ORDER BY CASE WHEN {keys[key]} IS NULL THEN 1 ELSE 0 END, " if key else "ORDER BY "
    text += ", ".join(f"{column} {direction}" for column in columns)
    if filters.limit is None:
        return text, {}
    return f"{text} LIMIT :limit", {"limit": filters.limit}


def _first_or_last(filters: Filters) -> str:
    """Return the condition that an attempt is its unit's first or last one, by the order in which they were recorded.

    The wall clock may have been set meanwhile, so it decides only over one that came in late, from a rescue file: that
    was recorded after others that were begun later. It is the last (first) one if none was begun later (earlier).
    Sets that are made once for the statement, of one unit where one is asked for: nothing is looked up for each row.
    """
    beyond = "c.started < b.started" if filters.only == "first" else "c.started > b.started"

    def also(name: str, of: str) -> str:
        asked = getattr(filters, name)
        return "" if asked is None else f" AND {is_called(f'{of}.{name}', name, asked)}"

    asked = also("serial", "b") + also("procedure", "b")
    same = f"c.serial = b.serial AND c.simulated = b.simulated{also('procedure', 'c')}"
    others = f"EXISTS (SELECT 1 FROM attempts c WHERE {same} AND {beyond})"  # noqa: S608 - words of ours

    def of_each(which: str, condition: str) -> str:
        return f"SELECT {which}(b.seq) FROM attempts b WHERE {condition}{asked} GROUP BY b.serial, b.simulated"  # noqa: S608

    late = came_late("b")
    if filters.only == "last":
        return f"a.seq IN ({of_each('max', f'NOT ({late} AND {others})')})"
    late = f"{late} AND NOT {others}"
    units = f"SELECT b.serial, b.simulated FROM attempts b WHERE {late}{asked}"  # noqa: S608
    usual = f"a.seq IN ({of_each('min', '1 = 1')}) AND (a.serial, a.simulated) NOT IN ({units})"
    return f"(a.seq IN ({of_each('min', late)}) OR ({usual}))"
