"""A meter that does not answer: since when, why, and when it is worth asking again. What follows is the step's to say.

Its link opens itself anew and asks who is there before anything else is sent; the meter's set-up goes out again only as
part of a new reading. So asking again is all there is to reconnecting.
"""

from __future__ import annotations

from dataclasses import dataclass

SILENT_READINGS = 2
"""So many readings in a row without an answer mean that the meter is lost."""
SHORTEST, LONGEST = 1.0, 30.0
"""Seconds between two tries: doubled from one to the next."""
ALONE, WITH_SOMEBODY = 600.0, 3600.0
"""Seconds that a meter is waited for at the longest, the output being on: without and with a person there."""


@dataclass(slots=True)
class LostMeter:
    """What is known of a silent meter."""

    silent: int = 0
    why: str = ""
    since: float = 0.0
    pause: float = SHORTEST
    next_try: float = 0.0
    returns: int = 0
    """How often it was waited for and came back: what was read before is old by then."""
    given_up: bool = False
    """It was waited for long enough: the step ends as if it had said `end`."""

    @property
    def lost(self) -> bool:
        """Whether it counts as lost."""
        return self.silent >= SILENT_READINGS

    def resting(self, now: float) -> bool:
        """Whether it is too early to ask again."""
        return self.lost and now < self.next_try

    def count(self, now: float, why: str) -> None:
        """Count a reading that was not answered."""
        if not self.silent:
            self.since = now
        self.silent += 1
        self.why = why
        if self.lost:
            self.next_try = now + self.pause
            self.pause = min(2 * self.pause, LONGEST)

    def answered(self) -> None:
        """Forget it all: it answers."""
        self.silent, self.why, self.pause, self.given_up = 0, "", SHORTEST, False
