"""The search for an operating point of a Circuit: which converters run, and what follows at every net.

Pure and bounded: converters change state at most twice each, and every equation is solved by a bracketed root finder
with a fixed number of steps. solver.solve is the way in.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import inf

from bringup.core.circuit import Circuit
from bringup.core.elements import Stage
from bringup.core.frozen import frozen

_TOLERANCE = 1e-12
_ITERATIONS = 100
_SECANTS = 8
_HALVE_EVERY = 8
"""Every so many steps the bracket is halved, so that a bent curve cannot stall the search."""


@frozen
class Solution:
    """One operating point, in V, A and W. Points that nothing known feeds are absent everywhere."""

    volts: Mapping[str, float]
    """Inputs and rails, signed."""
    input_amps: Mapping[str, float]
    """Into the board, >= 0 unless something feeds the board from outside."""
    rail_amps: Mapping[str, float]
    """Out of each rail's converter, or through its plain connection; magnitude, also on negative rails."""
    running: frozenset[str]
    """Rails whose converter runs."""
    below_minimum_load: frozenset[str]
    """Running rails loaded less than their converter's stated minimum: they may read high."""
    limiting: frozenset[str]
    """Running rails whose converter is in current limit."""
    losses: Mapping[str, float]
    """Watts lost in each rail's converter."""


class OperatingPoint:
    """One operating point in the making: which converters run, and what follows at every net."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.running: set[str] = set()
        self.vin: dict[int, float] = {}
        self.volts: dict[int, float] = {}
        self.amps: dict[int, float] = {}
        self._found: dict[tuple[int, float], tuple[float, float]] = {}
        self._demands: dict[tuple[int, float], float] = {}

    def settle(self, inputs: Sequence[float]) -> None:
        """Start converters whose input has reached their start voltage, stop those pulled below their stop voltage.

        One that stopped gets a second chance once all others are where they belong, and no third: the loop ends.
        """
        stopped: set[str] = set()
        barred: set[str] = set()
        while True:
            self._found.clear()
            self._demands.clear()
            for index, volts in enumerate(inputs):
                self._note(index, volts)
            stages = [(index, net.stage) for index, net in enumerate(self.circuit.nets) if net.stage is not None]
            fallen = {s.rail for index, s in stages if s.rail in self.running and self.vin[index] < s.stop}
            ready = {s.rail for index, s in stages if s.fitted and self.vin[index] >= s.start and self.vin[index] > 0}
            started = ready - self.running - barred
            if fallen:
                self.running -= fallen
                barred |= fallen & stopped
                stopped |= fallen
            elif started:
                self.running |= started - stopped or started
            else:
                return

    def _note(self, index: int, volts: float) -> None:
        """Keep the voltage of a net and everything below it."""
        self.volts[index] = volts
        for child, _ in self.circuit.nets[index].children:
            self.vin[child] = volts
            output, self.amps[child] = self.output(child, volts)
            self._note(child, output)

    def demand(self, index: int, volts: float) -> float:
        """Current drawn from a net at that voltage by its loads and by everything below it."""
        found = self._demands.get((index, volts))
        if found is None:
            net = self.circuit.nets[index]
            found = net.drain.amps(volts) + sum([self.drawn(child, volts) for child, _ in net.children])
            self._demands[index, volts] = found
        return found

    def drawn(self, index: int, vin: float) -> float:
        """Input current of the converter that makes a net."""
        stage = self.stage(index)
        volts, amps = self.output(index, vin)
        return stage.input_amps(vin, volts, amps, running=stage.rail in self.running)

    def stage(self, index: int) -> Stage:
        """Return the converter that makes a net (not for the net of an input)."""
        stage = self.circuit.nets[index].stage
        assert stage is not None, "the net of an input has no converter"
        return stage

    def output(self, index: int, vin: float) -> tuple[float, float]:
        """Volts of a converter's net and the current the converter gives, for that input voltage."""
        stage = self.circuit.nets[index].stage
        assert stage is not None, "the net of an input has no converter"
        key = (index, inf if stage.regardless(vin, running=stage.rail in self.running) else vin)
        found = self._found.get(key)
        if found is None:
            found = self._found[key] = self._solved(index, vin)
        return found

    def _solved(self, index: int, vin: float) -> tuple[float, float]:
        stage = self.stage(index)
        runs = stage.rail in self.running
        top = stage.ceiling(vin) if runs else stage.idle(vin)
        demand = self.demand(index, top)
        if demand < 0.0:
            fed = max(volts for volts, _ in self.circuit.nets[index].drain.feeds)
            return _root(lambda volts: -self.demand(index, volts), top, fed), 0.0
        volts = top
        if runs and not stage.stiff:
            volts = _settled(lambda v: stage.output(vin, max(0.0, self.demand(index, v))), top)
            demand = self.demand(index, volts)
        if runs and demand > stage.limit:
            volts = _root(lambda v: stage.limit - self.demand(index, v), 0.0, volts)
            if volts >= stage.idle(vin):
                return volts, stage.limit
            volts = stage.idle(vin)  # a boost cannot limit what its diode passes
            demand = self.demand(index, volts)
        return volts, max(0.0, demand)

    def solution(self, inputs: Mapping[str, float]) -> Solution:
        """Put everything into the words of the board."""
        circuit = self.circuit
        volts = {name: circuit.nets[net].sign * self.volts[net] + 0.0 for name, net in circuit.net_of.items()}
        volts |= inputs
        stages = {s.rail: index for index, net in enumerate(circuit.nets) if (s := net.stage) is not None}
        runs = {rail: index for rail, index in stages.items() if rail in self.running}
        limits = {rail for rail, index in runs.items() if self.amps[index] >= self.stage(index).limit}
        light = {rail for rail, index in runs.items() if self.amps[index] < self.stage(index).minimum_load}
        losses = {
            rail: self.vin[index] * self.drawn(index, self.vin[index]) - self.volts[index] * self.amps[index]
            for rail, index in stages.items()
        }
        rail_amps = {rail: self.amps[index] for rail, index in stages.items()}
        rail_amps |= {rail: self._through(rail) for rail in circuit.plain_source}
        input_amps = {name: self.demand(circuit.net_of[name], self.volts[circuit.net_of[name]]) for name in inputs}
        return Solution(volts, input_amps, rail_amps, frozenset(runs), frozenset(light), frozenset(limits), losses)

    def _through(self, point: str) -> float:
        """Current that a point and everything hanging from it draws through its plain connection."""
        index = self.circuit.net_of[point]
        net = self.circuit.nets[index]
        volts = self.volts[index]
        total = net.drains[point].amps(volts)
        total += sum(self.drawn(child, volts) for child, hangs_from in net.children if hangs_from == point)
        return total + sum(self._through(rail) for rail, source in self.circuit.plain_source.items() if source == point)


