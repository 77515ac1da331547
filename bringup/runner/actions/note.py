"""`note`: a text put into the unit's history, and shown."""

from __future__ import annotations

from bringup.core.procedure import Note
from bringup.runner.work import Work


def note(work: Work, action: Note) -> None:
    """Keep the note."""
    work.journal.note(action.text)
