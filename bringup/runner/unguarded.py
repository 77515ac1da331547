"""What stands in for a guardian where there is none: supplies set by hand, and attempts in simulated time."""

from __future__ import annotations

from bringup.runner.pending import Pending


class Unguarded:
    """Implements runner.protocols.Guard by being content with everything."""

    lost = ""

    def ready(self) -> Pending[None]:
        """Nothing has to get ready."""
        return _content()

    def attempt(self, attempt: str) -> None:
        """Nobody has to know."""

    def on(self) -> Pending[None]:
        """Nobody has to hear."""
        return _content()

    def beat(self) -> None:
        """Nobody listens."""

    def ending(self, seconds: float) -> None:
        """Nobody waits."""

    def off(self) -> None:
        """Nobody has to know."""

    def load_left(self) -> None:
        """Nobody has to know."""

    def closed(self) -> None:
        """Nobody has to know."""

    def program(self, pid: int, started: str) -> None:
        """Nobody has to know."""


def _content() -> Pending[None]:
    pending: Pending[None] = Pending(float("inf"))
    pending.settle(None)
    return pending
