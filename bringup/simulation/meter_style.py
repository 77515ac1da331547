"""How one style of simulated meter is spoken to and answers: a table of what it understands, in style.py's notation.

What it measures is named by `Measures`; what it does when told is an action of StyledMeter, with that name behind it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum

from bringup.core.frozen import frozen
from bringup.simulation.style import Asked, Complains, Told


class Measures(StrEnum):
    """What a meter can be set to."""

    DCV = "DCV"
    ACV = "ACV"
    DCI = "DCI"
    ACI = "ACI"
    OHM = "OHM"
    OHM4 = "OHM4"
    CAP = "CAP"
    DIODE = "DIODE"
    FREQ = "FREQ"
    TEMP = "TEMP"


UNITS: Mapping[Measures, str] = {
    Measures.DCV: "VDC",
    Measures.ACV: "VAC",
    Measures.DCI: "ADC",
    Measures.ACI: "AAC",
    Measures.OHM: "OHM",
    Measures.OHM4: "OHM",
    Measures.CAP: "F",
    Measures.DIODE: "V",
    Measures.FREQ: "Hz",
    Measures.TEMP: "C",
}
"""As this meter writes them behind a number."""


@frozen
class MeterStyle:
    """One style. `form` writes a number, given what is measured and whether plain numbers were asked for."""

    name: str
    """That of the dialect that is meant to speak to it."""
    model: str
    tells: tuple[Told, ...]
    asks: tuple[Asked, ...]
    form: Callable[[float, Measures, bool], str]
    over: tuple[str, str] = ("+9.90000000E+37", "+9.90000000E+37")
    """What it writes beyond its range, for positive and for negative values."""
    scales: Mapping[Measures, tuple[float, ...]] | None = None
    """The ranges that it has; the others' are automatic."""
    seconds: float = 0.04
    """What a reading takes, where that is not set."""
    speeds: Mapping[str, float] | None = None
    free_running: bool = False
    """Measures all the time, and answers what it last had."""
    starts_continuous: bool = False
    """Measures by itself when switched on, and refuses to be asked for a reading meanwhile."""
    starts_high: bool = False
    """Somebody has left it with the high input impedance."""
    complains: Complains = Complains.QUEUE
    acknowledge: str = ""
