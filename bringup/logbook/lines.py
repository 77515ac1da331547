"""What was to be written, as one line of JSON each, and back into the logbook: what a rescue file holds.

A line says `insert` (a table) with its `row`, or `update` with what to `set` and `where`: it can be read by a person
and holds no SQL. Written into the logbook it changes nothing that is there already, so that it may be done twice.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

from bringup.logbook.chain import COVERED
from bringup.logbook.statements import Statement

Line = Mapping[str, Any]

NOT_AGAIN = {
    ("attempts", "result"): " AND (result IS NULL OR result = 'broken off')",
    ("steps", "ended"): " AND ended IS NULL",
    ("steps", "started"): " AND started IS NULL",
}
"""Table and column that an update sets -> the condition under which it says something new."""

REFERRING = ("continues", "carried_from")
"""Columns with an earlier attempt's id, which a logbook begun anew does not hold."""

_INSERT = re.compile(r"INSERT INTO (\w+) \(([\w, ]+)\) VALUES \([?, ]+\)")
_UPDATE = re.compile(r"UPDATE (\w+) SET (.+) WHERE (.+)")
_SET = re.compile(r"(\w+) = (?:(\?)|(NULL)|'(\w*)')")
_WHERE = re.compile(r"(\w+) = \?")


def line_of(statement: Statement) -> Line:
    """Return a statement of statements.py with its values as a line. Raises ValueError for any other."""
    text, values = statement
    insert = _INSERT.match(text)
    if insert:
        return {"insert": insert[1], "row": dict(zip(insert[2].split(", "), values, strict=True))}
    table, sets, wheres = _parts(text)
    given = iter(values)
    change = {name: next(given) if literal is _GIVEN else literal for name, literal in sets}
    return {"update": table, "set": change, "where": {name: next(given) for name in wheres}}


_GIVEN = "?"
"""Stands for a value that comes with the statement; no literal of ours is a question mark."""


@lru_cache(maxsize=64)
def _parts(text: str) -> tuple[str, tuple[tuple[str, str | None], ...], tuple[str, ...]]:
    """Take an UPDATE apart: table, columns set with their literals, columns of the condition."""
    update = _UPDATE.fullmatch(text)
    if update is None:
        raise ValueError(f"cannot be put into a line: {text}")
    sets = []
    for part in update[2].split(", "):
        found = _SET.fullmatch(part)
        if found is None:
            raise ValueError(f"cannot be put into a line: {text}")
        sets.append((found[1], _GIVEN if found[2] else found[4]))
    wheres = [_WHERE.fullmatch(part) for part in update[3].split(" AND ")]
    if None in wheres:
        raise ValueError(f"cannot be put into a line: {text}")
    return update[1], tuple(sets), tuple(found[1] for found in wheres if found)


_UNIT = "(serial, simulated) IN (SELECT serial, simulated FROM attempts WHERE id = :attempt)"
_TEXTS = "sha256 IN (SELECT sha256 FROM attempt_sources WHERE attempt = :attempt)"
_OWN = "attempt = :attempt"

HEAD_TABLES = {
    "units": f"{_UNIT} ORDER BY rowid",
    "sources": f"{_TEXTS} ORDER BY rowid",
    "attempts": "id = :attempt",
    "steps": f"{_OWN} ORDER BY step",
    "instruments": f"{_OWN} ORDER BY rowid",
    "attempt_sources": f"{_OWN} ORDER BY rowid",
}
"""Tables with what an attempt begins with -> which rows are its own. Few, however long it goes on."""

ROW_TABLES = {
    # What must not be missed comes first: a trip among the events.
    "events": f"{_OWN} ORDER BY kind, rowid",
    "notes": f"{_UNIT} AND {_OWN} ORDER BY rowid",
    "readings": f"{_OWN} ORDER BY step, rowid",
    "samples": f"{_OWN} ORDER BY step, rowid",
    "polls": f"{_OWN} ORDER BY rowid",
}
"""The other tables, in the order of an index, so that the first row costs no more than any other."""


