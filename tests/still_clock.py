"""A clock that a test moves by hand: seconds pass when the test says so."""

from __future__ import annotations


class StillClock:
    """Monotonic seconds, called as a function."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now

    def pass_by(self, seconds: float) -> None:
        """Let so many seconds pass."""
        self.now += seconds
