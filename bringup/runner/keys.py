"""What single keys do while an attempt runs. They need no look: q calls off, n notes, l leaves out, c corrects.

Called at the wait point, with the supply watched throughout; each may put a question of its own.
"""

from __future__ import annotations

from bringup.core.quantity import format_reading
from bringup.core.reading import Reading
from bringup.core.replies import Value
from bringup.core.words import How, Kind
from bringup.errors import NotationError
from bringup.runner.damage import trip_if_damaging
from bringup.runner.endings import CalledOff, LeaveOut
from bringup.runner.headings import heading
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.typed import corrected
from bringup.runner.work import Work

CALL_OFF, NOTE, LEAVE_OUT, CORRECT = "q", "n", "l", "c"


def act_on(work: Work, key: str) -> None:
    """Do what the key says; keys that say nothing are passed over. Raises CalledOff and LeaveOut."""
    if key == CALL_OFF:
        raise CalledOff("called off by the person")
    if key not in (NOTE, LEAVE_OUT, CORRECT):
        return
    if not work.waits.may_ask:
        work.journal.show("event", f"{key}: answer the question first", kind="key")
    elif key == NOTE:
        _note(work)
    elif key == CORRECT:
        _correct(work)
    elif work.step is not None:
        asked = f"Why leave out step {work.step.index + 1} ({heading(work.step)})? (Enter alone goes on with it)"
        why = work.waits.answer(Prompt(PromptKind.TEXT, asked, suggestion="", optional=True)).text.strip()
        if why:
            raise LeaveOut(why)


def _note(work: Work) -> None:
    text = work.waits.answer(Prompt(PromptKind.TEXT, "Note", suggestion="", optional=True)).text.strip()
    if text:
        work.journal.note(text)


def _correct(work: Work) -> None:
    """Take the last typed value again. The old reading stays in the logbook, marked as replaced."""
    old = None if work.step is None else last_typed(work.journal.readings)
    if old is None:
        work.journal.show("event", "c: nothing was typed yet that could be corrected", kind="key")
        return
    name = " ".join(part for part in (old.point, old.aspect, old.kind.value) if part)
    asked = f"{name} was typed as {format_reading(old.value, old.unit, old.resolution)}. What is it? (Enter keeps it)"
    lines: tuple[str, ...] = ()
    while True:
        text = work.waits.answer(Prompt(PromptKind.TEXT, asked, lines=lines, optional=True)).text.strip()
        if not text:
            return
        at, monotonic = work.journal.now()
        try:
            new = corrected(old, text, at=at, monotonic=monotonic)
        except NotationError as error:
            lines = tuple(filter(None, (error.message, error.what_to_do)))
            continue
        work.replace(old, new)
        if new.kind is Kind.VOLTAGE and new.point is not None and work.power.on:
            trip_if_damaging(work, new.point, Value(new.value, new.raw, new.resolution))
        return


def last_typed(readings: list[Reading]) -> Reading | None:
    """Return the latest typed reading that no later one replaces; None if nothing was typed."""
    replaced = {reading.replaces for reading in readings}
    typed = (each for each in reversed(readings) if each.how is How.TYPED and each.id not in replaced)
    return next(typed, None)
