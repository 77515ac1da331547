"""`bringup withdraw SN [ID]`: strikes out a rework, observation or note that was wrong, or lists what can be."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.adding import Adding, adding, answered
from bringup.commands.common import json_option, logbook_option, print_json
from bringup.commands.saying import columns, say
from bringup.errors import CommandError

if TYPE_CHECKING:
    from bringup.logbook.struck import Struck


@click.command("withdraw")
@click.argument("serial", metavar="SN")
@click.argument("beginning", metavar="[ID]", required=False)
@click.option("--why", metavar="TEXT", help="Why it does not hold.")
@click.option("--real", "simulated", flag_value="real", help="The real unit of that number.")
@click.option("--simulated", "simulated", flag_value="simulated", help="The simulated one.")
@click.option("--by", metavar="NAME", default=None, help="Who; the login name if not given.")
@logbook_option
@json_option
def command(
    serial: str,
    beginning: str | None,
    why: str | None,
    simulated: str | None,
    by: str | None,
    logbook: Path,
    as_json: bool,
) -> None:
    """Take back a rework, observation or note of unit SN that was wrong; without an ID, list them with theirs.

    It is kept with who took it back, when and why, and struck out wherever it is told. A rework that was withdrawn
    makes no check due again, and an observation is on no list any more. What was withdrawn stays so: enter it anew.
    """
    from bringup.logbook.struck import entered_on

    with adding(logbook, serial, by, None, simulated) as add:
        entered = entered_on(add.logbook, add.unit)
        if beginning is None:
            _list(add, entered, as_json=as_json)
        else:
            _withdraw(add, _one(add, entered, beginning), why, as_json=as_json)


def _one(add: Adding, entered: list[Struck], beginning: str) -> Struck:
    """Return the one that is meant. Raises CommandError for none, several, and one that was withdrawn already."""
    wanted = beginning.strip().lower()
    found = [each for each in entered if wanted and each.id.startswith(wanted)]
    if len(found) != 1:
        many = f"{len(found)} things" if found else "no rework, observation or note"
        raise CommandError(
            f"{many} of {add.unit.named} with an id that begins with '{beginning}'",
            f"`bringup withdraw {add.unit.serial}` lists them.",
        )
    if found[0].withdrawn:
        raise CommandError(f"it was withdrawn already, by {found[0].withdrawn}", "Enter it anew if it holds after all.")
    return found[0]


def _withdraw(add: Adding, one: Struck, why: str | None, *, as_json: bool) -> None:
    from bringup.logbook.additions import write
    from bringup.logbook.deviation_statements import withdrawal_statement
    from bringup.runner.reasons import not_a_reason

    if one.kind == "rework" and add.unit.going is not None:
        raise CommandError(
            f"an attempt on {add.unit.named} is going on ({add.unit.going[:8]}): it would not hear of it",
            "Let it end first.",
        )
    why = (why if why is not None else answered(f"Why does '{one.text}' not hold?", "--why")).strip()
    if unfit := not_a_reason(why):
        raise CommandError(unfit, "--why is what somebody reads a month later.")
    write(add.logbook, [withdrawal_statement(add.entered, one.kind, one.id, why)])
    if as_json:
        print_json(one.as_json() | {"withdrawn": {"who": add.entered.who, "why": why}})
        return
    say(f"{one.kind} of {add.unit.named} withdrawn, and kept struck out: {one.text}")
    if one.kind == "rework":
        say("No check is due again because of it.")


def _list(add: Adding, entered: list[Struck], *, as_json: bool) -> None:
    from bringup.commands.history_beside import struck
    from bringup.commands.tables import local_time
    from bringup.core.wording import folded
    from bringup.logbook.filters import ID_SHOWN

    if as_json:
        print_json([each.as_json() for each in entered])
    elif not entered:
        say(f"No rework, observation or note was entered on {add.unit.named}.")
    for each in () if as_json else entered:
        who = f", {each.who}" if each.who else ""
        line = f"{each.id[:ID_SHOWN]}  {each.kind}, {local_time(each.at)}{who}: {struck(each.text, each.withdrawn)}"
        say(folded(line, columns()))
