"""Opening a logbook for reading: works while an attempt is writing, changes nothing, and creates no file.

SQLite's own read-only mode is not enough for that: on a logbook with a write-ahead file it makes that file and an
index beside it, and leaves them there. So a logbook at rest (no write-ahead file) is read as immutable, and read
again if it changed meanwhile.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TypeVar

from bringup.errors import LogbookError
from bringup.logbook.database import Database
from bringup.logbook.faults import explain
from bringup.logbook.migrations import copy_up_to_date
from bringup.logbook.opening import BUSY_SECONDS, check_ours
from bringup.logbook.server_address import AnyLogbook, Server
from bringup.logbook.version import CHAINED, VERSION, version_of

T = TypeVar("T")

_TRIES = 5


def read(path: AnyLogbook, work: Callable[[Database], T], *, hashes: bool = False) -> T:
    """Return `work(connection)`, which may be called again if the file changed while it ran.

    A file of an older version is read through a copy that has the tables of today. Rows have column names; LIKE heeds
    case, as in PostgreSQL. Raises LogbookError for a file that is not there, is no logbook, is of a newer version, or
    has no `hashes` where they are wanted; the same for what was published to a server.
    """
    if isinstance(path, Server):
        from bringup.logbook.server import read_server

        return read_server(path, work)
    if not path.exists():
        raise LogbookError(
            f"there is no logbook {path}",
            "Name it with --logbook FILE (or BRINGUP_LOGBOOK), or change to the folder that it is in;"
            " the first attempt makes one.",
        )
    if not path.is_file():
        raise LogbookError(f"the logbook {path} is not a file", "Name a file with --logbook.")
    try:
        for _ in range(_TRIES):
            before = _state(path)
            at_rest = not before[1]
            try:
                result = _read_once(path, work, immutable=at_rest, hashes=hashes)
            except sqlite3.DatabaseError:
                # A file that is folded together while it is read as immutable can look damaged.
                if not at_rest or _state(path) == before:
                    raise
                continue
            if not at_rest or _state(path) == before:
                return result
    except sqlite3.Error as error:
        raise explain(error, path, "read") from error
    raise LogbookError(f"the logbook {path} changed every time it was read", "Try again in a moment.")


def _state(path: Path) -> tuple[tuple[int, int, int], bool]:
    """Return what changes when the file does, and whether a write-ahead file lies beside it.

    One that does belongs to somebody who writes, or who was killed.
    """
    status = path.stat()
    ahead = path.with_name(path.name + "-wal")
    return (status.st_ino, status.st_size, status.st_mtime_ns), ahead.exists()


def _read_once(path: Path, work: Callable[[Database], T], *, immutable: bool, hashes: bool) -> T:
    where = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if immutable else ''}"
    with closing(sqlite3.connect(where, uri=True, isolation_level=None, timeout=BUSY_SECONDS)) as connection:
        # One transaction: everything that `work` asks sees the same moment.
        connection.execute("BEGIN")
        check_ours(connection, path)
        version = version_of(connection)
        if hashes and version < CHAINED:
            raise LogbookError(
                f"the logbook {path} has no hashes: it was written by a bringup from before there were any",
                "Whatever writes to it next, such as `bringup run` or `bringup note`, begins them, keeping a copy.",
            )
        if version == VERSION:
            return _asked(connection, work)
        with closing(copy_up_to_date(connection, path)) as copy:
            return _asked(copy, work)


def _asked(connection: sqlite3.Connection, work: Callable[[Database], T]) -> T:
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA query_only = ON")
    connection.execute("PRAGMA case_sensitive_like = ON")
    return work(connection)
