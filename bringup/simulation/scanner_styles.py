"""The styles of simulated scanners: what each understands and how it answers, from command lists, in style.py's way.

Actions of a StyledScanner: `close` (the others stay), `close alone` (every other one opens), `open`, `open all`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bringup.core.frozen import frozen
from bringup.simulation.style import Asked, Complains, Told


@frozen
class ScannerStyle:
    """One style."""

    name: str
    """That of the dialect that is meant to speak to it."""
    model: str
    tells: tuple[Told, ...]
    asks: tuple[Asked, ...]
    seconds: float = 0.012
    """What a relay takes to move and come to rest."""
    waits: bool = False
    """It answers nothing while a relay moves; else it goes on at once, and says when it is at rest."""
    complains: Complains = Complains.QUEUE
    acknowledge: str = ""


ERROR = Asked("SYSTem:ERRor?", "error", '{0[0]:+d},"{0[1]}"')

STATE_BY_CHANNEL = ScannerStyle(
    "state-by-channel",
    "SCANNER-10",
    (Told("ROUTe:CLOSe {list}", "close"), Told("ROUTe:OPEN {list}", "open")),
    (ERROR, Asked("ROUTe:CLOSe? {list}", "states"), Asked("ROUTe:DONE?", "rest")),
)
OPENS_ALL = replace(
    STATE_BY_CHANNEL, model="SCANNER-11", tells=(*STATE_BY_CHANNEL.tells, Told("ROUTe:OPEN:ALL", "open all"))
)
LIST_OF_CLOSED = ScannerStyle(
    "list-of-closed",
    "SCANNER-20",
    (Told("ROUTe:CLOSe {list}", "close alone"), Told("ROUTe:OPEN:ALL", "open all")),
    (ERROR, Asked("ROUTe:CLOSe?", "list"), Asked("*OPC?", "rest")),
    waits=True,
)

SCANNER_STYLES: Mapping[str, ScannerStyle] = {style.name: style for style in (STATE_BY_CHANNEL, LIST_OF_CLOSED)}
"""Dialect -> the style that a simulated bench takes for it."""
