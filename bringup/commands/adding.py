"""What the commands share that add something to a unit's history: which unit, who adds it, what is said of it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bringup.commands.saying import say
from bringup.core.frozen import frozen
from bringup.errors import CommandError

if TYPE_CHECKING:
    from bringup.core.board import Board
    from bringup.logbook.additions import KnownUnit
    from bringup.logbook.deviation_statements import Entered
    from bringup.logbook.opening import OpenLogbook

F = TypeVar("F", bound=Callable[..., Any])


def adding_options(function: F) -> F:
    """Add `--by --board --real/--simulated`; passed as `by`, `board`, `simulated`."""
    for option in (
        click.option("--real", "simulated", flag_value="real", help="The real unit of that number."),
        click.option("--simulated", "simulated", flag_value="simulated", help="The simulated one."),
        click.option(
            "--board",
            metavar="FILE",
            default=None,
            type=click.Path(dir_okay=False, path_type=Path),
            help="Board file of a unit that was never run; also where the logbook does not know its nets.",
        ),
        click.option("--by", metavar="NAME", default=None, help="Who; the login name if not given."),
    ):
        function = option(function)
    return function


@frozen
class Adding:
    """A logbook open to add something about one unit."""

    logbook: OpenLogbook
    unit: KnownUnit
    entered: Entered
    board: Board | None
    """As `--board` names it."""


@contextmanager
def adding(logbook: Path, serial: str, by: str | None, board: Path | None, simulated: str | None) -> Iterator[Adding]:
    """Open the logbook and find the unit. Raises BringupError for whatever is wrong with either."""
    from bringup.commands.asking import simulated_asked
    from bringup.commands.at_terminal import login_name
    from bringup.commands.logbook_words import found_at_opening
    from bringup.host.folder import lasting_folder
    from bringup.logbook.additions import find_unit, opened
    from bringup.logbook.deviation_statements import Entered

    who = login_name() if by is None else by.strip()
    if not who:
        raise CommandError("--by names nobody", "Give a name, or leave --by out for the login name.")
    design = None
    if board is not None:
        from bringup.files.board_file import load_board

        design = load_board(board)
    with opened(logbook, lasting_folder(), new=design is not None) as open_logbook:
        for told in found_at_opening(open_logbook):
            say(told.text, err=True)
        unit = find_unit(open_logbook, serial, simulated_asked(simulated), design)
        yield Adding(open_logbook, unit, Entered(unit.serial, unit.simulated, datetime.now(UTC), who), design)


def text_of(words: tuple[str, ...], asked: str, what: str) -> str:
    """Return what was given as arguments; at a terminal it is asked for where there is none. Raises CommandError."""
    text = " ".join(words).strip()
    if not text and can_ask():
        text = answered(asked)
    if not text:
        raise CommandError(f"no {what} was given", f"Write it behind the serial number, in quotes. ({asked})")
    return text


def can_ask() -> bool:
    """Whether somebody is there to be asked: standard input is a terminal, and the questions are seen."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def answered(question: str, option: str = "") -> str:
    """Ask at the terminal, on standard error. `option`: what gives the answer elsewhere; '' where none need be given.

    Raises CommandError where nobody can be asked.
    """
    from bringup.core.harmless import harmless

    if not can_ask():
        if not option:
            return ""
        raise CommandError(f"{option} is missing", "Without a terminal everything is given with the command.")
    return str(click.prompt(harmless(question), default="", show_default=False, err=True)).strip()
