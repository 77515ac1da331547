"""What single keys do while an attempt runs, with no look: q calls off, n notes, l leaves out, c corrects.

In a log m marks and t types temperatures. Three begin a few questions (entering.py): w enters a rework, o an
observation, p a photo.

Called at the wait point, with the supply watched throughout; each may put a question of its own.
"""

from __future__ import annotations

from bringup.runner.actions.photo import photo_by_key
from bringup.runner.correcting import correct
from bringup.runner.endings import CalledOff, LeaveOut
from bringup.runner.entering import observe, rework, text_asked
from bringup.runner.headings import heading
from bringup.runner.key_words import (
    AGAIN,
    CALL_OFF,
    CORRECT,
    EXTRA,
    LEAVE_OUT,
    LEAVE_STEP_OUT,
    NOTE,
    OBSERVE,
    PHOTO,
    REWORK,
)
from bringup.runner.reasons import not_a_reason
from bringup.runner.work import Work


def act_on(work: Work, key: str) -> None:
    """Do what the key says; keys that say nothing are passed over. Raises CalledOff and LeaveOut."""
    if key == CALL_OFF:
        raise CalledOff
    if work.waits.may_ask and work.held.takes(key, work.waits.clock.monotonic()):
        return
    key = LEAVE_OUT if key == LEAVE_STEP_OUT else key
    if key in work.of_log:
        work.of_log[key]()
    if key in (AGAIN, EXTRA):
        text = f"{key} does something only while points are read, by a probe in hand or a meter by hand"
        work.journal.show("event", text, kind="key")
    if key not in (NOTE, LEAVE_OUT, CORRECT, REWORK, OBSERVE, PHOTO):
        return
    if not work.waits.may_ask:
        work.journal.show(
            "event", f"{key}: not before the question is answered, or the output on that was agreed to", kind="key"
        )
    elif key == NOTE:
        _note(work)
    elif key == CORRECT:
        correct(work)
    elif key == REWORK:
        rework(work)
    elif key == OBSERVE:
        observe(work)
    elif key == PHOTO:
        photo_by_key(work)
    elif work.step is not None:
        asked = f"Why leave out step {work.step.index + 1} ({heading(work.step)})? (Enter alone goes on with it)"
        remark = ""
        while why := text_asked(work, asked, remark):
            if not (remark := not_a_reason(why)):
                raise LeaveOut(why)


def _note(work: Work) -> None:
    if text := text_asked(work, "Note"):
        work.journal.note(text)
