"""What waits in rescue files, seen without changing anything: for whoever reads a logbook that lacks it.

No lock is taken, for an attempt that begins at this moment takes in only what nobody holds. So a file may be that of
an attempt that is going: what it holds is not in the logbook either.
"""

from __future__ import annotations

import os
from pathlib import Path

from bringup.core.frozen import frozen
from bringup.logbook.rescue_file import open_found, read_found
from bringup.logbook.waiting import real, waiting


@frozen
class Rescue:
    """A rescue file that holds something, or that cannot be read."""

    file: Path
    serial: str = ""
    """The unit that it tells of; '' where that cannot be read."""
    attempt: str = ""
    lines: int = 0
    unread: str = ""
    """Why it cannot be read."""

    def __str__(self) -> str:
        """Say it to people."""
        if self.unread:
            return f"the rescue file {self.file} cannot be read ({self.unread}): it may tell of what this logbook lacks"
        return (
            f"the rescue file {self.file} holds {self.lines} record{'' if self.lines == 1 else 's'} of attempt "
            f"{self.attempt[:8]} on {self.serial} that this logbook lacks: the next `bringup run` with it takes them in"
        )


def rescues(logbook: Path, lasting: Path | None) -> list[Rescue]:
    """Return the files that wait for this logbook, beside it or in the user's folder `lasting`; never raises."""
    found: list[Rescue] = []
    try:
        for file, beside in waiting(logbook, lasting):
            rescue = _look(file, None if beside else logbook)
            found += [] if rescue is None else [rescue]
    except OSError:
        return found  # a folder that cannot be listed: nothing is known, and reading the logbook says what is wrong
    return found


def _look(file: Path, only: Path | None) -> Rescue | None:
    """Return what a file holds; None if it is empty, gone by now, or of another logbook than `only`."""
    try:
        descriptor = open_found(file)
    except FileNotFoundError:
        return None
    except OSError as error:
        return Rescue(file, unread=error.strerror or str(error))
    try:
        found = read_found(descriptor)
    except (OSError, ValueError) as error:
        return Rescue(file, unread=str(error))
    finally:
        os.close(descriptor)
    head = found.head or {}
    other = only is not None and bool(head.get("logbook")) and real(Path(str(head["logbook"]))) != real(only)
    if not found.lines or other:
        return None
    return Rescue(file, str(head.get("serial", "")), str(head.get("attempt", "")), len(found.lines))
