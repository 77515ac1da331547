"""Everything that the logbook has of one attempt and its unit, for whoever tells the whole of it."""

from __future__ import annotations

from bringup.core.frozen import frozen
from bringup.errors import CommandError, LogbookError
from bringup.logbook.database import Database
from bringup.logbook.deviation_rows import Beside
from bringup.logbook.filters import Filters
from bringup.logbook.line_texts import LoggedText, line_texts
from bringup.logbook.named import attempt_named
from bringup.logbook.pictures import StoredPhoto, stored_photo
from bringup.logbook.queries import attempt, attempts, history
from bringup.logbook.rework_effects import Effect
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
    beside: Beside
    """What was entered on the unit beside attempts: reworks, observations, photos, decisions."""
    effects: tuple[Effect, ...]
    """What attempts found otherwise than before a rework."""
    pictures: dict[str, StoredPhoto | str]
    """Id of a photo -> its picture; a text says why it is not to be had."""
    texts: tuple[LoggedText, ...]
    """What came on the board's serial lines in the attempt."""


def whole(connection: Database, what: str, simulated: bool | None = None) -> Whole:
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
        story.beside,
        story.effects,
        {photo.origin.id: _picture(connection, photo.origin.id) for photo in story.beside.photos},
        tuple(line_texts(connection, of.id)),
    )


def _picture(connection: Database, photo: str) -> StoredPhoto | str:
    """Return the picture, or in words why there is none: one that is lost must not keep the rest from being told."""
    try:
        return stored_photo(connection, photo)
    except (CommandError, LogbookError) as error:
        return error.message


def _attempt_asked(connection: Database, what: str, simulated: bool | None) -> str:
    """Return the id of the unit's last attempt, or of the attempt named. Raises CommandError."""
    named = attempt_named(connection, what, "a report is about")
    if named is not None:
        return named
    for kind in (False, True) if simulated is None else (simulated,):
        last = attempts(connection, Filters(serial=what, simulated=kind, only="last"))
        if last:
            return last[0].id
    raise CommandError(f"{what} has no {'simulated' if simulated else 'real'} attempt")
