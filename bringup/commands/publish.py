"""`bringup publish`: what is in the logbook to a PostgreSQL server, where the benches of several machines meet."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import click

from bringup.commands.common import json_option, logbook_option, print_json
from bringup.commands.saying import columns, say
from bringup.core.wording import folded
from bringup.errors import CommandError, ExitCode

BETWEEN_LINES = 5.0
"""Seconds between two lines that say how far it is."""


@click.command("publish")
@logbook_option
@click.option(
    "--to",
    "address",
    metavar="ADDRESS",
    envvar="BRINGUP_SERVER",
    required=True,
    help="postgresql://USER@HOST:PORT/DATABASE (or BRINGUP_SERVER).",
)
@json_option
def command(logbook: Path, address: str, as_json: bool) -> ExitCode:
    """Send what the server lacks: ended attempts, and what was noted or decided since, of every unit.

    May be given as often as one likes, also by several machines at once: what is there already is not sent again, and
    after a cut it goes on where it stopped. While the server is away nothing is lost: the logbook has it all, and the
    next time sends it. The commands that ask take the same address: bringup standing --logbook postgresql://...

    Give the password by PGPASSWORD, ~/.pgpass or a service file (postgresql://?service=NAME): one in the address can
    be seen by others on this computer. Needs psycopg: pip install 'bringup[postgresql]'.

    Exit codes: 0 the server has all that has ended; 2 it has not, and why is said.
    """
    from bringup.host.folder import lasting_folder
    from bringup.logbook.publishing import publish
    from bringup.logbook.server_address import FORM, SCHEMES, server_of

    if not address.lower().startswith(SCHEMES):
        raise CommandError("--to is no address of a PostgreSQL server", FORM)
    server = server_of(address)
    sent = publish(logbook, server, lasting_folder(make=False), _Progress() if sys.stderr.isatty() else _silence)
    if as_json:
        print_json({"logbook": str(logbook), "server": str(server), **sent.as_json()})
        return ExitCode.PASSED
    said = [f"{server}: {_counted(sent.rows, 'row')} sent, of {_counted(sent.attempts, 'new attempt')}"]
    if not sent.rows:
        said = [f"{server}: nothing to send"]
    elif not sent.attempts:
        said = [f"{server}: {_counted(sent.rows, 'row')} sent, of no new attempt"]
    said.append(f"All that has ended in {logbook} is there.")
    if sent.going:
        ids = ", ".join(identity[:8] for identity in sent.going)
        said.append(f"Going on, and sent with all that was written since once they have ended: {ids}.")
    say("\n".join(folded(line, columns(unknown=None)) for line in said))
    return ExitCode.PASSED


def _counted(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


class _Progress:
    """Tells how far it is, in a line of its own now and then."""

    def __init__(self) -> None:
        self._told = time.monotonic()

    def __call__(self, there: int, wanted: int) -> None:
        if time.monotonic() - self._told >= BETWEEN_LINES:
            self._told = time.monotonic()
            say(f"{there:,} of {wanted:,} rows are there ...", err=True)


def _silence(there: int, wanted: int) -> None:
    """Tell nothing: nobody watches."""
