"""What single keys do while an attempt runs. They need no look: q calls off, n notes, l leaves out, c corrects.

Called at the wait point, with the supply watched throughout; each may put a question of its own.
"""

from __future__ import annotations

from bringup.runner.correcting import correct
from bringup.runner.endings import CalledOff, LeaveOut
from bringup.runner.headings import heading
from bringup.runner.prompts import Prompt, PromptKind
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
        correct(work)
    elif work.step is not None:
        asked = f"Why leave out step {work.step.index + 1} ({heading(work.step)})? (Enter alone goes on with it)"
        why = work.waits.answer(Prompt(PromptKind.TEXT, asked, suggestion="", optional=True)).text.strip()
        if why:
            raise LeaveOut(why)


def _note(work: Work) -> None:
    text = work.waits.answer(Prompt(PromptKind.TEXT, "Note", suggestion="", optional=True)).text.strip()
    if text:
        work.journal.note(text)
