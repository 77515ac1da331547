"""Room in the write-ahead file, taken when an attempt begins: a commit then writes over what is there.

A commit that makes the file longer has the file system write down its new length too, which takes the disk twice as
long (ext4). Lengthened before anything is powered, the file also has its room when something else fills the disk.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from pathlib import Path

from bringup.logbook.rescue_file import sync

PAGES = 500
"""Pages that the file has room for, and after which it is folded into the logbook and begun anew: 2 MiB."""

SPARE = 3
"""So many times what is taken must be free: what else is being written there must not miss it."""

_FRAME_HEAD = 24
"""Bytes that SQLite writes in front of each page (https://www.sqlite.org/fileformat2.html, section 4.1)."""
_IN_MEMORY = 10
"""Pages that SQLite may hold back meanwhile; the others go into the file before their transaction ends."""


def take_room(connection: sqlite3.Connection, path: Path, *, pages: int = PAGES) -> None:
    """Make the write-ahead file of an open logbook as long as that many pages, or leave it as it was.

    Raises OSError where the disk has no room to spare, sqlite3.Error where another program holds the logbook.
    """
    ahead = Path(f"{os.path.realpath(path)}-wal")
    (size,) = connection.execute("PRAGMA page_size").fetchone()
    connection.execute(f"PRAGMA wal_autocheckpoint = {pages}")
    if ahead.stat().st_size >= pages * (size + _FRAME_HEAD):
        return
    if shutil.disk_usage(ahead.parent).free < SPARE * pages * size:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(ahead))
    (held,) = connection.execute("PRAGMA cache_size").fetchone()
    connection.execute(f"PRAGMA cache_size = {_IN_MEMORY}")
    try:
        # More than fits into memory is written into the file at once, and stays its length when it is rolled back:
        # nobody ever sees the table, and the next commit begins where it began.
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("CREATE TABLE room (content BLOB)")
        connection.execute("INSERT INTO room VALUES (zeroblob(?))", ((pages + _IN_MEMORY) * size,))
    except sqlite3.Error:
        _roll_back(connection)
        # What is there already is wanted for the rescue file and whoever else has the disk.
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        raise
    else:
        _roll_back(connection)
    finally:
        connection.execute(f"PRAGMA cache_size = {held}")
    # Nobody waits for this: SQLite's lock is free again.
    descriptor = os.open(ahead, os.O_RDWR)
    try:
        sync(descriptor)
    finally:
        os.close(descriptor)


def _roll_back(connection: sqlite3.Connection) -> None:
    if connection.in_transaction:
        connection.execute("ROLLBACK")
