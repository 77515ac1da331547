"""What is known of a probe that a person holds while a connected meter reads: where it was last, and which key waits.

Plain data: hands_free.py acts on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bringup.runner.key_words import AGAIN, EXTRA, LEAVE_OUT

UNREAD = 0.4
"""Seconds after a point was named within which nobody can have read it (as terminal.deadtime has it)."""
KEYS = frozenset({AGAIN, LEAVE_OUT, EXTRA})
"""Keys that mean something of their own while a point is sought: the last reading again, leave this point out, an extra
reading."""


class Wished(Exception):  # noqa: N818 - a person's wish, not an error
    """A key was typed in the place of a value: what it wishes for comes first, then the value is asked for again."""


@dataclass(slots=True)
class Held:
    """The probe in somebody's hand."""

    seeking: str = ""
    """The point that the probe is meant to go to; empty while none is sought."""
    since: float = 0.0
    """Since when it is, in monotonic seconds."""
    late: bool = False
    """Whether the wish came before anybody can have read which point is sought: it was meant for the one before."""
    wish: str = ""
    """A key that was pressed while a point was sought, and not yet acted on."""
    last: tuple[str, float] | None = None
    """The point that was read last, and its volts."""
    again: Callable[[], None] | None = None
    """Takes the last reading of this step again; None: there is none."""
    told_impedance: bool = False

    def takes(self, key: str, now: float) -> bool:
        """Whether the key is for whoever seeks a point; it is acted on once the meter's reading has come."""
        if not self.seeking or key not in KEYS:
            return False
        self.wish = key
        self.late = key == LEAVE_OUT and now - self.since < UNREAD
        return True

    def seek(self, point: str, now: float) -> str:
        """Have this point sought from now on; return which one was sought until then."""
        before, self.seeking = self.seeking, point
        if point != before:
            self.since = now
        return before
