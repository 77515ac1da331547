"""One worker thread, which alone touches one instrument, and the deadlines by which it counts as lost.

Nothing here knows what a job does. The thread is a daemon: a call that never returns holds up neither the main
thread nor the end of the process; such a worker is abandoned and another one takes its place.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from queue import SimpleQueue


class Worker:
    """Works through its jobs in order. All methods may be called from any thread and return at once."""

    def __init__(self, name: str, finish: Callable[[], None]) -> None:
        """`finish` is the last thing the thread does, when it is stopped or, having hung, comes back."""
        self.cancelled = threading.Event()
        """Set once the worker is to do nothing more: jobs look at it before they send anything."""
        self._finish = finish
        self._jobs: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._deadlines: deque[float] = deque()
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def put(self, job: Callable[[], None], deadline: float) -> None:
        """Add a job that should be done by that monotonic time."""
        self._deadlines.append(deadline)
        self._jobs.put(job)

    def busy_until(self, now: float) -> float:
        """Return when the jobs given so far should be done; `now` if there are none."""
        try:
            return max(now, self._deadlines[-1])
        except IndexError:
            return now

    def overdue(self, now: float) -> bool:
        """Whether the job under way should have been done by now."""
        try:
            return self._deadlines[0] < now
        except IndexError:
            return False

    def stop(self, within: float | None) -> bool:
        """Have the thread end after the job under way; wait up to `within` seconds. Returns whether it ended."""
        self.cancelled.set()
        self._jobs.put(None)
        if within is not None and self._thread is not threading.current_thread():
            self._thread.join(within)
        return not self._thread.is_alive()

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            try:
                job()
            finally:
                self._deadlines.popleft()
        self._finish()
