"""Whether the computer was awake while an output was on, and keeping it so. The wait point looks here on every waking.

A gap may be anywhere: in a wait, in a commit to a slow disk, in a process that somebody stopped. What counts is how
long after the moment at which this was due it is looked at again, and how long the computer itself slept.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from bringup.runner.endings import Slept
from bringup.runner.journal import Journal
from bringup.runner.protocols import Clock

ASLEEP = 5.0
"""So many seconds later than due mean that the computer slept or the tool hung, and that nobody looked meanwhile."""


class KeepAwake(Protocol):
    """The system's way to keep a computer from sleeping. Nothing here waits or raises."""

    def hold(self) -> None:
        """Begin to keep it awake."""

    def release(self) -> None:
        """Let it sleep again."""

    def holds(self) -> tuple[bool, str] | None:
        """Whether it is kept awake, and by what or why not. None: not known yet."""


class Wakefulness:
    """One attempt's. `on` tells whether an output is on (or may be)."""

    def __init__(self, clock: Clock, journal: Journal, on: Callable[[], bool], keeper: KeepAwake | None = None) -> None:
        self.on = on
        self.keeper = keeper
        self._clock = clock
        self._journal = journal
        self._was_on = False
        self._due = 0.0
        self._slept = 0.0
        self._holding = False
        self._said = False

    def due(self, moment: float) -> None:
        """The next look is due by that monotonic moment; until then, being away is meant."""
        self._due = max(moment, self._due)

    def look(self) -> None:
        """Notice a gap since the last look. Raises Slept if an output was on all the while, or may have been."""
        on, now, slept = self.on(), self._clock.monotonic(), self._clock.asleep()
        # Some systems stop the monotonic clock during sleep, some do not: either gap is noticed.
        lost = max(now - self._due, slept - self._slept) if on and self._was_on else 0.0
        self._was_on, self._due, self._slept = on, now, slept
        if lost > ASLEEP:
            raise Slept(f"the computer slept or the tool hung for {lost:.0f} s while an output was on")
        self._keep_awake(on)

    def close(self) -> None:
        """Let the computer sleep again."""
        if self._holding and self.keeper is not None:
            self._holding = False
            self.keeper.release()

    def _keep_awake(self, on: bool) -> None:
        if self.keeper is None:
            return
        if not on:
            self.close()
            return
        if not self._holding:
            self._holding = True
            self.keeper.hold()
        if not self._said and (known := self.keeper.holds()) is not None:
            self._said = True
            held, how = known
            if held:
                self._journal.event("awake", f"the computer is kept awake while an output is on ({how})", show="")
            else:
                text = f"the computer is NOT kept awake while an output is on: {how}"
                self._journal.event("awake", f"{text}. See to it that it does not go to sleep by itself")