def attempt_lines(connection: sqlite3.Connection, attempt: str) -> Iterator[Line]:
    """Yield everything that a connection still sees of an attempt, so that it can stand in another logbook."""
    yield from head_lines(connection, attempt)
    yield from row_lines(connection, attempt)


def head_lines(connection: sqlite3.Connection, attempt: str) -> Iterator[Line]:
    """Yield the attempt without the rows that grow while it goes on. Raises sqlite3.Error, as the others do."""
    return _table_lines(connection, attempt, HEAD_TABLES)


def row_lines(connection: sqlite3.Connection, attempt: str) -> Iterator[Line]:
    """Yield the rows of an attempt that grow while it goes on, those read first that must not be missed."""
    return _table_lines(connection, attempt, ROW_TABLES)


def _table_lines(connection: sqlite3.Connection, attempt: str, tables: Mapping[str, str]) -> Iterator[Line]:
    for table, which in tables.items():
        cursor = connection.execute(f"SELECT * FROM {table} WHERE {which}", {"attempt": attempt})  # noqa: S608
        names = [column[0] for column in cursor.description]
        for cells in cursor:
            row = dict(zip(names, cells, strict=True))
            row.pop("seq", None)
            yield {"insert": table, "row": row}
            if table == "steps" and row["ended"] is not None:
                # Where an older state of the step is there already.
                where = {name: row[name] for name in COVERED["steps"]}
                yield {"update": "steps", "set": {name: row[name] for name in row if name not in where}, "where": where}


def statement_of(connection: sqlite3.Connection, line: Line) -> Statement:
    """Return what writes a line into the logbook unless it is there. Raises ValueError for what is no such line."""
    if "insert" in line:
        table, row = line["insert"], _checked(connection, line["insert"], line["row"])
        return _insertion(table, row)
    table, change = line["update"], _checked(connection, line["update"], line["set"])
    where = _checked(connection, table, line["where"])
    again = "".join(text for (name, column), text in NOT_AGAIN.items() if name == table and column in change)
    sets = ", ".join(f"{name} = ?" for name in change)
    condition = " AND ".join(f"{name} = ?" for name in where)
    return f"UPDATE {table} SET {sets} WHERE {condition}{again}", (*change.values(), *where.values())  # noqa: S608


def _insertion(table: str, row: dict[str, Any]) -> Statement:
    names, marks = ", ".join(row), ", ".join("?" * len(row))
    values = tuple(row.values())
    if COVERED[table]:
        key = ", ".join(COVERED[table])
        return f"INSERT INTO {table} ({names}) VALUES ({marks}) ON CONFLICT ({key}) DO NOTHING", values  # noqa: S608
    alike = " AND ".join(f"{name} IS ?" for name in row)
    # Without a name of its own, a row that is alike in everything (and that is to the microsecond) is the same.
    statement = f"INSERT INTO {table} ({names}) SELECT {marks} WHERE NOT EXISTS (SELECT 1 FROM {table} WHERE {alike})"  # noqa: S608
    return statement, values + values


def _checked(connection: sqlite3.Connection, table: object, cells: object) -> dict[str, Any]:
    """Return cells whose names are columns of a covered table: nothing else gets into the SQL."""
    if table not in COVERED or not isinstance(cells, dict) or not cells:
        raise ValueError(f"'{table}' is no table that a line may write to")
    columns = {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}
    if unknown := set(cells) - (columns - {"seq"}):
        raise ValueError(f"'{table}' has no column '{min(unknown)}'")
    if any(not isinstance(cell, str | int | float | None) for cell in cells.values()):
        raise ValueError(f"'{table}': a value that is no text, number or null")
    return {name: _if_there(connection, cell) if name in REFERRING else cell for name, cell in cells.items()}


def _if_there(connection: sqlite3.Connection, attempt: Any) -> Any:
    found = connection.execute("SELECT 1 FROM attempts WHERE id = ?", (attempt,)).fetchone()
    return attempt if found else None
