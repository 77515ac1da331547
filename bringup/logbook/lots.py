"""What a loop over a lot asks of the logbook: serial numbers of a board so far, and the lot's yield."""

from __future__ import annotations

import sqlite3

from bringup.core.words import AttemptResult
from bringup.core.yields import FirstYield, yield_of
from bringup.logbook.database import Database
from bringup.logbook.faults import explain
from bringup.logbook.filters import AS_DONE
from bringup.logbook.opening import OpenLogbook

_SERIALS = "SELECT a.serial FROM attempts a WHERE a.board = :board AND a.simulated = :simulated ORDER BY a.seq"
_LOT = (
    "SELECT a.serial, a.result FROM attempts a JOIN attempts b ON b.id = :attempt WHERE a.lot = b.lot AND"  # noqa: S608 - words of ours
    " a.board = b.board AND a.procedure = b.procedure AND a.simulated = b.simulated"
    f" ORDER BY {', '.join(AS_DONE)}"
)
_PASSED = (
    "SELECT 1 FROM attempts a WHERE a.serial = :serial AND a.procedure = :procedure AND a.board = :board"
    " AND a.simulated = :simulated AND a.result = 'passed' LIMIT 1"
)
_LOT_BEFORE = (
    "SELECT a.lot FROM attempts a WHERE a.serial = :serial AND a.board = :board AND a.simulated = :simulated"
    " AND a.lot <> '' ORDER BY a.seq DESC LIMIT 1"
)


def serials_of(connection: Database, board: str, *, simulated: bool) -> list[str]:
    """Return the serial number of each attempt on that board, in the order of recording."""
    rows = connection.execute(_SERIALS, {"board": board, "simulated": int(simulated)})
    return [str(row[0]) for row in rows]


def lot_yield(connection: Database, attempt: str) -> FirstYield:
    """Return the yield of the lot that an attempt belongs to, with its procedure and board, real or simulated."""
    rows = connection.execute(_LOT, {"attempt": attempt})
    return yield_of((str(serial), AttemptResult(result) if result else None) for serial, result in rows)


def has_passed(connection: Database, serial: str, procedure: str, board: str, *, simulated: bool) -> bool:
    """Whether that unit has passed that procedure before."""
    names = {"serial": serial, "procedure": procedure, "board": board, "simulated": int(simulated)}
    return connection.execute(_PASSED, names).fetchone() is not None


def lot_of(logbook: OpenLogbook, serial: str, board: str, *, simulated: bool) -> str:
    """Return the lot that was last named for a unit, '' for none: it was assembled once. Raises LogbookError."""
    names = {"serial": serial, "board": board, "simulated": int(simulated)}
    try:
        row = logbook.connection.execute(_LOT_BEFORE, names).fetchone()
    except sqlite3.Error as error:
        raise explain(error, logbook.path, "read") from error
    return "" if row is None else str(row[0])
