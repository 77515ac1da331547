"""`bringup note SN TEXT`: a text into a unit's history."""

from __future__ import annotations

from pathlib import Path

import click

from bringup.commands.adding import adding, adding_options, text_of
from bringup.commands.common import json_option, logbook_option, print_json
from bringup.commands.saying import say


@click.command("note")
@click.argument("serial", metavar="SN")
@click.argument("text", metavar="TEXT", nargs=-1)
@logbook_option
@adding_options
@json_option
def command(
    serial: str,
    text: tuple[str, ...],
    logbook: Path,
    by: str | None,
    board: Path | None,
    simulated: str | None,
    as_json: bool,
) -> None:
    """Put TEXT into the history of unit SN. Nothing follows from it: what was changed on a unit is a `rework`."""
    from bringup.logbook.additions import write
    from bringup.logbook.statements import note_statement
    from bringup.logbook.values import time_text

    content = text_of(text, "Note", "text")
    with adding(logbook, serial, by, board, simulated) as add:
        entered = add.entered
        unit = (entered.serial, entered.simulated, None)
        made = note_statement(unit, None, entered.at, entered.who, content)
        write(add.logbook, [made])
        if as_json:
            told = {"id": made[1][0], "serial": entered.serial, "simulated": entered.simulated, "text": content}
            print_json(told | {"at": time_text(entered.at), "who": entered.who})
        else:
            say(f"noted on {add.unit.named}")
