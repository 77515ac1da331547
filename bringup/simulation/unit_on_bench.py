"""One unit of a board with the faults planted in it, as the circuit that the simulation moves in time.

It decides which faults are present after how much output-on time, and draws the unit's parts from its serial number.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import inf

from bringup.core.board import Board
from bringup.core.circuit import Circuit, circuit_of
from bringup.core.design_values import nominal_volts
from bringup.core.fault_check import SUPPLY_FAULTS
from bringup.core.faults import Fault, FaultKind
from bringup.core.parts import Parts, parts_of
from bringup.core.solver import unpowered_resistance
from bringup.errors import BenchError

LEAK_OHMS = 100e3
"""To ground from every net that nothing makes, unless its file says less: nothing holds a charge for ever."""
CREEP_STEP = 1.0
"""Seconds of output-on time between two steps of a load that creeps."""
ON_TIME_STEP = 1e-9
"""Output-on times closer than this are the same."""


@dataclass(slots=True)
class Planted:
    """A fault in wait, or present."""

    fault: Fault
    due: float
    """Seconds of output-on time at which it appears."""
    present: bool = False
    steps: int = 0
    """How often a creeping load has grown."""

    def next(self) -> float:
        """On-time at which it appears, or grows; infinite for what does neither any more."""
        if not self.present:
            return self.due
        grows = self.fault.kind is FaultKind.CREEPING_LOAD
        return self.due + (self.steps + 1) * CREEP_STEP if grows else inf

    def now(self) -> Fault:
        """The fault as it is by now: a load that creeps is an excess load that grows in small steps."""
        if self.fault.kind is not FaultKind.CREEPING_LOAD:
            return self.fault
        amps = (self.fault.value or 0.0) * CREEP_STEP * self.steps
        return replace(self.fault, kind=FaultKind.EXCESS_LOAD, value=amps)


@dataclass(slots=True)
class UnitOnBench:
    """A unit: its board (made whole), serial number, board state and faults."""

    board: Board
    serial: str
    state: str | None = None
    draw: Callable[[Board, str], Parts] = parts_of
    """The parts of the unit with a serial number."""
    planted: list[Planted] = field(default_factory=list)
    parts: Parts = field(init=False)
    _ohms: dict[tuple[str, str, tuple[Fault, ...]], float] = field(default_factory=dict)
    """Resistances found so far, by point, serial number and faults: an ohmmeter asks for the same again and again."""

    def __post_init__(self) -> None:
        self.parts = self.draw(self.board, self.serial)

    def change(self, serial: str, on_seconds: float) -> None:
        """Make it another unit; faults count their time anew."""
        self.serial = serial
        self.parts = self.draw(self.board, serial)
        for planted in self.planted:
            planted.due, planted.present, planted.steps = on_seconds + planted.fault.after, False, 0

    def put_into(self, state: str) -> None:
        """Change the board state. Raises BenchError for one that the board does not have."""
        if self.board.states and state not in self.board.states:
            raise BenchError(f"The board has no state {state!r}.", f"It has {', '.join(self.board.states)}.")
        self.state = state

    def plant(self, fault: Fault, on_seconds: float) -> None:
        """Add a fault. Raises BenchError for one that this board cannot have."""
        if fault.kind not in SUPPLY_FAULTS or fault.point not in self.board.inputs:
            circuit_of(self.board, self.state, (fault,), self.parts)
        self.planted.append(Planted(fault, on_seconds + fault.after))

    def appear(self, on_seconds: float) -> list[Fault]:
        """Let the faults appear, or grow, that are due; returns them."""
        new = [one for one in self.planted if one.next() <= on_seconds + ON_TIME_STEP]
        for one in new:
            one.steps += one.present
            one.present = True
        return [one.fault for one in new]

    def next_due(self) -> float:
        """On-time at which the next fault appears or grows."""
        return min((one.next() for one in self.planted), default=inf)

    def present(self) -> list[Fault]:
        """Faults that have appeared, those of the supply's leads included."""
        return [one.now() for one in self.planted if one.present]

    def has(self, kind: FaultKind, points: tuple[str, ...]) -> bool:
        """Whether a fault of that kind is present at one of the points."""
        return any(fault.kind is kind and fault.point in points for fault in self.present())

    def circuit(self) -> Circuit:
        """Return the board as it is now."""
        faults = [fault for fault in self.present() if fault.kind not in SUPPLY_FAULTS]
        return circuit_of(self.board, self.state, faults, self.parts)

    def resistance(self, point: str) -> float:
        """Ohms from a point to ground, unpowered."""
        key = (point, self.serial, tuple(self.present()))
        if key not in self._ohms:
            self._ohms[key] = unpowered_resistance(self.board, point, key[2], self.parts)
        return self._ohms[key]

    def unfed_volts(self, point: str) -> float:
        """Volts of a point that no input feeds: its stated volts where the file leaves power to others, else 0."""
        return 0.0 if self.board.inputs else nominal_volts(self.board, point) or 0.0

    def leaks(self, circuit: Circuit) -> list[float]:
        """Siemens to ground of each net, beyond its resistive loads, while nothing makes it."""
        return [
            max(1.0 / LEAK_OHMS, 1.0 / max(1e-6, self.resistance(net.points[0])) - net.drain.siemens)
            for net in circuit.nets
        ]