def _settled(output: Callable[[float], float], top: float) -> float:
    """Find the volts at which an output, given what it is loaded with there, is just that: at most `top`.

    Secants from the unloaded output downwards, which a small output resistance makes quick; else a bracketed search.
    """
    before, f_before = top, output(top) - top
    volts = top + f_before
    for _ in range(_SECANTS):
        missing = output(volts) - volts
        if abs(missing) <= _TOLERANCE * max(1.0, top):
            return volts
        if missing == f_before:
            break
        step = missing * (volts - before) / (missing - f_before)
        before, f_before, volts = volts, missing, volts - step
        if not 0.0 <= volts <= top:
            break
    return _root(lambda v: output(v) - v, 0.0, top)


def _root(f: Callable[[float], float], low: float, high: float) -> float:
    """Find where f, not negative at `low` and not positive at `high`, crosses zero (Illinois method, bounded)."""
    f_low, f_high = f(low), f(high)
    if f_high >= 0.0:
        return high
    if f_low <= 0.0:
        return low
    side = 0
    for step in range(_ITERATIONS):
        middle = (f_low * high - f_high * low) / (f_low - f_high) if (step + 1) % _HALVE_EVERY else 0.5 * (low + high)
        value = f(middle)
        if value == 0.0 or high - low <= _TOLERANCE * max(1.0, high):
            return middle
        if value > 0.0:
            low, f_low = middle, value
            f_high = f_high / 2.0 if side == 1 else f_high
            side = 1
        else:
            high, f_high = middle, value
            f_low = f_low / 2.0 if side == -1 else f_low
            side = -1
        if abs(value) <= _TOLERANCE:
            return middle
    return 0.5 * (low + high)
