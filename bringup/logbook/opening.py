"""Opening a logbook for writing: everything that could go wrong with it is found here, before anything is powered.

The standard library's sqlite3 only. Opening for reading is reading.py.
"""

from __future__ import annotations

import sqlite3
import sys
import time
from pathlib import Path

from bringup.errors import LogbookError
from bringup.logbook.folders import check_place
from bringup.logbook.version import APPLICATION_ID, VERSION, version_of
from bringup.logbook.waiting import anybodys, waiting

BUSY_SECONDS = 0.5
"""How long a write may wait for another writer. Outputs may be on meanwhile, so this is short."""

CREATION_SECONDS = 2.0
"""How long another process may take to make the same new file."""


class OpenLogbook:
    """A logbook open for writing, in autocommit mode."""

    def __init__(self, connection: sqlite3.Connection, path: Path, lasting: Path | None = None) -> None:
        self.connection = connection
        self.path = path
        self.lasting = lasting
        """The user's folder for rescue files where none can be made beside the logbook."""
        self.left_open: tuple[str, ...] = ()
        """Ids of attempts that were found open, their process gone, and were closed as broken off."""
        self.backup: Path | None = None
        """Copy from before a migration, if one was needed."""
        self.taken_in: tuple[str, ...] = ()
        """What to tell of rescue files of earlier attempts."""
        self.not_taken_in: tuple[Path, ...] = ()
        """Rescue files that hold what this logbook may lack: a trip, for all that is known."""
        self.untouchable = False
        """Its disk takes no more writes: see `close`."""

    def close(self) -> None:
        """Let go of the file. One that is untouchable is left to the system, which closes it with the process.

        SQLite would fold the write-ahead file in first, through mapped memory, where a disk's refusal kills the
        process (SIGBUS) instead of being an error. So the connection is never closed, nor collected.
        """
        if self.untouchable:
            import ctypes

            ctypes.pythonapi.Py_IncRef(ctypes.py_object(self.connection))
        else:
            self.connection.close()


def open_for_writing(path: Path, lasting: Path | None = None) -> OpenLogbook:
    """Open or create the logbook, and take in what waits in rescue files.

    `lasting`: the user's folder where some may be, too. Raises LogbookError, with words, for whatever would stop an
    attempt later.
    """
    check_place(path)
    try:
        connection = _connect(path)
    except sqlite3.Error as error:
        raise _explained(error, path, "opened") from error
    opened = OpenLogbook(connection, path, lasting)
    try:
        # In one transaction: another process may be making this very logbook right now.
        connection.execute("BEGIN")
        check_ours(connection, path, new_is_fine=True)
        connection.execute("COMMIT")
        _configure(connection, path)
        opened.backup = _bring_up_to_date(connection, path)
        # Rewrites the first page with what it holds: a file that cannot be written shows itself now.
        connection.execute(f"PRAGMA user_version = {VERSION}")
        opened.taken_in, opened.not_taken_in = _take_in(connection, path, lasting)
        opened.left_open = _close_left_open(connection)
    except sqlite3.Error as error:
        connection.close()
        raise _explained(error, path, "written to") from error
    except BaseException:
        connection.close()
        raise
    return opened


def _explained(error: sqlite3.Error, path: Path, doing: str) -> LogbookError:
    from bringup.logbook.faults import explain

    return explain(error, path, doing)


def _bring_up_to_date(connection: sqlite3.Connection, path: Path) -> Path | None:
    """Make or change the tables where they are not of today: only then the modules for it are needed."""
    if version_of(connection) == VERSION:
        return None
    from bringup.logbook.migrations import bring_up_to_date

    return bring_up_to_date(connection, path)


def _take_in(
    connection: sqlite3.Connection, path: Path, lasting: Path | None
) -> tuple[tuple[str, ...], tuple[Path, ...]]:
    """Take in the rescue files that wait, if any do: only they need the modules for it. See taking_in.TakenIn."""
    if lasting is not None and anybodys(lasting):
        from bringup.logbook.empty_rescue import remove_anybodys_empty

        remove_anybodys_empty(lasting)
    if next(waiting(path, lasting), None) is None:
        return (), ()
    from bringup.logbook.taking_in import take_in

    taken = take_in(connection, path, lasting)
    return taken.said, taken.left


def _close_left_open(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Mark attempts of dead processes as broken off, where any attempt is open. Returns their ids."""
    if connection.execute("SELECT 1 FROM attempts WHERE result IS NULL LIMIT 1").fetchone() is None:
        return ()
    from bringup.logbook.breaking_off import close_left_open

    return close_left_open(connection)


def check_ours(connection: sqlite3.Connection, path: Path, *, new_is_fine: bool = False) -> None:
    """Raise LogbookError unless this is a logbook that this version understands (or a new, empty file).

    Call within a transaction: what it looks at belongs together.
    """
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    version = version_of(connection)
    if owner != APPLICATION_ID:
        tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if new_is_fine and not owner and not version and not tables:
            return
        raise LogbookError(
            f"{path} is a SQLite file, but not a logbook of bringup" if tables else f"{path} is not a logbook: empty",
            "Name another file with --logbook; this one was left as it is.",
        )
    if version > VERSION:
        raise LogbookError(
            f"the logbook {path} is of version {version}; this bringup knows versions up to {VERSION}",
            "Use the newer bringup that wrote it; the file was left as it is.",
        )


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=rwc", uri=True, isolation_level=None, timeout=BUSY_SECONDS)


def _configure(connection: sqlite3.Connection, path: Path) -> None:
    mode = _write_ahead(connection)
    if mode != "wal":
        raise LogbookError(
            f"the logbook {path} cannot be kept with a write-ahead file here (SQLite chose '{mode}')",
            "Name a logbook on an ordinary local disk with --logbook.",
        )
    connection.execute("PRAGMA synchronous = FULL")
    if sys.platform == "darwin":
        # There, fsync alone leaves the data in the drive's cache.
        connection.execute("PRAGMA fullfsync = ON")
        connection.execute("PRAGMA checkpoint_fullfsync = ON")
    connection.execute("PRAGMA foreign_keys = ON")


def _write_ahead(connection: sqlite3.Connection) -> str:
    """Switch to a write-ahead file and return the mode that holds then.

    While another process makes the same new file, SQLite refuses this at once instead of waiting; so we wait.
    """
    until = time.monotonic() + CREATION_SECONDS
    while True:
        try:
            return str(connection.execute("PRAGMA journal_mode = WAL").fetchone()[0])
        except sqlite3.OperationalError as error:
            if not error.sqlite_errorname.startswith("SQLITE_BUSY") or time.monotonic() > until:
                raise
        time.sleep(0.01)
