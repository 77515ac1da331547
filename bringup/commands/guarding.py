"""Starts the guardian of an attempt, one for each supply, and has it stand down once the links are closed."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bringup.commands.guardian_spec import GuardianSpec
from bringup.commands.load_off import LoadReached
from bringup.commands.own_python import own_command
from bringup.commands.reaching import dialect_of, guarded_roles, lock_name, roles_of
from bringup.commands.relays_open import ScannerReached
from bringup.commands.saying import say
from bringup.host.guardian import GuardianProcess
from bringup.runner.unguarded import Unguarded

if TYPE_CHECKING:
    from bringup.commands.instruments import OpenBench
    from bringup.runner.protocols import Guard


def guarded(
    opened: OpenBench, serial: str, logbook: Path | None, wake: Callable[[], None], to_go_on: str = ""
) -> Guard:
    """Start a guardian for each supply that answers to us, or else for the load: nothing else could be switched off.

    `logbook` None: what is done is no attempt on a unit, and nothing of it is kept.
    `to_go_on`: the command that goes on with the attempt, for what the guardian says when the tool is gone.

    It loads what it needs while the attempt goes on; the runner waits for it before the first output goes on.
    """
    names = guarded_roles(opened.bench)
    if not names:
        return Unguarded()
    spec = GuardianSpec(
        **_of_the_role(opened, names[0]),
        bench=opened.bench.name,
        serial=serial,
        logbook="" if logbook is None else str(logbook.absolute()),
        tool=os.getpid(),
        load=_load_of(opened) if names[0] == "supply" else None,
        scanner=_scanner_of(opened),
        of=f" of the {names[0]}" if len(names) > 1 else "",
        guardians=len(names),
        to_go_on=to_go_on,
        **terminal_of_ours(),
    )
    first = _started(opened, names[0], spec, wake)
    if len(names) == 1:
        return first
    from bringup.commands.joined_guard import JoinedGuard

    alone = replace(spec, load=None, scanner=None, to_go_on="")
    more = [replace(alone, of=f" of the {name}", **_of_the_role(opened, name)) for name in names[1:]]
    return JoinedGuard(
        [first, *(_started(opened, name, each, wake) for name, each in zip(names[1:], more, strict=True))]
    )


def _of_the_role(opened: OpenBench, name: str) -> dict[str, Any]:
    """Return what a guardian knows of the instrument that it switches off."""
    role = roles_of(opened.bench)[name]
    return {
        "role": role,
        "dialect": opened.dialects[name],
        "resource": opened.resources[name],
        "backend": opened.bench.backend,
        "lock": lock_name(opened.bench, name),
        "known": opened.links[name].identity,
        "own_child": role.resource is None,
    }


def _started(opened: OpenBench, name: str, spec: GuardianSpec, wake: Callable[[], None]) -> GuardianProcess:
    process = GuardianProcess(command(spec.serial), spec.as_line(), wake, reaches_load=spec.load is not None)

    def stand_down() -> None:
        if process.close(look_again=opened.links[name].left_behind):
            say(
                f"The guardian{spec.of} (process {process.pid}) goes on trying to switch off and says here what came "
                "of it.",
                err=True,
            )

    opened.links_closed.callback(stand_down)
    return process


def _load_of(opened: OpenBench) -> LoadReached | None:
    """Return the load of a bench that answers to us; a simulated one ends with us."""
    role = opened.bench.load
    if role is None or role.resource is None:
        return None
    known = opened.links["load"].identity
    return LoadReached(role, opened.dialects["load"], opened.resources["load"], opened.bench.backend, known)


def _scanner_of(opened: OpenBench) -> ScannerReached | None:
    """Return the scanner of a bench that answers to us, or the meter that it is a card of; a simulated one ends too."""
    scanner = opened.bench.scanner
    if scanner is None:
        return None
    over = "meter" if scanner.in_meter else "scanner"
    role = opened.bench.meter if scanner.in_meter else scanner
    if role is None or role.resource is None:
        return None
    moves, known = dialect_of(opened.bench, "scanner"), opened.links[over].identity
    dialect, resource = opened.dialects[over], opened.resources[over]
    return ScannerReached(scanner, moves, role, dialect, resource, opened.bench.backend, known)


def command(serial: str) -> list[str]:
    """Return what starts a guardian: this Python with our own search path, whatever the current folder holds."""
    return own_command("from bringup.commands.guardian import entry; entry()", "bringup guardian", serial)


def terminal_of_ours() -> dict[str, Any]:
    """Return the terminal's path and how it is set; nothing where there is none, or none that has a path."""
    if sys.platform == "win32":
        return {}
    import termios

    for descriptor in (2, 1, 0):
        if os.isatty(descriptor):
            return {"terminal": os.ttyname(descriptor), "terminal_modes": termios.tcgetattr(descriptor)}
    return {}
