"""A unit's history as rows for other programs, one for each thing that happened; and the part of it asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from bringup.commands.history_beside import effect_lines, entries
from bringup.commands.tables import failure_text, result_text
from bringup.core.words import MISSED
from bringup.logbook.deviation_rows import Beside
from bringup.logbook.queries import Story
from bringup.logbook.rows import LoggedAttempt
from bringup.logbook.values import time_text

COLUMNS = ("serial", "simulated", "at", "kind", "attempt", "who", "text")


def part_of(story: Story, procedure: str | None, since: datetime | None, until: datetime | None) -> Story:
    """Return the story with only the attempts of that procedure and time, and what was entered then.

    Of what was entered in an attempt, its attempt decides; of the rest, its time.
    """
    if procedure is None and since is None and until is None:
        return story

    def then(at: datetime) -> bool:
        return (since is None or since <= at) and (until is None or at <= until)

    kept = tuple(
        each for each in story.attempts if (procedure is None or each.procedure == procedure) and then(each.started)
    )
    ids = {each.id for each in kept}

    def inside(attempt: str | None, at: datetime) -> bool:
        return attempt in ids if attempt is not None else then(at)

    names = ("reworks", "observations", "photos", "dispositions", "references")
    of = {
        name: tuple(each for each in getattr(story.beside, name) if inside(each.origin.attempt, each.origin.at))
        for name in names
    }
    notes = tuple(note for note in story.notes if inside(note.attempt, note.at))
    effects = tuple(effect for effect in story.effects if effect.attempt in ids)
    return replace(story, attempts=kept, notes=notes, beside=Beside(**of), effects=effects)


def rows_of(story: Story) -> list[dict[str, Any]]:
    """Return a row for each attempt, failed reading, entry and change after a rework, in the order they are told."""
    told = entries(story.attempts, story.notes, story.beside)
    inside = {attempt.id for attempt in story.attempts}
    effects = {effect.attempt: effect for effect in story.effects}
    rows: list[dict[str, Any]] = []

    def add(at: datetime, kind: str, text: str, attempt: str | None, who: str = "") -> None:
        told = (story.serial, story.simulated, time_text(at), kind, attempt, who, text)
        rows.append(dict(zip(COLUMNS, told, strict=True)))

    for place in range(len(story.attempts) + 1):
        for entry in told:
            if entry.attempt not in inside and min(entry.place, len(story.attempts)) == place:
                add(entry.at, entry.kind, entry.text, entry.attempt, entry.who)
        if place == len(story.attempts):
            break
        attempt = story.attempts[place]
        add(attempt.started, "attempt", _result(attempt), attempt.id, attempt.operator)
        for text in _failures(attempt):
            add(attempt.started, "failed reading", text, attempt.id)
        for entry in told:
            if entry.attempt == attempt.id:
                add(entry.at, entry.kind, entry.text, entry.attempt, entry.who)
        if attempt.id in effects:
            head, *changes = effect_lines(effects[attempt.id])
            text = " ".join([head, "; ".join(line.strip() for line in changes)]).rstrip()
            add(attempt.started, "changed", text, attempt.id)
    return rows


def _result(attempt: LoggedAttempt) -> str:
    cause = f"; {attempt.cause}" if attempt.cause else ""
    return f"{attempt.procedure}: {result_text(attempt)}{cause}"


def _failures(attempt: LoggedAttempt) -> Iterator[str]:
    current: Sequence[Any] = [each for each in attempt.readings if not each.replaced_by]
    yield from (failure_text(each) for each in current if each.reading.result in MISSED)
