"""What has to be known to explain an attempt: the attempt, its readings, the files that it was made with."""

from __future__ import annotations

from bringup.core.frozen import frozen
from bringup.errors import CommandError
from bringup.logbook.database import Database
from bringup.logbook.earlier import sources_of
from bringup.logbook.filters import ID_SHOWN, Filters
from bringup.logbook.queries import attempt, attempts, readings
from bringup.logbook.rows import LoggedAttempt, LoggedReading
from bringup.runner.records import SourceText


@frozen
class ToExplain:
    """One attempt with all that explains it."""

    attempt: LoggedAttempt
    readings: tuple[LoggedReading, ...]
    """Those that no later one corrects, in the order in which they were taken."""
    sources: tuple[SourceText, ...]
    others: tuple[tuple[LoggedReading, ...], ...] = ()
    """Of each other unit of this board and revision the readings of its last attempt with this procedure."""


MOST_OTHERS = 20
"""The latest so many units are compared with."""


def to_explain(
    connection: Database, serial: str, beginning: str | None = None, *, simulated: bool | None = None
) -> ToExplain:
    """Return a unit's last attempt, or the one whose id begins so. Raises CommandError where there is none."""
    if beginning is None:
        found = attempts(connection, Filters(serial=serial, simulated=simulated, only="last"))
        if not found:
            raise CommandError(f"{serial} has no such attempt", "Leave --real or --simulated out.")
        last = found[-1]
    else:
        last = attempt(connection, beginning)
    if last.serial != serial:
        raise CommandError(f"attempt {last.id[:ID_SHOWN]} is of {last.serial}, not of {serial}", "Name its unit.")
    own = tuple(readings(connection, Filters(attempt=last.id)))
    return ToExplain(last, own, sources_of(connection, last.id), _others(connection, last))


def _others(connection: Database, last: LoggedAttempt) -> tuple[tuple[LoggedReading, ...], ...]:
    same = Filters(procedure=last.procedure, board=last.board, simulated=last.simulated, only="last")
    found = [
        each
        for each in attempts(connection, same)
        if each.serial != last.serial and (each.revision, each.variant) == (last.revision, last.variant)
    ]
    return tuple(tuple(readings(connection, Filters(attempt=each.id))) for each in found[-MOST_OTHERS:])
