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
from bringup.logbook.encoding import row_hash
from bringup.logbook.statements import Statement

Line = Mapping[str, Any]

NOT_AGAIN = {
    ("attempts", "result"): " AND (result IS NULL OR result = 'broken off')",
    ("steps", "ended"): " AND ended IS NULL",
    ("steps", "started"): " AND started IS NULL",
}
"""Table and column that an update sets -> the condition under which it says something new."""

REFERRING = {
    "continues": ("attempts", "id"),
    "carried_from": ("attempts", "id"),
    "same_as": ("observations", "id"),
    "picture": ("pictures", "sha256"),
}
"""Columns that refer to what a logbook begun anew does not hold -> table and column of what they name."""

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
    "reworks": f"{_UNIT} AND {_OWN} ORDER BY rowid",
    "observations": f"{_UNIT} AND {_OWN} ORDER BY rowid",
    "photos": f"{_UNIT} AND {_OWN} ORDER BY rowid",
    "readings": f"{_OWN} ORDER BY step, rowid",
    "observation_readings": "observation IN (SELECT id FROM observations WHERE attempt = :attempt) ORDER BY rowid",
    "samples": f"{_OWN} ORDER BY step, rowid",
    "polls": f"{_OWN} ORDER BY rowid",
    "line_texts": f"{_OWN} ORDER BY rowid",
}
"""The other tables, in the order of an index, so that the first row costs no more than any other."""


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


class Writer:
    """Turns lines into what writes them, for one connection: what the logbook holds already is looked up once."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._columns: dict[str, dict[str, str]] = {}
        self._known: dict[tuple[str, object], set[bytes]] = {}

    def check(self, line: Line) -> None:
        """Raise ValueError, KeyError or TypeError for what is no such line."""
        if "insert" in line:
            self._check(line["insert"], line["row"])
            return
        self._check(line["update"], line["set"])
        self._check(line["update"], line["where"])

    def statement_of(self, line: Line) -> Statement | None:
        """Return what writes a checked line into the logbook; None for a row that is known to be there."""
        if "insert" in line:
            return self._insertion(line["insert"], self._referring(line["row"]))
        table, change, where = line["update"], self._referring(line["set"]), line["where"]
        again = "".join(text for (name, column), text in NOT_AGAIN.items() if name == table and column in change)
        sets = ", ".join(f"{name} = ?" for name in change)
        condition = " AND ".join(f"{name} = ?" for name in where)
        return f"UPDATE {table} SET {sets} WHERE {condition}{again}", (*change.values(), *where.values())  # noqa: S608

    def _insertion(self, table: str, row: Mapping[str, Any]) -> Statement | None:
        names, marks = ", ".join(row), ", ".join("?" * len(row))
        insert = f"INSERT INTO {table} ({names}) VALUES ({marks})"  # noqa: S608 - names that were checked
        if COVERED[table]:
            return f"{insert} ON CONFLICT ({', '.join(COVERED[table])}) DO NOTHING", tuple(row.values())
        # Without a name of its own, a row that is alike in everything (and that is to the microsecond) is the same.
        known = self._rows_of(table, row.get("attempt"))
        kinds = self._columns[table]
        cells = [float(cell) if kinds[name] == "REAL" and cell is not None else cell for name, cell in row.items()]
        digest = row_hash(table, tuple(row), cells)
        if digest in known:
            return None
        known.add(digest)
        return insert, tuple(row.values())

    def _rows_of(self, table: str, attempt: object) -> set[bytes]:
        """Return the hashes of an attempt's rows in a table without names."""
        if (table, attempt) not in self._known:
            cursor = self._connection.execute(f"SELECT * FROM {table} WHERE attempt IS ?", (attempt,))  # noqa: S608
            names = tuple(column[0] for column in cursor.description)
            self._known[table, attempt] = {row_hash(table, names, row) for row in cursor}
        return self._known[table, attempt]

    def _check(self, table: object, cells: object) -> None:
        """See that the names are columns of a covered table: nothing else gets into the SQL."""
        if not isinstance(table, str) or table not in COVERED or not isinstance(cells, dict) or not cells:
            raise ValueError(f"'{table}' is no table that a line may write to")
        if table not in self._columns:
            found = self._connection.execute(f"PRAGMA table_info({table})")
            self._columns[table] = {row[1]: row[2] for row in found if row[1] != "seq"}
        if unknown := cells.keys() - self._columns[table].keys():
            raise ValueError(f"'{table}' has no column '{min(unknown)}'")
        if not all(isinstance(cell, str | int | float | None) for cell in cells.values()):
            raise ValueError(f"'{table}': a value that is no text, number or null")

    def _referring(self, cells: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return cells without a reference to an attempt that is not there."""
        given = [name for name in REFERRING if cells.get(name) is not None]
        missing = {name: None for name in given if not self._is_there(*REFERRING[name], cells[name])}
        return {**cells, **missing} if missing else cells

    def _is_there(self, table: str, column: str, named: Any) -> bool:
        found = self._connection.execute(f"SELECT 1 FROM {table} WHERE {column} = ?", (named,))  # noqa: S608
        return found.fetchone() is not None
