"""What one instrument did according to a trace, in order, and how far a replay of it has come."""

from __future__ import annotations

import time
from bisect import bisect_right
from collections.abc import Sequence

from bringup.core.traffic import Differs, Event, escaped

AFTER_ALL = 1 << 62


class Course:
    """What one instrument did, in order, and how far the replay is."""

    def __init__(self, path: str, role: str, events: Sequence[Event], found: list[Differs]) -> None:
        """`found`: the differences of the whole replay, in order. What is done after the first means nothing."""
        self._found = found
        self.role = role
        self.sent = 0
        """Messages that went out as they did then."""
        self._path = path
        self._events = [event for event in events if event.who == role and event.what != "stray"]
        self._next = 0
        self._real = [float("-inf")]
        self._then = [0.0]

    @property
    def next(self) -> Event | None:
        """What happened next; None at the end."""
        return self._events[self._next] if self._next < len(self._events) else None

    @property
    def at(self) -> float:
        """When the last thing happened that was replayed."""
        return self._then[-1]

    def take(self) -> Event:
        """Go on by one."""
        event = self._events[self._next]
        self._next += 1
        self._real.append(time.monotonic())
        self._then.append(event.at)
        return event

    def take_if(self, *whats: str) -> Event | None:
        """Go on by one if that is what happened next."""
        return self.take() if self.next is not None and self.next.what in whats else None

    def then(self, real: float) -> float:
        """Return when that happened which in this replay was done at monotonic time `real`."""
        return self._then[bisect_right(self._real, real) - 1]

    def next_sent_at(self) -> float | None:
        """Return when the next message went out."""
        return next((event.at for event in self._events[self._next :] if event.what == "out"), None)

    def unsent(self) -> Event | None:
        """Return the first message that went out then and not in this replay."""
        return next((event for event in self._events[self._next :] if event.what == "out"), None)

    def gave_way(self) -> bool:
        """Whether the exchange under way was given up then for something urgent, with nothing wrong."""
        ahead = (event for event in self._events[self._next :] if event.what != "took")
        event = next(ahead, None)
        return event is not None and event.what == "failed" and event.words == "gave_way"

    def fits(self, data: bytes, start: int | None = None) -> bool:
        """Whether these bytes are what went out next (from event `start` on), as far as the link held then."""
        for event in self._events[self._next if start is None else start :]:
            if event.what == "out":
                if not data.startswith(event.data):
                    return False
                data = data[len(event.data) :]
            elif event.what not in {"in", "silent", "took"}:
                return True  # It failed there, or the link was opened first.
            if not data:
                return True
        return False

    def skip(self, data: bytes, following: bytes) -> bool:
        """Pass over an exchange of just these bytes, if one comes next and `following` fits after it."""
        rest, end = data, self._next
        while end < len(self._events) and self._events[end].what in {"out", "in", "took"}:
            event = self._events[end]
            if event.what == "out":
                if not rest:
                    break
                if not rest.startswith(event.data):
                    return False
                rest = rest[len(event.data) :]
            end += 1
        if rest or not self.fits(following, end):
            return False
        while self._next < end:
            self.take()
        return True

    def differs(self, now: str) -> Differs:
        """Return the difference between what happened next and what is done now; once there is one, the first."""
        event = self.next
        if event is None:
            self._found.append(Differs(f"{self._path}: the trace of the {self.role} has ended; now {now}", AFTER_ALL))
        else:
            then = event.what + (f' "{escaped(event.data)}"' if event.data else "")
            self._found.append(
                Differs(f"{self._path}:{event.line}: then came: {self.role} {then}; now {now}", event.line)
            )
        return self._found[0]
