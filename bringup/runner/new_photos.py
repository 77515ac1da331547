"""Which files of a watched folder are new and whole: those that were not there before and grow no more. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from bringup.runner.records import Seen


class NewPhotos:
    """Remembers a folder from look to look."""

    def __init__(self, there: Iterable[Seen]) -> None:
        """`there`: what was in it when the wait began."""
        self._known = set(there)
        self._before: set[Seen] = set()

    def settled(self, files: Iterable[Seen]) -> Iterator[Seen]:
        """Yield the new files that are as they were at the look before, each once as it is."""
        now = set(files) - self._known
        whole = sorted((seen for seen in now & self._before if seen.size), key=lambda seen: (seen.changed, seen.path))
        self._before = now
        self._known.update(whole)
        yield from whole
