"""What the guardian is told of the outputs, and the wait for it before anything goes on.

Power calls this at every turn of an output; the guardian's own side is behind protocols.Guard.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bringup.errors import LinkError
from bringup.runner.endings import BrokenOff
from bringup.runner.pending import Pending
from bringup.runner.protocols import Guard
from bringup.runner.unguarded import Unguarded
from bringup.runner.wait import WaitPoint

ON_TOP = 4.0
"""Seconds on top of a link's own deadline before the guardian may take switching off for a hang."""


class Guarding:
    """Keeps count of the outputs (or the load's channels) that the guardian believes to be on."""

    def __init__(self, guard: Guard | None, waits: WaitPoint) -> None:
        """`guard` None: nobody but a person could switch them off, or another count says it already."""
        self._guard = guard or Unguarded()
        self._waits = waits
        self._on: set[int] = set()

    def ready(self, name: str) -> None:
        """Wait until the guardian could act, before an input is set up. Raises BrokenOff without one."""
        self._wait(self._guard.ready(), name)

    def going_on(self, output: int, name: str) -> None:
        """Wait until the guardian has heard that an input is about to go on. Raises BrokenOff without one."""
        self._on.add(output)
        self._wait(self._guard.on(), name)

    def found_on(self, outputs: Sequence[int]) -> None:
        """Tell of outputs that are on already and are ours from now."""
        if outputs:
            self._on.update(outputs)
            self._guard.on()

    def switching_off(self, output: int, pending: Pending[Any]) -> None:
        """Have the guardian bear with a step of switching off for as long as the link may take."""
        if output in self._on:
            self._guard.ending(pending.deadline - self._waits.clock.monotonic() + ON_TOP)

    def emergency(self, seconds: float) -> None:
        """Have the guardian bear with an emergency that may take that long."""
        if self._on:
            self._guard.ending(seconds + ON_TOP)

    def off(self, output: int) -> None:
        """An output was verified off; the guardian is told when it was the last."""
        if output in self._on:
            self._on.discard(output)
            if not self._on:
                self._guard.off()

    def all_off(self) -> None:
        """Every output was verified off."""
        if self._on:
            self._on.clear()
            self._guard.off()

    def _wait(self, pending: Pending[None], name: str) -> None:
        try:
            self._waits.result(pending, "guardian")
        except LinkError as error:
            raise BrokenOff(
                f"{name} was not switched on, for nothing would switch it off if this program died: {error.message}"
            ) from error
