"""`bringup run --continue`: finds the unit's last attempt and says whether, and if not why not, to go on with it."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

from bringup.errors import CommandError

if TYPE_CHECKING:
    from bringup.commands.run import Wanted
    from bringup.core.procedure import Procedure
    from bringup.logbook.opening import OpenLogbook
    from bringup.runner.earlier import Earlier
    from bringup.runner.protocols import Told
    from bringup.runner.records import SourceText

ANEW = "Run it without --continue to begin anew. Nothing was powered."


def command_to_go_on(wanted: Wanted) -> str:
    """Return the command that goes on with an attempt that was begun as wanted, quoted for the shell."""
    words = ["bringup", "run", str(wanted.procedure), "--serial", wanted.serial, "--bench", str(wanted.bench)]
    words += ["--logbook", str(wanted.logbook)]
    given = (("--lot", wanted.lot), ("--variant", wanted.variant), ("--fixture", wanted.fixture))
    words += [each for option, value in given if value for each in (option, value)]
    return shlex.join([*words, "--continue"])


def find_earlier(logbook: OpenLogbook, serial: str, *, simulated: bool) -> Earlier | None:
    """Return the unit's last attempt; real and simulated units are two. Raises LogbookError."""
    from bringup.logbook.earlier import last_attempt

    return last_attempt(logbook, serial, simulated=simulated)


def to_go_on_with(
    earlier: Earlier | None, serial: str, procedure: Procedure, variant: str, sources: tuple[SourceText, ...]
) -> Earlier:
    """Return the attempt to go on with. Raises CommandError, with every difference, where that may not be."""
    from bringup.runner.earlier import differences

    if earlier is None:
        none = f"{serial} has no attempt in this logbook that could be continued"
        raise CommandError(f"{none} (one that was called off with nothing done in it does not count)", ANEW)
    why = list(differences(earlier, procedure, variant, sources))
    if why:
        raise CommandError(f"{earlier.named} of {serial} cannot be continued: {'; '.join(why)}", ANEW)
    return earlier


def hint(earlier: Earlier | None, procedure: Procedure, variant: str, sources: tuple[SourceText, ...]) -> str:
    """Return one line that says that the last attempt could be continued; '' if it could not."""
    from bringup.runner.earlier import differences

    if earlier is None or list(differences(earlier, procedure, variant, sources)):
        return ""
    return f"{earlier.named} could be continued: call this one off with `q`, then run it with --continue"


def what_came_before(
    wanted: Wanted, procedure: Procedure, kept: tuple[OpenLogbook, bool], texts: tuple[SourceText, ...]
) -> tuple[Earlier | None, tuple[Told, ...]]:
    """Return the attempt to go on with, and a hint where one could be gone on with but is not to be.

    `kept`: the logbook, and whether the bench is a simulated one.
    """
    from bringup.logbook.past import held
    from bringup.runner.protocols import Told

    logbook, simulated = kept
    earlier = find_earlier(logbook, wanted.serial, simulated=simulated)
    words = held(logbook.connection, wanted.serial, simulated=simulated)
    is_held = (Told("event", f"{wanted.serial} is {words}"),) if words else ()
    if wanted.going_on:
        return to_go_on_with(earlier, wanted.serial, procedure, wanted.variant, texts), is_held
    text = hint(earlier, procedure, wanted.variant, texts)
    return None, (*is_held, *((Told("event", text),) if text else ()))
