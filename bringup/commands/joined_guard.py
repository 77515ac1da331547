"""Several guardians of one attempt, one for each supply, taken for one (runner.protocols.Guard).

Each is told everything: where one output is on, all of them switch off when this program dies or hangs, each its own
supply, and none waits for another. Without all of them, nothing is switched on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bringup.runner.joined_supply import gathered
from bringup.runner.pending import Pending
from bringup.runner.protocols import Guard


class JoinedGuard:
    """The first one also has what goes off after a supply, and ends the program that is under way."""

    def __init__(self, guards: Sequence[Guard]) -> None:
        self._guards = tuple(guards)

    @property
    def lost(self) -> str:
        """Why one of them cannot be relied upon any more; empty while all can."""
        return "; ".join(filter(None, (each.lost for each in self._guards)))

    def ready(self) -> Pending[None]:
        """Done once all of them could act at once."""
        return self._all(lambda each: each.ready())

    def attempt(self, attempt: str) -> None:
        """Tell the id of the attempt in the logbook."""
        for each in self._guards:
            each.attempt(attempt)

    def on(self) -> Pending[None]:
        """Tell that an output is about to go on. Done when all of them heard it."""
        return self._all(lambda each: each.on())

    def beat(self) -> None:
        """Tell that a supply has just been seen doing what it should: whoever looks at them is alive."""
        for each in self._guards:
            each.beat()

    def ending(self, seconds: float) -> None:
        """Tell that switching off is under way, and may take that long without a sign of life."""
        for each in self._guards:
            each.ending(seconds)

    def off(self) -> None:
        """Tell that every output of every supply is off, verified by asking."""
        for each in self._guards:
            each.off()

    def load_left(self) -> None:
        """Tell that the load beside the supplies could not be verified off."""
        self._guards[0].load_left()

    def closed(self) -> None:
        """Tell that the attempt is closed in the logbook."""
        for each in self._guards:
            each.closed()

    def program(self, pid: int, started: str) -> None:
        """Tell which program of this computer is under way: one of them ends it. Callable from any thread."""
        self._guards[0].program(pid, started)

    def _all(self, tell: Callable[[Guard], Pending[None]]) -> Pending[None]:
        # All are told before any of them is waited for.
        return gathered([tell(each) for each in self._guards]).then(_each)


def _each(told: Sequence[Pending[None]]) -> None:
    """Raise the error of whoever has one."""
    for each in told:
        each.value()
