"""What can be set on an output of the simulated supplies: levels with their units, steps and largest values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from bringup.core.frozen import frozen

LONGEST_DELAY = 10.0
VOLT_STEP = 0.001
AMP_STEP = 0.0001
SECOND_STEP = 0.001
HEADROOM = 1.1
"""Protection levels reach this much above the rating."""


@frozen
class Rating:
    """What one output can deliver."""

    volts: float
    amps: float


@dataclass(slots=True)
class Output:
    """The settings of one output, which the instrument remembers whatever its power stage does."""

    rating: Rating
    levels: dict[str, float] = field(default_factory=dict)
    over_voltage_on: bool = False
    over_current_on: bool = False
    remote: bool = False
    wanted_on: bool = False
    """What it was told last; a trip does not change it."""


@frozen
class Level:
    """One setting with a number: its unit, its steps, and its largest value on an output."""

    unit: str
    step: float
    largest: Callable[[Rating], float]


LEVELS: Mapping[str, Level] = {
    "volts": Level("V", VOLT_STEP, lambda rating: rating.volts),
    "amps": Level("A", AMP_STEP, lambda rating: rating.amps),
    "over_voltage": Level("V", VOLT_STEP, lambda rating: HEADROOM * rating.volts),
    "over_current": Level("A", AMP_STEP, lambda rating: HEADROOM * rating.amps),
    "delay": Level("S", SECOND_STEP, lambda _: LONGEST_DELAY),
}


def preset(rating: Rating) -> dict[str, float]:
    """Return the levels after power-on and `*RST`."""
    levels = {name: level.largest(rating) for name, level in LEVELS.items()}
    return levels | {"volts": 0.0, "delay": 0.0}
