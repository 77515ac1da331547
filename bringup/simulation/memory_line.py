"""A serial line of a simulated board within one process, in the time of a SimulatedClock (runner.protocols.Line)."""

from __future__ import annotations

import math

from bringup.runner.pending import Pending
from bringup.runner.records import Heard
from bringup.simulation.clock import SimulatedClock
from bringup.simulation.talking import Talking

EVERY = 0.05
"""Simulated seconds between two looks at what the board says."""


class MemoryLine:
    """One line. `talking` None: whatever comes on it is pushed."""

    where = "simulated"

    def __init__(self, clock: SimulatedClock, talking: Talking | None = None) -> None:
        self._clock, self._talking = clock, talking
        self._come: list[Heard] = []
        self.gone = ""
        self.sent: list[bytes] = []
        self.lent = 0
        """How often it was lent."""
        self.takes = True
        """Whether what is sent goes out."""
        if talking is not None:
            self._tick()

    @property
    def waiting(self) -> bool:
        """Whether anything has come that was not taken."""
        return bool(self._come)

    def take(self) -> list[Heard]:
        """Return what has come."""
        come, self._come = self._come, []
        return come

    def send(self, data: bytes) -> Pending[str]:
        """Send; the board hears it at once."""
        pending: Pending[str] = Pending(math.inf, self._clock.wake)
        if not self.takes:
            return pending
        self.sent.append(data)
        if self._talking is not None:
            self._talking.hear(data)
        pending.settle(self.gone)
        return pending

    def lend(self) -> Pending[str]:
        """Count it."""
        self.lent += 1
        pending: Pending[str] = Pending(math.inf, self._clock.wake)
        pending.settle("")
        return pending

    def take_back(self) -> None:
        """Nothing was closed."""

    def push(self, data: bytes, *, news: str = "", lost: int = 0) -> None:
        """Have something come now."""
        self._come.append(Heard(self._clock.monotonic(), data, lost, news))
        self._clock.wake()

    def push_at(self, time: float, data: bytes) -> None:
        """Have something come at a simulated time."""
        self._clock.at(time, lambda: self.push(data), wakes=False)

    def _tick(self) -> None:
        assert self._talking is not None
        if data := self._talking.due(self._clock.monotonic()):
            self.push(data)
        self._clock.at(self._clock.monotonic() + EVERY, self._tick, wakes=False)
