"""`inspect`: things to look at. One key for all good, or the numbers of the exceptions with a remark."""

from __future__ import annotations

from bringup.core.procedure import Inspect
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.work import Work


def inspect(work: Work, action: Inspect) -> None:
    """Have every item confirmed; an exception fails the step and is kept with its remark."""
    title = work.this_step.title or "Inspection"
    answer = work.waits.answer(Prompt(PromptKind.CHECKLIST, title, lines=action.confirm, suggestion="all good"))
    exceptions = [action.confirm[index] for index in answer.exceptions]
    data = {"answered by": "the simulated bench" if answer.by_itself else "a person", "remark": answer.text}
    if not exceptions:
        work.journal.event("inspected", f"all good: {'; '.join(action.confirm)}", data)
        return
    text = "not as it should be: " + "; ".join(exceptions) + (f" ({answer.text})" if answer.text else "")
    work.journal.event("inspected", text, data)
    work.tally.failed.append(text)
