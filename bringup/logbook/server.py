"""A PostgreSQL server as a logbook: the door to psycopg, and what its errors mean to a person.

`read_server` is to a server what reading.read is to a file. A `ServerConnection` runs statements written for SQLite
(server_dialect.py), with rows that are reached by name or place as sqlite3's are. Values are put into the text by
the driver, quoted, for `:name IS NULL OR ...` leaves a server no way to tell the type of a mark.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

from bringup.errors import CommandError, LogbookError
from bringup.logbook.database import Answer
from bringup.logbook.server_address import Server
from bringup.logbook.server_dialect import VERSION_TABLE, spelt
from bringup.logbook.version import VERSION

if TYPE_CHECKING:
    import psycopg

T = TypeVar("T")

INSTALL = "pip install 'bringup[postgresql]' (from a checkout: pip install '.[postgresql]')"
CONNECT_SECONDS = 10
"""How long a server may take to answer, unless the address or PGCONNECT_TIMEOUT says otherwise."""

_ALIVE = {"keepalives_idle": 10, "keepalives_interval": 5, "keepalives_count": 3, "tcp_user_timeout": 30_000}
"""A server whose cable was pulled counts as away after half a minute."""

_WORDS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("no password supplied", "28P01", "password authentication failed"),
     "Check the user's name; give the password by PGPASSWORD, a .pgpass file or a service file."),
    (("could not translate host name", "Name or service not known"), "Check the name of the host."),
    (("Connection refused", "timeout expired", "No route to host", "unreachable"),
     "Check host and port, and that the server runs and may be reached from here."),
    (("42501", "permission denied", "25006", "3F000"),
     "Ask whoever keeps the server for the right: `publish` creates and fills tables, questions only SELECT."),
    (("3D000", "does not exist"), "Check the names of database and user; `createdb NAME` makes a database."),
    (("42P07",), "Another program has a table of that name there: name a database, or a schema, for bringup alone."),
    (("23",), "Two logbooks disagree about the same row, or a copy was altered: `bringup audit` on each says which."),
    (("55P03", "lock timeout"), "Somebody else publishes to this server and holds it for long. Try again."),
    (("08", "57P01", "57P02", "57P03", "server closed the connection", "terminating connection", "could not receive",
      "could not send", "the connection is closed", "connection is lost"),
     "Look whether the server runs, and try again."),
)  # fmt: skip
"""SQLSTATEs (or their beginnings) and words of libpq, and what to do about them."""
LENGTH_OF_STATE = 5


class ServerRow(tuple[Any, ...]):
    """A row whose cells are reached by name or place. Each answer has a class of its own, with its names."""

    __slots__ = ()
    places: Mapping[str, int] = {}

    def __getitem__(self, key: Any, /) -> Any:
        return tuple.__getitem__(self, self.places[key] if isinstance(key, str) else key)


def _rows(cursor: Any) -> Callable[[Sequence[Any]], ServerRow]:
    """Return what makes a row of that answer: the driver asks for it once an answer."""
    places = {column.name: place for place, column in enumerate(cursor.description or ())}
    made: type[ServerRow] = type("ServerRow", (ServerRow,), {"__slots__": (), "places": places})
    return made


class ServerConnection:
    """An open server, as a `Database`. The driver's errors are given words by `words_for`."""

    def __init__(self, connection: psycopg.Connection[Any]) -> None:
        self.driver = connection

    def execute(self, statement: str, values: Any = None, /) -> Answer:
        """Run a statement written for SQLite."""
        plain = _plain(values)
        answer: Any = self.driver.execute(spelt(statement, marks=plain is not None), plain)
        return _Answer(answer)


class _Answer:
    """What a statement gave; nothing where it gives no rows."""

    def __init__(self, cursor: Any) -> None:
        self._cursor = cursor
        self.description: Any = cursor.description

    def fetchone(self) -> Any:
        return self._cursor.fetchone()

    def fetchall(self) -> list[Any]:
        found: list[Any] = self._cursor.fetchall()
        return found

    def __iter__(self) -> Iterator[Any]:
        return iter(self._cursor)


def _plain(values: Any) -> Any:
    """Return values as the driver takes them: of an enumeration's member its text."""
    if not values:
        return None
    if isinstance(values, Mapping):
        return {name: _cell(value) for name, value in values.items()}
    return [_cell(value) for value in values]


