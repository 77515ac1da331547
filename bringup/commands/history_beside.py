"""What a unit's history tells beside its attempts: notes, reworks, what changed after them; each in its place in time.

A rework stands after the attempt that it followed, whatever the wall clock said; everything else by its time.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from bringup.commands.tables import local_time, quantity_text, value_text
from bringup.core.deviations import Target
from bringup.core.frozen import frozen
from bringup.logbook.deviation_rows import Beside, LoggedObservation, LoggedPhoto, LoggedRework, Origin
from bringup.logbook.filters import ID_SHOWN
from bringup.logbook.rework_effects import Change, Effect
from bringup.logbook.rows import LoggedAttempt, LoggedNote


@frozen
class Entry:
    """One thing to tell. `attempt`: in which it was entered; `place`: number of attempts that are told before it."""

    at: datetime
    line: str
    attempt: str | None
    place: int


def entries(attempts: Sequence[LoggedAttempt], notes: Sequence[LoggedNote], beside: Beside) -> list[Entry]:
    """Return everything in the order in which it is told."""
    places = {attempt.id: number for number, attempt in enumerate(attempts, 1)}

    def by_time(at: datetime) -> int:
        return sum(attempt.started < at for attempt in attempts)

    told = [Entry(note.at, _note(note), note.attempt, by_time(note.at)) for note in notes]
    told += [
        Entry(each.origin.at, rework_line(each), each.origin.attempt, places.get(each.follows or "", 0))
        for each in beside.reworks
    ]
    told += [
        Entry(each.origin.at, observation_line(each), each.origin.attempt, by_time(each.origin.at))
        for each in beside.observations
    ]
    told += [
        Entry(each.origin.at, f"{said(each.said, each.origin)}{each.why}", each.origin.attempt, by_time(each.origin.at))
        for each in beside.dispositions
    ]
    told += [
        Entry(each.origin.at, f"{said(each.said, each.origin)}{each.why}", each.origin.attempt, by_time(each.origin.at))
        for each in beside.references
    ]
    told += [
        Entry(each.origin.at, photo_line(each), each.origin.attempt, by_time(each.origin.at)) for each in beside.photos
    ]
    return sorted(told, key=lambda entry: (entry.place, entry.at))


def said(what: str, origin: Origin) -> str:
    """Return how a line begins: what it is, when, by whom."""
    return f"{what}, {local_time(origin.at)}, {origin.who}: "


def rework_line(done: LoggedRework) -> str:
    """Tell a rework in one line."""
    rework = done.rework
    return f"{said('rework', done.origin)}{rework.change} ({rework.why}); {rework.again}"


def observation_line(seen: LoggedObservation) -> str:
    """Tell an observation in one line, with how it is named."""
    observed = seen.observation
    whom = "the design" if observed.target is Target.DESIGN else "this unit"
    behind = f"; {len(observed.readings)} readings behind it" if observed.readings else ""
    behind = behind.replace("1 readings", "1 reading") if len(observed.readings) == 1 else behind
    name = f"observation {seen.origin.id[:ID_SHOWN]}"
    return f"{said(name, seen.origin)}{observed.severity}, for {whom}: {observed.text}{behind}"


def photo_line(photo: LoggedPhoto) -> str:
    """Tell a photo in one line, with what writes it out again."""
    width, height = photo.size
    shows = f" ({photo.caption})" if photo.caption else ""
    what = f"{width} x {height} {photo.kind}" if photo.sha256 else "its picture is not in this logbook"
    return f"{said(f'photo {photo.origin.id[:ID_SHOWN]}', photo.origin)}{photo.file}{shows}, {what}"


def effect_lines(effect: Effect) -> list[str]:
    """Tell what an attempt found otherwise than before the reworks before it."""
    parts = ", ".join(dict.fromkeys(each.rework.part for each in effect.reworks))
    if not effect.changes:
        return [f"since the rework of {parts}: no reading moved"]
    return [f"since the rework of {parts}:", *(f"  {_change(change)}" for change in effect.changes)]


def _change(change: Change) -> str:
    before, after = change.before.reading, change.after.reading
    name = f"{after.point or ''} {quantity_text(after)}".strip()
    was = f"{name} {value_text(before)} ({before.result}) -> {value_text(after)} ({after.result})"
    return f"{was} in {change.after.step_title or change.after.step_kind}"


def _note(note: LoggedNote) -> str:
    return f"note, {local_time(note.at)}{', ' + note.who if note.who else ''}: {note.text}"
