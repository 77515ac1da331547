"""A serial line of a trace (runner.protocols.Line): says what came then, when it did, and takes what was sent then."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Protocol

from bringup.core.traffic import Differs, Event, escaped
from bringup.runner.pending import Pending
from bringup.runner.records import Heard


class Clock(Protocol):
    """The time of a replay."""

    def at(self, time: float, callback: Callable[[], None], *, wakes: bool = True) -> None:
        """Call `callback` then."""

    def wake(self) -> None:
        """End the wait now."""


class ReplayedLine:
    """One line. `send` may raise Differs."""

    where = "of the trace"

    def __init__(self, path: str, who: str, events: Sequence[Event], clock: Clock, found: list[Differs]) -> None:
        """`who`: what it is called in the trace; `found`: the differences of the whole replay, in order."""
        self._path, self._who, self._clock, self._found = path, who, clock, found
        self.gone = ""
        """Why nothing can be heard at the moment, as it was noticed then."""
        self._come: list[Heard] = []
        mine = [event for event in events if event.who == who]
        self._sent = [event for event in mine if event.what in ("told", "sent")]
        for event in mine:
            if event.what in ("heard", "news"):
                clock.at(event.at, lambda event=event: self._hear(event))  # type: ignore[misc]
            elif event.what == "gone":
                clock.at(event.at, lambda event=event: self._noticed(event), wakes=False)  # type: ignore[misc]

    @property
    def waiting(self) -> bool:
        """Whether anything has come that was not taken."""
        return bool(self._come)

    def take(self) -> Sequence[Heard]:
        """Return what has come."""
        come, self._come = self._come, []
        return come

    def send(self, data: bytes) -> Pending[str]:
        """Be sent what was sent then. Raises Differs for anything else."""
        event = self._sent.pop(0) if self._sent else None
        if event is None or (event.what, event.data) != ("told", data):
            then = "nothing more was sent" if event is None else f'came: {self._who} {event.what} "{event.text}"'
            place, line = (self._path, 1 << 62) if event is None else (f"{self._path}:{event.line}", event.line)
            self._found.append(Differs(f'{place}: then {then}; now {self._who} is told "{escaped(data)}"', line))
            raise self._found[0]
        pending: Pending[str] = Pending(math.inf, self._clock.wake)
        if self._sent and self._sent[0].what == "sent":
            sent = self._sent.pop(0)
            self._clock.at(sent.at, lambda: pending.settle(sent.text), wakes=False)
        return pending

    def lend(self) -> Pending[str]:
        """Nobody borrows a line of a trace: no program is run."""
        pending: Pending[str] = Pending(math.inf, self._clock.wake)
        pending.settle("")
        return pending

    def take_back(self) -> None:
        """Nothing was closed."""

    def _hear(self, event: Event) -> None:
        if event.what == "heard":
            self._come.append(Heard(event.at, event.data, int(event.words)))
        else:
            self._come.append(Heard(event.at, news=event.text))

    def _noticed(self, event: Event) -> None:
        self.gone = event.text
