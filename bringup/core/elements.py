"""The equations of what a board is made of: things that draw current, and converters. All voltages are magnitudes.

Used by the static solver and by the simulated board in time, so that both agree. Defaults for facts that a board
file leaves out stand here, each with its reason; none of them comes from a standard.
"""

from __future__ import annotations

from bringup.core.board import ConverterKind
from bringup.core.frozen import frozen

DIODE_DROP = 0.4
"""Volts across the diode through which a boost passes its input when it does not run (0.2 to 0.5 V in practice)."""
RUNAWAY = 2.0
"""A boost or inverting converter never makes more than this many times its designed output: its own parts give up."""
UNBOUNDED = 1e6
"""Target in volts of a converter that has lost its feedback: the input, not this figure, is what bounds it."""
LIGHT_LOAD_EXCESS = 0.06
"""How far, as a fraction, an output rises below its minimum load."""
LIGHT_LOAD_KNEE = 0.8
"""Below this fraction of the minimum load the excess is full; from there to the minimum load it fades."""
LOSS_FLOOR = 0.5
"""Below this fraction of its designed output a switching converter's losses no longer shrink with its output."""
CURRENT_KNEE = 0.25
"""Fraction of nominal volts below which a constant-current load fades (with the square of the voltage, as circuits do
that cease to work: hence the slow tail of a discharge)."""
POWER_KNEE = 0.5
"""Fraction of nominal volts below which a constant-power load fades in the same way."""
DEFAULT_KNEE_VOLTS = 0.5
"""Where those fades begin on a point whose nominal voltage is not known."""
BACK_FEED_OHMS = 100.0
"""Through which a debug lead feeds a point."""


@frozen
class Drain:
    """What draws from one point, or (feeds) pushes into it. Pairs are (value, volts of the knee)."""

    currents: tuple[tuple[float, float], ...] = ()
    powers: tuple[tuple[float, float], ...] = ()
    siemens: float = 0.0
    feeds: tuple[tuple[float, float], ...] = ()
    """Volts and siemens of what feeds the point from outside; it gives current and takes none."""

    def amps(self, volts: float) -> float:
        """Net current out of the point at `volts` >= 0; negative when it is fed more than it draws."""
        total = self.siemens * volts
        for value, knee in self.currents:
            total += value if volts >= knee else value * (volts / knee) ** 2
        for watts, knee in self.powers:
            total += watts / volts if volts >= knee else watts / knee * (volts / knee) ** 2
        for fed, siemens in self.feeds:
            if fed > volts:
                total -= (fed - volts) * siemens
        return total

    def slope(self, volts: float) -> float:
        """Change of that current per volt, in siemens; negative where a constant-power load dominates."""
        total = self.siemens
        for value, knee in self.currents:
            total += 0.0 if volts >= knee else 2.0 * value * volts / knee**2
        for watts, knee in self.powers:
            total += -watts / (volts * volts) if volts >= knee else 2.0 * watts * volts / knee**3
        for fed, siemens in self.feeds:
            if fed > volts:
                total += siemens
        return total

    def joined(self, other: Drain) -> Drain:
        """Return both together."""
        return Drain(
            self.currents + other.currents,
            self.powers + other.powers,
            self.siemens + other.siemens,
            self.feeds + other.feeds,
        )


