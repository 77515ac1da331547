"""What the runner tells goes to the view; where nobody can read that any more, it is noted, once.

A reader that has gone (`| head -3`) or a full disk behind standard output stops no attempt: the outputs and the logbook
matter more. But who looks for the lines that are not there must find out why.
"""

from __future__ import annotations

from contextlib import suppress

from bringup.commands.saying import say
from bringup.errors import LogbookError
from bringup.runner.protocols import Clock, Record, Told
from bringup.terminal.view import View


class Telling:
    """Called with everything that is told (protocols.Tell), by the runner's thread."""

    def __init__(self, record: Record, clock: Clock) -> None:
        self._record, self._clock = record, clock
        self.view: View | None = None
        self._noted = False
        self._open = False
        """Whether the attempt is open in the logbook: only then an event has a place there."""

    def __call__(self, told: Told) -> None:
        """Pass it on, and note the first time that the view could not write."""
        if told.kind == "attempt-begun":
            self._open = True
        elif told.kind == "attempt-ended":
            self._open = False
        if self.view is None:
            return
        self.view.tell(told)
        if self.view.lost and not self._noted and self._open:
            self._noted = True
            self._note(f"nobody can read any more what is shown ({self.view.lost}): the attempt and the logbook go on")

    def at_the_end(self) -> None:
        """Say it where it was noticed too late to be an event."""
        if self.view is not None and self.view.lost and not self._noted:
            self._noted = True
            _say(f"the end could not be shown ({self.view.lost}): `bringup history` tells it")

    def _note(self, text: str) -> None:
        try:
            self._record.event("view-lost", text, at=self._clock.utc(), monotonic=self._clock.monotonic())
        except LogbookError as error:
            text += f"; not in the logbook: {error.message}"
        _say(text)


def _say(text: str) -> None:
    """Say it on standard error; that may be as gone as the view, and then there is nobody to tell."""
    with suppress(OSError, ValueError):
        say(f"bringup: {text}.", err=True)
