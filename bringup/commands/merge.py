"""`bringup merge FILE...`: what other logbook files have more, into this one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.common import json_option, logbook_option, print_json
from bringup.commands.leaving import leaving_in_order
from bringup.commands.saying import columns, say
from bringup.core.wording import folded
from bringup.errors import CommandError, ExitCode

if TYPE_CHECKING:
    from bringup.logbook.merging import Merged

SHOWN = 20
"""How many conflicts of a file are listed for people; JSON has them all."""


@click.command("merge")
@click.argument("files", nargs=-1, metavar="FILE...", type=click.Path(path_type=Path))
@logbook_option
@json_option
def command(files: tuple[Path, ...], logbook: Path, as_json: bool) -> ExitCode:
    """Take in what other logbook files have more than this one: attempts with all they hold, notes, reworks, photos.

    Files may be given in any order and as often as one likes; after a kill, merge again. The files themselves stay as
    they are, and an attempt that is going on waits. Whatever is here under the same name with other content stays as
    it is here, and what was kept out is named. `bringup audit` checks each logbook's hashes as it did there.

    Exit codes: 0 all is here; 1 something was kept out; 2 not a logbook, damaged, or not to be written.
    """
    from bringup.host.folder import lasting_folder
    from bringup.logbook.merging import merge

    if not files:
        raise CommandError("no logbook to merge", "Name one file or more: bringup merge FILE...")
    told = []
    with leaving_in_order():
        for merged in merge(logbook, files, lasting_folder(make=False)):
            told.append(merged)
            if not as_json:
                say("\n".join(folded(line, columns(unknown=None)) for line in _lines(merged)))
    if as_json:
        print_json({"logbook": str(logbook), "merged": [merged.as_json() for merged in told]})
    return ExitCode.FAILED if any(merged.conflicts for merged in told) else ExitCode.PASSED


def _lines(merged: Merged) -> list[str]:
    what = f"{_counted(merged.attempts, 'new attempt')}, {_counted(merged.rows, 'row')} taken in"
    lines = [f"{merged.file}: {what if merged.rows or merged.attempts else 'nothing that is not here already'}"]
    if merged.conflicts:
        lines.append(f"  Kept out, {_counted(len(merged.conflicts), 'conflict')}; here all stays as it was:")
        lines += [f"    {each.table}, {each.row} of {each.serial}: {each.why}" for each in merged.conflicts[:SHOWN]]
        if len(merged.conflicts) > SHOWN:
            lines.append(f"    and {len(merged.conflicts) - SHOWN} more (--json lists all)")
    if merged.going:
        ids = ", ".join(identity[:8] for identity in merged.going)
        lines.append(f"  Going on, and to be merged with all that was written since once they have ended: {ids}.")
    return lines


def _counted(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"
