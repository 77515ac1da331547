"""What SQLite's error codes mean to a person at the bench: the one place where sqlite3 errors get words."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from bringup.errors import LogbookError

_WORDS: tuple[tuple[str, str, str], ...] = (
    ("SQLITE_FULL", "the disk is full", "Free some space, or name a logbook on another disk with --logbook."),
    (
        "SQLITE_BUSY",
        "another program holds it locked",
        "Close whatever has the file open (a database browser with unsaved changes, a backup) and try again.",
    ),
    (
        "SQLITE_LOCKED",
        "another program holds it locked",
        "Close whatever has the file open (a database browser with unsaved changes, a backup) and try again.",
    ),
    (
        "SQLITE_READONLY",
        "it, or the folder that it is in, cannot be written to",
        "Allow writing to the file and its folder, or name another logbook with --logbook.",
    ),
    (
        "SQLITE_NOTADB",
        "it is not a SQLite file",
        "Name another file with --logbook; this one was left as it is.",
    ),
    (
        "SQLITE_CORRUPT",
        "the file is damaged",
        "Keep a copy of it and of the files beside it, and go on with another one (--logbook).",
    ),
    (
        "SQLITE_CANTOPEN",
        "the system does not let it be opened",
        "Check that its folder can be written to and that nothing else has its name or its name with -wal.",
    ),
    (
        "SQLITE_IOERR",
        "the disk reports an error",
        "Check the disk and its cable, or name a logbook on another disk with --logbook.",
    ),
    (
        "SQLITE_CONSTRAINT",
        "what was to be written breaks a rule of the tables",
        "This is a mistake in the tool: please keep the message.",
    ),
)


def explain(error: sqlite3.Error, path: Path, doing: str) -> LogbookError:
    """Turn a sqlite3 error into words and what to do. `doing`: such as 'written to'."""
    name = getattr(error, "sqlite_errorname", "") or ""
    for code, words, what_to_do in _WORDS:
        if name.startswith(code):
            return LogbookError(f"the logbook {path} cannot be {doing}: {words} ({error})", what_to_do)
    return LogbookError(
        f"the logbook {path} cannot be {doing}: {error}", "Name another logbook with --logbook to go on."
    )
