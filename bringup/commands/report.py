"""`bringup report SN`, `ATTEMPT` or `--lot LOT`: one self-contained page to print or send."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from bringup import __version__
from bringup.commands.asking import simulated_asked
from bringup.commands.common import asked_logbook_option
from bringup.commands.report_lot import lot_page
from bringup.commands.report_page import report_page
from bringup.commands.report_traces import INSTALL, library
from bringup.commands.saving import written
from bringup.commands.saying import say
from bringup.commands.tables import local_time
from bringup.commands.waiting_rescues import say_what_waits
from bringup.errors import CommandError
from bringup.logbook.filters import ID_SHOWN, Filters
from bringup.logbook.reading import read
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.whole import whole
from bringup.logbook.whole_lot import whole_lot


@click.command("report")
@click.argument("what", metavar="[SN|ATTEMPT]", required=False)
@asked_logbook_option
@click.option(
    "--out",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The HTML file that is written.  [default: the serial number, attempt or lot with .html, in this folder]",
)
@click.option("--force", is_flag=True, help="Replace FILE if it is there.")
@click.option("--lot", metavar="LOT", help="About this lot instead of one unit.")
@click.option("--board", metavar="NAME", help="With --lot: only units of this board.")
@click.option("--revision", metavar="REV", help="With --lot: only units of this revision.")
@click.option("--procedure", metavar="NAME", help="With --lot: only attempts with this procedure.")
@click.option("--real", "simulated", flag_value="real", help="The real unit of that serial number, or real units.")
@click.option("--simulated", "simulated", flag_value="simulated", help="The simulated one, or simulated units.")
def command(
    what: str | None,
    logbook: AnyLogbook,
    out: Path | None,
    force: bool,
    lot: str | None,
    simulated: str | None,
    **only: Any,
) -> None:
    """Write a page about a unit's last attempt, about one attempt, or about a lot (--lot).

    Of a unit: readings, curves, what was done to it, instruments, procedure. Of a lot: yield, what failed most often,
    how every rail spreads, where each unit stands. One HTML file that asks nothing of a network, opens from disk and
    prints on A4 and Letter. Curves need matplotlib: pip install 'bringup[report]'.
    """
    kind = simulated_asked(simulated)
    if (what is None) is (lot is None):
        raise CommandError(
            "a report is about one unit, one attempt or one lot", "Name a unit or attempt, or --lot LOT."
        )
    if lot is None and any(only.values()):
        raise CommandError("--board, --revision and --procedure go with --lot only", "Leave them out, or name a lot.")
    if out is None:
        out = Path(f"{_file_name(what if lot is None else f'lot-{lot}')}.html")
    say_what_waits(logbook)
    made = f"Made {local_time(datetime.now().astimezone())} by bringup {__version__} from {logbook.name}."
    with written(out, force=force, such_as="--out report.html", another=" with --out") as fresh:
        if lot is None:
            assert what is not None, "one of the two was given"
            unit = what
            found = read(logbook, lambda connection: whole(connection, unit, kind))
            curves = bool(found.supply or found.logs)
            figure = library() if curves else None
            text = report_page(found, figure, made)
            of = found.attempt
            told = f"{of.serial}, attempt {of.id[:ID_SHOWN]}, {len(of.readings)} readings"
        else:
            filters = Filters(lot=lot, simulated=kind, **only)
            of_lot = read(logbook, lambda connection: whole_lot(connection, filters))
            curves, figure = True, library()
            text = lot_page(of_lot, figure, made)
            told = f"lot {lot}, {len(of_lot.units)} unit{'' if len(of_lot.units) == 1 else 's'}"
        fresh.write_text(text, encoding="utf-8", newline="\n")
    say(f"{out}: {told}")
    if figure is None and curves:
        say(f"Curves are left out: matplotlib is not installed.\n  {INSTALL}", err=True)


def _file_name(named: str | None) -> str:
    """Return a name that no system takes for a folder, an option or a hidden file: a label may hold anything."""
    return re.sub(r"[^\w.-]+", "-", named or "").lstrip(".-") or "report"
