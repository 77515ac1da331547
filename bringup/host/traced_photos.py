"""Where photos come from (runner.protocols.Photos), with what is looked for and found told to somebody who keeps it.

Told are names, sizes, times of files and SHA-256: no picture, and its folder only where it says why there is none.
"""

from __future__ import annotations

from typing import Protocol

from bringup.runner.pending import Pending
from bringup.runner.protocols import Photos
from bringup.runner.records import PhotoFile, Seen

WHO = "photos"


class Note(Protocol):
    """Somebody who keeps what happens. Never raises, never blocks."""

    def __call__(self, who: str, what: str, words: str = "", data: bytes = b"") -> None:
        """Keep it, with the time of the call. Words and what is quoted: core.traffic.EVENTS."""


class TracedPhotos:
    """Passes everything on to other Photos. Files that were in a folder at the first look are not told of."""

    def __init__(self, photos: Photos, note: Note) -> None:
        self._photos, self._note = photos, note
        self._asked = 0
        self._first: dict[str, frozenset[Seen]] = {}

    def look(self, folder: str) -> Pending[tuple[Seen, ...] | str]:
        """The files in a folder."""
        number = self._number("looks", folder)
        found = self._photos.look(folder)
        found.then(lambda files: self._looked(number, folder, files))
        return found

    def read(self, path: str) -> Pending[PhotoFile]:
        """A file, read and recognised."""
        number = self._number("reads", path)
        found = self._photos.read(path)
        found.then(lambda file: self._read(number, file))
        return found

    def _number(self, what: str, path: str) -> int:
        self._asked += 1
        self._note(WHO, what, str(self._asked), named(path))
        return self._asked

    def _looked(self, number: int, folder: str, files: tuple[Seen, ...] | str) -> None:
        if isinstance(files, str):
            self._note(WHO, "unread", str(number), files.encode("utf-8", "replace"))
            return
        first = self._first.setdefault(folder, frozenset(files))
        for seen in files:
            if seen not in first:
                self._note(WHO, "seen", f"{number} {seen.size} {max(0, seen.changed)}", named(seen.path))
        self._note(WHO, "looked", str(number))

    def _read(self, number: int, file: PhotoFile) -> None:
        if file.why:
            self._note(WHO, "unread", str(number), file.why.encode("utf-8", "replace"))
            return
        width, height = file.size
        words = f"{number} {file.kind} {width} {height} {len(file.data)} {file.digest}"
        self._note(WHO, "read", words, named(file.path))


def named(path: str) -> bytes:
    """Return the last part of a path of any system, as it stands in a trace."""
    return path.rstrip("/\\").replace("\\", "/").rpartition("/")[2].encode("utf-8", "replace")
