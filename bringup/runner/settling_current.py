"""The input current after an input was switched on or set, look by look until it has settled."""

from __future__ import annotations

from dataclasses import replace

from bringup.core.settling import NOISY_AT_LEAST, Settler, State, manner_of
from bringup.core.words import Kind
from bringup.runner.feed import Feed
from bringup.runner.looks import in_current_limit
from bringup.runner.lost_meter import SILENT_READINGS
from bringup.runner.measuring import sample_amps
from bringup.runner.records import PollSample
from bringup.runner.work import Work

START_UP = 0.15
"""Seconds after a change of voltage before the input current is looked at: converters start in milliseconds."""
LOOK_EVERY = 0.05
"""Seconds between two looks while the input current settles."""


class SettlingCurrent:
    """One input's current on its way to a settled value. `begun`: when the input was switched on or set."""

    def __init__(self, work: Work, feed: Feed, begun: float) -> None:
        self._work, self._feed = work, feed
        self.next_look = begun + START_UP
        self._silent = 0
        self._settler = self._anew()

    def _anew(self) -> Settler:
        manner = manner_of(Kind.CURRENT)
        return Settler(replace(manner, bound=max(manner.bound, 2 * NOISY_AT_LEAST * self._work.watch.look_takes)))

    def look(self) -> tuple[PollSample, tuple[float, float] | None] | None:
        """Look once. Returns the look that it has settled with; the lowest and highest current where it never did.

        None: not yet. Current limit while capacitance charges is waited for; the watch decides when it lasts too long.
        """
        sample = self._work.power.look_once(self._feed.output)
        self.next_look = self._work.waits.clock.monotonic() + LOOK_EVERY
        watched, settler = self._work.watch.of(self._feed.output), self._settler
        if watched is not None and in_current_limit(watched, sample):
            settler.give_up(sample.monotonic)
            return None
        value = sample_amps(sample)
        state = settler.feed(sample.monotonic, value)
        self._silent = 0 if value.number is not None else self._silent + 1
        if state is State.SETTLED or self._silent >= SILENT_READINGS:
            return sample, None
        if state is State.NEVER:
            self._settler = self._anew()
            spread = None if settler.lowest is None or settler.highest is None else (settler.lowest, settler.highest)
            return sample, spread
        return None


def settled_current(work: Work, feed: Feed) -> tuple[PollSample, tuple[float, float] | None]:
    """Look at an input that was just switched on or set until its current has settled. See SettlingCurrent.look."""
    settling = SettlingCurrent(work, feed, work.waits.clock.monotonic())
    work.waits.sleep_until(settling.next_look, f"{feed.input} starts up")
    while (found := settling.look()) is None:
        work.waits.sleep_until(settling.next_look)
    return found
