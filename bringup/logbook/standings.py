"""Where units stand: each one's last and first attempt, what failed in the last one, what was decided since."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from bringup.core.frozen import frozen
from bringup.logbook.attempt_parts import marks
from bringup.logbook.database import Database
from bringup.logbook.deviation_queries import all_dispositions, reworks_since
from bringup.logbook.deviation_rows import LoggedDisposition, LoggedRework, waiver_of
from bringup.logbook.filters import Filters, where
from bringup.logbook.known_names import check_names
from bringup.logbook.queries import attempts_where, readings_where
from bringup.logbook.references import Mark, marks_by_unit
from bringup.logbook.rows import Json, LoggedAttempt, LoggedReading
from bringup.logbook.values import time_text

COUNT_ATTEMPTS = "SELECT a.serial, a.simulated, count(*) AS attempts FROM attempts a GROUP BY a.serial, a.simulated"

LAST = "SELECT a.id, a.serial, a.simulated, a.board FROM attempts a WHERE {where}"


@frozen
class Standing:
    """Where one unit stands. `failed_last`: what did not pass in its last attempt."""

    attempts: int
    first: LoggedAttempt
    last: LoggedAttempt
    failed_last: tuple[LoggedReading, ...]
    dispositions: tuple[LoggedDisposition, ...] = ()
    """What was decided about it, oldest first."""
    reworks: tuple[LoggedRework, ...] = ()
    """What was changed on it since its last attempt: that one says nothing about the unit as it is now."""
    references: tuple[Mark, ...] = ()
    """Marks as reference, of it or of attempts on it, that stand; the one made last first."""

    @property
    def decided(self) -> LoggedDisposition | None:
        """The last decision about the unit as a whole."""
        return next((each for each in reversed(self.dispositions) if each.waived is None), None)

    def waiver(self, logged: LoggedReading) -> LoggedDisposition | None:
        """Return by what that failure is waived; None if it is not."""
        return waiver_of(logged.reading, self.dispositions)

    def as_json(self) -> Json:
        """Return one unit's standing; board, revision and lot as in its last attempt."""
        last = self.last
        return {
            "serial": last.serial,
            "board": last.board,
            "revision": last.revision,
            "variant": last.variant,
            "lot": last.lot,
            "simulated": last.simulated,
            "attempts": self.attempts,
            "result": last.result.value if last.result else None,
            "cause": last.cause,
            "at": time_text(last.ended or last.started),
            "attempt": last.id,
            "procedure": last.procedure,
            "first_result": self.first.result.value if self.first.result else None,
            "first_attempt": self.first.id,
            "failed_last": [reading.as_json() for reading in self.failed_last],
            "reworked_since": [rework.as_json() for rework in self.reworks],
            "disposition": self.decided.as_json() if self.decided else None,
            "references": [mark.as_json() for mark in self.references],
            "waived_last": [made.as_json() for made in map(self.waiver, self.failed_last) if made is not None],
        }


@frozen
class Last:
    """Which attempt is a unit's last one."""

    id: str
    serial: str
    simulated: bool
    board: str


def last_attempts(connection: Database, filters: Filters) -> list[Last]:
    """Return which units `standing` would tell of, at a tenth of its cost. Raises CommandError."""
    condition, values = where(replace(check_names(connection, filters), only="last"))
    rows = connection.execute(LAST.format(where=condition), values)
    return [Last(row["id"], row["serial"], bool(row["simulated"]), row["board"]) for row in rows]


def standing(connection: Database, filters: Filters, some: Sequence[Last] | None = None) -> list[Standing]:
    """Return where every unit stands, by serial number; real before simulated. Raises CommandError.

    The filters are about each unit's last attempt, of those with the procedure where one is asked for. `some`: of the
    units with these last attempts only, at most some thousands.
    """
    filters = check_names(connection, replace(filters, sort="", limit=None))
    serial, simulated, procedure = filters.serial, filters.simulated, filters.procedure
    firsts = Filters(serial=serial, simulated=simulated, procedure=procedure, only="first")
    counts = {(row["serial"], row["simulated"]): row["attempts"] for row in connection.execute(COUNT_ATTEMPTS)}
    within, values = where(replace(filters, only=None))
    also, of_these, its = "", "", dict[str, Any]()
    if some is not None:
        if not some:
            return []
        its = {f"id{number}": each.id for number, each in enumerate(some)}
        within, values = f"a.id IN ({marks(its)})", its
        also, of_these = f" AND {within}", f" AND r.attempt IN ({marks(its)})"
    last = attempts_where(connection, replace(filters, only="last", sort="serial"), also, its)
    these = f" AND a.serial IN (SELECT a.serial FROM attempts a WHERE {within})"  # noqa: S608 - words of ours
    first = {
        (attempt.serial, attempt.simulated): attempt for attempt in attempts_where(connection, firsts, these, values)
    }
    decided, since, marked = all_dispositions(connection), reworks_since(connection), marks_by_unit(connection)
    failed: dict[str, list[LoggedReading]] = defaultdict(list)
    ids = {attempt.id for attempt in last}
    missed = f"{of_these} AND r.result IN ('fail', 'conditional fail', 'no value')"
    for reading in readings_where(connection, replace(filters, only=None), missed, its):
        if reading.attempt in ids:
            failed[reading.attempt].append(reading)
    return [
        Standing(
            counts[attempt.serial, int(attempt.simulated)],
            first[attempt.serial, attempt.simulated],
            attempt,
            tuple(failed[attempt.id]),
            decided[attempt.serial, attempt.simulated],
            since[attempt.id],
            tuple(marked[attempt.serial, attempt.simulated]),
        )
        for attempt in sorted(last, key=lambda attempt: (attempt.serial, attempt.simulated))
    ]
