"""How the simulated meter is set: everything that `*RST` puts back, and how asked ranges and times become choices."""

from __future__ import annotations

from dataclasses import dataclass, field

from bringup.simulation.meter_ranges import FUNCTIONS, NPLC_CHOICES, NPLC_PRESET, VOLTS, Function, Range, resolution
from bringup.simulation.parameters import Special
from bringup.simulation.scpi_errors import ScpiFault


@dataclass(slots=True)
class Settings:
    """How one function is set."""

    index: int
    auto: bool = True
    nplc: float = NPLC_PRESET
    auto_zero: bool = True


@dataclass(slots=True)
class Trigger:
    """What starts an acquisition, and how long it is."""

    source: str = "IMM"
    samples: int = 1
    waiting: bool = False


@dataclass(slots=True)
class Setup:
    """Everything that `*RST` puts back."""

    function: Function = VOLTS
    settings: dict[str, Settings] = field(
        default_factory=lambda: {name: Settings(len(function.ranges) // 2) for name, function in FUNCTIONS.items()}
    )
    trigger: Trigger = field(default_factory=Trigger)
    high_impedance: bool = False
    readings: list[str] = field(default_factory=list)


def range_index(function: Function, asked: object) -> int:
    """Return the smallest range that reaches `asked` (a number or a Special). Raises ScpiFault -222."""
    if asked is Special.MINIMUM:
        return 0
    if asked is Special.MAXIMUM:
        return len(function.ranges) - 1
    if asked is Special.DEFAULT:
        return len(function.ranges) // 2
    assert isinstance(asked, float), "the parameter reader gives numbers"
    if not 0 <= asked <= function.ranges[-1].full_scale:
        raise ScpiFault(-222)
    return function.pick(asked)


def cycles(asked: object) -> float:
    """Return the next choice that integrates at least as long."""
    if isinstance(asked, Special):
        return {Special.MINIMUM: NPLC_CHOICES[0], Special.MAXIMUM: NPLC_CHOICES[-1]}.get(asked, NPLC_PRESET)
    assert isinstance(asked, float), "the parameter reader gives numbers"
    if not NPLC_CHOICES[0] <= asked <= NPLC_CHOICES[-1]:
        raise ScpiFault(-222)
    return next(choice for choice in NPLC_CHOICES if asked <= choice)


def nplc_for(span: Range, wanted: float) -> float:
    """Return the shortest integration whose last digit is as fine as wanted."""
    for choice in NPLC_CHOICES:
        if resolution(span, choice) <= wanted * (1 + 1e-9):
            return choice
    raise ScpiFault(-222)
