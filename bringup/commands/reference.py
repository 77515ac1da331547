"""`bringup reference [SN|ATTEMPT]`: marks what others are compared with, withdraws the mark, lists what is marked."""

from __future__ import annotations

import click

from bringup.commands.adding import adding, answered
from bringup.commands.asking import simulated_asked
from bringup.commands.common import asked_logbook_option, file_of, json_option, print_json
from bringup.commands.saying import say
from bringup.commands.tables import SIMULATED
from bringup.errors import CommandError
from bringup.logbook.reading import read
from bringup.logbook.references import Mark, check_reference, named, standing_marks
from bringup.logbook.server_address import AnyLogbook


@click.command("reference")
@click.argument("what", metavar="[SN|ATTEMPT]", required=False)
@click.option("--why", metavar="TEXT", help="Why it is the one to be compared with; with --withdraw, why no more.")
@click.option("--withdraw", is_flag=True, help="It is no reference any more.")
@click.option("--real", "simulated", flag_value="real", help="The real unit of that number.")
@click.option("--simulated", "simulated", flag_value="simulated", help="The simulated one.")
@click.option("--by", metavar="NAME", default=None, help="Who; the login name if not given.")
@asked_logbook_option
@json_option
def command(
    what: str | None,
    why: str | None,
    withdraw: bool,
    simulated: str | None,
    by: str | None,
    logbook: AnyLogbook,
    as_json: bool,
) -> None:
    """Mark a unit, or one attempt that passed, as the reference of its design; without an argument, list them.

    Of a unit the attempt counts that it last passed with. While an attempt goes on, each reading's difference to the
    reference (same board, revision, variant and procedure; the one marked last) stands below it, and `bringup compare
    SN reference` has all of them. Where no reference has that procedure, one with another counts, for the same points
    in the same board state. A mark is kept for good, with who, when and why; --withdraw ends it.
    """
    if what is None:
        if why or withdraw or by:
            raise CommandError("which one? no unit and no attempt was named", "bringup reference SN|ATTEMPT --why TEXT")
        _list(logbook, simulated_asked(simulated), as_json=as_json)
        return
    from bringup.logbook.additions import of_unit, write
    from bringup.logbook.deviation_statements import reference_statement
    from bringup.runner.reasons import not_a_reason

    serial, about, of_attempt = read(logbook, lambda connection: named(connection, what))
    kind = simulated if of_attempt is None else "simulated" if of_attempt else "real"
    why = (why if why is not None else answered("Why", "--why")).strip()
    if unfit := not_a_reason(why):
        raise CommandError(unfit, "--why is what somebody reads a month later.")
    with adding(file_of(logbook), serial, by, None, kind) as add:
        connection = add.logbook.connection
        marked = [each for each in standing_marks(connection) if _is(each, add.unit.serial, about, add.unit.simulated)]
        if withdraw and not marked:
            raise CommandError(f"{what} is not marked as reference", "`bringup reference` lists what is.")
        if not withdraw:
            check_reference(connection, add.unit.serial, about, simulated=add.unit.simulated)
        write(add.logbook, [reference_statement(add.entered, why, about, withdrawn=withdraw)])
        kept = of_unit(add.logbook, add.unit).references[-1]
        if as_json:
            print_json(kept.as_json())
        else:
            say(f"{add.unit.named}: {kept.said}, by {kept.origin.who}: {why}")


def _is(mark: Mark, serial: str, about: str | None, simulated: bool) -> bool:
    return (mark.serial, mark.about, mark.simulated) == (serial, about, simulated)


def _list(logbook: AnyLogbook, simulated: bool | None, *, as_json: bool) -> None:
    marks = read(logbook, standing_marks)
    marks = [each for each in marks if simulated is None or each.simulated == simulated]
    if as_json:
        print_json([each.as_json() for each in marks])
    elif not marks:
        say("Nothing is marked as reference.")
    else:
        for each in marks:
            say(f"{each.name}{f'  {SIMULATED}' if each.simulated else ''}: {each.said}")
