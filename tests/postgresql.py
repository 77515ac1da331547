"""A real PostgreSQL server for the tests: Debian's package, on loopback, a data folder of its own, gone afterwards.

Made when the first test asks for it, once for all of pytest's workers; whichever of them is the last one stops it.
Nothing of it is worth keeping, so it never waits for the disk. As the server refuses to run as root, root lends it
the user `postgres`, or `nobody`.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import pytest

from bringup.logbook.publishing import publish
from bringup.logbook.server_address import Server, server_of

PROGRAMS = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda each: int(each.parts[-3]))
SETTINGS = {
    "listen_addresses": "127.0.0.1",
    "unix_socket_directories": "",
    "fsync": "off",
    "synchronous_commit": "off",
    "full_page_writes": "off",
    "autovacuum": "off",
    "jit": "off",
    "max_wal_size": "1GB",
    "shared_buffers": "16MB",
    "max_connections": "30",
    "wal_level": "minimal",
    "max_wal_senders": "0",
}
HOSTS = """\
host all locked,keyed 127.0.0.1/32 scram-sha-256
host all all 127.0.0.1/32 trust
"""
SUPERUSER = "bringup"

_names = count()


def needed() -> None:
    """Skip the test where there is no server to start, or no driver."""
    pytest.importorskip("psycopg", reason="psycopg is not installed: pip install 'bringup[postgresql]'")
    if not PROGRAMS:
        pytest.skip("PostgreSQL is not installed (no /usr/lib/postgresql): apt-get install postgresql")


def _as_its_user(*command: str | Path | int) -> list[str]:
    """Return the command as whoever may run a server: not root."""
    words = [str(each) for each in command]
    if os.getuid() != 0:
        return words
    user = _user()
    return ["setpriv", f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups", *words]


def _user() -> pwd.struct_passwd:
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            return pwd.getpwnam(name)
    pytest.skip("there is no user under whom root could run PostgreSQL: adduser postgres")


class Cluster:
    """A server with its data folder. `start` and `kill` as often as a test likes."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self.programs = PROGRAMS[-1].parent

    @classmethod
    def made(cls) -> Cluster:
        """Make a data folder, and start."""
        folder = Path(tempfile.mkdtemp(prefix="bringup-postgresql-"))
        if os.getuid() == 0:
            os.chown(folder, _user().pw_uid, _user().pw_gid)
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        made = cls(folder, port)
        subprocess.run(
            _as_its_user(
                *(made.programs / "initdb", "--no-sync", "--auth=trust", f"--username={SUPERUSER}", "--no-locale"),
                *("--encoding=UTF8", "--no-instructions", "-D", folder / "data"),
            ),
            check=True,
            capture_output=True,
            cwd="/",
        )
        (folder / "data" / "pg_hba.conf").write_text(HOSTS)
        made.start()
        return made

    def start(self) -> None:
        """Start, and wait until it answers."""
        settings = [word for name, value in SETTINGS.items() for word in ("-c", f"{name}={value}")]
        # In a session of its own, and nobody's child here: whoever started it may end before the others.
        with (self.folder / "log").open("ab") as log:
            subprocess.run(
                [
                    *("setsid", "--fork"),
                    *_as_its_user(self.programs / "postgres", "-D", self.folder / "data", "-p", self.port, *settings),
                ],
                check=True,
                stdout=log,
                stderr=log,
                stdin=subprocess.DEVNULL,
                cwd="/",
            )
        until = time.monotonic() + 60
        while not self._answers():
            assert time.monotonic() < until, (self.folder / "log").read_text()
            time.sleep(0.02)

    def _answers(self) -> bool:
        import psycopg

        try:
            psycopg.connect(self.server("postgres").address).close()
        except psycopg.OperationalError:
            return False
        return True

    def kill(self) -> None:
        """Kill the server and all its processes (SIGKILL), as a power cut would."""
        lock = self.folder / "data" / "postmaster.pid"
        number = int(lock.read_text().split("\n")[0])
        processes = [number, *_children(number)]
        for each in processes:
            with contextlib.suppress(ProcessLookupError):
                os.kill(each, signal.SIGKILL)
        until = time.monotonic() + 60
        while self._answers() and time.monotonic() < until:
            time.sleep(0.01)
        # Who killed it may be long in collecting it: for the next start, it is gone.
        lock.unlink()

    def remove(self) -> None:
        """Stop for good."""
        self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)

    def server(self, database: str, user: str = SUPERUSER, password: str = "", more: str = "") -> Server:
        """Return the address of a database there."""
        login = f"{user}:{password}" if password else user
        return server_of(f"postgresql://{login}@127.0.0.1:{self.port}/{database}{more}")

    def execute(self, *statements: str, database: str = "postgres") -> None:
        """Run statements as the superuser."""
        import psycopg

        with psycopg.connect(self.server(database).address, autocommit=True) as connection:
            for statement in statements:
                connection.execute(statement)

    def new_schema(self) -> Server:
        """Make an empty schema, which is quicker than a database."""
        name = f"logbook_{os.getpid()}_{next(_names)}"
        self.execute(f"CREATE SCHEMA {name}")
        return self.server("postgres", more=f"?options=-csearch_path%3D{name}")

    def published(self, path: Path) -> Server:
        """Publish a logbook to a place of its own."""
        server = self.new_schema()
        publish(path, server)
        return server


def _children(number: int) -> list[int]:
    """Return the processes whose parent is that one: each of them has a session of its own."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            if stat.read_text().rpartition(")")[2].split()[1] == str(number):
                found.append(int(stat.parent.name))
    return found


@contextmanager
def shared_cluster(folder: Path) -> Iterator[Cluster]:
    """Yield the one server of all processes that share that folder: the first one makes it, the last one ends it."""
    needed()
    state = folder / "postgresql.json"
    with _locked(folder):
        known = json.loads(state.read_text()) if state.exists() else {"users": []}
        cluster = Cluster(Path(known["folder"]), known["port"]) if known["users"] else Cluster.made()
        users = [*known["users"], os.getpid()]
        state.write_text(json.dumps({"folder": str(cluster.folder), "port": cluster.port, "users": users}))
    try:
        yield cluster
    finally:
        with _locked(folder):
            known = json.loads(state.read_text())
            known["users"].remove(os.getpid())
            if not known["users"]:
                cluster.remove()
            state.write_text(json.dumps(known))


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    with (folder / "postgresql.lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield
