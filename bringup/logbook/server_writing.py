"""Writes one piece of a logbook into a server's tables, with the numbers that rows get there.

Within the caller's transaction and turn. Rows that may be there already (units, attempts, steps, texts of files,
pictures) are put right or left; any other that is there under the same name is a conflict, and refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from bringup.errors import LogbookError
from bringup.logbook.chain import COVERED, SHARED
from bringup.logbook.publishing_rows import Piece, Rows
from bringup.logbook.server import ServerConnection

RENEWED = ("units", "attempts", "steps")
"""Tables whose rows change after they were written."""


def write_piece(there: ServerConnection, piece: Piece, numbers: Mapping[int, int]) -> int:
    """Write rows and entries; return how many attempts are new there. Raises LogbookError.

    `numbers`: origin's number in the file -> on the server.
    """
    _check_boards(there, piece)
    known = _attempts_there(there, piece)
    places = _with_new_ones(there, piece, known)
    for table in COVERED:
        if table in piece.tables:
            _write_table(there, table, piece.tables[table], places)
    _write_chain(there, piece, numbers, places)
    return len(places) - len(known)


def _check_boards(there: ServerConnection, piece: Piece) -> None:
    """Raise LogbookError where a serial number is that of a unit of another board on the server."""
    if "units" not in piece.tables:
        return
    of = piece.tables["units"]
    at = [of.names.index(name) for name in ("serial", "simulated", "board")]
    ours = {(row[at[0]], row[at[1]]): row[at[2]] for row in of.rows}
    found = there.execute(
        "SELECT serial, simulated, board FROM units WHERE serial = ANY(?)", ([serial for serial, _ in ours],)
    )
    for serial, simulated, board in found:
        here = ours.get((serial, simulated), board)
        if " ".join(here.split()).casefold() != " ".join(board.split()).casefold():
            raise LogbookError(
                f"{serial} is on the server as a unit of the board '{board}', in this logbook of '{here}'",
                "Boards whose serial numbers overlap need a database, or a schema, each.",
            )


def _attempts_there(there: ServerConnection, piece: Piece) -> dict[str, int]:
    """Return the server's numbers of the piece's attempts that are there, by their ids."""
    found = there.execute("SELECT id, seq FROM attempts WHERE id = ANY(?)", ([*piece.attempts.values()],))
    return {str(identity): int(number) for identity, number in found}


def _with_new_ones(there: ServerConnection, piece: Piece, known: Mapping[str, int]) -> dict[str, int]:
    """Return the same with the next numbers for those that are not, in their order."""
    places, last = dict(known), _last(there, "attempts")
    for number in sorted(piece.attempts):
        if piece.attempts[number] not in places:
            last += 1
            places[piece.attempts[number]] = last
    return places


def _last(there: ServerConnection, table: str) -> int:
    return int(there.execute(f"SELECT coalesce(max(seq), 0) FROM {table}").fetchone()[0])  # noqa: S608 - words of ours


def _write_table(there: ServerConnection, table: str, of: Rows, places: Mapping[str, int]) -> None:
    rows: Iterable[tuple[Any, ...]] = of.rows
    if "seq" in of.names:
        seq = of.names.index("seq")
        if table == "attempts":
            own = of.names.index("id")
            rows = [(*row[:seq], places[row[own]], *row[seq + 1 :]) for row in of.rows]
        else:
            last = _last(there, table)
            rows = [(*row[:seq], last + count, *row[seq + 1 :]) for count, row in enumerate(of.rows, 1)]
    columns = ", ".join(of.names)
    if table not in RENEWED + SHARED:
        _copy(there, f"{table} ({columns})", rows)
        return
    key = COVERED[table]
    told = "DO NOTHING"
    if table in RENEWED:
        renewed = [name for name in of.names if name not in (*key, "seq")]
        told = "DO UPDATE SET " + ", ".join(f"{name} = excluded.{name}" for name in renewed)
    marks = ", ".join(["%s"] * len(of.names))
    statement = f"INSERT INTO {table} ({columns}) VALUES ({marks}) ON CONFLICT ({', '.join(key)}) {told}"  # noqa: S608
    with there.driver.cursor() as cursor:
        cursor.executemany(statement, list(rows))


def _write_chain(there: ServerConnection, piece: Piece, numbers: Mapping[int, int], places: Mapping[str, int]) -> None:
    last = _last(there, "chain")
    rows, kept_out = [], []
    for count, (origin, entry) in enumerate(piece.in_order, 1):
        if entry.place in piece.kept_out:
            kept_out.append((last + count, *piece.kept_out[entry.place]))
        attempt = None if entry.attempt is None else places[piece.attempts[entry.attempt]]
        what = (entry.table, entry.key, entry.old, entry.digest, entry.link)
        rows.append((last + count, numbers[origin], attempt, *what))
    _copy(there, "chain (seq, origin, attempt, covers, row, old, hash, link)", rows)
    _copy(there, "kept_out (place, attempt, conflict, why)", kept_out)


def _copy(there: ServerConnection, into: str, rows: Iterable[tuple[Any, ...]]) -> None:
    with there.driver.cursor() as cursor, cursor.copy(f"COPY {into} FROM STDIN") as copy:
        for row in rows:
            copy.write_row(row)
