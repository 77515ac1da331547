"""What the simulated instruments need of the simulated world: a board, a supply's power stage, leads, a probe.

The instruments (their command sets, ranges, noise) are in supply.py and meter.py; the world is in world.py. All
times are simulated seconds that never run backwards; every call first moves the world to `now`.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Protocol

from bringup.core.faults import Fault
from bringup.simulation.sinks import Loads


class LeadsAt(StrEnum):
    """Where the supply's leads are."""

    BOARD = "BOARD"
    """Plugged into the board's input."""
    FREE = "FREE"
    """Hanging free, the meter's probes on them."""
    OFF = "OFF"
    """Off the board, touching nothing."""


class OutputMode(StrEnum):
    """What the power stage of an output does."""

    OFF = "off"
    VOLTAGE = "voltage"
    CURRENT = "current"
    UNREGULATED = "unregulated"


class World(Protocol):
    """One simulated bench in time: one unit of a board, one supply with outputs, one meter probe.

    Outputs are numbered from 1; `inputs` says which board input each one feeds.
    """

    def unit(self, serial: str) -> None:
        """Put another unit on the bench: component values follow from (serial, part). Outputs must be off."""

    def state(self, name: str) -> None:
        """Put the board into a board state: its loads change."""

    def plant(self, fault: Fault) -> None:
        """Add a fault."""

    def leads(self, where: LeadsAt, now: float) -> None:
        """Move the supply's leads."""

    def probe(self, point: str | None, now: float) -> None:
        """Put the probe on a point of the board (rail or input name), None: touching nothing.

        With leads FREE, an input's name means the free ends of its leads.
        """

    def across(self, red: str | None, black: str | None, now: float) -> None:
        """Put the meter's leads on two points of the board, None for ground; both None: their tips together."""

    def hand(self, point: str | None, now: float) -> None:
        """Have a hand take the probe there, as hands do: in its own time, through the air."""

    # the supply's power stage, per output

    def set_voltage(self, output: int, volts: float, now: float) -> None:
        """Set the level the output regulates to."""

    def set_current_limit(self, output: int, amps: float, now: float) -> None:
        """Set the cross-over current."""

    def set_over_voltage(self, output: int, volts: float | None, now: float) -> None:
        """Set the crowbar level; None: protection off."""

    def set_over_current(self, output: int, amps: float | None, delay: float, now: float) -> None:
        """Set the trip current and the time it must last; None: protection off."""

    def set_watchdog(self, output: int, until: float, now: float) -> None:
        """Have the output switch itself off (a trip) at `until` if it is on; math.inf: never."""

    def set_remote_sense(self, output: int, remote: bool, now: float) -> None:
        """Sense at the board instead of the terminals."""

    def switch(self, output: int, on: bool, now: float) -> None:
        """Switch the output."""

    def clear_trip(self, output: int, now: float) -> None:
        """Clear a trip. The output stays off."""

    def is_on(self, output: int, now: float) -> bool:
        """Whether the output is on (a trip switches it off)."""

    def tripped(self, output: int, now: float) -> str | None:
        """'over-voltage', 'over-current', 'watchdog' or None."""

    def mode(self, output: int, now: float) -> OutputMode:
        """What the power stage does at this moment."""

    def terminal_volts(self, output: int, now: float) -> float:
        """Volts between the terminals (true value)."""

    def terminal_amps(self, output: int, now: float) -> float:
        """Amps out of the terminals (true value)."""

    # the electronic load

    @property
    def loads(self) -> Loads:
        """What the channels of the load draw, and from where."""

    # what the probe touches

    def probe_volts(self, now: float, aperture: float, input_resistance: float) -> float:
        """True mean voltage over the `aperture` seconds before `now`, loaded by the meter's input resistance."""

    def probe_noise(self, now: float) -> float:
        """RMS volts of ripple and noise at the probe beyond the meter's own (a missing capacitor shows here)."""

    def probe_ohms(self, now: float, test_current: float, open_circuit_volts: float) -> float:
        """Resistance as an ohmmeter sees it at this moment: volts it reads over the current it sources.

        The meter's test current charges the point's capacitance from the moment the probe touched it in ohms
        mode, so the value climbs; residual charge and feeding falsify it. math.inf where over range.
        """

    def point_volts(self, point: str, now: float) -> float:
        """True voltage of a point (for tests and for whoever looks at the board itself)."""

    def input_volts(self, name: str, now: float) -> float:
        """True voltage at an input of the board (for tests)."""
