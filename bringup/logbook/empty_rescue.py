"""Takes away the rescue file of a process that was killed, where nothing had to be put into it.

One that holds a record, belongs to another attempt, or is held by somebody stays: the next attempt takes it in.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from bringup.logbook.file_lock import try_lock
from bringup.logbook.rescue_file import open_found, read_found
from bringup.logbook.waiting import anybodys, names_of, real


def remove_empty(logbook: Path, attempt: str) -> tuple[Path, ...]:
    """Remove the empty rescue files of this attempt beside its logbook. Returns those that were.

    `attempt`: its whole id. A file that cannot be read or removed is left alone: it costs room and nothing else.
    """
    whole = real(logbook)
    removed: list[Path] = []
    for file in _beside(whole):
        with suppress(OSError):
            if _removed(file, attempt):
                removed.append(file)
    return tuple(removed)


def remove_anybodys_empty(folder: Path) -> None:
    """Remove every empty rescue file in the user's folder that nobody holds, whichever logbook it was made for.

    One of another logbook would wait there for the next attempt with that one, which may never come.
    """
    for file in anybodys(folder):
        with suppress(OSError):
            _removed(file, None)


def _beside(logbook: Path) -> list[Path]:
    try:
        return names_of(logbook, logbook.parent)
    except OSError:
        return []


def _removed(file: Path, attempt: str | None) -> bool:
    """Remove it if nothing was put into it. `attempt`: whose it must be; None: anybody's."""
    descriptor = open_found(file)
    try:
        # Without a first line it is being made at this moment, and its maker is about to lock it.
        if not os.read(descriptor, 1).strip(b"\0"):
            return False
        # Locked for as long as the process that made it lives: what is free has nobody who could still write into it.
        if not try_lock(descriptor):
            return False
        try:
            found = read_found(descriptor)
        except ValueError:
            return False
        if found.lines or found.torn or found.head is None:
            return False
        if attempt is not None and found.head.get("attempt") != attempt:
            return False
        if os.name != "nt":
            file.unlink()
            return True
    finally:
        os.close(descriptor)
    # Windows removes no file that is open; its name is free to nobody else meanwhile.
    file.unlink()
    return True
