"""`bringup audit`: whether a logbook is as it was written, and the hash that stands for all of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bringup.commands.common import asked_logbook_option, json_option, print_json
from bringup.commands.saying import say
from bringup.errors import ExitCode

if TYPE_CHECKING:
    from bringup.logbook.audit import Audit
    from bringup.logbook.comparing import Finding
    from bringup.logbook.server_address import AnyLogbook

SHOWN = 20
"""How many findings are listed for people; JSON has them all."""


@click.command()
@asked_logbook_option
@click.option("--anchor", metavar="HASH", default=None, help="A last hash printed earlier: is it still in the chain?")
@json_option
def command(logbook: AnyLogbook, anchor: str | None, as_json: bool) -> ExitCode:
    """Compare every row of the logbook with its hash; name the first attempt and row altered, removed or inserted.

    Prints the last hash, which stands for everything before it: keep it outside the file, such as on a printed
    report, and give it as --anchor later. Without one, a logbook whose end was cut off, rows and hashes alike, or
    that was written anew from some point on by somebody who has this tool's code, looks sound.

    Exit codes: 0 sound; 1 not as it was written, or the anchor is not in it; 2 not a logbook.
    """
    from bringup.logbook.audit import audit
    from bringup.logbook.reading import read
    from bringup.logbook.server_address import Server
    from bringup.logbook.server_audit import audit_server

    compared = audit_server if isinstance(logbook, Server) else audit
    found = read(logbook, lambda connection: compared(connection, anchor), hashes=True)
    if as_json:
        print_json({"logbook": str(logbook), **found.as_json()})
    else:
        say("\n".join(lines(logbook, found)))
    return ExitCode.PASSED if found.sound else ExitCode.FAILED


def lines(logbook: AnyLogbook, found: Audit) -> list[str]:
    """Return what is printed for people."""
    from bringup.logbook.chain import COVERED

    said = []
    if found.findings:
        many = len(found.findings)
        said.append(f"{logbook}: NOT as it was written. {many} {'thing differs' if many == 1 else 'things differ'}:")
        said += [f"  {'first: ' if not index else ''}{text(each)}" for index, each in enumerate(found.findings[:SHOWN])]
        if many > SHOWN:
            said.append(f"  and {many - SHOWN} more (--json lists all)")
    else:
        attempts = "1 attempt" if found.attempts == 1 else f"{found.attempts:,} attempts"
        said.append(
            f"{logbook}: {found.rows:,} rows of {attempts} are as they were written, by"
            f" {found.hashes:,} hashes since {found.since[:19].replace('T', ' ')} UTC."
        )
    if found.old_rows:
        said.append(
            f"{found.old_rows:,} rows are from before the hashes began: changes made to them earlier cannot be found."
        )
    if found.others:
        several = "another logbook" if found.others == 1 else f"{found.others} other logbooks"
        left = f"; {found.kept_out:,} of their rows were kept out" if found.kept_out else ""
        said.append(f"It holds rows of {several}, each with its own hashes{left}.")
    said.append(f"Covered: {', '.join(COVERED)}.")
    said += _about_anchor(found)
    return said


def _about_anchor(found: Audit) -> list[str]:
    if found.asked is not None and found.asked_at is None:
        what = f"The hash {found.asked} is NOT in the chain: what it stood for was cut off or written anew, or it is of"
        return [f"{what} another logbook."]
    said = []
    if found.asked is not None:
        later = found.hashes - (found.asked_at or 0)
        said.append(f"The hash {found.asked} is in the chain; {later:,} hashes came after it.")
    said.append(f"Last hash: {found.anchor or 'none yet'}")
    if found.asked is None:
        said.append(
            "Without a hash kept elsewhere (`bringup audit --anchor HASH`), an end that was cut off or written anew"
            " with its hashes cannot be found."
        )
    return said


def text(finding: Finding) -> str:
    """Return one finding in one line."""
    where = f"attempt {finding.attempt[:8]}" if finding.attempt else "no attempt"
    unit = f" of {finding.serial}" if finding.serial else ""
    row = finding.row if finding.table in ("chain", "file") else f"{finding.table}, {finding.row}"
    return f"{where}{unit}: {row}: {finding.what}"
