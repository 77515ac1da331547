"""Marks of a `log`: what the board was doing from when on, as stated, by a key or as the board itself says. Pure.

Samples come in order of time, so that only the latest marks are needed and memory does not grow.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from bringup.core.wording import duration

KEPT = 64
"""Marks remembered at a time: more than anybody sets while one sample is taken."""
TOLD = 200
"""Marks heard in one log that are kept as events; a board that says it without end fills no logbook with them."""
HELD = 0.5
"""Seconds within which a key again is the same key, held down."""


class Marks:
    """The marks of one log. Moments are monotonic seconds."""

    def __init__(self, begun: float, planned: Sequence[tuple[str, float]] = ()) -> None:
        self._begun = begun
        self._planned = sorted(((begun + after, text) for text, after in planned), reverse=True)
        self._set: deque[tuple[float, str]] = deque(maxlen=KEPT)
        self._by_key = 0
        self._pressed = float("-inf")
        self.heard: dict[str, int] = {}
        """Mark -> how often the board has said what sets it."""

    @property
    def next_due(self) -> float:
        """When the next stated mark is due; infinite: none is."""
        return self._planned[-1][0] if self._planned else float("inf")

    def take_due(self, now: float) -> list[str]:
        """Set the stated marks whose moment has come; return them in order."""
        came = []
        while self._planned and self._planned[-1][0] <= now:
            moment, text = self._planned.pop()
            self._set.append((moment, text))
            came.append(text)
        return came

    def press(self, now: float) -> str:
        """Set a mark by key; return its name, '' for a key that is held down."""
        held = now - self._pressed < HELD
        self._pressed = now
        if held:
            return ""
        self._by_key += 1
        text = f"key {self._by_key}"
        self._set.append((now, text))
        return text

    def hear(self, text: str, moment: float) -> bool:
        """Set a mark at the moment at which the board said something; returns whether it is one too many to tell of."""
        self._set.append((moment, text))
        self.heard[text] = self.heard.get(text, 0) + 1
        return sum(self.heard.values()) > TOLD

    def behind(self, moment: float) -> str:
        """Return behind which mark a moment lies, and how far; '' before the first one."""
        before = [mark for mark in self._set if mark[0] <= moment]
        if not before:
            return ""
        at, text = max(before, key=lambda mark: mark[0])
        return f"{duration(round(moment - at, 3))} behind the mark '{text}'"
