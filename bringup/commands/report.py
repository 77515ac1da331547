"""`bringup report SN` or `ATTEMPT`: one self-contained page to print or send."""

from __future__ import annotations

import contextlib
import os
from datetime import datetime
from pathlib import Path

import click

from bringup import __version__
from bringup.commands.asking import simulated_asked
from bringup.commands.common import asked_logbook_option
from bringup.commands.report_page import report_page
from bringup.commands.report_traces import INSTALL, library
from bringup.commands.saying import say
from bringup.commands.tables import local_time
from bringup.commands.waiting_rescues import say_what_waits
from bringup.errors import CommandError
from bringup.logbook.filters import ID_SHOWN
from bringup.logbook.reading import read
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.whole import whole


@click.command("report")
@click.argument("what", metavar="SN|ATTEMPT")
@asked_logbook_option
@click.option(
    "--out", metavar="FILE", required=True, type=click.Path(path_type=Path), help="The HTML file that is written."
)
@click.option("--force", is_flag=True, help="Replace FILE if it is there.")
@click.option("--real", "simulated", flag_value="real", help="The real unit of that serial number.")
@click.option("--simulated", "simulated", flag_value="simulated", help="The simulated one.")
def command(what: str, logbook: AnyLogbook, out: Path, force: bool, simulated: str | None) -> None:
    """Write a page about a unit's last attempt, or about one attempt: readings, curves, instruments, procedure.

    One HTML file that asks nothing of a network, opens from disk and prints on A4 and Letter. Curves need matplotlib:
    pip install 'bringup[report]'.
    """
    _check_place(out, force=force)
    say_what_waits(logbook)
    found = read(logbook, lambda connection: whole(connection, what, simulated_asked(simulated)))
    figure = library() if found.supply or found.logs else None
    made = f"Made {local_time(datetime.now().astimezone())} by bringup {__version__} from {logbook.name}."
    _write(out, report_page(found, figure, made))
    of = found.attempt
    say(f"{out}: {of.serial}, attempt {of.id[:ID_SHOWN]}, {len(of.readings)} readings")
    if figure is None and (found.supply or found.logs):
        say(f"Curves are left out: matplotlib is not installed. {INSTALL}", err=True)


def _check_place(out: Path, *, force: bool) -> None:
    if out.is_dir():
        raise CommandError(f"{out} is a folder", "Name a file in it with --out.")
    if out.exists() and not force:
        raise CommandError(f"{out} is there already and was left as it is", "Name another file, or give --force.")
    if not out.absolute().parent.is_dir():
        raise CommandError(f"{out} cannot be written: there is no folder {out.absolute().parent}", "Make it first.")


def _write(out: Path, text: str) -> None:
    """Write beside it and rename: no half page is ever left under its name. Raises CommandError."""
    beside = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        with beside.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
        beside.replace(out)
    except OSError as error:
        with contextlib.suppress(OSError):  # it may never have been made; what is wrong is told below
            beside.unlink(missing_ok=True)
        raise CommandError(f"{out} cannot be written: {error.strerror or error}", "Name another place.") from error
