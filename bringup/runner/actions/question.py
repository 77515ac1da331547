"""`question`: something to ask a person: one of several choices, a value with limits, or free text."""

from __future__ import annotations

from bringup.core.entry import read_entry
from bringup.core.expectation import limits_of
from bringup.core.limits import Limits
from bringup.core.procedure import Question
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.words import UNIT_OF, How, Kind, LimitsFrom
from bringup.errors import NotationError
from bringup.runner.key_words import LETTERS
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.work import Judged, Work

KIND_OF = {unit: kind for kind, unit in UNIT_OF.items() if kind is not Kind.RATIO}
"""A ratio is none that a meter shows: one is typed as it comes."""


def question(work: Work, action: Question) -> None:
    """Ask it. A choice that is not `good`, or a value outside the step's limits, fails the step."""
    limits, limits_from = limits_of(work.this_step, "", work.board, work.state)
    unit = action.unit or (limits.unit if limits is not None else "")
    if action.choices:
        _choice(work, action)
    elif unit in KIND_OF:
        _value(work, action, KIND_OF[unit], limits, limits_from)
    else:
        answer = work.waits.answer(Prompt(PromptKind.TEXT, action.ask, suggestion="answered by the simulated bench"))
        work.journal.note(f"{action.ask} {answer.text}")


def _choice(work: Work, action: Question) -> None:
    suggestion = action.good[0] if action.good else action.choices[0]
    while True:
        answer = work.waits.answer(Prompt(PromptKind.CHOICE, action.ask, choices=action.choices, suggestion=suggestion))
        if answer.text in action.choices:
            break
    data = {"answer": answer.text, "answered by": "the simulated bench" if answer.by_itself else "a person"}
    work.journal.event("answered", f"{action.ask} {answer.text}", data)
    if action.good and answer.text not in action.good:
        work.tally.failed.append(f"{action.ask} {answer.text}, wanted {' or '.join(action.good)}")


def _value(work: Work, action: Question, kind: Kind, limits: Limits | None, limits_from: LimitsFrom) -> None:
    """Ask until what is typed can be read, and keep it as a typed reading."""
    unit, remark = UNIT_OF[kind], ""
    nominal = None if limits is None else limits.nominal or limits.low or limits.high
    suggestion = format_quantity(nominal or 0, unit)
    while True:
        lines = (remark,) if remark else ()
        answer = work.waits.answer(Prompt(PromptKind.VALUE, action.ask, lines=lines, unit=unit, suggestion=suggestion))
        if (letter := answer.text.strip()) in LETTERS:
            work.waits.on_key(letter)
            continue
        try:
            found = read_entry(answer.text, kind)
        except NotationError as error:
            remark = str(error)
            continue
        if found.unit != unit:
            remark = f"{answer.text} is in {found.unit}; a value in {unit} is wanted"
            continue
        value = Value(found.value, answer.text, found.resolution, found.over_range)
        work.keep(None, kind, value, Judged(limits, limits_from, note=action.ask), instrument="person", how=How.TYPED)
        return
