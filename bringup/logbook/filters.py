"""Which readings and attempts are asked for: filters as SQL that SQLite and PostgreSQL share, names checked first.

A name that is nowhere in the logbook is a mistake (CommandError, with the nearest known one); names that exist and
have no row in common are simply an empty answer.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from fnmatch import fnmatchcase

from bringup.core.frozen import frozen
from bringup.core.words import AttemptResult, Kind, Result
from bringup.errors import CommandError
from bringup.logbook.database import Database
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
    sort: str = ""
    """A name of the statement's sort keys, with `-` in front for the other way round."""
    limit: int | None = None


_NAMES: dict[str, tuple[str, str]] = {
    "serial": ("a.serial", "SELECT DISTINCT serial FROM units"),
    "procedure": ("a.procedure", "SELECT DISTINCT procedure FROM attempts"),
    "board": ("a.board", "SELECT DISTINCT board FROM attempts"),
    "revision": ("a.revision", "SELECT DISTINCT revision FROM attempts"),
    "variant": ("a.variant", "SELECT DISTINCT variant FROM attempts"),
    "lot": ("a.lot", "SELECT DISTINCT lot FROM attempts"),
    "operator": ("a.operator", "SELECT DISTINCT operator FROM attempts"),
    "bench": ("a.bench", "SELECT DISTINCT bench FROM attempts"),
    "rail": ("r.rail", "SELECT DISTINCT rail FROM readings WHERE rail IS NOT NULL"),
    "step": ("s.kind", "SELECT DISTINCT kind FROM steps"),
    "board_state": ("r.board_state", "SELECT DISTINCT board_state FROM readings WHERE board_state IS NOT NULL"),
}
"""Filter -> its column and the statement that lists the known names."""

_CALLED = (
    "(i.role LIKE :{0} ESCAPE '\\' OR i.model LIKE :{0} ESCAPE '\\' OR i.serial LIKE :{0} ESCAPE '\\'"
    " OR i.identity LIKE :{0} ESCAPE '\\')"
)
"""That the instrument `i` is called so, one way or another."""

_INSTRUMENTS = (
    "SELECT DISTINCT name FROM (SELECT role AS name FROM instruments UNION SELECT model FROM instruments"
    " UNION SELECT serial FROM instruments UNION SELECT identity FROM instruments) AS called WHERE name IS NOT NULL"
)

_FIRMWARE_WORDS = ("version", "firmware")
"""Words of a `listen` (`words:` in the procedure file) that are taken for the version of the board's firmware."""

_FIRMWARE = " OR ".join(f"e.data LIKE :{word}_named ESCAPE '\\'" for word in _FIRMWARE_WORDS)
_HEARD = "SELECT DISTINCT data FROM events WHERE kind = 'heard' AND data IS NOT NULL"

_WORDS = {"serial": "unit", "step": "kind of step", "board_state": "board state"}


def check_names(connection: Database, filters: Filters) -> Filters:
    """Return the filters with the attempt's whole id. Raises CommandError for a name that nothing bears."""
    for name, (_, known) in _NAMES.items():
        asked = getattr(filters, name)
        if asked is not None:
            _check_name(connection, _WORDS.get(name, name), asked, known)
    for asked in (filters.instrument, filters.used):
        if asked is not None:
            _check_name(connection, "instrument", asked, _INSTRUMENTS)
    if filters.firmware is not None:
        _check_firmware(connection, filters.firmware)
    if filters.attempt is None:
        return filters
    return replace(filters, attempt=find_attempt(connection, filters.attempt))


