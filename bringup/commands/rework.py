"""`bringup rework SN`: what was changed on a unit, and which checks it makes due again."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.adding import Adding, adding, adding_options, answered, can_ask
from bringup.commands.common import json_option, logbook_option, print_json
from bringup.commands.saying import say
from bringup.errors import CommandError

if TYPE_CHECKING:
    from bringup.core.board import Board
    from bringup.core.deviations import Rework

ALL, NONE = "all", "none"
WHICH = "Say which rails it touched: --rail NAME (more than once), --all-rails, or --no-rail."


@click.command("rework")
@click.argument("serial", metavar="SN")
@click.option("--part", metavar="NAME", help="What was changed, by its reference designator: R12, or 'R12, C7'.")
@click.option("--from", "was", metavar="TEXT", help="What it was: '10 kΩ'; left out where a part was added.")
@click.option("--to", "became", metavar="TEXT", help="What it is now; left out where a part was taken off.")
@click.option("--why", metavar="TEXT", help="Why it was changed.")
@click.option("--rail", "rails", metavar="NAME", multiple=True, help="A rail that it touched; more than once.")
@click.option("--all-rails", "which", flag_value=ALL, help="It may have touched any rail.")
@click.option("--no-rail", "which", flag_value=NONE, help="It touched no rail.")
@logbook_option
@adding_options
@json_option
def command(
    serial: str,
    part: str | None,
    was: str | None,
    became: str | None,
    why: str | None,
    rails: tuple[str, ...],
    which: str | None,
    logbook: Path,
    by: str | None,
    board: Path | None,
    simulated: str | None,
    as_json: bool,
) -> None:
    """Record what was changed on unit SN: a part replaced, added, taken off, a track cut, a wire.

    From then on the resistance of the rails that it touched is due again before power: the rails on whose nets the
    board file names the part (`parts:`), and those given with --rail. No attempt from before is continued, and nothing
    runs unattended until an attended first power has passed again. What is missing is asked for at a terminal.
    """
    from bringup.core.deviations import Rework
    from bringup.logbook.additions import of_unit, write
    from bringup.logbook.deviation_statements import rework_statement
    from bringup.runner.reasons import not_a_reason

    if which is not None and rails:
        raise CommandError("--rail contradicts --all-rails and --no-rail", WHICH)
    with adding(logbook, serial, by, board, simulated) as add:
        if add.unit.going is not None:
            raise CommandError(
                f"an attempt on {add.unit.named} is going on ({add.unit.going[:8]}): it would not hear of the rework",
                "Press r in that attempt, or let it end first.",
            )
        asking = can_ask() and None in (part, why)
        part = part if part is not None else answered("Part that was changed", "--part")
        if asking and was is None and became is None:
            was, became = answered("What was it? (Enter: nothing)"), answered("What is it now? (Enter: nothing)")
        change = Rework(part.strip(), (was or "").strip(), (became or "").strip(), "", None)
        if not change.part:
            raise CommandError("no part was named", "--part names what was changed, by its reference designator.")
        if change.was == change.became:
            raise CommandError(
                f"{change.change} is no change", "Give --from, --to or both: what it was and what it is now."
            )
        why = (why if why is not None else answered("Why", "--why")).strip()
        if unfit := not_a_reason(why):
            raise CommandError(unfit, "--why is what somebody reads a month later.")
        done = Rework(change.part, change.was, change.became, why, touched(add, change.part, rails, which))
        write(add.logbook, [rework_statement(add.entered, done, follows=add.unit.last)])
        if as_json:
            print_json(of_unit(add.logbook, add.unit).reworks[-1].as_json())
        else:
            say("\n".join(_said(add, done)))


def touched(add: Adding, part: str, rails: Sequence[str], which: str | None) -> tuple[str, ...] | None:
    """Return the rails to be checked again, None for all. Raises CommandError where nobody says and none is known."""
    if which == ALL:
        return None
    board = add.board or _known_board(add)
    stated = named(board, rails)
    known, unknown = nets(board, part)
    if which == NONE:
        if known:
            raise CommandError(
                f"the board file has {part} on {', '.join(known)}", "Leave --no-rail out, or correct `parts:` there."
            )
        return ()
    if stated or (known and not unknown):
        return tuple(dict.fromkeys((*known, *stated)))
    what = f"the board file says of no rail that {', '.join(unknown or [part])} is on it"
    if board is None:
        what = f"the board of {add.unit.named} is not known here"
    if not can_ask():
        raise CommandError(what, f"{WHICH} --board FILE tells the board, `parts:` in it the nets.")
    say(f"{what}.", err=True)
    typed = answered("Rails that it touched, with commas (Enter: all of them; none)").strip()
    if not typed or typed.casefold() == ALL:
        return None
    if typed.casefold() == NONE:
        return known
    return tuple(dict.fromkeys((*known, *named(board, [each.strip() for each in typed.split(",") if each.strip()]))))


def nets(board: Board | None, part: str) -> tuple[tuple[str, ...], list[str]]:
    """Return the rails that the board file has the parts on, and the parts that it names nowhere."""
    parts = [each for each in re.split(r"[,\s]+", part) if each]
    found = {each: () if board is None else board.nets_of(each) for each in parts}
    known = tuple(dict.fromkeys(rail for rails in found.values() for rail in rails))
    return known, [each for each, rails in found.items() if not rails]


def named(board: Board | None, rails: Sequence[str]) -> tuple[str, ...]:
    """Return the rails as the board spells them. Raises CommandError for one that it does not have."""
    if not rails:
        return ()
    if board is None:
        raise CommandError(
            "the rails of this unit's board are not known here", "Name its board file with --board, or say --all-rails."
        )
    from bringup.files.wording import nearest

    known = {point.name.casefold(): point.name for point in board.points()}
    for rail in rails:
        if rail.casefold() not in known:
            raise CommandError(f"the board has no rail '{rail}': {nearest(rail, known.values())}", WHICH)
    return tuple(known[rail.casefold()] for rail in rails)


def _known_board(add: Adding) -> Board | None:
    """Return the board as the unit's last attempt used it."""
    from bringup.files.kept_board import board_kept
    from bringup.logbook.additions import board_text

    found = board_text(add.logbook, add.unit)
    return None if found is None else board_kept(*found)


def _said(add: Adding, done: Rework) -> list[str]:
    due = f"Before power: {done.again}." if done.rails != () else "No rail's resistance is due again."
    return [
        f"rework of {add.unit.named}: {done.change}",
        due,
        "Nothing runs unattended on it until an attended first power has passed again.",
    ]
