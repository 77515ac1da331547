"""What one word of a person names: a unit by its serial number, or an attempt by the beginning of its id."""

from __future__ import annotations

from bringup.errors import CommandError
from bringup.logbook.database import Database
from bringup.logbook.filters import Filters
from bringup.logbook.known_names import check_names, find_attempt

LEAST_ID = 4
"""Characters from which on a word may be the beginning of an attempt's id."""


def attempt_named(connection: Database, what: str, purpose: str) -> str | None:
    """Return the id of the attempt that is named; None where it is a unit. `purpose`: 'a report is about'.

    Raises CommandError for what nothing bears, and for a pattern.
    """
    if "*" in what or "?" in what:
        raise CommandError(f"'{what}' is a pattern; {purpose} one unit or attempt", "Name one.")
    return unit_or_attempt(connection, what)


def unit_or_attempt(connection: Database, what: str) -> str | None:
    """Return the same, of a pattern of serial numbers, too. Raises CommandError for what nothing bears."""
    try:
        check_names(connection, Filters(serial=what))
    except CommandError:
        if len(what) < LEAST_ID or not all(letter in "0123456789abcdef-" for letter in what.lower()):
            raise
        return find_attempt(connection, what)
    return None
