"""How one style of simulated electronic load is spoken to: a table of what it understands, in style.py's notation.

What it does when told is an action of StyledLoad, with the mode that it is about behind it.
"""

from __future__ import annotations

from collections.abc import Mapping

from bringup.core.frozen import frozen
from bringup.simulation.style import Asked, Complains, Told


@frozen
class LoadRating:
    """What one channel can take."""

    volts: float
    amps: float
    watts: float
    ohms: float = 7500.0
    """The largest resistance that it can be."""


@frozen
class LoadStyle:
    """One style."""

    name: str
    """That of the dialect that is meant to speak to it."""
    model: str
    channels: Mapping[int, LoadRating]
    tells: tuple[Told, ...]
    asks: tuple[Asked, ...]
    selects: bool = False
    """Whether what is told goes to the channel selected before."""
    mode_switches_off: bool = False
    """Another mode switches the input off."""
    range_rescales: bool = False
    """Another range rescales the level of its mode."""
    re_energises: bool = False
    """Clearing a trip brings the input back on."""
    complains: Complains = Complains.QUEUE
    acknowledge: str = ""
    step: float = 1e-4
    """Volts, amps and watts of its last digit."""
