"""`bringup disposition SN KIND`: what a person decides about a unit, or about a failed reading of it, and why."""

from __future__ import annotations

from pathlib import Path

import click

from bringup.commands.adding import Adding, adding, adding_options, answered
from bringup.commands.common import json_option, logbook_option, print_json
from bringup.commands.saying import say
from bringup.core.deviations import Decision
from bringup.errors import CommandError

WHICH = "Name it: --reading ID (`bringup readings --json` has the ids), or --rail NAME for what failed there last."


@click.command("disposition")
@click.argument("serial", metavar="SN")
@click.argument("kind", metavar="KIND", type=click.Choice([each.value for each in Decision]))
@click.option("--why", metavar="TEXT", help="Why it was decided so.")
@click.option("--reading", "readings", metavar="ID", multiple=True, help="Waiver: the failed reading that it is about.")
@click.option("--rail", metavar="NAME", help="Waiver: what failed at that rail in the last attempt that read it.")
@click.option(
    "--limits", metavar="LIMITS", help="Waiver: also of later failures of the same that lie within: '3.1 V .. 3.5 V'."
)
@logbook_option
@adding_options
@json_option
def command(
    serial: str,
    kind: str,
    why: str | None,
    readings: tuple[str, ...],
    rail: str | None,
    limits: str | None,
    logbook: Path,
    by: str | None,
    board: Path | None,
    simulated: str | None,
    as_json: bool,
) -> None:
    """Record a decision about unit SN: waiver (of failed readings), quarantine, scrap or released.

    Nothing that was read changes: a waived failure stays a failure of its attempt, and `standing` and `history` say by
    whom it is waived. Nothing runs unattended on a unit in quarantine or scrapped.
    """
    from bringup.logbook.additions import of_unit, write
    from bringup.logbook.deviation_statements import disposition_statement
    from bringup.runner.reasons import not_a_reason

    decided = Decision(kind)
    about = (readings, rail, limits)
    if decided is not Decision.WAIVER and any(about):
        raise CommandError(f"--reading, --rail and --limits go with a waiver, not with {decided}")
    why = (why if why is not None else answered("Why", "--why")).strip()
    if unfit := not_a_reason(why):
        raise CommandError(unfit, "--why is what somebody reads a month later.")
    with adding(logbook, serial, by, board, simulated) as add:
        waived = _waived(add, readings, rail, limits) if decided is Decision.WAIVER else (None,)
        write(add.logbook, [disposition_statement(add.entered, decided, why, each, limits) for each in waived])
        kept = of_unit(add.logbook, add.unit).dispositions[-len(waived) :]
        if as_json:
            told = [each.as_json() for each in kept]
            print_json(told if decided is Decision.WAIVER else told[0])
        else:
            for each in kept:
                say(f"{add.unit.named}: {each.said}, by {each.origin.who}: {why}")


def _waived(add: Adding, readings: tuple[str, ...], rail: str | None, limits: str | None) -> tuple[str, ...]:
    """Return the ids of the failed readings that are meant. Raises CommandError for none, and for any that passed."""
    from bringup.logbook.reading_ids import by_id, check_failed, of_rail

    if not readings and rail is None:
        raise CommandError("a waiver is of a failed reading, and none was named", WHICH)
    connection = add.logbook.connection
    found = [by_id(connection, add.unit, beginning) for beginning in readings]
    if rail is not None:
        found += of_rail(connection, add.unit, rail, failed=True)
    for reading in found:
        check_failed(connection, reading, limits)
    return tuple(dict.fromkeys(found))
