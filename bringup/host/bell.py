"""A wait that any thread and any signal handler can end, and a box of letters whose reader waits at one.

The standard library's SimpleQueue would do both, but in CPython 3.11 its `get` with a time-out waits for ever if the
time runs out while it is taking a wake-up that was meant for an earlier item: the time left turns negative, which
means 'no limit' to the lock below. Seen here on 3.11.7, after some thousand short waits. A lock of its own computes
the time left after a signal, and takes a negative one for what it is.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from queue import Empty
from typing import Generic, TypeVar

T = TypeVar("T")

LONGEST_WAIT = 3600.0
"""Seconds of one wait at most: the system's own time-outs are bounded."""


class Bell:
    """One waits, many ring. Rings while nobody waits count as one, for the next wait."""

    def __init__(self) -> None:
        self._silent = threading.Lock()
        self._silent.acquire()

    def ring(self) -> None:
        """End the wait now, or the next one."""
        try:
            self._silent.release()
        except RuntimeError:
            return  # it rings already

    def wait(self, seconds: float) -> bool:
        """Return True as soon as it was rung, False after so many seconds; not positive: look only."""
        return self._silent.acquire(timeout=min(max(0.0, seconds), LONGEST_WAIT))


class Letters(Generic[T]):
    """What many put in and one takes out, in order."""

    def __init__(self) -> None:
        self._bell = Bell()
        self._here: deque[T] = deque()

    def put(self, letter: T) -> None:
        """Put one in. Callable from any thread and from a signal handler."""
        self._here.append(letter)
        self._bell.ring()

    def get(self, seconds: float | None = None) -> T:
        """Take the oldest out, waiting for one; None: as long as it takes. Raises queue.Empty after so many seconds."""
        until = None if seconds is None else time.monotonic() + seconds
        while True:
            if self._here:
                return self._here.popleft()
            left = LONGEST_WAIT if until is None else until - time.monotonic()
            if left <= 0:
                raise Empty
            self._bell.wait(left)
