"""What is added to a unit's history outside of an attempt: notes, reworks, observations, photos, dispositions.

Each is written in a transaction of its own, short, since an attempt may be going on with its outputs on; it waits
longer for others than an attempt does. A unit must be known, or the board file says what it is.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from bringup.core.board import Board, check_serial
from bringup.core.frozen import frozen
from bringup.errors import CommandError, LogbookError
from bringup.logbook.chain import Chain
from bringup.logbook.deviation_queries import beside
from bringup.logbook.deviation_rows import Beside
from bringup.logbook.deviation_statements import unit_statement
from bringup.logbook.faults import explain
from bringup.logbook.filters import Filters
from bringup.logbook.known_names import check_names
from bringup.logbook.opening import OpenLogbook, open_for_writing
from bringup.logbook.statements import Statement

WAIT_MS = 5000
"""How long an addition waits for another writer."""

_UNITS = "SELECT serial, simulated, board, revision FROM units WHERE serial = ? ORDER BY simulated"
_LAST = "SELECT id FROM attempts WHERE serial = ? AND simulated = ? ORDER BY seq DESC LIMIT 1"
_GOING = "SELECT id FROM attempts WHERE serial = ? AND simulated = ? AND result IS NULL ORDER BY seq DESC LIMIT 1"
_BOARD = (
    "SELECT u.kind, u.path, s.content FROM attempt_sources u JOIN sources s ON s.sha256 = u.sha256"
    " JOIN attempts a ON a.id = u.attempt WHERE a.serial = ? AND a.simulated = ? AND u.kind IN ('board', 'procedure')"
    " ORDER BY a.seq DESC, u.kind LIMIT 1"
)


@frozen
class KnownUnit:
    """A unit as the logbook knows it."""

    serial: str
    simulated: bool
    board: str
    revision: str
    last: str | None
    """Id of its last attempt, None if it has none."""
    going: str | None
    """Id of an attempt that is going on."""

    @property
    def named(self) -> str:
        """The unit for people; a simulated one is said to be one."""
        return f"{self.serial} (SIMULATED)" if self.simulated else self.serial


@contextmanager
def opened(path: Path, lasting: Path | None = None, *, new: bool = False) -> Iterator[OpenLogbook]:
    """Open the logbook to add something. `lasting`: the user's folder for rescue files; `new`: it may be made.

    Raises LogbookError, also for what goes wrong within.
    """
    if not new and not path.exists():
        raise LogbookError(
            f"there is no logbook {path}",
            "Name it with --logbook FILE (or BRINGUP_LOGBOOK), or change to the folder that it is in.",
        )
    logbook = open_for_writing(path, lasting)
    try:
        logbook.connection.execute(f"PRAGMA busy_timeout = {WAIT_MS}")
        yield logbook
    except sqlite3.Error as error:
        raise explain(error, path, "written to") from error
    finally:
        logbook.close()


def find_unit(logbook: OpenLogbook, serial: str, simulated: bool | None, board: Board | None = None) -> KnownUnit:
    """Return the unit; one that is not known yet is made where its board is given. Raises CommandError.

    `simulated` None: whichever there is; where a real and a simulated one share the number, one must be asked for.
    """
    connection = logbook.connection
    if board is not None:
        check_serial(serial, board.serial_pattern)
    rows = connection.execute(_UNITS, (serial,)).fetchall()
    asked = [row for row in rows if simulated is None or bool(row[1]) == simulated]
    if len(asked) > 1:
        raise CommandError(
            f"{serial} is both a real and a simulated unit in this logbook", "Say which one: --real or --simulated."
        )
    if not asked and board is not None and (simulated is not None or not rows):
        write(logbook, [unit_statement(serial, board.name, board.revision, simulated=bool(simulated))])
        return KnownUnit(serial, bool(simulated), board.name, board.revision, None, None)
    if not asked and rows:
        kinds = ("simulated", "real") if simulated else ("real", "simulated")
        raise CommandError(f"{serial} is no {kinds[0]} unit in this logbook", f"It is a {kinds[1]} one.")
    if not asked:
        _refuse(connection, serial)
    _, kind, name, revision = asked[0]
    if board is not None and " ".join(name.split()).casefold() != " ".join(board.name.split()).casefold():
        raise CommandError(f"{serial} is in this logbook as a unit of the board '{name}', not of '{board.name}'")
    last, going = (connection.execute(each, (serial, kind)).fetchone() for each in (_LAST, _GOING))
    return KnownUnit(serial, bool(kind), name, revision, last and last[0], going and going[0])


def _refuse(connection: sqlite3.Connection, serial: str) -> None:
    """Raise CommandError for a unit that is not known, with the nearest ones."""
    try:
        check_names(connection, Filters(serial=serial))
    except CommandError as error:
        way = "One that was never run is made known by its board file: --board FILE."
        raise CommandError(error.message, f"{error.what_to_do} {way}") from error
    raise CommandError(f"'{serial}' is a pattern; this is about one unit", "Name one serial number.")


def board_text(logbook: OpenLogbook, unit: KnownUnit) -> tuple[str, str, str] | None:
    """Return kind ('board', or 'procedure' that holds it), path and text of the board of the unit's last attempt."""
    found = logbook.connection.execute(_BOARD, (unit.serial, int(unit.simulated))).fetchone()
    return None if found is None else (found[0], found[1], found[2])


def write(logbook: OpenLogbook, made: Sequence[Statement]) -> None:
    """Write all or none. Raises sqlite3.Error."""
    connection = logbook.connection
    connection.execute("BEGIN IMMEDIATE")
    try:
        Chain(connection).write(made, None)
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def of_unit(logbook: OpenLogbook, unit: KnownUnit) -> Beside:
    """Return everything of the unit beside its attempts and notes, as it is written. Raises sqlite3.Error."""
    logbook.connection.row_factory = sqlite3.Row
    try:
        return beside(logbook.connection, unit.serial, simulated=unit.simulated)
    finally:
        logbook.connection.row_factory = None
