"""What a simulated board says on a serial line, and when: by board state, counted from when a rail came up. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from bringup.core.frozen import frozen

OTHERWISE = "default"
"""Stands for every board state that is not named."""


@frozen
class Saying:
    """One text: so many seconds after the rail came up (or the board state changed), and maybe again and again."""

    text: str
    """`{3V3}` in it becomes the volts of that rail."""
    after: float = 0.0
    every: float | None = None


@frozen
class Talk:
    """What is said on one line."""

    powered_by: str
    """Rail that has to stand for anything to be said."""
    says: Mapping[str, tuple[Saying, ...]] = field(default_factory=dict)
    """Board state, or OTHERWISE -> what it says."""
    answers: Mapping[str, str] = field(default_factory=dict)
    """Line that was sent to it -> what it answers."""

    def sayings(self, state: str | None) -> tuple[Saying, ...]:
        """Return what is said in a board state."""
        return self.says.get(state or OTHERWISE, self.says.get(OTHERWISE, ()))
