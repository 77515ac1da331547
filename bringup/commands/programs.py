"""Programs of this computer that a procedure runs: found before anything is powered, and agreed to once per bench.

A procedure comes from somewhere; what it would run on this computer is shown in full and asked about, on a simulated
bench too, because the programs are real there as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import click

from bringup.commands.common import configuration_file
from bringup.commands.saying import say
from bringup.core.bench import Bench
from bringup.core.finding import Finding
from bringup.core.procedure import Procedure
from bringup.core.program import listed_arguments, programs_of
from bringup.errors import SafetyRefused

AGREED = "agreed-programs.json"
OPTION = "--agree-to-programs"


def agreed_file() -> Path:
    """Return where agreements are kept: beside the user's configuration file."""
    return configuration_file().parent / AGREED


def program_files(procedure: Procedure) -> dict[str, str]:
    """Return the file of every program that can be found, by its name in the procedure."""
    from bringup.host.programs import find_program

    folder = Path(procedure.path).parent
    found = {action.program[0]: find_program(action.program[0], folder)[0] for _, action in programs_of(procedure)}
    return {name: file for name, file in found.items() if file}


def digests_of_loaded(procedure: Procedure) -> dict[str, str]:
    """Return the SHA-256 of every file that a program loads, by its name in the procedure. Raises SafetyRefused."""
    import hashlib

    folder, found = Path(procedure.path).parent, {}
    for _, action in programs_of(procedure):
        if action.loads:
            try:
                with (folder / action.loads).open("rb") as file:
                    found[action.loads] = hashlib.file_digest(file, "sha256").hexdigest()
            except OSError as error:
                text = f"{folder / action.loads}, which a program is to load, cannot be read: {error.strerror}"
                raise SafetyRefused(text, "Make it readable. Nothing was powered.") from error
    return found


def examine_programs(procedure: Procedure) -> Iterator[Finding]:
    """Find programs, and files that they load, that are not on this computer."""
    wanted = programs_of(procedure)
    if not wanted:
        return
    from bringup.host.programs import find_program

    folder = Path(procedure.path).parent
    for index, action in wanted:
        _, why = find_program(action.program[0], folder)
        if why:
            what = "Install it, or correct its name; one beside the procedure is written ./name. No shell is used."
            yield Finding(index, why, what, refused=True)
        if action.version and not action.loads:
            yield Finding(index, "a version of nothing: `loads` names no file", "State `loads`, too.", refused=True)
        if action.loads and not (folder / action.loads).is_file():
            missing = f"no file {folder / action.loads}, which the program is to load"
            yield Finding(index, missing, "Put it there, or correct `loads`.", refused=True)


def vectors_of(procedure: Procedure, files: Mapping[str, str]) -> list[list[str]]:
    """Return the argument vectors as they will run, each program by its full path, markers as they are written."""
    return [[files[action.program[0]], *action.program[1:]] for _, action in programs_of(procedure)]


def require_agreement(
    procedure: Procedure, bench: Bench, files: Mapping[str, str], *, person: bool, option: bool
) -> None:
    """See to it that a person agrees to the programs, or did so before. Raises SafetyRefused; nothing is open yet.

    `option`: the command line agrees, which is enough for a simulated bench, and with a person at the terminal.
    """
    from bringup.host.agreed import is_agreed, remember

    vectors, path = vectors_of(procedure, files), Path(bench.path)
    simulated = not any(bench.surely_real())
    if not vectors or is_agreed(agreed_file(), path, vectors, simulated=simulated):
        return
    named = "\n".join(f"  {listed_arguments(tuple(vector))}" for vector in vectors)
    text = f"{procedure.path} runs programs on this computer that {bench.path} has not seen before:\n{named}"
    if option and (person or simulated):
        say(f"{text}\nagreed to by {OPTION}", err=True)
    elif person:
        say(text)
        if not click.confirm("Run exactly these, now and later on this bench?", default=False):
            raise SafetyRefused("the programs were not agreed to", "Nothing was opened and nothing was powered.")
    else:
        how = f"give {OPTION}" if simulated else "run it once from a terminal and agree there"
        raise SafetyRefused(text, f"Look at them and {how}. Nothing was opened and nothing was powered.")
    if person:
        # What nobody looked at holds for this attempt alone.
        remember(agreed_file(), path, vectors, simulated=simulated)


def agree_to_programs(procedure: Procedure, bench: Bench, *, unattended: bool, option: bool) -> None:
    """See to it that the programs of the procedure are agreed to, if it has any. Raises SafetyRefused."""
    if not programs_of(procedure):
        return
    from bringup.commands.at_terminal import at_a_terminal

    person = at_a_terminal() and not unattended
    require_agreement(procedure, bench, program_files(procedure), person=person, option=option)