def _cell(value: Any) -> Any:
    return str(value) if isinstance(value, str) else value


def read_server(server: Server, work: Callable[[ServerConnection], T]) -> T:
    """Return `work(connection)`: all that it asks sees the same moment, and it can change nothing.

    Raises LogbookError for a server that cannot be reached, holds no logbook, or one of another version.
    """
    with opened_server(server) as connection:
        import psycopg

        connection.driver.isolation_level = psycopg.IsolationLevel.REPEATABLE_READ
        connection.driver.read_only = True
        version = version_on(connection)
        if version is None:
            raise LogbookError(
                f"{server} holds no logbook that you may read",
                f"`bringup publish --to {server}` makes one. Tables of a schema of its own are found by"
                " ?options=-csearch_path%3DSCHEMA, and need USAGE and SELECT to be read.",
            )
        check_version(server, version)
        if version < VERSION:
            raise LogbookError(
                f"the logbook on {server} is of version {version} of the tables; this bringup reads {VERSION}",
                "The next `bringup publish` of this version to it brings it up to date.",
            )
        return work(connection)


def version_on(connection: ServerConnection) -> int | None:
    """Return the version of the tables on a server; None where there is none that can be seen."""
    found = connection.execute("SELECT to_regclass(:name) IS NOT NULL", {"name": VERSION_TABLE}).fetchone()
    if not found[0]:
        return None
    row = connection.execute(f"SELECT version FROM {VERSION_TABLE}").fetchone()  # noqa: S608 - a word of ours
    return None if row is None else int(row[0])


def check_version(server: Server, version: int) -> None:
    """Raise LogbookError for tables that a newer tool made."""
    if version > VERSION:
        raise LogbookError(
            f"the logbook on {server} is of version {version}; this bringup knows versions up to {VERSION}",
            "Use the newer bringup that published there; nothing was changed.",
        )


@contextmanager
def opened_server(server: Server) -> Iterator[ServerConnection]:
    """Connect, and close at the end. Raises LogbookError, also for what goes wrong within; CommandError: no driver."""
    try:
        import psycopg
        from psycopg.conninfo import conninfo_to_dict
    except ImportError as error:
        raise CommandError(
            f"{server}: a server needs the library psycopg, which cannot be loaded ({error})", f"Install it: {INSTALL}"
        ) from error
    try:
        stated = conninfo_to_dict(server.address)
    except psycopg.Error:
        # libpq would repeat the part that it cannot read, which may be a password.
        raise CommandError(
            f"the address {server} cannot be read",
            "Check what stands behind the question mark: sslmode=..., service=..., options=...",
        ) from None
    settings: dict[str, Any] = {"client_encoding": "UTF8", "application_name": "bringup"}
    settings |= {name: value for name, value in _ALIVE.items() if name not in stated}
    if "connect_timeout" not in stated:
        settings["connect_timeout"] = _patience()
    try:
        with psycopg.connect(
            server.address, cursor_factory=psycopg.ClientCursor[Any], row_factory=_rows, **settings
        ) as driver:
            encoding = driver.info.parameter_status("server_encoding")
            if encoding != "UTF8":
                raise LogbookError(
                    f"the database {server} is kept in {encoding}, which lacks letters such as Ω and µ",
                    "Make one in UTF-8: createdb --encoding UTF8 --template template0 NAME",
                )
            yield ServerConnection(driver)
    except psycopg.Error as error:
        raise words_for(error, server) from error


def _patience() -> int:
    import os

    stated = os.environ.get("PGCONNECT_TIMEOUT", "")
    return int(stated) if stated.isdecimal() else CONNECT_SECONDS


def words_for(error: Exception, server: Server) -> LogbookError:
    """Return what an error of the driver means, and what to do."""
    state = getattr(error, "sqlstate", None) or ""
    said = " ".join(str(error).split()).removeprefix("connection failed: ")
    for signs, what_to_do in _WORDS:
        if any((state and state.startswith(sign)) if _is_state(sign) else sign in said for sign in signs):
            return LogbookError(f"the server {server}: {said}", what_to_do)
    return LogbookError(f"the server {server}: {said}", "Check the address, and what the server's own log says.")


def _is_state(sign: str) -> bool:
    return len(sign) <= LENGTH_OF_STATE and sign.upper() == sign
