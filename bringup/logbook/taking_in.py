"""Takes into the logbook what an earlier attempt could only put into a rescue file; then the file is removed.

By portions, one transaction each, so that another attempt may write in between; each line changes nothing that is
there already, so that what was interrupted goes on the next time. What cannot be taken in stays where it is, and that
is said: the logbook may lack a trip then.
"""

from __future__ import annotations

import os
import sqlite3
import time
from datetime import UTC, datetime
from pathlib import Path

from bringup.core.frozen import frozen
from bringup.logbook.chain import Chain
from bringup.logbook.file_lock import try_lock
from bringup.logbook.lines import Line, Writer
from bringup.logbook.past import TAKEN_IN
from bringup.logbook.rescue_file import Found, open_found, read_found
from bringup.logbook.statements import Statement, event_statement
from bringup.logbook.waiting import real, waiting

PORTION = 1000
"""Lines that are written in one transaction: another attempt waits for them, with its outputs on maybe."""

SAID_SECONDS = 1.0
"""What takes longer is worth a word."""


@frozen
class TakenIn:
    """What became of the rescue files that were found."""

    said: tuple[str, ...] = ()
    """What to tell the person."""
    left: tuple[Path, ...] = ()
    """Files that are or may be of this logbook and could not be taken in: it may lack anything that they tell of."""


def take_in(connection: sqlite3.Connection, path: Path, lasting: Path | None) -> TakenIn:
    """Take in what waits beside the logbook, or in the user's folder `lasting`.

    Raises sqlite3.Error where the logbook cannot be written at all.
    """
    said: list[str] = []
    left: list[Path] = []
    for file, beside in waiting(path, lasting):
        try:
            descriptor = open_found(file)
        except FileNotFoundError:
            continue  # another process has taken it in meanwhile
        except OSError as error:
            said.append(f"the rescue file {file} cannot be read ({error.strerror}); it was left there. {_MEANS}")
            left.append(file)
            continue
        try:
            # Who holds the lock is an attempt that goes on, or another process that takes it in right now.
            if try_lock(descriptor):
                said += _take_in_file(connection, None if beside else path, file, descriptor)
        except _LeftThereError as error:
            said.append(f"the rescue file {file} cannot be taken in ({error}); it was left there: {_KEEP}. {_MEANS}")
            left.append(file)
        finally:
            os.close(descriptor)
    return TakenIn(tuple(said), tuple(left))


_KEEP = "keep it, its lines are text"
_MEANS = "It may tell of a trip: while it is there, nothing runs unattended with this logbook."


class _LeftThereError(Exception):
    """Why a rescue file stays where it is."""


def _take_in_file(connection: sqlite3.Connection, only: Path | None, file: Path, descriptor: int) -> list[str]:
    """Take one in. `only`: the logbook that it must be of. Raises _LeftThereError."""
    try:
        found = read_found(descriptor)
        other = str(found.head.get("logbook")) if found.head and only else ""
        if only is not None and other and real(Path(other)) != real(only):
            return [f"the rescue file {file} was left there: it is of another logbook, {other}"] if found.lines else []
        words = _write(connection, file, found) if found.lines else ""
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, sqlite3.IntegrityError) as error:
        raise _LeftThereError(str(error)) from error
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        words = f"{words}; the file cannot be removed ({error.strerror}): it says nothing new any more"
    return [words] if words else []


def _write(connection: sqlite3.Connection, file: Path, found: Found) -> str:
    """Write all lines; return what to tell the person."""
    assert found.head is not None, "lines come after a first line"
    attempt, serial = str(found.head["attempt"]), str(found.head["serial"])
    torn = " The last line is not whole and was left out." if found.torn else ""
    begun, writer, chain, rows = time.monotonic(), Writer(connection), Chain(connection), 0
    for line in found.lines:
        writer.check(line)
    text = f"{len(found.lines)} lines of the rescue file {file.name} were taken in.{torn}"
    said = event_statement(attempt, None, TAKEN_IN, text, datetime.now(UTC), _latest(connection, attempt, found), None)
    for start in range(0, len(found.lines), PORTION):
        made = [writer.statement_of(line) for line in found.lines[start : start + PORTION]]
        # With the first rows: whatever happens then, it is known of the attempt that it came in late.
        more = said if not rows else None
        try:
            rows += _write_portion((connection, chain), [each for each in made if each], attempt, more)
        except sqlite3.IntegrityError as error:
            raise ValueError(f"{error}, after {rows} rows were" if rows else str(error)) from error
    took = time.monotonic() - begun
    slow = f" It took {took:.0f} s." if took > SAID_SECONDS else ""
    what = f"{rows} rows of it were in a rescue file and are in the logbook now" if rows else "nothing was missing"
    return f"attempt {attempt[:8]} on {serial} had met a logbook that could not be written: {what}.{torn}{slow}"


def _write_portion(
    into: tuple[sqlite3.Connection, Chain], made: list[Statement], attempt: str, said: Statement | None
) -> int:
    connection, chain = into
    connection.execute("BEGIN IMMEDIATE")
    try:
        rows = chain.write(made, attempt)
        if rows and said is not None:
            chain.write([said], attempt)
    except BaseException:
        chain.forget()
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
    return rows


def _latest(connection: sqlite3.Connection, attempt: str, found: Found) -> float:
    """Return the monotonic time of the last thing that is known of an attempt, here or there."""
    (latest,) = connection.execute(
        "SELECT max(monotonic) FROM (SELECT monotonic FROM attempts WHERE id = :attempt"
        " UNION ALL SELECT monotonic FROM readings WHERE attempt = :attempt"
        " UNION ALL SELECT monotonic FROM events WHERE attempt = :attempt)",
        {"attempt": attempt},
    ).fetchone()
    return max([float(latest or 0.0), *map(_monotonic, found.lines)])


def _monotonic(line: Line) -> float:
    row = line["row"] if line.get("insert") in ("attempts", "readings", "events") else {}
    return float(row.get("monotonic") or 0.0)
