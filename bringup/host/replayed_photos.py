"""The photos of a trace (runner.protocols.Photos): found when they were then, as what they were, without pictures."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Protocol

from bringup.core.traffic import Differs, Event, escaped
from bringup.host.traced_photos import WHO, named
from bringup.runner.pending import Pending
from bringup.runner.records import PhotoFile, Seen

ASKED = ("looks", "reads")
ENDED = ("looked", "read", "unread")
"""How a question stands in a trace, and what came of it."""


class Clock(Protocol):
    """The time of a replay."""

    def at(self, time: float, callback: Callable[[], None], *, wakes: bool = True) -> None:
        """Call `callback` then."""

    def wake(self) -> None:
        """End the wait now."""


class ReplayedPhotos:
    """Answers from a trace. `look` and `read` may raise Differs."""

    def __init__(self, path: str, events: Sequence[Event], clock: Clock, found: list[Differs]) -> None:
        """`found`: the differences of the whole replay, in order."""
        self._path, self._clock, self._found = path, clock, found
        mine = [event for event in events if event.who == WHO and event.what in ASKED + ENDED + ("seen",)]
        self._asked = [event for event in mine if event.what in ASKED]
        self._seen: dict[str, list[Seen]] = {}
        """Number of the question -> files that came later than the first look."""
        self._ended: dict[str, Event] = {}
        """Number of the question -> what came of it."""
        for event in mine:
            number, *rest = event.words.split()
            if event.what == "seen":
                self._seen.setdefault(number, []).append(Seen(event.text, *map(int, rest)))
            elif event.what in ENDED:
                self._ended[number] = event

    def look(self, folder: str) -> Pending[tuple[Seen, ...] | str]:
        """The files in a folder, as they were then."""
        return self._answered("looks", folder)

    def read(self, path: str) -> Pending[PhotoFile]:
        """A file, as it was then."""
        return self._answered("reads", path)

    def unasked(self) -> None:
        """Raise Differs where more was looked for then."""
        if self._asked:
            raise self._differs(self._asked[0], "the attempt has ended")

    def _answered(self, what: str, path: str) -> Pending[Any]:
        event = self._asked.pop(0) if self._asked else None
        if event is None or (event.what, event.data) != (what, named(path)):
            raise self._differs(event, f'photos {what} "{escaped(named(path))}"')
        pending: Pending[Any] = Pending(math.inf, self._clock.wake)
        ended = self._ended.get(event.words)
        if ended is not None:
            value = self._value(ended, path if what == "reads" else "")
            self._clock.at(ended.at, lambda: pending.settle(value), wakes=False)
        return pending

    def _value(self, ended: Event, read: str) -> object:
        """Return what came of it; `read`: the file that is read, '' where a folder is looked into."""
        number, *rest = ended.words.split()
        if ended.what == "unread":
            return PhotoFile(read, why=ended.text) if read else ended.text
        if ended.what == "looked":
            return tuple(self._seen.get(number, ()))
        kind, width, height, _, digest = rest
        return PhotoFile(ended.text, b"", digest, kind, (int(width), int(height)))

    def _differs(self, event: Event | None, now: str) -> Differs:
        then, place, line = "no photo more was looked for", self._path, 1 << 62
        if event is not None:
            then, place, line = (
                f'came: photos {event.what} "{escaped(event.data)}"',
                f"{place}:{event.line}",
                event.line,
            )
        self._found.append(Differs(f"{place}: then {then}; now {now}", line))
        return self._found[0]
