"""Which version of the tables this tool writes, and how a logbook is known: all that opening one of today needs.

What the versions are is in tables.py, which a start of `bringup run` loads only to make or to change a logbook.
"""

from __future__ import annotations

import sqlite3

APPLICATION_ID = 0x62755570
"""Marks a SQLite file as a logbook of ours (bytes 68 to 71 of the file)."""

CHAINED = 3
"""From this version on every row written is hashed (chain.py)."""

VERSION = 14
"""What this version of the tool writes (`PRAGMA user_version`): the last of tables.MIGRATIONS."""


def version_of(connection: sqlite3.Connection) -> int:
    """Return the version of the tables; 0 for a file that holds none yet."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])