@frozen
class Stage:
    """One converter of one unit, every fact a number. `sign` is that of its output."""

    rail: str
    kind: ConverterKind
    sign: float
    nominal: float
    """Designed output."""
    target: float
    """What this unit's feedback makes it aim at."""
    fitted: bool
    start: float
    stop: float
    soft_start: float
    efficiency: float
    dropout: float
    resistance: float
    minimum_load: float
    quiescent: float
    limit: float

    @property
    def switching(self) -> bool:
        """Whether it switches (and hiccups in overload) rather than being linear."""
        return self.kind is not ConverterKind.LINEAR

    @property
    def stiff(self) -> bool:
        """Whether the output does not depend on the current below the limit."""
        return self.resistance == 0.0 and self.minimum_load == 0.0

    def ceiling(self, vin: float, ramp: float = 1.0) -> float:
        """Highest output at that input whatever the load; `ramp` is how far the soft start has got (0 to 1)."""
        aim = self.target * ramp
        if self.minimum_load > 0.0:
            aim *= 1.0 + LIGHT_LOAD_EXCESS
        return self._bounded(aim, vin)

    def regardless(self, vin: float, *, running: bool) -> bool:
        """Whether any higher input gives the very same output, whatever it is loaded with."""
        if not running or self.kind is ConverterKind.BOOST:
            return self.kind is not ConverterKind.BOOST
        if self.kind is ConverterKind.INVERTING:
            return vin >= self.stop
        left = vin - self.dropout if self.kind is ConverterKind.LINEAR else vin
        return left >= self.target * (1.0 + LIGHT_LOAD_EXCESS)

    def output(self, vin: float, amps: float, ramp: float = 1.0) -> float:
        """Output while running and not in current limit, at an output current of `amps` >= 0."""
        aim = self.target * ramp
        if amps < self.minimum_load:
            missing = (1.0 - amps / self.minimum_load) / (1.0 - LIGHT_LOAD_KNEE)
            aim *= 1.0 + LIGHT_LOAD_EXCESS * min(1.0, missing)
        return max(0.0, self._bounded(aim, vin) - self.resistance * amps)

    def follows(self, vin: float, ramp: float = 1.0, *, running: bool) -> bool:
        """Whether the output moves one for one with the input: dropout, full duty, or a boost that passes it."""
        if self.kind is ConverterKind.BOOST:
            return self.idle(vin) > 0.0 and (not running or self.ceiling(vin, ramp) <= self.idle(vin))
        headroom = {ConverterKind.LINEAR: vin - self.dropout, ConverterKind.BUCK: vin}
        return running and headroom.get(self.kind, self.target) < self.target * ramp

    def followed(self, vin: float) -> float:
        """Output while it follows its input."""
        if self.kind is ConverterKind.BOOST:
            return self.idle(vin)
        return max(0.0, vin - self.dropout if self.kind is ConverterKind.LINEAR else vin)

    def idle(self, vin: float) -> float:
        """Output while not running: a boost cannot cut off its input, every other kind can."""
        return max(0.0, vin - DIODE_DROP) if self.kind is ConverterKind.BOOST else 0.0

    def input_amps(self, vin: float, vout: float, amps: float, *, running: bool) -> float:
        """Input current at that output voltage and current.

        Linear: output current plus quiescent. Switching: output power over efficiency and input voltage, where the
        losses stop shrinking below LOSS_FLOOR of the designed output (a short still costs input power). A boost whose
        output is no higher than what its diode passes does not switch: what comes out is what goes in.
        """
        if not running:
            return amps if self.kind is ConverterKind.BOOST else 0.0
        floor = max(self.stop, DEFAULT_KNEE_VOLTS)
        own = self.quiescent * min(1.0, vin / floor)
        if self.kind is ConverterKind.LINEAR:
            return amps + own
        if self.kind is ConverterKind.BOOST and vout <= self.idle(vin):
            return amps + own
        lossy = max(vout, LOSS_FLOOR * self.nominal)
        watts = amps * (vout + (1.0 / self.efficiency - 1.0) * lossy)
        drawn = watts / max(vin, floor)
        if self.kind is ConverterKind.BOOST:
            drawn = max(drawn, amps)
        return drawn + own

    def _bounded(self, aim: float, vin: float) -> float:
        if self.kind is ConverterKind.LINEAR:
            return max(0.0, min(aim, vin - self.dropout))
        if self.kind is ConverterKind.BUCK:
            return max(0.0, min(aim, vin))
        if vin < self.stop:
            aim *= max(0.0, vin) / self.stop
        return max(aim, self.idle(vin))
