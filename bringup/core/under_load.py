"""Actions that look at supplies under load and over their range, as frozen records; the others are in `procedure`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.quantity import Quantity

LINE_FORMULAS: Mapping[str, str] = {
    "ends over nominal": "100 % * (V at highest input - V at lowest input) / nominal V",
    "ends per volt": "100 % * (V at highest input - V at lowest input) / nominal V, for each volt between the inputs",
    "largest deviation": "100 % * largest difference from V at the input nearest to nominal, over that V",
}
LOAD_FORMULAS: Mapping[str, str] = {
    "ends over full load": "100 % * (V at least load - V at full load) / V at full load",
    "ends over nominal": "100 % * (V at least load - V at full load) / nominal V",
    "ends over half load": "100 % * (V at least load - V at full load) / V at the point nearest to half load",
}
"""Names of formulas (our own) and what they say; the trade uses them all (common practice: makers' notes differ)."""


@frozen
class Sweep:
    """Set an input's voltage, or what a load draws, point by point; read the rails at each."""

    points: tuple[Quantity, ...]
    """Volts of the input or amperes drawn, in the order in which they are set."""
    rails: tuple[str, ...]
    """Read at each point."""
    input: str = ""
    """Whose voltage is swept; '' where a load's current is."""
    load: str = ""
    """Rail or input that the load draws from."""
    settle: Quantity | None = None
    """Time from setting a point to reading it."""
    stop_voltage: Quantity | None = None
    """Of the load: below this it stops drawing by itself."""
    looks_for: str = ""
    """'start' or 'stop': it may rest where converters start, which is otherwise refused."""
    formula: str = ""
    """Name of the formula of its regulation (core.sweep_figures)."""
    judging: Mapping[str, Mapping[str, Limits]] = field(default_factory=dict)
    """Figure -> rail ("" for all) -> limits."""

    @property
    def most(self) -> Quantity:
        """The highest point."""
        return max(self.points, key=lambda point: point.value)


@frozen
class Ripple:
    """What lies on rails beside their DC. Limits: the step's `expect`, never the board's, which are of DC."""

    points: tuple[str, ...]
    by: str
    """'scope' (peak to peak, AC, 20 MHz) or 'meter' (RMS, its AC range)."""
    time_base: Quantity
    """Seconds per division of the scope."""
    ground: str = ""
    """How the scope's probe is grounded, in words."""
    band: str = ""
    """Of the meter's AC range, as its data sheet states it."""


@frozen
class PowerCycle:
    """Switch an input off and on again, so many times; it must start each time."""

    input: str
    times: int
    off_for: tuple[Quantity, ...]
    """How long it stays off, one after the other, from the first again."""
    on_for: Quantity
    rails: tuple[str, ...] = ()
    """Read each time."""
    discharged_below: Quantity | None = None
    """Each time it is waited for this as well."""
    expect_current: Limits | None = None
    """Default: what the power budget expects."""
