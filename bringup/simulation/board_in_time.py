"""A board in time: the voltage of every net, and what each converter is doing (waiting, starting, running, hiccup).

The same element equations as the static solver, with capacitors: a net is a voltage on a capacitance. A regulated rail
is taken to follow its soft-start ramp and its regulation exactly as long as its converter can give the current that
needs (loads plus C * dV/dt), and to be driven by that limit otherwise. The loops inside a converter settle within
microseconds, which no instrument on this bench sees: as states they would force steps of that size (some 100,000 for
a start of 100 ms, where this takes between 100 and 250). The world chooses the steps; a step that moved too far is
taken back and tried shorter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf
from typing import Any

from bringup.core.board import ConverterKind
from bringup.core.circuit import Circuit, Net
from bringup.core.elements import Stage
from bringup.core.frozen import frozen
from bringup.simulation.converting import Converting
from bringup.simulation.relaxation import Relaxed, relax
from bringup.simulation.sinks import Sinks

RAIL_FARADS = 10e-6
INPUT_FARADS = 10e-6
"""Capacitance of a net whose board file states none."""
MISSING_FARADS = 100e-9
"""What is left when the capacitor is missing."""
HICCUP_ON = 0.020
"""Seconds in current limit after which a switching converter gives up ..."""
HICCUP_OFF = 0.500
"""... and seconds until it tries again."""
RESTART = 0.010
"""Seconds after an under-voltage stop before the next soft start: its capacitor has to empty."""
ALLOWED_ERROR = 5e-3
"""Volts that a step may be wrong by (estimated) before it is taken back."""
ALLOWED_MOVE = 0.12
"""Fraction of its volts plus MOVE_FROM that a net feeding running converters may move in one step: they see it late."""
MOVE_FROM = 2.0
RAMP_STEPS = 12
"""A soft start is followed in at least so many steps."""


Kept = tuple[list[float], list[tuple[Any, ...]]]
"""Volts of all nets, and what their converters were doing."""


@frozen
class Wiring:
    """What the steps need of a circuit again and again, looked up once."""

    circuit: Circuit
    children: tuple[tuple[tuple[int, Stage], ...], ...]
    """Per net, the nets made from it and their converters."""
    parents: tuple[tuple[int, int, Stage], ...]
    """Every rail, the net it is made from and the converter between them, children first."""
    stages: tuple[tuple[int, Stage], ...]
    farads: tuple[float, ...]
    dies: tuple[bool, ...]
    """Whether a net at 0 V whose converter does not run stays there: nothing passes current to it or below it."""


def wiring_of(circuit: Circuit) -> Wiring:
    """Look up what a circuit's steps need."""
    stages = tuple((index, net.stage) for index, net in enumerate(circuit.nets) if net.stage is not None)
    stage_of = dict(stages)
    children = tuple(tuple((child, stage_of[child]) for child, _ in net.children) for net in circuit.nets)
    parents = [(child, index, stage) for index, found in enumerate(children) for child, stage in found]
    dies = [False for _ in circuit.nets]
    for index, stage in reversed(stages):
        below = all(dies[child] for child, _ in children[index])
        dies[index] = below and not circuit.nets[index].drain.feeds and stage.kind is not ConverterKind.BOOST
    farads = tuple(map(_farads, circuit.nets))
    parents.sort(key=lambda rail: rail[0], reverse=True)
    return Wiring(circuit, children, tuple(parents), stages, farads, tuple(dies))


def _farads(net: Net) -> float:
    if net.capacitance is None:
        return INPUT_FARADS if net.stage is None else RAIL_FARADS
    return max(net.capacitance, MISSING_FARADS)


