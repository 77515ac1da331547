"""What asking needs of a database, as types: SQLite's connections have it, server.py makes a server's look so.

Functions that only ask take a `Database`, and their SQL is what SQLite and PostgreSQL share (server_dialect.py says
what is spelt differently); whatever writes to a logbook takes sqlite3's own connection. No code, no library.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Protocol

Cells = Mapping[str, Any] | Sequence[Any]
"""Values of a statement: by name for `:name`, in order for `?`."""


class Row(Protocol):
    """A row whose cells are reached by column name or place, and which can be taken apart like a tuple."""

    def __getitem__(self, key: Any, /) -> Any: ...

    def __iter__(self) -> Iterator[Any]: ...


class Answer(Protocol):
    """The rows that a statement gives, to be taken once."""

    @property
    def description(self) -> Any:
        """One entry a column; its first item is the column's name."""

    def fetchone(self) -> Any:
        """Return the next row, None after the last."""

    def fetchall(self) -> list[Any]:
        """Return all rows that are left."""

    def __iter__(self) -> Iterator[Any]: ...


class Database(Protocol):
    """An open logbook, whatever it is kept in."""

    def execute(self, statement: str, values: Any = ..., /) -> Answer:
        """Run one statement. Raises what the library behind it raises: whoever opened it gives that words."""
