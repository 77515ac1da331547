"""What reworks, observations, photos and dispositions become as SQL. Pure; record.py and additions.py execute it."""

from __future__ import annotations

import json
from datetime import datetime

from bringup.core.deviations import Decision, Observation, Photo, ReferenceMark, Rework
from bringup.core.frozen import frozen
from bringup.core.reading import new_id
from bringup.logbook.statements import Statement, Values, insert, place
from bringup.logbook.values import number, storable, time_text


@frozen
class Entered:
    """By whom, when and where something was entered. `step`: its index, in an attempt."""

    serial: str
    simulated: bool
    at: datetime
    who: str
    attempt: str | None = None
    step: int | None = None


_ENTERED = "id serial simulated attempt step at who"

KNOWN_UNIT = insert(
    "units", "serial simulated board revision variant lot", " ON CONFLICT (serial, simulated) DO NOTHING"
)
REWORK = insert("reworks", f"{_ENTERED} follows monotonic part was became why rails")
OBSERVATION = insert("observations", f"{_ENTERED} target severity board revision content same_as")
OBSERVATION_READING = insert("observation_readings", "observation reading")
PICTURE = insert("pictures", "sha256 kind width height bytes", " ON CONFLICT (sha256) DO NOTHING")
PICTURE_PART = insert("picture_parts", "sha256 part content", " ON CONFLICT (sha256, part) DO NOTHING")
PHOTO = insert("photos", f"{_ENTERED} picture file caption")
DISPOSITION = insert("dispositions", f"{_ENTERED} kind why reading limits")
REFERENCE_MARK = insert("reference_marks", f"{_ENTERED} about kind why")
WITHDRAWAL = insert("withdrawals", f"{_ENTERED} kind about why")


def unit_statement(serial: str, board: str, revision: str, *, simulated: bool) -> Statement:
    """A unit that no attempt was made on yet."""
    return KNOWN_UNIT, (storable(serial), int(simulated), storable(board), storable(revision), "", "")


def rework_statement(
    entered: Entered, rework: Rework, *, follows: str | None, monotonic: float | None = None
) -> Statement:
    """A rework. `follows`: id of the unit's last attempt by then; `monotonic`: of the attempt it was entered in."""
    rails = None if rework.rails is None else json.dumps(sorted(rework.rails), ensure_ascii=False)
    words = tuple(storable(text) for text in (rework.part, rework.was, rework.became, rework.why))
    moment = number(monotonic, "the monotonic time")
    return REWORK, (*_row(entered), follows, moment, *words, None if rails is None else storable(rails))


def observation_statements(entered: Entered, observation: Observation, board: str, revision: str) -> list[Statement]:
    """An observation, and which readings are behind it. `board`, `revision`: of the unit at that time."""
    row = _row(entered)
    design = (storable(board), storable(revision), storable(observation.text))
    made: list[Statement] = [
        (OBSERVATION, (*row, observation.target, observation.severity, *design, observation.same_as))
    ]
    return made + [(OBSERVATION_READING, (row[0], reading)) for reading in dict.fromkeys(observation.readings)]


def picture_statement(sha256: str, kind: str, size: tuple[int, int], count: int) -> Statement:
    """What a picture is. `size`: width and height in pixels; `count`: its bytes."""
    return PICTURE, (sha256, kind, *size, count)


def part_statement(sha256: str, index: int, content: bytes) -> Statement:
    """One part of a picture's bytes."""
    return PICTURE_PART, (sha256, place(index), content)


def photo_statement(entered: Entered, photo: Photo, picture: str) -> Statement:
    """A photo. `picture`: SHA-256 of what it shows."""
    return PHOTO, (*_row(entered), picture, storable(photo.file), storable(photo.caption))


def disposition_statement(
    entered: Entered, kind: Decision, why: str, reading: str | None = None, limits: str | None = None
) -> Statement:
    """A decision about a unit. `reading`, `limits`: what a waiver is about, and within what later ones are waived."""
    return DISPOSITION, (*_row(entered), kind, storable(why), reading, limits)


def reference_statement(entered: Entered, why: str, about: str | None, *, withdrawn: bool) -> Statement:
    """A unit (`about` None) or an attempt marked as reference, or that mark withdrawn."""
    kind = ReferenceMark.WITHDRAWN if withdrawn else ReferenceMark.MARKED
    return REFERENCE_MARK, (*_row(entered), about, kind, storable(why))


def withdrawal_statement(entered: Entered, kind: str, about: str, why: str) -> Statement:
    """A rework, observation or note withdrawn. `kind`: which of these; `about`: its id."""
    return WITHDRAWAL, (*_row(entered), kind, about, storable(why))


def _row(entered: Entered) -> Values:
    step = None if entered.step is None else place(entered.step)
    who = storable(entered.who.strip()) or "nobody named"
    return (
        new_id(),
        storable(entered.serial),
        int(entered.simulated),
        entered.attempt,
        step,
        time_text(entered.at),
        who,
    )
