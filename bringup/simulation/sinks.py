"""What an electronic load draws from the points of the simulated board that its leads are on.

A sink is part of the current out of a net (board_in_time), so that converters, supply and stop voltages see it as they
see the board's own loads. `Loads` is what the simulated instruments turn; `Sinks` is what the board in time asks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bringup.simulation.advancing import Advancing

KNEE_VOLTS = 0.3
"""Below this a load's transistors are fully on: what it draws fades with the square of the voltage ..."""
POWER_KNEE_VOLTS = 1.0
"""... and from this down in constant power, which would want endless current."""
OHMS_IN_VOLTAGE = 0.05
"""How stiffly a load in constant voltage pulls a point down to its level."""


@dataclass(slots=True)
class Sink:
    """One channel of a load. `mode`: 'current', 'resistance', 'power' or 'voltage', with its level in base units."""

    mode: str = "current"
    level: float = 0.0
    stop: float = 0.0
    """Volts below which it stops, until it is switched on anew."""
    on: bool = False
    stopped: bool = False

    def amps(self, volts: float) -> float:
        """Current drawn at `volts` >= 0."""
        if not self.on or self.stopped or volts <= 0.0:
            return 0.0
        if self.mode == "current":
            return self.level * min(1.0, (volts / KNEE_VOLTS) ** 2)
        if self.mode == "resistance":
            return volts / self.level if self.level > 0.0 else 0.0
        if self.mode == "power":
            knee = POWER_KNEE_VOLTS
            return self.level / volts if volts >= knee else self.level / knee * (volts / knee) ** 2
        return max(0.0, volts - self.level) / OHMS_IN_VOLTAGE

    def slope(self, volts: float) -> float:
        """Change of that current per volt, in siemens."""
        if not self.on or self.stopped:
            return 0.0
        if self.mode == "current":
            return 0.0 if volts >= KNEE_VOLTS else 2.0 * self.level * volts / KNEE_VOLTS**2
        if self.mode == "resistance":
            return 1.0 / self.level if self.level > 0.0 else 0.0
        if self.mode == "power":
            knee = POWER_KNEE_VOLTS
            return -self.level / (volts * volts) if volts >= knee else 2.0 * self.level * volts / knee**3
        return 1.0 / OHMS_IN_VOLTAGE if volts > self.level else 0.0


@dataclass(slots=True)
class Sinks:
    """The sinks of a board, by the net that they draw from."""

    at: dict[int, list[Sink]] = field(default_factory=dict)

    def amps(self, index: int, volts: float) -> float:
        """Current that loads draw from a net."""
        return sum(sink.amps(volts) for sink in self.at.get(index, ()))

    def slope(self, index: int, volts: float) -> float:
        """Derivative of `amps`."""
        return sum(sink.slope(volts) for sink in self.at.get(index, ()))

    def stop(self, volts: list[float]) -> bool:
        """Let those stop whose point has fallen below their stop voltage; returns whether one did."""
        falling = [
            sink
            for index, sinks in self.at.items()
            for sink in sinks
            if sink.on and not sink.stopped and volts[index] < sink.stop
        ]
        for sink in falling:
            sink.stopped = True
        return bool(falling)


class Loads:
    """The channels of the load on the bench, and the points that their leads are on."""

    def __init__(self, points: Mapping[str, int], bench: Advancing, advance: Callable[[float], None]) -> None:
        """`points`: point of the board -> channel; `advance` moves the bench to a moment."""
        net_of = bench.board.circuit.net_of
        self._wired = {channel: net_of[point] for point, channel in points.items() if point in net_of}
        self._bench = bench
        self._advance = advance
        self._sinks = {channel: Sink() for channel in self._wired}
        for channel, net in self._wired.items():
            bench.board.sinks.at.setdefault(net, []).append(self._sinks[channel])

    def turn(self, channel: int, mode: str, level: float, stop: float, now: float) -> None:
        """Set what a channel draws; one without leads has nothing to draw from."""
        if (sink := self._sinks.get(channel)) is None:
            return
        self.volts(channel, now)
        sink.mode, sink.level, sink.stop = mode, level, stop
        self._bench.disturb()

    def switch(self, channel: int, now: float, *, on: bool) -> None:
        """Switch a channel; being switched on, it has not stopped yet."""
        if (sink := self._sinks.get(channel)) is None:
            return
        volts = self.volts(channel, now)
        sink.on, sink.stopped = on, on and volts < sink.stop
        self._bench.disturb()

    def volts(self, channel: int, now: float) -> float:
        """Volts between a channel's terminals; 0 without leads."""
        self._advance(now)
        return self._bench.board.volts[self._wired[channel]] if channel in self._wired else 0.0

    def amps(self, channel: int, now: float) -> float:
        """Amps into a channel."""
        volts = self.volts(channel, now)
        return self._sinks[channel].amps(volts) if channel in self._sinks else 0.0

    def is_on(self, channel: int) -> bool:
        """Whether a channel's input is on, drawing or stopped (for tests)."""
        return channel in self._sinks and self._sinks[channel].on

    def stopped(self, channel: int, now: float) -> bool:
        """Whether a channel has stopped, its point having fallen below its stop voltage."""
        self.volts(channel, now)
        return channel in self._sinks and self._sinks[channel].stopped
