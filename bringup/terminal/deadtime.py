"""Keys that come too soon to be an answer: before the question could be read, or from a key that is held down.

A second Enter, by an impatient finger or by key repeat, must never say go to a question that nobody has seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable

UNREAD = 0.4
"""Seconds after a question appeared within which nobody can have read it."""
FIRST_REPEAT = 0.7
"""Seconds after which a key that is held begins to repeat, at most, as systems are set up (common practice, no
source)."""
REPEATS = 0.15
"""Seconds between two repeats, at most (likewise)."""


class DeadTime:
    """Judges keys that would answer a question. A key that comes too soon is dropped, never kept for later."""

    def __init__(self, clock: Callable[[], float]) -> None:
        """`clock`: monotonic seconds."""
        self._clock = clock
        self._put = -math.inf
        self._shown = -math.inf
        self._last = ("", -math.inf)

    def put(self) -> None:
        """Note that a question has been put. Until `shown` every answer to it is too soon."""
        self._put, self._shown = self._clock(), math.inf

    def shown(self) -> None:
        """Note that it is on the screen; only the first time counts."""
        self._shown = min(self._shown, self._clock())

    @property
    def unread(self) -> bool:
        """Whether nobody can have read the question yet."""
        return self._clock() - self._shown < UNREAD

    def too_soon(self, key: str) -> bool:
        """Whether this key, pressed now, comes too soon to answer. To be called for every key, in order."""
        now = self._clock()
        (last, at), self._last = self._last, (key, now)
        # The key that answered the question before may still be down.
        held = key == last and (now - at < REPEATS or (at <= self._put and now - at < FIRST_REPEAT))
        return held or now - self._shown < UNREAD
