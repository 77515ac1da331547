"""Opens the relays of a scanner on a session of its own, once the outputs were seen to, where no attempt does it.

Called by the guardian after a kill: relays that stay closed keep the meter on a point of the board, on which the next
pair of hands, or the next relay, is put.
"""

from __future__ import annotations

import time

from bringup.commands.session_alone import session_alone
from bringup.core.bench import Identity, MeterRole, ScannerRole
from bringup.core.dialect import Dialect
from bringup.core.frozen import frozen
from bringup.errors import BringupError
from bringup.instruments.opening import result
from bringup.runner.scpi_scanner import ScpiScanner

TRY_FOR = 5.0
"""Seconds for which it is tried; the first answer of a try may take PATIENCE, all moves together their own bound."""
PAUSE = 0.25
PATIENCE = 3.0
UNKNOWN = "the relays of the scanner are in an UNKNOWN state"


@frozen
class ScannerReached:
    """A scanner, and the instrument that is spoken to: itself, or the meter that it is a card of."""

    scanner: ScannerRole
    moves: Dialect
    """How it is told to move relays."""
    role: ScannerRole | MeterRole
    dialect: Dialect
    resource: str
    backend: str = "@py"
    known: Identity | None = None
    """Who answered there before; nobody else's relays are moved."""


def relays_open(reached: ScannerReached) -> str:
    """Open every relay and ask. Returns in words what came of it. Never raises."""
    until = time.monotonic() + TRY_FOR
    while True:
        why = _once(reached)
        if not why:
            return "every relay of the scanner is open"
        if time.monotonic() >= until:
            return f"{UNKNOWN}: {why}"
        time.sleep(PAUSE)


def _once(reached: ScannerReached) -> str:
    name = "meter" if reached.scanner.in_meter else "scanner"
    try:
        with session_alone(name, reached, PATIENCE) as link:
            routed = result(ScpiScanner(reached.scanner, reached.moves, link, resource=reached.resource).open_all())
    except BringupError as error:
        return error.message
    except Exception as error:  # noqa: BLE001 - whatever it is, it is told; the outputs were seen to
        return f"{type(error).__name__}: {error}"
    return routed.why
