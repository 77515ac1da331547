"""Whether what a filter names is in the logbook. What is nowhere in it is a mistake, told with the nearest name."""

from __future__ import annotations

import difflib
import json
from dataclasses import replace
from fnmatch import fnmatchcase

from bringup.errors import CommandError
from bringup.logbook.database import Database
from bringup.logbook.filters import FIRMWARE_WORDS, ID_SHOWN, Filters, is_called, is_pattern, like

_NAMES: dict[str, str] = {
    "serial": "SELECT DISTINCT serial FROM units",
    "procedure": "SELECT DISTINCT procedure FROM attempts",
    "board": "SELECT DISTINCT board FROM attempts",
    "revision": "SELECT DISTINCT revision FROM attempts",
    "variant": "SELECT DISTINCT variant FROM attempts",
    "lot": "SELECT DISTINCT lot FROM attempts",
    "operator": "SELECT DISTINCT operator FROM attempts",
    "bench": "SELECT DISTINCT bench FROM attempts",
    "rail": "SELECT DISTINCT rail FROM readings WHERE rail IS NOT NULL",
    "step": "SELECT DISTINCT kind FROM steps",
    "board_state": "SELECT DISTINCT board_state FROM readings WHERE board_state IS NOT NULL",
}
"""Filter -> the statement that lists the known names."""

_INSTRUMENTS = (
    "SELECT DISTINCT name FROM (SELECT role AS name FROM instruments UNION SELECT model FROM instruments"
    " UNION SELECT serial FROM instruments UNION SELECT identity FROM instruments) AS called WHERE name IS NOT NULL"
)

_HEARD = "SELECT DISTINCT data FROM events WHERE kind = 'heard' AND data IS NOT NULL"

_WORDS = {"serial": "unit", "step": "kind of step", "board_state": "board state"}


def check_names(connection: Database, filters: Filters) -> Filters:
    """Return the filters with the attempt's whole id. Raises CommandError for a name that nothing bears."""
    for each in (filters, *([filters.having] if filters.having is not None else [])):
        for name, known in _NAMES.items():
            asked = getattr(each, name)
            if asked is not None:
                _check_name(connection, _WORDS.get(name, name), asked, known)
        for asked in (each.instrument, each.used):
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
    known = sorted({data[word] for data in told for word in FIRMWARE_WORDS if data.get(word)})
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
