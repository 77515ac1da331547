"""Takes into the logbook what an earlier attempt could only put into a rescue file; then the file is removed.

All of a file or nothing, in one transaction. What cannot be taken in stays where it is, and that is said.
"""

from __future__ import annotations

import os
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from bringup.logbook.chain import Chain
from bringup.logbook.file_lock import try_lock
from bringup.logbook.lines import statement_of
from bringup.logbook.rescue_file import Found, names_of, parse
from bringup.logbook.statements import event_statement

_BINARY = getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)

TAKEN_IN = "rescued"
"""Kind of the event that says so."""


def take_in(connection: sqlite3.Connection, path: Path, lasting: Path | None) -> tuple[str, ...]:
    """Take in what waits beside the logbook, or in the user's folder `lasting`. Returns what to tell the person.

    Raises sqlite3.Error where the logbook cannot be written at all.
    """
    said = []
    for file in (*names_of(path, path.absolute().parent), *(names_of(path, lasting) if lasting else ())):
        try:
            descriptor = os.open(file, os.O_RDWR | _BINARY)
        except OSError as error:
            said.append(f"the rescue file {file} cannot be read ({error.strerror}); it was left there")
            continue
        try:
            # Who holds the lock is an attempt that goes on, or another process that takes it in right now.
            if try_lock(descriptor):
                said += _take_in_file(connection, path, file, descriptor)
        finally:
            os.close(descriptor)
    return tuple(said)


def _take_in_file(connection: sqlite3.Connection, path: Path, file: Path, descriptor: int) -> list[str]:
    os.lseek(descriptor, 0, os.SEEK_SET)
    with os.fdopen(os.dup(descriptor), "rb") as opened:
        data = opened.read()
    try:
        found = parse(data)
        if file.parent != path.absolute().parent and found.head and found.head.get("logbook") != str(path.absolute()):
            return []
        words = _write(connection, file, found) if found.lines else ""
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, sqlite3.IntegrityError) as error:
        return [f"the rescue file {file} cannot be taken in ({error}); it was left there: keep it, its lines are text"]
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        words = f"{words}; the file cannot be removed ({error.strerror}): it says nothing new any more"
    return [words] if words else []


def _write(connection: sqlite3.Connection, file: Path, found: Found) -> str:
    """Write all lines in one transaction; return what to tell the person."""
    assert found.head is not None, "lines come after a first line"
    attempt, serial = str(found.head["attempt"]), str(found.head["serial"])
    torn = " The last line is not whole and was left out." if found.torn else ""
    chain = Chain(connection)
    connection.execute("BEGIN IMMEDIATE")
    try:
        rows = chain.write((statement_of(connection, line) for line in found.lines), attempt)
        text = f"{rows} rows were taken in from the rescue file {file.name}.{torn}"
        if rows:
            at, monotonic = datetime.now(UTC), _monotonic(connection, attempt)
            chain.write([event_statement(attempt, None, TAKEN_IN, text, at, monotonic, None)], attempt)
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
    what = f"{rows} rows of it were in a rescue file and are in the logbook now" if rows else "nothing was missing"
    return f"attempt {attempt[:8]} on {serial} had met a logbook that could not be written: {what}.{torn}"


def _monotonic(connection: sqlite3.Connection, attempt: str) -> float:
    (latest,) = connection.execute(
        "SELECT max(monotonic) FROM (SELECT monotonic FROM attempts WHERE id = :attempt"
        " UNION ALL SELECT monotonic FROM readings WHERE attempt = :attempt"
        " UNION ALL SELECT monotonic FROM events WHERE attempt = :attempt)",
        {"attempt": attempt},
    ).fetchone()
    return float(latest)