@dataclass(slots=True)
class BoardInTime:
    """The state of all nets (magnitudes) and converters of a circuit at one moment."""

    wiring: Wiring
    leaks: list[float]
    """Siemens to ground of each net while nothing makes it, beyond its resistive loads."""
    volts: list[float] = field(default_factory=list)
    converting: list[Converting] = field(default_factory=list)
    """One for every net; that of an input never does anything."""
    meter_siemens: dict[int, float] = field(default_factory=dict)
    """Net -> what a voltmeter's input draws."""
    sinks: Sinks = field(default_factory=Sinks)
    """What electronic loads draw."""

    def __post_init__(self) -> None:
        if not self.volts:
            self.volts = [0.0 for _ in self.circuit.nets]
            self.converting = [Converting() for _ in self.circuit.nets]

    @property
    def circuit(self) -> Circuit:
        """The board as it is now."""
        return self.wiring.circuit

    def kept(self) -> Kept:
        """Return what a step changes, to come back to."""
        return list(self.volts), [state.kept() for state in self.converting]

    def come_back(self, kept: Kept) -> None:
        """Be as before."""
        self.volts = kept[0]
        self.converting = [Converting(*state) for state in kept[1]]

    def discharge(self) -> None:
        """Start anew: nothing charged, no converter running."""
        self.volts = [0.0 for _ in self.volts]
        self.converting = [Converting() for _ in self.converting]

    def farads(self, index: int) -> float:
        """Capacitance of a net."""
        return self.wiring.farads[index]

    def moved_farads(self, index: int) -> float:
        """Capacitance that moves with a net: its own, and that of rails which follow it."""
        total = self.wiring.farads[index]
        for child, _ in self.wiring.children[index]:
            if self.converting[child].follows:
                total += self.moved_farads(child)
        return total

    def drawn(self, index: int, volts: float) -> float:
        """Current out of a net at that voltage: its loads, its converters as they ran last, a meter."""
        wiring = self.wiring
        total = wiring.circuit.nets[index].drain.amps(volts)
        if self.meter_siemens:
            total += self.meter_siemens.get(index, 0.0) * volts
        if self.sinks.at:
            total += self.sinks.amps(index, volts)
        for child, stage in wiring.children[index]:
            state = self.converting[child]
            output, amps = state.volts, state.amps
            if state.follows:
                output = stage.followed(volts)
                amps = self.drawn(child, output)
            total += stage.input_amps(volts, output, amps, running=state.running)
        return total

    def slope(self, index: int, volts: float) -> float:
        """Derivative of `drawn`."""
        net = self.circuit.nets[index]
        total = net.drain.slope(volts) + self.meter_siemens.get(index, 0.0)
        if self.sinks.at:
            total += self.sinks.slope(index, volts)
        for child, stage in self.wiring.children[index]:
            state = self.converting[child]
            if state.follows:
                total += self.slope(child, stage.followed(volts)) if stage.followed(volts) > 0.0 else 0.0
            elif state.running and stage.switching and volts > max(stage.stop, 0.5):
                total -= stage.input_amps(volts, state.volts, state.amps, running=True) / volts
        return total

    def step_rails(self, now: float, seconds: float) -> float:
        """Move every rail on, children first; returns the worst error as a multiple of what is allowed."""
        worst = 0.0
        for index, parent, stage in self.wiring.parents:
            error = self._step_rail(index, stage, self.volts[parent], now, seconds)
            if error > worst:  # noqa: PLR1730 - a call of max() costs here, where simulated time goes
                worst = error
        return worst

    def excess(self, index: int, relaxed: Relaxed) -> float:
        """Error of a net's step as a multiple of what is allowed."""
        error = relaxed.error / ALLOWED_ERROR
        for child, _ in self.wiring.children[index]:
            if self.converting[child].running:
                before = self.volts[index]
                return max(error, abs(relaxed.volts - before) / (ALLOWED_MOVE * (before + MOVE_FROM)))
        return error

    def crossed(self, before: Sequence[float]) -> bool:
        """Whether some converter's input passed a start or stop voltage since the nets had these volts."""
        for child, index, stage in self.wiring.parents:
            old, new = before[index], self.volts[index]
            if old != new and stage.fitted:
                level = stage.stop if self.converting[child].running else stage.start
                if (old < level) != (new < level):
                    return True
        return False

    def next_event(self, now: float) -> float:
        """Time of the next change that is certain: a soft start that ends, a hiccup that does."""
        soonest = inf
        for index, stage in self.wiring.stages:
            state = self.converting[index]
            if now < state.wait_until < soonest:
                soonest = state.wait_until
            if state.running and now < (ramped := state.ramp_from + stage.soft_start) < soonest:
                soonest = ramped
            if state.limiting_since is not None and stage.switching:
                gives_up = state.limiting_since + HICCUP_ON
                soonest = gives_up if now < gives_up < soonest else soonest
        return soonest

    def longest_step(self, now: float) -> float:
        """How long a step may be while soft starts are under way."""
        longest = inf
        for index, stage in self.wiring.stages:
            state = self.converting[index]
            if state.running and now < state.ramp_from + stage.soft_start:
                longest = min(longest, stage.soft_start / RAMP_STEPS)
        return longest

    def shift(self, seconds: float) -> None:
        """Let everything have happened later by so much."""
        for state in self.converting:
            state.ramp_from += seconds
            state.wait_until += seconds
            state.limiting_since = None if state.limiting_since is None else state.limiting_since + seconds

    def _step_rail(self, index: int, stage: Stage, vin: float, now: float, seconds: float) -> float:
        state = self.converting[index]
        _start_or_stop(stage, state, vin, now)
        volts = self.volts[index]
        if volts == 0.0 and not state.running and self.wiring.dies[index]:
            state.volts, state.amps, state.regulating, state.follows = 0.0, 0.0, True, False
            state.limiting_since = None
            return 0.0
        ramp, idle = 1.0, stage.idle(vin)
        drawn = self.drawn(index, volts)
        if state.running:
            if stage.soft_start > 0.0:
                ramp = min(1.0, (now + seconds - state.ramp_from) / stage.soft_start)
            aim = stage.output(vin, max(0.0, drawn), ramp)
            relaxed, amps, state.regulating = self._drive(index, aim, stage.limit, seconds, drawn)
        elif idle > 0.0:
            relaxed, amps, state.regulating = self._drive(index, idle, inf, seconds, drawn, self.leaks[index])
        else:
            relaxed, amps, state.regulating = self._left_alone(index, seconds, drawn)
        state.follows = amps > 0.0 and state.regulating and stage.follows(vin, ramp, running=state.running)
        if relaxed.volts < idle:  # a boost cannot limit what its diode passes
            relaxed, state.follows = Relaxed(idle, 0.0), True
        state.amps = max(0.0, self.drawn(index, relaxed.volts)) if state.follows else amps
        excess = self.excess(index, relaxed)
        self.volts[index] = state.volts = relaxed.volts
        _overload(stage, state, now + seconds)
        return excess

    def _left_alone(self, index: int, seconds: float, drawn: float) -> tuple[Relaxed, float, bool]:
        """Let a net that nothing makes discharge through what hangs on it: as `_drive`. `drawn`: out of it now."""
        volts, leak = self.volts[index], self.leaks[index]
        slope = -self.slope(index, volts) - leak
        rate = -drawn - leak * volts
        farads = self.moved_farads(index)
        return relax(volts, seconds, farads, lambda v: -self.drawn(index, v) - leak * v, slope, rate), 0.0, True

    def _drive(
        self, index: int, aim: float, most: float, seconds: float, drawn: float, leak: float = 0.0
    ) -> tuple[Relaxed, float, bool]:
        """Drive a net towards `aim` with 0 to `most` amps: its step, the amps given, and whether that sufficed.

        `drawn`: amps out of it now.
        """
        volts, farads = self.volts[index], self.moved_farads(index)
        needed = drawn if aim == volts else farads * (aim - volts) / seconds + self.drawn(index, aim)
        if 0.0 <= needed <= most:
            return Relaxed(aim, 0.0), needed, True
        given = most if needed > 0.0 and most < inf else 0.0
        slope = -self.slope(index, volts) - leak
        rate = given - drawn - leak * volts
        relaxed = relax(volts, seconds, farads, lambda v: given - self.drawn(index, v) - leak * v, slope, rate)
        if given > 0.0 and relaxed.volts > aim:
            return Relaxed(aim, 0.0), given, True
        if given == 0.0 and relaxed.volts < aim:
            return Relaxed(aim, 0.0), 0.0, True
        return relaxed, given, given == 0.0


def _start_or_stop(stage: Stage, state: Converting, vin: float, now: float) -> None:
    if state.running:
        if vin < stage.stop or not stage.fitted:
            state.running = False
            state.limiting_since = None
            state.wait_until = max(state.wait_until, now + RESTART)
    elif stage.fitted and vin >= stage.start and vin > 0.0 and now >= state.wait_until:
        state.running = True
        state.ramp_from = now


def _overload(stage: Stage, state: Converting, now: float) -> None:
    """Count the time in current limit; a switching converter then gives up and tries again later."""
    if not state.running or state.regulating:
        state.limiting_since = None
        return
    if state.limiting_since is None:
        state.limiting_since = now
    if stage.switching and now >= state.limiting_since + HICCUP_ON:
        state.running = False
        state.limiting_since = None
        state.wait_until = now + HICCUP_OFF
