"""What changed in a unit's readings after it was reworked: the last of each kind before, and what came after. Pure.

Told are the rails that the rework touched, and of the others what got another result or moved by more than a tenth of
the range that its limits leave it (by more than 5 % where they leave none); so too the volts before a resistance.
What leads read, free or not, is of the bench.
A reading that failed and was not taken in that way again is put beside what `measure` then read of its point.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import Any

from bringup.core.frozen import frozen
from bringup.core.reading import BEFORE_OHMS, SUPPLY_LEADS
from bringup.core.words import Result
from bringup.logbook.deviation_rows import LoggedRework
from bringup.logbook.rows import LoggedAttempt, LoggedReading

MOVED_OF_RANGE = 0.1
MOVED_OF_VALUE = 0.05

Key = tuple[object, ...]


@frozen
class Change:
    """One reading before and after."""

    before: LoggedReading
    after: LoggedReading

    @property
    def other_way(self) -> str:
        """How it was read before, such as 'with VIN at 18 V', where that is otherwise than after; else ''."""
        aspect = self.before.reading.aspect
        return "" if aspect == self.after.reading.aspect else aspect

    def as_json(self) -> dict[str, Any]:
        """Return both, as far as they can differ."""
        reading = self.after.reading
        told: dict[str, Any] = {
            "rail": reading.point,
            "quantity": reading.kind.value,
            "aspect": reading.aspect,
            "unit": reading.unit,
            "step_kind": self.after.step_kind,
            "aspect_before": self.before.reading.aspect,
        }
        for name, logged in (("before", self.before), ("after", self.after)):
            told[name] = {
                "reading": logged.reading.id,
                "attempt": logged.attempt,
                "value": logged.reading.value,
                "result": logged.reading.result.value,
            }
        return told


@frozen
class Effect:
    """What an attempt found otherwise than before the reworks that came before or in it."""

    attempt: str
    reworks: tuple[LoggedRework, ...]
    changes: tuple[Change, ...]

    def as_json(self) -> dict[str, Any]:
        """Return ids of attempt and reworks, and every change."""
        return {
            "attempt": self.attempt,
            "reworks": [rework.origin.id for rework in self.reworks],
            "changed": [change.as_json() for change in self.changes],
        }


def effects(attempts: Sequence[LoggedAttempt], reworks: Sequence[LoggedRework]) -> list[Effect]:
    """Return what each first attempt after reworks found. `attempts`: in the order in which they were done."""
    order = {attempt.id: index for index, attempt in enumerate(attempts)}
    found: list[Effect] = []
    latest: dict[Key, LoggedReading] = {}
    previous = ""
    waiting = [rework for rework in reworks if rework.follows not in order]
    for attempt in attempts:
        current = [logged for logged in attempt.readings if not logged.replaced_by]
        inside = [rework for rework in reworks if rework.origin.attempt == attempt.id]
        since = max((rework.monotonic or 0.0 for rework in inside), default=None)
        before = dict(latest)
        for logged in current:
            # What was read before the last rework of this attempt is not what came of it.
            if since is not None and logged.reading.monotonic < since:
                before[_key(logged)] = logged
        after = {_key(each): each for each in current if since is None or each.reading.monotonic >= since}
        concerned = (*waiting, *inside)
        if concerned and after:
            changes = [Change(before[key], logged) for key, logged in after.items() if key in before]
            changes += _read_otherwise(before, after, {attempt.id, previous})
            found.append(Effect(attempt.id, concerned, tuple(each for each in changes if _telling(each, concerned))))
            waiting = []
        else:
            waiting += inside
        previous = attempt.id
        latest.update({_key(logged): logged for logged in current})
        waiting += [rework for rework in reworks if rework.follows == attempt.id and rework not in inside]
    return found


def _read_otherwise(
    before: dict[Key, LoggedReading], after: dict[Key, LoggedReading], attempts: Collection[str]
) -> Iterator[Change]:
    """Yield what failed in these attempts and was not read so again, beside what was then measured at its point.

    Rails behind a current that missed its limits are read at that stage only, and by the limits of a `measure`.
    """
    measured = {
        (logged.reading.point, logged.reading.kind): logged
        for logged in after.values()
        if logged.step_kind == "measure" and not logged.reading.aspect
    }
    for key, logged in before.items():
        same = measured.get((logged.reading.point, logged.reading.kind))
        if (
            logged.attempt in attempts
            and logged.reading.result is Result.FAIL
            and key not in after
            and same is not None
        ):
            yield Change(logged, same)


def _key(logged: LoggedReading) -> Key:
    reading = logged.reading
    return (reading.point, reading.kind, reading.aspect, logged.step_kind, reading.board_state)


def _telling(change: Change, reworks: Sequence[LoggedRework]) -> bool:
    """Whether the change is worth telling."""
    before, after = change.before.reading, change.after.reading
    if change.after.step_kind == "leads" or after.aspect == SUPPLY_LEADS:
        return False
    if before.result is not after.result:
        return True
    touched = after.point is not None and any(
        rework.rework.rails and rework.rework.touches(after.point) for rework in reworks
    )
    if touched and not after.aspect.endswith(BEFORE_OHMS):
        return True
    if before.value is None or after.value is None:
        return before.value is not after.value
    limits = after.limits
    if limits is not None and limits.low is not None and limits.high is not None:
        return abs(after.value - before.value) > MOVED_OF_RANGE * float(limits.high - limits.low)
    return abs(after.value - before.value) > MOVED_OF_VALUE * abs(before.value)
