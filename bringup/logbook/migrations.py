"""Brings a logbook file to the version that this tool writes: all steps in one transaction, after a backup copy."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from bringup.errors import LogbookError
from bringup.logbook.tables import MIGRATIONS, Migration
from bringup.logbook.version import APPLICATION_ID, CHAINED, version_of


def backup_path(path: Path, version: int) -> Path:
    """Return where the copy from before a migration lies: beside the logbook, never over an earlier copy."""
    candidate = path.with_name(f"{path.name}.version-{version}")
    number = 1
    while candidate.exists():
        number += 1
        candidate = path.with_name(f"{path.name}.version-{version}-{number}")
    return candidate


def bring_up_to_date(
    connection: sqlite3.Connection, path: Path, migrations: Sequence[Migration] = MIGRATIONS
) -> Path | None:
    """Apply the migrations that are missing, all or none. Returns the backup copy, None where none was needed.

    The connection must be in autocommit mode. Foreign keys are off meanwhile, as SQLite's procedure for
    changing tables asks (https://www.sqlite.org/lang_altertable.html, section 7, from memory), and checked
    before the commit.
    """
    target = migrations[-1].number
    version = version_of(connection)
    if version == target:
        return None
    copy = _back_up(connection, path, version) if version else None
    connection.execute("PRAGMA foreign_keys = OFF")
    try:
        _apply(connection, path, migrations)
    finally:
        connection.execute("PRAGMA foreign_keys = ON")
    return copy


def copy_up_to_date(connection: sqlite3.Connection, path: Path, into: Path | None = None) -> sqlite3.Connection:
    """Return a copy of a logbook with the tables of today; the file is left as it is.

    A logbook without hashes gets none here, for they would be others each time. `into` None: private, gone when closed
    (an empty name is SQLite's for a database in a temporary file, https://www.sqlite.org/inmemorydb.html, from memory,
    so one of any size can be read). Raises LogbookError where there is no room for it.
    """
    copy = sqlite3.connect("" if into is None else into, isolation_level=None)
    try:
        connection.backup(copy)
        if version_of(copy) < MIGRATIONS[-1].number:
            _apply(copy, path, MIGRATIONS, hashed=False)
    except BaseException as error:
        copy.close()
        if getattr(error, "sqlite_errorname", None) != "SQLITE_FULL":
            raise
        raise LogbookError(
            f"the disk for temporary files has no room for the copy through which {path} is read ({error})",
            "Free as much space as the logbook takes, or name a folder with more in TMPDIR.",
        ) from error
    return copy


def _apply(connection: sqlite3.Connection, path: Path, migrations: Sequence[Migration], *, hashed: bool = True) -> None:
    """Apply what is missing in one transaction. `hashed`: rows from before there were hashes get theirs."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Read again under the lock: another process may have done it in the meantime.
        for migration in migrations:
            if migration.number > version_of(connection):
                for statement in migration.statements:
                    connection.execute(statement)
                if migration.number == CHAINED and hashed:
                    from bringup.logbook.chain import adopt

                    adopt(connection)
                connection.execute(f"PRAGMA user_version = {migration.number}")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        _check_references(connection, path, migrations[-1].number)
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def _check_references(connection: sqlite3.Connection, path: Path, target: int) -> None:
    orphans = connection.execute("PRAGMA foreign_key_check").fetchall()
    if orphans:
        raise LogbookError(
            f"the logbook {path} cannot be brought to version {target}: rows of '{orphans[0][0]}' would lose what"
            f" they refer to ({len(orphans)} in all)",
            "Nothing was changed. This is a mistake in the tool: please keep the message.",
        )


def _back_up(connection: sqlite3.Connection, path: Path, version: int) -> Path:
    copy = backup_path(path, version)
    with closing(sqlite3.connect(copy)) as target:
        connection.backup(target)
    return copy
