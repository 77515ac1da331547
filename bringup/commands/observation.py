"""`bringup observation`: something noticed on a unit, and with --design the list for a board's next revision."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.adding import Adding, adding, adding_options, text_of
from bringup.commands.common import asked_logbook_option, file_of, json_option, print_json
from bringup.commands.saying import columns, say
from bringup.core.deviations import Severity, Target
from bringup.errors import CommandError

if TYPE_CHECKING:
    from bringup.core.deviations import Observation
    from bringup.logbook.design_list import DesignEntry
    from bringup.logbook.server_address import AnyLogbook

HEADINGS = ("id", "severity", "units", "first seen", "revisions", "what was observed", "")


@click.command("observation")
@click.argument("serial", metavar="[SN]", required=False)
@click.argument("text", metavar="[TEXT]", nargs=-1)
@click.option("--severity", type=click.Choice([each.value for each in Severity]), help="How much it weighs.")
@click.option("--for", "target", type=click.Choice([each.value for each in Target]), help="Who is to change.")
@click.option("--rail", "rails", metavar="NAME", multiple=True, help="The last readings of that rail are behind it.")
@click.option("--reading", "readings", metavar="ID", multiple=True, help="That reading is behind it.")
@click.option("--again", metavar="ID", help="The same as an earlier observation of this board, seen on this unit too.")
@click.option("--design", metavar="BOARD", help="List what was observed of that board's design, on all units.")
@click.option("--revision", metavar="REV", help="With --design: only what was seen on that revision.")
@asked_logbook_option
@adding_options
@json_option
def command(
    serial: str | None,
    text: tuple[str, ...],
    severity: str | None,
    target: str | None,
    rails: tuple[str, ...],
    readings: tuple[str, ...],
    again: str | None,
    design: str | None,
    revision: str | None,
    logbook: AnyLogbook,
    by: str | None,
    board: Path | None,
    simulated: str | None,
    as_json: bool,
) -> None:
    """Record something noticed on unit SN: for this unit alone, or (--for design) for the board's next revision.

    Severity is `should`, and it is for the unit, unless said otherwise. With --design BOARD instead of SN: the list for
    the next revision, with how many units it was seen on, when first, and the readings behind it.
    """
    if design is not None:
        if serial is not None or text:
            raise CommandError("--design lists; it takes no serial number and no text", "Leave the one or the other.")
        _list(logbook, design, revision, simulated, as_json=as_json)
        return
    if serial is None:
        raise CommandError("no unit was named", "bringup observation SN TEXT; or --design BOARD for the list.")
    if revision is not None:
        raise CommandError("--revision goes with --design", "A unit's revision is known from its attempts.")
    if again is None or text:
        text = (text_of(text, "What was observed", "text"),)
    with adding(file_of(logbook), serial, by, board, simulated) as add:
        from bringup.logbook.additions import of_unit, write
        from bringup.logbook.deviation_statements import observation_statements

        seen = _observation(add, " ".join(text), (severity, target), (rails, readings), again)
        write(add.logbook, observation_statements(add.entered, seen, add.unit.board, add.unit.revision))
        kept = of_unit(add.logbook, add.unit).observations[-1]
        if as_json:
            print_json(kept.as_json())
        else:
            whom = "the design" if seen.target is Target.DESIGN else "this unit"
            say(f"observed on {add.unit.named}, {seen.severity}, for {whom}: {seen.text} [{kept.origin.id[:8]}]")


def _observation(
    add: Adding,
    text: str,
    weighed: tuple[str | None, str | None],
    behind: tuple[tuple[str, ...], tuple[str, ...]],
    again: str | None,
) -> Observation:
    """Put the record together. `weighed`: severity and target; `behind`: rails and readings as they were given."""
    from bringup.core.deviations import Observation
    from bringup.logbook.design_list import find_observation
    from bringup.logbook.reading_ids import by_id, of_rail

    connection = add.logbook.connection
    severity, target = weighed
    first = None
    if again is not None:
        first, said, known_severity, known_target = find_observation(connection, add.unit, again)
        text, severity, target = text or said, severity or known_severity, target or known_target
    rails, readings = behind
    ids = [by_id(connection, add.unit, beginning) for beginning in readings]
    ids += [reading for rail in rails for reading in of_rail(connection, add.unit, rail)]
    return Observation(
        text, Severity(severity or Severity.SHOULD), Target(target or Target.UNIT), tuple(dict.fromkeys(ids)), first
    )


def _list(logbook: AnyLogbook, design: str, revision: str | None, simulated: str | None, *, as_json: bool) -> None:
    from bringup.commands.asking import simulated_asked
    from bringup.commands.tables import failure_text, format_table, under_rows
    from bringup.commands.waiting_rescues import say_what_waits
    from bringup.logbook.design_list import design_list
    from bringup.logbook.reading import read

    say_what_waits(logbook)
    found = read(
        logbook,
        lambda connection: design_list(connection, design, revision=revision, simulated=simulated_asked(simulated)),
    )
    if as_json:
        print_json([entry.as_json() for entry in found])
        return
    if not found:
        say(f"Nothing was observed of the design of {design}.")
        return
    width = columns(unknown=None)
    for board in dict.fromkeys(entry.first.board for entry in found):
        of_board = [entry for entry in found if entry.first.board == board]
        say(f"{board}, for the next revision: {len(of_board)}")
        lines = format_table(HEADINGS, [_row(entry) for entry in of_board], right=("units",), width=width)
        below = [[f"{each.serial} {failure_text(each)}" for each in entry.readings] for entry in of_board]
        say("\n".join(under_rows(lines, below, width)))


def _row(entry: DesignEntry) -> tuple[str, ...]:
    from bringup.commands.tables import SIMULATED

    first = entry.first
    return (
        first.origin.id[:8],
        entry.severity.value,
        str(len(entry.units)),
        entry.first_seen.astimezone().strftime("%Y-%m-%d"),
        ", ".join(each for each in entry.revisions if each),
        first.observation.text,
        SIMULATED if first.origin.simulated else "",
    )
