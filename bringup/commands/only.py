"""`bringup run --only`: which rails an attempt is confined to, by name or by what failed in the unit's last one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bringup.core.only import Only, confined, read_points
from bringup.core.wording import listed
from bringup.errors import CommandError
from bringup.files.wording import nearest

if TYPE_CHECKING:
    from bringup.core.procedure import Procedure
    from bringup.logbook.opening import OpenLogbook

FAILED = "failed"


def check_only(text: str, procedure: Procedure) -> None:
    """Refuse names that the board does not have or the procedure does not read. Raises CommandError."""
    if not text or text.strip() == FAILED:
        return
    names = _names(text)
    known = [point.name for point in procedure.board.points()]
    if not names:
        raise CommandError("--only names no rail", f"Such as --only {known[-1]}, or --only failed.")
    for name in names:
        if name not in known:
            raise CommandError(f"--only: the board has no input or rail called '{name}'", nearest(name, known))
    if unread := [name for name in names if name not in read_points(procedure)]:
        raise CommandError(
            f"--only: no step of {procedure.name} reads {listed(unread)} under power",
            f"It reads {listed(sorted(read_points(procedure), key=known.index))}.",
        )


def only_of(
    text: str, procedure: Procedure, kept: tuple[OpenLogbook, bool], serial: str
) -> tuple[Procedure, Only | None]:
    """Return the procedure as it is to be done, and what it is confined to; None: to nothing.

    `kept`: the logbook, and whether the bench is a simulated one. Raises CommandError where nothing had failed.
    """
    if not text:
        return procedure, None
    names = _failed(procedure, kept, serial) if text.strip() == FAILED else _names(text)
    return confined(procedure, names)


def _names(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for each in text.split(",") if (name := each.strip())))


def _failed(procedure: Procedure, kept: tuple[OpenLogbook, bool], serial: str) -> tuple[str, ...]:
    from bringup.logbook.earlier import failed_points, last_attempt

    logbook, simulated = kept
    earlier = last_attempt(logbook, serial, simulated=simulated)
    if earlier is None:
        raise CommandError(f"--only failed: {serial} has no attempt in this logbook", "Nothing was powered.")
    reads = read_points(procedure)
    failed = failed_points(logbook, earlier.id)
    names = tuple(name for name in failed if name in reads)
    if names:
        return names
    if failed:
        raise CommandError(
            f"--only failed: in {earlier.named} {listed(failed)} failed, which no step of {procedure.name} reads "
            "under power",
            "Run it without --only. Nothing was powered.",
        )
    raise CommandError(
        f"--only failed: no reading failed in {earlier.named}", "Run it without --only. Nothing was powered."
    )
