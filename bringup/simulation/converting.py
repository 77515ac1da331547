"""What one converter of the simulated board is doing: waiting, starting, running, in current limit."""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import inf
from operator import attrgetter
from typing import Any


@dataclass(slots=True)
class Converting:
    """What one converter is doing."""

    running: bool = False
    ramp_from: float = 0.0
    """When its soft start began."""
    limiting_since: float | None = None
    wait_until: float = -inf
    """It does not start before (hiccup, or just stopped)."""
    volts: float = 0.0
    """Its output ..."""
    amps: float = 0.0
    """... and output current in the last step; capacitor charging included, unless `follows`."""
    regulating: bool = True
    follows: bool = False
    """Whether its output moves with its input: its capacitor is then part of what feeds it."""

    def kept(self) -> tuple[Any, ...]:
        """Return what `Converting(*kept)` is made of again (a tuple: it is made at every step)."""
        return _values(self)


_values = attrgetter(*(field.name for field in fields(Converting)))
