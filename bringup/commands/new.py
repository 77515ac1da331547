"""`bringup new`: from a board's inputs and rails a first board, procedure and bench file that run simulated at once."""

from __future__ import annotations

import re
import shlex
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.at_terminal import at_a_terminal
from bringup.core.frozen import frozen
from bringup.core.quantity import parse_quantity
from bringup.core.serials import pattern_like
from bringup.errors import CommandError, ExitCode, NotationError
from bringup.files.rail_list import Net, read_rail_list

if TYPE_CHECKING:
    from bringup.files.first_files import FirstFiles

SUCH_AS = (
    "Give them as a CSV file, as a spreadsheet saves it:\n"
    "    rail,volts,tolerance,probe point,from\n"
    "    VIN,12,9 V .. 15 V,J1.1,\n"
    "    3V3,3.3,2 %,TP1,VIN"
)


@frozen
class Wanted:
    """What the command line says of a new board; '' or None where it says nothing."""

    board: str
    revision: str
    serial: str
    pattern: str
    rails: Path | None
    limit: str
    into: Path
    force: bool


@frozen
class Stated:
    """What is known once everything was asked. `example`: a serial number, '' where only a pattern is known."""

    board: str
    revision: str
    pattern: str
    example: str
    nets: tuple[Net, ...]
    limit: str


@click.command("new")
@click.option("--board", metavar="NAME", default="", help="Name of the board.")
@click.option("--revision", metavar="REV", default="", help="Its revision.")
@click.option(
    "--serial", metavar="SN", default="", help="A serial number as on the label, such as LMP-001: its digits count."
)
@click.option("--pattern", metavar="PATTERN", default="", help="Pattern of serial numbers, instead of --serial.")
@click.option(
    "--rails",
    metavar="CSV",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Inputs and rails, one row each: rail, volts, tolerance, probe point, from (empty: an input); and, if known, "
    "load, damage above, ground, converter.",
)
@click.option("--current-limit", metavar="AMPERES", default="", help="At first power, of each input, such as 100 mA.")
@click.option(
    "--into",
    metavar="FOLDER",
    default=".",
    show_default=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the three files.",
)
@click.option("--force", is_flag=True, help="Replace files that are there already.")
def command(
    board: str,
    revision: str,
    serial: str,
    pattern: str,
    rails: Path | None,
    current_limit: str,
    into: Path,
    force: bool,
) -> ExitCode:
    """Write a first board, procedure and bench file for a board of your own.

    They check, and run on a simulated bench, at once. At a terminal whatever is not given is asked; without one,
    --board and --rails are needed.
    """
    return new(Wanted(board.strip(), revision.strip(), serial.strip(), pattern, rails, current_limit, into, force))


def new(wanted: Wanted) -> ExitCode:
    """Ask for what is missing, put the three files together, check them, and write them. Raises BringupError."""
    check_options(wanted)
    nets = () if wanted.rails is None else read_rail_list(wanted.rails)
    from bringup.commands.first_files import DoesNotFit, make, refuse_faulty, texts_of, write

    def fitting(stated: Stated) -> FirstFiles:
        files = make(stated, slug(stated.board), datetime.now(UTC).astimezone().date())
        refuse_faulty(texts_of(files, wanted.into))
        return files

    if at_a_terminal():
        from bringup.commands.new_asking import Asking

        asking = Asking(wanted, nets)
        stated = asking.all()
        while True:
            try:
                files = fitting(stated)
                break
            except DoesNotFit as error:
                if nets:
                    raise  # the list is put right in its own file
                stated = asking.again(stated, str(error), error.nets)
    else:
        stated = _without_asking(wanted, nets)
        files = fitting(stated)
    return write(files, wanted, command_to_try(files.procedure_file, files.bench_file, stated.example, wanted.into))


def check_options(wanted: Wanted) -> None:
    """Refuse options that do not go together or cannot be read. Raises CommandError."""
    if wanted.serial and wanted.pattern:
        raise CommandError("--serial and --pattern both say what serial numbers look like", "Give one of them.")
    if not wanted.into.is_dir():
        raise CommandError(f"there is no folder {wanted.into}", "Make it first, or name another with --into.")
    if wanted.pattern:
        try:
            re.compile(wanted.pattern)
        except re.error as error:
            raise CommandError(f"--pattern {wanted.pattern!r}: {error}", "Such as 'LMP-[0-9]{3}'.") from error
    if wanted.serial:
        pattern_like(wanted.serial)
    if wanted.limit:
        check_limit(wanted.limit)


def check_limit(text: str) -> None:
    """Refuse a current limit that is none. Raises CommandError."""
    try:
        if parse_quantity(text, "A").value > 0:
            return
    except NotationError as error:
        raise CommandError(f"the current limit {text!r}: {error.message}", error.what_to_do) from error
    raise CommandError(f"the current limit {text!r} is not above zero", "Such as 100 mA.")


def _without_asking(wanted: Wanted, nets: tuple[Net, ...]) -> Stated:
    """Return what the options state. Raises CommandError, with what is missing."""
    missing = [name for name, given in (("--board NAME", wanted.board), ("--rails CSV", wanted.rails)) if not given]
    if missing:
        raise CommandError(f"there is nobody to ask, and {' and '.join(missing)} is not given", SUCH_AS)
    pattern = wanted.pattern or (pattern_like(wanted.serial) if wanted.serial else "")
    return Stated(wanted.board, wanted.revision, pattern, wanted.serial, nets, wanted.limit)


def slug(name: str) -> str:
    """Return a board's name as the beginning of file names: 'Buoy lamp' -> 'buoy-lamp'."""
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:40].strip("-") or "board"


def command_to_try(procedure: str, bench: str, example: str, into: Path) -> str:
    """Return the command that runs the new procedure on the simulated bench."""
    words = ["bringup", "run", str(into / procedure), "--serial", example or "SN", "--bench", str(into / bench)]
    return shlex.join(words)
