"""What a simulated bench measures: a board file, the faults planted in it, and what the board says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from bringup.core.faults import Fault
from bringup.core.frozen import frozen
from bringup.core.quantity import Quantity
from bringup.core.talk import Talk


@frozen
class Simulate:
    """A simulated bench: the board file it measures, and the faults planted in it."""

    board_path: str
    faults: tuple[Fault, ...] = ()
    state: str | None = None
    lead_resistance: Quantity | None = None
    """Both supply leads together; default 0.1 ohm."""
    board_name: str = ""
    """Name of the board in that file."""
    variant: str = ""
    """Assembly variant of the unit that is measured; '': every rail is there."""
    talks: Mapping[str, Talk] = field(default_factory=dict)
    """Serial line -> what the simulated board says there."""
