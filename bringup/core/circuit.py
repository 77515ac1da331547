"""A board made ready to calculate: nets joined through plain connections, drains summed, converters as numbers.

Pure. The solver finds the static operating point of a Circuit; the simulated board moves one in time. What the board
file leaves out is filled in here with stated defaults, and what it does not say at all stays unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from bringup.core.board import Board, Converter, ConverterKind, Rail
from bringup.core.design_values import (
    DEFAULT_DROPOUT,
    DEFAULT_EFFICIENCY,
    DEFAULT_LIMIT_AMPS,
    DEFAULT_LIMIT_MULTIPLE,
    DEFAULT_STOP,
    drain_of,
    largest_amps,
    network_of,
    nominal_volts,
    number_or,
    set_volts,
    sign_of,
    start_volts,
)
from bringup.core.elements import BACK_FEED_OHMS, CURRENT_KNEE, DEFAULT_KNEE_VOLTS, RUNAWAY, UNBOUNDED, Drain, Stage
from bringup.core.fault_check import SUPPLY_FAULTS, why_impossible
from bringup.core.faults import Fault, FaultKind
from bringup.core.frozen import frozen
from bringup.core.kept import kept
from bringup.core.parts import LOWER, NOMINAL, OUTPUT, REFERENCE, UPPER, Parts, nominal_of
from bringup.errors import BenchError

_OHMS = {
    FaultKind.UPPER_OPEN: (UPPER, inf),
    FaultKind.UPPER_SHORTED: (UPPER, 0.0),
    FaultKind.LOWER_OPEN: (LOWER, inf),
    FaultKind.LOWER_SHORTED: (LOWER, 0.0),
}
"""What a fault makes of a feedback resistor."""

PLAIN_MISMATCH = 0.2
"""A rail without a converter whose stated volts differ by more than this from its source has one we know nothing of."""


@frozen
class Net:
    """Points joined by plain connections. `points[0]` is the input or the rail whose converter makes the net."""

    points: tuple[str, ...]
    stage: Stage | None
    """None for the net of an input."""
    sign: float
    drain: Drain
    drains: dict[str, Drain]
    """The same, point by point."""
    children: tuple[tuple[int, str], ...]
    """Nets made from this one (index), and the point that each hangs from."""
    capacitance: float | None
    """F; None where the file states none for any of its points."""


@frozen
class Circuit:
    """All nets whose source is known, parents before children."""

    nets: tuple[Net, ...]
    net_of: dict[str, int]
    """Point -> index of its net. Points that nothing known feeds are absent."""
    plain_source: dict[str, str]
    """Rail -> source, for rails that are plain connections."""


@frozen
class Layout:
    """Which points are on one net and what hangs on it: the board without its values."""

    groups: list[list[str]]
    hangs: list[list[tuple[int, str]]]
    net_of: dict[str, int]
    plain_source: dict[str, str]


def circuit_of(board: Board, state: str | None, faults: Sequence[Fault], parts: Parts) -> Circuit:
    """Make a board ready to calculate. Raises BenchError for a fault that this board cannot have."""
    if not faults and parts is NOMINAL:
        return _sound(board, state)
    refuse_impossible(board, faults)
    return _made(board, state, faults, parts)


def _made(board: Board, state: str | None, faults: Sequence[Fault], parts: Parts) -> Circuit:
    layout = layout_of(board)
    nets = tuple(
        _net(board, points, tuple(children), state, faults, parts)
        for points, children in zip(layout.groups, layout.hangs, strict=True)
    )
    return Circuit(nets, layout.net_of, layout.plain_source)


@kept
def _sound(board: Board, state: str | None) -> Circuit:
    return _made(board, state, (), NOMINAL)


def refuse_impossible(board: Board, faults: Sequence[Fault]) -> None:
    """Raise BenchError for a fault that this board cannot have."""
    for fault in faults:
        why = why_impossible(board, fault)
        if why is not None:
            raise BenchError(f"A fault cannot be planted: {why}.", "Correct the fault, or the board file.")


@kept
def layout_of(board: Board) -> Layout:
    """Return the nets whose source is known, parents before children."""
    groups: list[list[str]] = [[name] for name in board.inputs]
    net_of = {name: index for index, name in enumerate(board.inputs)}
    hangs: list[list[tuple[int, str]]] = [[] for _ in groups]
    plain: dict[str, str] = {}
    pending = list(board.rails.values())
    while pending:
        placed = [rail for rail in pending if rail.source in net_of]
        if not placed:
            break
        for rail in placed:
            assert rail.source is not None, "a placed rail has a source"
            if rail.converter is None and _is_plain(board, rail):
                net_of[rail.name] = net_of[rail.source]
                groups[net_of[rail.name]].append(rail.name)
                plain[rail.name] = rail.source
            elif rail.converter is not None and nominal_volts(board, rail.name):
                net_of[rail.name] = len(groups)
                hangs[net_of[rail.source]].append((len(groups), rail.source))
                groups.append([rail.name])
                hangs.append([])
        pending = [rail for rail in pending if rail not in placed]
    return Layout(groups, hangs, net_of, plain)


def _net(
    board: Board,
    points: list[str],
    children: tuple[tuple[int, str], ...],
    state: str | None,
    faults: Sequence[Fault],
    parts: Parts,
) -> Net:
    root = points[0]
    drains = {name: _drain(board, name, state, faults) for name in points}
    whole = drains[root]
    for name in points[1:]:
        whole = whole.joined(drains[name])
    missing = any(fault.kind is FaultKind.CAPACITOR_MISSING and fault.point in points for fault in faults)
    capacitance = 0.0 if missing else farads_of(board, points)
    held = sum(fault.farads for fault in faults if fault.kind is FaultKind.CHARGED and fault.point in points)
    if held:
        capacitance = (capacitance or 0.0) + held
    stage = stage_of(board, board.rails[root], faults, parts) if root in board.rails else None
    return Net(tuple(points), stage, sign_of(board, root), whole, drains, children, capacitance)


def _drain(board: Board, name: str, state: str | None, faults: Sequence[Fault]) -> Drain:
    nominal = abs(nominal_volts(board, name) or 0.0)
    current_knee = CURRENT_KNEE * nominal or DEFAULT_KNEE_VOLTS
    drain = Drain()
    for load in board.point(name).loads:
        drain = drain.joined(drain_of(load.kind, load.value(state), nominal))
    for fault in faults:
        if fault.point != name or fault.value is None:
            continue
        if fault.kind is FaultKind.SHORTED_THROUGH:
            drain = drain.joined(Drain(siemens=1.0 / fault.value))
        elif fault.kind is FaultKind.EXCESS_LOAD:
            drain = drain.joined(Drain(currents=((fault.value, current_knee),)))
        elif fault.kind is FaultKind.BACK_FED:
            drain = drain.joined(Drain(feeds=((abs(fault.value), 1.0 / BACK_FEED_OHMS),)))
    return drain


def stage_of(board: Board, rail: Rail, faults: Sequence[Fault], parts: Parts) -> Stage:
    """Turn a rail's converter into numbers for one unit. The rail's nominal voltage must be known."""
    return _stage(board, rail, faults, parts) if faults or parts is not NOMINAL else _sound_stage(board, rail.name)


@kept
def _sound_stage(board: Board, rail: str) -> Stage:
    return _stage(board, board.rails[rail], (), NOMINAL)


def _stage(board: Board, rail: Rail, faults: Sequence[Fault], parts: Parts) -> Stage:
    converter = rail.converter
    nominal = abs(nominal_volts(board, rail.name) or 0.0)
    assert converter is not None, "a stage needs a converter"
    assert nominal, "a stage needs a nominal voltage"
    mine = [fault for fault in faults if fault.point == rail.name]
    start = start_volts(board, rail)
    efficiency = number_or(converter.efficiency, 100.0 * DEFAULT_EFFICIENCY) / 100.0
    linear = converter.kind is ConverterKind.LINEAR
    passes = any(fault.kind is FaultKind.PASSES_INPUT for fault in mine)
    return Stage(
        rail=rail.name,
        kind=converter.kind,
        sign=sign_of(board, rail.name),
        nominal=nominal,
        target=_target(rail.name, converter, nominal, mine, parts),
        fitted=all(fault.kind is not FaultKind.NOT_FITTED for fault in mine),
        start=start,
        stop=min(start, abs(number_or(converter.stops_at, DEFAULT_STOP * start))),
        soft_start=number_or(converter.soft_start, 0.0),
        efficiency=1.0 if passes else efficiency,
        dropout=0.0 if passes else number_or(converter.dropout, DEFAULT_DROPOUT if linear else 0.0),
        resistance=number_or(converter.output_resistance, 0.0),
        minimum_load=number_or(converter.minimum_load, 0.0),
        quiescent=number_or(converter.quiescent, 0.0),
        limit=inf if passes else limit_amps(board, rail, converter),
    )


def limit_amps(board: Board, rail: Rail, converter: Converter) -> float:
    """Amperes at which a converter limits: stated, or from what the rail may have to give, which takes long to find."""
    if converter.current_limit is not None:
        return converter.current_limit.number
    return max(DEFAULT_LIMIT_AMPS, DEFAULT_LIMIT_MULTIPLE * largest_amps(board, rail))


def farads_of(board: Board, points: Sequence[str]) -> float | None:
    """Capacitance of points joined by plain connections in F; None where the file states none for any of them."""
    stated = [farads.number for name in points if (farads := board.point(name).capacitance) is not None]
    return sum(stated, 0.0) if stated else None


def _target(name: str, converter: Converter, nominal: float, faults: Sequence[Fault], parts: Parts) -> float:
    """Volts that this unit's feedback aims at, faults included: see design_values.set_volts."""
    network = network_of(converter)
    other = next((fault.value for fault in faults if fault.kind is FaultKind.OTHER_PART), None)
    if any(fault.kind is FaultKind.PASSES_INPUT for fault in faults):
        return UNBOUNDED
    if network is None:
        return abs(parts.value(name, OUTPUT, nominal)) if other is None else other
    values = dict(zip((REFERENCE, UPPER, LOWER), network, strict=True))
    values = {part: parts.value(name, part, value) for part, value in values.items()}
    bounded_by_input = converter.kind in {ConverterKind.BUCK, ConverterKind.LINEAR}
    highest = UNBOUNDED if bounded_by_input else RUNAWAY * nominal
    for fault in faults:
        if fault.kind in _OHMS:
            part, ohms = _OHMS[fault.kind]
            values[part] = ohms
        if fault.kind is FaultKind.UPPER_VALUE and fault.value is not None:
            values[UPPER] = fault.value
        if fault.kind is FaultKind.LOWER_VALUE and fault.value is not None:
            values[LOWER] = fault.value
        if fault.kind is FaultKind.SWAPPED:
            values[UPPER], values[LOWER] = values[LOWER], values[UPPER]
    if other is not None:
        values[REFERENCE] = other
    return min(highest, set_volts(converter, values[REFERENCE], values[UPPER], values[LOWER]))


def _is_plain(board: Board, rail: Rail) -> bool:
    """Whether a rail without a converter can be a plain connection by what its file expects of it."""
    own = None if rail.expect is None else nominal_of(rail.expect)
    source = None if rail.source is None else nominal_volts(board, rail.source)
    return own is None or source is None or abs(own - source) <= PLAIN_MISMATCH * abs(source)


def without_supply_faults(faults: Sequence[Fault]) -> tuple[Fault, ...]:
    """Return the faults that lie on the board itself."""
    return tuple(fault for fault in faults if fault.kind not in SUPPLY_FAULTS)
