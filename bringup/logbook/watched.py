"""Whether the files behind an open SQLite connection are still the ones that bear their names.

A program that deletes or replaces a logbook while it is written (a synchronising folder, a tidy colleague) goes
unnoticed by SQLite: it would go on writing into a file that nobody can find. Compared by device and inode.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from bringup.errors import LogbookError


class WatchedFile:
    """The database and its write-ahead file as they are now; `check` compares later."""

    def __init__(self, path: Path) -> None:
        """Raises LogbookError if one of them is not there."""
        self.path = path
        # As SQLite does it: beside what a link leads to.
        real = os.path.realpath(path)
        self._seen = tuple((name, self._identity(name)) for name in (real, f"{real}-wal"))

    def check(self) -> None:
        """Raise LogbookError if a file was deleted or replaced since."""
        for name, seen in self._seen:
            if self._identity(name) != seen:
                raise LogbookError(
                    f"the logbook {self.path} was replaced while it was being written: {name} is another file now",
                    "Find out which program did it, and keep the logbook out of its reach.",
                )

    def _identity(self, name: str) -> tuple[int, int]:
        try:
            status = os.stat(name)  # noqa: PTH116 - a third of the cost of Path.stat, twice for every commit
        except OSError as error:
            raise LogbookError(
                f"the logbook {self.path} was deleted or moved while it was being written: {name} is gone",
                "Find out which program did it, and keep the logbook out of its reach.",
            ) from error
        return status.st_dev, status.st_ino


def rescue(connection: sqlite3.Connection, copy: Path) -> None:
    """Copy what an open connection still sees into a new file, which takes as long as it is big. sqlite3.Error."""
    with closing(sqlite3.connect(copy)) as target:
        connection.backup(target)
