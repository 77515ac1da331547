"""`inspect`: things to look at. One key for all good, or the numbers of the exceptions with a remark.

An exception fails the step, unless the person says that the remark explains it: a hand-fitted part is no fault. Either
way it is kept with its number, its text and the remark.
"""

from __future__ import annotations

from bringup.core.procedure import Inspect
from bringup.runner.actions.parts import ask_parts
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.work import Work

FAULT, EXPLAINED = "it is a fault", "the remark explains it: go on"


def inspect(work: Work, action: Inspect) -> None:
    """Have every item confirmed, and parts not placed accounted for; an exception that no remark explains fails."""
    if action.confirm:
        _confirm(work, action)
    if action.not_placed is not None:
        ask_parts(work, action.not_placed)


def _confirm(work: Work, action: Inspect) -> None:
    title = work.this_step.title or "Inspection"
    answer = work.waits.answer(Prompt(PromptKind.CHECKLIST, title, lines=action.confirm, suggestion="all good"))
    data = {"answered by": "the simulated bench" if answer.by_itself else "a person", "remark": answer.text}
    if not answer.exceptions:
        work.journal.event("inspected", f"all good: {'; '.join(action.confirm)}", data)
        return
    items = "; ".join(f"{index + 1}. {action.confirm[index]}" for index in answer.exceptions)
    said = f"{items} ({answer.text.strip()})" if answer.text.strip() else items
    if _explained(work, said, answer):
        work.journal.event("inspected", f"gone on with: {said}", data)
        return
    text = f"not as it should be: {said}"
    work.journal.event("inspected", text, data)
    work.tally.failed.append(text)


def _explained(work: Work, said: str, answer: Answer) -> bool:
    """Whether the person lets the exceptions pass; without a remark nothing explains them."""
    if not answer.text.strip():
        return False
    asked = Prompt(PromptKind.CHOICE, f"Not as it should be: {said}", choices=(FAULT, EXPLAINED), suggestion=FAULT)
    return work.waits.answer(asked).text == EXPLAINED
