"""Starts the guardian of an attempt, and has it stand down once the links are closed."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bringup.commands.guardian_spec import GuardianSpec
from bringup.commands.load_off import LoadReached
from bringup.commands.own_python import own_command
from bringup.commands.reaching import dialect_of, guarded_role, lock_name
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
    """Start the guardian of a bench whose supply answers to us, or else its load: nothing else could be switched off.

    `logbook` None: what is done is no attempt on a unit, and nothing of it is kept.
    `to_go_on`: the command that goes on with the attempt, for what the guardian says when the tool is gone.

    It loads what it needs while the attempt goes on; the runner waits for it before the first output goes on.
    """
    name = guarded_role(opened.bench)
    if name is None:
        return Unguarded()
    role = opened.bench.supply if name == "supply" else opened.bench.load
    assert role is not None
    terminal, modes = terminal_of_ours()
    spec = GuardianSpec(
        role=role,
        dialect=opened.dialects[name],
        resource=opened.resources[name],
        backend=opened.bench.backend,
        lock=lock_name(opened.bench, name),
        known=opened.links[name].identity,
        bench=opened.bench.name,
        serial=serial,
        logbook="" if logbook is None else str(logbook.absolute()),
        tool=os.getpid(),
        load=_load_of(opened) if name == "supply" else None,
        scanner=_scanner_of(opened),
        own_child=role.resource is None,
        terminal=terminal,
        terminal_modes=modes,
        to_go_on=to_go_on,
    )
    process = GuardianProcess(command(serial), spec.as_line(), wake, reaches_load=spec.load is not None)

    def stand_down() -> None:
        if process.close(look_again=opened.links[name].left_behind):
            say(
                f"The guardian (process {process.pid}) goes on trying to switch off and says here what came of it.",
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


def terminal_of_ours() -> tuple[str, list[Any]]:
    """Return the terminal's path and how it is set; empty where there is none, or none that has a path."""
    if sys.platform == "win32":
        return "", []
    import termios

    for descriptor in (2, 1, 0):
        if os.isatty(descriptor):
            return os.ttyname(descriptor), termios.tcgetattr(descriptor)
    return "", []
