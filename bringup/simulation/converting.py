"""What one converter of the simulated board is doing: waiting, starting, running, in current limit."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf


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

    def copy(self) -> Converting:
        """Return a copy (written out: it is made at every step)."""
        return Converting(
            self.running,
            self.ramp_from,
            self.limiting_since,
            self.wait_until,
            self.volts,
            self.amps,
            self.regulating,
            self.follows,
        )
