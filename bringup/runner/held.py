"""What is known of a probe that a person holds while a connected meter reads: where it was last, and which key waits.

Plain data: hands_free.py acts on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

AGAIN, LEAVE_OUT, EXTRA = "r", "l", "x"
KEYS = frozenset({AGAIN, LEAVE_OUT, EXTRA})
"""Keys that mean something of their own while a point is sought: the last reading again, leave this point out, an extra
reading."""


@dataclass(slots=True)
class Held:
    """The probe in somebody's hand."""

    seeking: str = ""
    """The point that the probe is meant to go to; empty while none is sought."""
    wish: str = ""
    """A key that was pressed while a point was sought, and not yet acted on."""
    last: tuple[str, float] | None = None
    """The point that was read last, and its volts."""
    again: Callable[[], None] | None = None
    """Takes the last reading of this step again; None: there is none."""
    told_impedance: bool = False

    def takes(self, key: str) -> bool:
        """Whether the key is for whoever seeks a point; it is acted on once the meter's reading has come."""
        if not self.seeking or key not in KEYS:
            return False
        self.wish = key
        return True
