"""What PostgreSQL spells otherwise than SQLite: marks for values, types of columns, and a few words. Pure text.

Statements and tables are written once, for SQLite, in the SQL that both share; here they become what a server takes.
Text is compared byte by byte there as in SQLite (collation "C"), so that sorting and LIKE do not depend on how a
server was set up. A `seq` numbers rows in the order in which they came to the server.
"""

from __future__ import annotations

import re
from functools import lru_cache

from bringup.logbook.tables import MIGRATIONS, Migration

_PARTS = re.compile(r"('(?:[^']|'')*')|(?<!:):([a-z_]\w*)|(\?)|(%)")

_WORDS = (
    (re.compile(r"\)\s*STRICT\s*$"), ")"),
    (re.compile(r"\bINTEGER\b"), "BIGINT"),
    (re.compile(r"\bREAL\b"), "DOUBLE PRECISION"),
    (re.compile(r"\bBLOB\b"), "BYTEA"),
    (re.compile(r"\bTEXT\b"), 'TEXT COLLATE "C"'),
)

_INSTEAD = (
    (
        re.compile(r"PRAGMA table_info\((\w+)\)"),
        (
            r"SELECT attnum, attname FROM pg_attribute"
            r" WHERE attrelid = to_regclass('\1') AND attnum > 0 AND NOT attisdropped"
        ),
    ),
    # Damage within a file is for whoever keeps the server to look for.
    (re.compile(r"PRAGMA integrity_check\(1\)"), "SELECT 'ok'"),
)
"""What an audit asks of SQLite alone, and what is asked of a server in its place."""

_FILLS = re.compile(r"\s*INSERT\b")
"""A migration that fills a table does so for the logbook in its file; what a server holds comes from files."""

OWN_TABLES = (
    """
CREATE TABLE publications (
    origin BIGINT PRIMARY KEY REFERENCES origins (number),
    entries BIGINT NOT NULL,
    link BYTEA NOT NULL,
    wanted BIGINT NOT NULL,
    at TEXT COLLATE "C" NOT NULL
)
""",
)
"""Of a server only: how much of each origin's chain is there, its last link, and how much was to come."""

VERSION_TABLE = "bringup_logbook"
"""Has one row: the version of the tables."""


@lru_cache(maxsize=512)
def spelt(statement: str, *, marks: bool) -> str:
    """Return a statement with the driver's marks for values. `marks`: whether values come with it."""
    for pattern, other in _INSTEAD:
        statement = pattern.sub(other, statement)
    if not marks:
        return statement

    def spell(found: re.Match[str]) -> str:
        text, name, question, _ = found.groups()
        if text is not None:
            return str(text).replace("%", "%%")
        if name is not None:
            return f"%({name})s"
        return "%s" if question else "%%"

    return _PARTS.sub(spell, statement)


def table_statements(migrations: tuple[Migration, ...] = MIGRATIONS, after: int = 0) -> list[str]:
    """Return what makes the server's tables, from those of version `after` on."""
    made = [
        _table(statement)
        for migration in migrations
        if migration.number > after
        for statement in migration.statements
        if not _FILLS.match(statement)
    ]
    return [*made, *(() if after else OWN_TABLES)]


def _table(statement: str) -> str:
    for pattern, word in _WORDS:
        statement = pattern.sub(word, statement)
    return statement
