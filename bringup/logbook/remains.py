"""What is still to be saved of a logbook that was deleted or replaced, while the connection to it is open.

The rows of the attempt under way go into its rescue file by small portions, for outputs may be on meanwhile; the
older attempts, which may be much more, are copied as a whole once the outputs are off.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

from bringup.logbook.lines import Line, head_lines, row_lines
from bringup.logbook.watched import rescue

PORTION = 500
"""Rows that are read and written at once while outputs may be on: some milliseconds."""


class Remains:
    """What a connection still sees of a lost logbook, and how much of it was saved by now."""

    def __init__(self, connection: sqlite3.Connection, path: Path, attempt: str) -> None:
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
        self.copy = path.with_name(f"{path.stem}-rescued-{stamp}{path.suffix}")
        """Where the copy of everything will be."""
        self._connection = connection
        self._attempt = attempt
        self._left: Iterator[Line] = iter(())
        self._copied = False

    def begin(self) -> list[Line]:
        """Return what a rescue file begins with: everything but the rows that grow. Raises sqlite3.Error."""
        self._left = iter(())
        head = list(head_lines(self._connection, self._attempt))
        self._left = row_lines(self._connection, self._attempt)
        return head

    def portion(self) -> list[Line]:
        """Return the rows that come next; none once all were returned. Raises sqlite3.Error, once."""
        try:
            return list(islice(self._left, PORTION))
        except sqlite3.Error:
            self._left = iter(())
            raise

    def copy_all(self) -> str:
        """Copy everything, older attempts too, once: call it with the outputs off. Returns what to tell of it."""
        if self._copied:
            return ""
        self._copied = True
        # A statement that is still being read would not let the connection be closed afterwards.
        self._left = iter(())
        try:
            rescue(self._connection, self.copy)
        except sqlite3.Error as failed:
            return f"a copy of all that it held could not be made ({failed})"
        return f"all that it held, older attempts too, was copied to {self.copy}"
