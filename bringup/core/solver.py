"""The static operating point of a board: every voltage and current for given volts at its inputs.

Pure. One solver serves limits, the power budget, the simulated board, the ranking of causes, rehearsal and margins;
the equations of the elements are in core.elements, what a board file comes to in core.circuit.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from math import inf

from bringup.core.board import Board, LoadKind
from bringup.core.circuit import circuit_of, farads_of, layout_of, refuse_impossible, stage_of, without_supply_faults
from bringup.core.design_values import network_of, nominal_volts, number_or
from bringup.core.faults import Fault, FaultKind
from bringup.core.operating_point import OperatingPoint, Solution
from bringup.core.parts import LOWER, NOMINAL, UPPER, Parts

SENSE_OPEN_RISE = 1.05
"""Terminals of a supply whose remote sense lead is open, against what was set (a habit of one supply family)."""


def solve(
    board: Board,
    inputs: Mapping[str, float],
    *,
    state: str | None = None,
    faults: Sequence[Fault] = (),
    parts: Parts = NOMINAL,
) -> Solution:
    """Return where the board settles when its inputs have risen from 0 to these volts (at the board, signed).

    Inputs that are not named are at 0 V. Every fault counts as present. Raises BenchError for an impossible fault and
    KeyError for an unknown input.
    """
    unknown = set(inputs) - set(board.inputs)
    if unknown:
        raise KeyError(min(unknown))
    circuit = circuit_of(board, state, without_supply_faults(faults), parts)
    volts = {name: _with_supply_faults(inputs.get(name, 0.0), name, faults) for name in board.inputs}
    magnitudes = [max(0.0, circuit.nets[index].sign * volts[name]) for index, name in enumerate(board.inputs)]
    point = OperatingPoint(circuit)
    point.settle(magnitudes)
    return point.solution(volts)


def _with_supply_faults(volts: float, name: str, faults: Sequence[Fault]) -> float:
    for fault in faults:
        if fault.point != name or not volts:
            continue
        if fault.kind is FaultKind.WRONG_VOLTAGE and fault.value is not None:
            volts = fault.value
        elif fault.kind is FaultKind.SENSE_OPEN:
            volts *= SENSE_OPEN_RISE
    reversed_leads = any(fault.kind is FaultKind.LEADS_REVERSED and fault.point == name for fault in faults)
    return -volts if reversed_leads else volts


def capacitance_at(board: Board, name: str, running: Collection[str] = ()) -> float:
    """F that a supply charges at that input or rail, its plain connections included.

    The output capacitors of `running` rails count as the charge they take from the point while starting: C * Vout / Vin
    through a linear converter, C * Vout^2 / (efficiency * Vin^2) through a switching one (never less than it takes).
    Capacitances that the file does not state count as 0.
    """
    layout = layout_of(board)
    if name not in layout.net_of:
        return number_or(board.point(name).capacitance, 0.0)

    def below(index: int, vin: float) -> float:
        total = farads_of(board, layout.groups[index]) or 0.0
        for child, _ in layout.hangs[index]:
            rail = layout.groups[child][0]
            if rail not in running or vin <= 0.0:
                continue
            stage = stage_of(board, board.rails[rail], (), NOMINAL)
            ratio = stage.nominal / vin
            share = ratio * ratio / stage.efficiency if stage.switching else ratio
            total += share * below(child, stage.nominal)
        return total

    return below(layout.net_of[name], abs(nominal_volts(board, name) or 0.0))


def unpowered_resistance(board: Board, point: str, faults: Sequence[Fault] = (), parts: Parts = NOMINAL) -> float:
    """Ohms from a point to ground with nothing powered; infinite where the file knows of no path.

    What the file states for the sound net stands for all that belongs there; otherwise resistive loads and feedback
    networks of the point and of everything plainly connected to it lie in parallel. Shorts come on top.
    """
    refuse_impossible(board, without_supply_faults(faults))
    layout = layout_of(board)
    points = tuple(layout.groups[layout.net_of[point]]) if point in layout.net_of else (point,)
    stated = [board.point(name).unpowered_resistance for name in (point, *points)]
    first = next((quantity.number for quantity in stated if quantity is not None), None)
    siemens = _siemens(board, points, faults, parts) if first is None else 1.0 / first if first > 0.0 else inf
    for fault in faults:
        if fault.point in points and fault.kind is FaultKind.SHORTED_THROUGH and fault.value and not fault.to:
            siemens += 1.0 / fault.value
    return 1.0 / siemens if siemens > 0.0 else inf


def resistance_between(
    board: Board, first: str, second: str | None, faults: Sequence[Fault] = (), parts: Parts = NOMINAL
) -> float:
    """Ohms between two points with nothing powered, `second` None: ground; infinite where the file knows of no path.

    The way leads over ground, beside what ties the two points together: a plain connection, a fault. One tie of each
    point to a third one counts, too.
    """
    if second is not None and _joined(board, first, second):
        return 0.0
    ties = [each for each in faults if each.kind is FaultKind.SHORTED_THROUGH and each.to and each.value]
    ohms = 0.0
    for name in filter(None, (first, second)):
        to_ground = unpowered_resistance(board, name, faults, parts)
        for tie in ties:
            other = tie.to if tie.point == name else tie.point if tie.to == name else None
            if other is not None and {name, other} != {first, second}:
                way = (tie.value or 0.0) + unpowered_resistance(board, other, faults, parts)
                to_ground = _beside(to_ground, way)
        ohms += to_ground
    for tie in ties:
        if second is not None and {tie.point, tie.to} == {first, second}:
            ohms = _beside(ohms, tie.value or 0.0)
    return ohms


def _joined(board: Board, first: str, second: str) -> bool:
    net_of = layout_of(board).net_of
    return first in net_of and net_of[first] == net_of.get(second)


def _beside(one: float, other: float) -> float:
    """Ohms of two resistances in parallel."""
    if inf in (one, other):
        return min(one, other)
    return one * other / (one + other) if one + other > 0.0 else 0.0


def _siemens(board: Board, points: Sequence[str], faults: Sequence[Fault], parts: Parts) -> float:
    """Conductance to ground of resistive loads and feedback networks at these points."""
    total = 0.0
    for name in points:
        for load in board.point(name).loads:
            if load.kind is LoadKind.RESISTANCE and load.default > 0.0:
                total += 1.0 / load.default
        ohms = _network_ohms(board, name, faults, parts)
        total += 0.0 if ohms is None else 1.0 / ohms if ohms > 0.0 else inf
    return total


def _network_ohms(board: Board, name: str, faults: Sequence[Fault], parts: Parts) -> float | None:
    """Resistance of a rail's feedback network as this unit has it; None where there is none, infinite when open."""
    converter = board.rails[name].converter if name in board.rails else None
    network = None if converter is None else network_of(converter)
    if network is None:
        return None
    upper, lower = parts.value(name, UPPER, network[1]), parts.value(name, LOWER, network[2])
    for fault in faults:
        if fault.point != name:
            continue
        if fault.kind in {FaultKind.UPPER_OPEN, FaultKind.LOWER_OPEN}:
            return inf
        if fault.kind is FaultKind.UPPER_SHORTED or (fault.kind is FaultKind.UPPER_VALUE and fault.value is not None):
            upper = 0.0 if fault.kind is FaultKind.UPPER_SHORTED else fault.value or 0.0
        if fault.kind is FaultKind.LOWER_SHORTED or (fault.kind is FaultKind.LOWER_VALUE and fault.value is not None):
            lower = 0.0 if fault.kind is FaultKind.LOWER_SHORTED else fault.value or 0.0
    return upper + lower
