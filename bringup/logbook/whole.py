"""Everything that the logbook has of one attempt and its unit, for whoever tells the whole of it."""

from __future__ import annotations

import sqlite3

from bringup.core.frozen import frozen
from bringup.errors import CommandError
from bringup.logbook.filters import Filters, check_names
from bringup.logbook.queries import attempt, attempts, history
from bringup.logbook.rows import LoggedAttempt, LoggedNote
from bringup.logbook.traces import (
    Instrument,
    Mark,
    Source,
    Trace,
    beginnings,
    instruments,
    log_traces,
    marks,
    sources,
    supply_traces,
)

LEAST_ID = 4
"""Characters from which on a word may be the beginning of an attempt's id."""


@frozen
class Whole:
    """`attempt` with readings (corrected ones, too), steps and events; `others`: all attempts of the unit."""

    attempt: LoggedAttempt
    others: tuple[LoggedAttempt, ...]
    notes: tuple[LoggedNote, ...]
    """Of the attempt, and those of the unit that belong to none."""
    supply: tuple[Trace, ...]
    logs: tuple[Trace, ...]
    beginnings: tuple[tuple[int, float], ...]
    marks: tuple[Mark, ...]
    instruments: tuple[Instrument, ...]
    sources: tuple[Source, ...]


def whole(connection: sqlite3.Connection, what: str, simulated: bool | None = None) -> Whole:
    """Return the attempt whose id begins so, or the last one of the unit of that serial number: real if there is one.

    Raises CommandError for what nothing bears, and for a pattern.
    """
    identity = _attempt_asked(connection, what, simulated)
    of = attempt(connection, identity, replaced=True)
    story = next(iter(history(connection, of.serial, of.simulated)))
    return Whole(
        of,
        story.attempts,
        tuple(note for note in story.notes if note.attempt in (None, of.id)),
        tuple(supply_traces(connection, of.id)),
        tuple(log_traces(connection, of.id)),
        tuple(beginnings(connection, of.id)),
        tuple(marks(connection, of.id)),
        tuple(instruments(connection, of.id)),
        tuple(sources(connection, of.id)),
    )


def _attempt_asked(connection: sqlite3.Connection, what: str, simulated: bool | None) -> str:
    """Return the id of the unit's last attempt, or of the attempt named. Raises CommandError."""
    if "*" in what or "?" in what:
        raise CommandError(f"'{what}' is a pattern; a report is about one unit or attempt", "Name one.")
    try:
        check_names(connection, Filters(serial=what))
    except CommandError:
        if len(what) < LEAST_ID or not all(letter in "0123456789abcdef-" for letter in what.lower()):
            raise
        return attempt(connection, what).id
    for kind in (False, True) if simulated is None else (simulated,):
        last = attempts(connection, Filters(serial=what, simulated=kind, only="last"))
        if last:
            return last[0].id
    raise CommandError(f"{what} has no {'simulated' if simulated else 'real'} attempt")
