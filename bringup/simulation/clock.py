"""Simulated time in one thread: a list of events, and waits that jump from one to the next.

Implements runner.protocols.Clock. Nothing here sleeps; two runs with the same events are the same run.
"""

from __future__ import annotations

import heapq
import math
from bisect import bisect_left
from collections import deque
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta

from bringup.runner.records import Interruption

START = datetime(2026, 1, 5, 8, 0, 0, tzinfo=UTC)
"""The wall time at simulated second 0, unless another one is given."""


MOST_LATE = 0.05
"""Seconds after its cause in which a wait ends; later is the end of another one."""


class SimulatedClock:
    """A clock that moves only while somebody waits."""

    def __init__(self, start: datetime = START, turns: Sequence[float] = (), work: float = 0.0) -> None:
        """`turns`, ascending: when waits ended in what is simulated again. Those here end no sooner after a cause.

        `work`: seconds that pass after each of them before anything is done.
        """
        self._turns = turns
        self._work = work
        self._start = start
        self._now = 0.0
        self._events: list[tuple[float, int, bool, Callable[[], None]]] = []
        self._order = 0
        self._woken = False
        self._interruptions: deque[Interruption] = deque()

    def monotonic(self) -> float:
        """Simulated seconds since the start."""
        return self._now

    def utc(self) -> datetime:
        """The fixed start plus the simulated seconds."""
        return self._start + timedelta(seconds=self._now)

    def asleep(self) -> float:
        """Nothing: no simulated second is missed."""
        return 0.0

    def at(self, time: float, callback: Callable[[], None], *, wakes: bool = True) -> None:
        """Call `callback` when simulated `time` comes (at once in the next wait if it has passed).

        Events of the same time run in the order in which they were scheduled. With `wakes` False the event is
        housekeeping: the wait goes on after it unless the callback itself calls `wake`.
        """
        heapq.heappush(self._events, (max(time, self._now), self._order, wakes, callback))
        self._order += 1

    def wait(self, until: float) -> None:
        """Move on to `until`, or to the first event before it (or just then) that wakes.

        Raises RuntimeError when it would be for ever: no end, nothing scheduled, nobody to call `wake`.
        """
        while not self._woken:
            if not self._events or self._events[0][0] > until:
                if math.isinf(until) and until > 0:
                    raise RuntimeError(f"at simulated second {self._now:g} everybody waits and nothing is scheduled")
                self._end_at(until)
                return
            time, _, wakes, callback = heapq.heappop(self._events)
            self._now = max(self._now, time)
            if wakes:
                self._woken = True
            callback()
        self._woken = False
        self._end_at(self._now)

    def _end_at(self, time: float) -> None:
        """Let a wait end that had cause to at `time`."""
        place = bisect_left(self._turns, time)
        late = self._turns[place] - time if place < len(self._turns) else math.inf
        self._now = max(self._now, time + late + self._work if late < MOST_LATE else time)

    def wake(self) -> None:
        """End the wait that is going on, or the next one before it begins."""
        self._woken = True

    def spend(self, until: float) -> None:
        """Let time pass until then without anybody waiting, as work does; what falls due meanwhile comes after it."""
        self._now = max(self._now, until)

    def interrupt(self, kind: Interruption, at: float) -> None:
        """Schedule an interruption. Several queue up."""
        self.at(at, lambda: self._interruptions.append(kind))

    def interruption(self) -> Interruption | None:
        """The interruption that came first and has not been acknowledged."""
        return self._interruptions[0] if self._interruptions else None

    def acknowledge(self) -> None:
        """Forget that interruption; the next one, if any, shows."""
        if self._interruptions:
            self._interruptions.popleft()
