"""The address of a PostgreSQL server, `postgresql://USER@HOST:PORT/DATABASE`, which is shown without its password.

The whole of it goes to libpq, which knows more ways to name a server and to keep a password (PGPASSWORD, .pgpass,
service files). Only what would make libpq repeat a part of a password in its own messages is refused here.
"""

from __future__ import annotations

import re
from pathlib import Path

from bringup.core.frozen import frozen
from bringup.errors import CommandError

SCHEMES = ("postgresql://", "postgres://")

FORM = "Write postgresql://USER@HOST:PORT/DATABASE; what is left out is taken from libpq's own settings (PGHOST, ...)."

_SECRETS = re.compile(r"password|passwd|secret|key", re.IGNORECASE)
_HOSTS = re.compile(r"(?:(?:\[[0-9A-Fa-f:.]+\]|[^\s:,@/\[\]]*)(?::\d{1,5})?(?:,|$))*")


@frozen
class Server:
    """`address`: as given, maybe with a password: never to be shown; `str` is."""

    address: str
    shown: str

    @property
    def name(self) -> str:
        """What it is called in a line of text; a file's name is its counterpart."""
        return self.shown

    def __str__(self) -> str:
        return self.shown

    def __repr__(self) -> str:
        return f"Server({self.shown!r})"


AnyLogbook = Path | Server
"""What can be asked: a file, or what was published to a server."""


def server_of(text: str) -> Server:
    """Read an address. Raises CommandError, which repeats nothing of it: there is a password in it, maybe."""
    if not text.lower().startswith(SCHEMES):
        raise CommandError("that is no address of a PostgreSQL server", FORM)
    rest = text[text.index("://") + 3 :]
    body, _, asked = rest.partition("?")
    authority, slash, path = body.partition("/")
    login, at, hosts = authority.rpartition("@")
    if "@" in login + path + asked or re.search(r"%(?![0-9A-Fa-f]{2})", rest) or not _HOSTS.fullmatch(hosts):
        raise CommandError(
            "the address of the server cannot be read (it is not repeated here: there may be a password in it)",
            f"In a user's name or password write @ as %40, / as %2F, : as %3A, ? as %3F, % as %25. {FORM}",
        )
    user = login.partition(":")[0]
    given = [each for each in asked.split("&") if each and not _SECRETS.search(each.partition("=")[0])]
    shown = f"postgresql://{user}{at}{hosts}{slash}{path}{'?' if given else ''}{'&'.join(given)}"
    return Server(text, shown)