def find_attempt(connection: Database, beginning: str) -> str:
    """Return the one attempt id that begins so. Raises CommandError for none or several."""
    plain = beginning.strip().lower()
    rows = connection.execute(
        "SELECT id FROM attempts WHERE id LIKE :pattern ESCAPE '\\' ORDER BY seq",
        {"pattern": like(plain) + "%"},
    ).fetchall()
    found = [str(row[0]) for row in rows]
    if len(found) == 1 and plain:
        return found[0]
    if found:
        raise CommandError(
            f"{len(found)} attempts have an id that begins with '{beginning}': " + _some(found),
            "Give more characters of the id.",
        )
    known = [str(row[0]) for row in connection.execute("SELECT id FROM attempts ORDER BY seq DESC")]
    raise _unknown("attempt", beginning, [identity[: max(ID_SHOWN, len(plain))] for identity in known])


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
    for name, (column, _) in _NAMES.items():
        asked = getattr(filters, name)
        if asked is not None:
            clauses.append(is_called(column, name, asked))
            values[name] = like(asked) if is_pattern(asked) else asked
    if filters.instrument is not None:
        clauses.append(_CALLED.format("instrument"))
        values["instrument"] = like(filters.instrument)
    if filters.used is not None:
        clauses.append(f"EXISTS (SELECT 1 FROM instruments i WHERE i.attempt = a.id AND {_CALLED.format('used')})")  # noqa: S608 - words of ours
        values["used"] = like(filters.used)
    if filters.firmware is not None:
        clauses.append(f"EXISTS (SELECT 1 FROM events e WHERE e.attempt = a.id AND e.kind = 'heard' AND ({_FIRMWARE}))")  # noqa: S608 - words of ours
        written = like(json.dumps(filters.firmware, ensure_ascii=False))
        values |= {f"{word}_named": f'%"{word}": {written}%' for word in _FIRMWARE_WORDS}
    plain: tuple[tuple[str, str, str | int | None], ...] = (
        ("attempt", "a.id = :attempt", filters.attempt),
        ("attempt_result", "a.result = :attempt_result", filters.attempt_result),
        ("since", "a.started >= :since", time_text(filters.since) if filters.since else None),
        ("until", "a.started <= :until", time_text(filters.until) if filters.until else None),
        ("simulated", "a.simulated = :simulated", None if filters.simulated is None else int(filters.simulated)),
        ("quantity", "r.quantity = :quantity", filters.quantity),
        ("result", "r.result = :result", filters.result),
    )
    for name, clause, value in plain:
        if value is not None:
            clauses.append(clause)
            values[name] = value
    if filters.only is not None:
        clauses.append(_first_or_last(filters))
    return " AND ".join(clauses), values


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
    return replace(filters, rail=None, step=None, quantity=None, result=None, board_state=None, instrument=None)


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


def _check_name(connection: Database, what: str, asked: str, known: str) -> None:
    column = known.split()[2]
    # The first row that is called so will do, where rows are looked through at all.
    found = connection.execute(
        f"{known.replace('SELECT DISTINCT', 'SELECT', 1)}{' AND ' if ' WHERE ' in known else ' WHERE '}"
        f"{is_called(column, 'asked', asked)} LIMIT 1",
        {"asked": like(asked) if is_pattern(asked) else asked},
    ).fetchone()
    if found is None:
        raise _unknown(what, asked, sorted(str(row[0]) for row in connection.execute(known) if row[0]))


def _check_firmware(connection: Database, asked: str) -> None:
    """Raise CommandError for a version that no board has named."""
    told = (json.loads(str(row[0])) for row in connection.execute(_HEARD))
    known = sorted({data[word] for data in told for word in _FIRMWARE_WORDS if data.get(word)})
    if not any(fnmatchcase(version, asked.replace("[", "[[]")) for version in known):
        raise _unknown("firmware", asked, known)


def _unknown(what: str, asked: str, known: list[str]) -> CommandError:
    message = f"no {what} '{asked}' is in this logbook"
    if not known:
        return CommandError(message, f"It holds no {what} yet.")
    folded = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(asked.casefold(), folded, n=3, cutoff=0.5)
    if near:
        return CommandError(message, "Nearest: " + ", ".join(folded[name] for name in near) + ".")
    return CommandError(message, f"Known: {_some(known)}.")


def _some(names: list[str], most: int = 8) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
