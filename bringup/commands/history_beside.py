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

LONGEST_TITLE = 30
"""Characters of a step's title that is told; of a longer one, such as one that lists all rails, the kind of step."""


@frozen
class Entry:
    """One thing to tell. `attempt`: in which it was entered; `place`: number of attempts that are told before it."""

    kind: str
    """'note', 'rework', 'observation', 'photo', 'reference', or what was decided."""
    name: str
    """How it is named, where it has an id: its beginning."""
    at: datetime
    who: str
    text: str
    attempt: str | None
    place: int

    @property
    def line(self) -> str:
        """The whole of it: what it is, when, by whom, what it says."""
        what = f"{self.kind} {self.name}" if self.name else self.kind
        return f"{what}, {local_time(self.at)}{', ' + self.who if self.who else ''}: {self.text}"


def entries(attempts: Sequence[LoggedAttempt], notes: Sequence[LoggedNote], beside: Beside) -> list[Entry]:
    """Return everything in the order in which it is told."""
    places = {attempt.id: number for number, attempt in enumerate(attempts, 1)}

    def by_time(at: datetime) -> int:
        return sum(attempt.started < at for attempt in attempts)

    def of(kind: str, origin: Origin, text: str, *, place: int | None = None, named: bool = False) -> Entry:
        at = by_time(origin.at) if place is None else place
        name = origin.id[:ID_SHOWN] if named else ""
        return Entry(kind, name, origin.at, origin.who, struck(text, origin.withdrawn), origin.attempt, at)

    told = [
        Entry("note", "", note.at, note.who, struck(note.text, note.withdrawn), note.attempt, by_time(note.at))
        for note in notes
    ]
    told += [
        of("rework", each.origin, _rework(each), place=places.get(each.follows or "", 0)) for each in beside.reworks
    ]
    told += [of("observation", each.origin, _observation(each), named=True) for each in beside.observations]
    told += [of(each.said, each.origin, each.why) for each in beside.dispositions]
    told += [of(each.said, each.origin, each.why) for each in beside.references]
    told += [of("photo", each.origin, _photo(each), named=True) for each in beside.photos]
    return sorted(told, key=lambda entry: (entry.place, entry.at))


def struck(text: str, withdrawn: str) -> str:
    """Return a text as it stands, or struck out: kept, with who withdrew it, when and why."""
    return f"[WITHDRAWN by {withdrawn}] {text}" if withdrawn else text


def _rework(done: LoggedRework) -> str:
    rework = done.rework
    return f"{rework.change} ({rework.why}); {rework.again}"


def _observation(seen: LoggedObservation) -> str:
    observed = seen.observation
    whom = "the design" if observed.target is Target.DESIGN else "this unit"
    count = len(observed.readings)
    behind = f"; {count} reading{'' if count == 1 else 's'} behind it" if count else ""
    return f"{observed.severity}, for {whom}: {observed.text}{behind}"


def _photo(photo: LoggedPhoto) -> str:
    width, height = photo.size
    shows = f" ({photo.caption})" if photo.caption else ""
    what = f"{width} x {height} {photo.kind}" if photo.sha256 else "its picture is not in this logbook"
    return f"{photo.file}{shows}, {what}"


def effect_lines(effect: Effect) -> list[str]:
    """Tell what an attempt found otherwise than before the reworks before it."""
    parts = ", ".join(dict.fromkeys(each.rework.part for each in effect.reworks))
    if not effect.changes:
        return [f"since the rework of {parts}: no reading moved"]
    return [f"since the rework of {parts}:", *(f"  {_change(change)}" for change in effect.changes)]


def _change(change: Change) -> str:
    before, after = change.before.reading, change.after.reading
    name = f"{after.point or ''} {quantity_text(after)}".strip()
    how = f" {change.other_way}" if change.other_way else ""
    was = f"{name} {value_text(before)}{how} ({before.result}) -> {value_text(after)} ({after.result})"
    title = change.after.step_title
    return f"{was} in {title if 0 < len(title) <= LONGEST_TITLE else change.after.step_kind}"
