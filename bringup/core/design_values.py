"""What the facts of a board file come to: designed voltages, signs, networks, start voltages, largest currents.

Pure. Defaults for what a file leaves out stand here, each common practice without a source. The circuit is made from
these; nothing here knows faults or units.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import inf

from bringup.core.board import Across, Board, Converter, ConverterKind, Load, LoadKind, Rail
from bringup.core.elements import CURRENT_KNEE, DEFAULT_KNEE_VOLTS, POWER_KNEE, Drain
from bringup.core.parts import nominal_of
from bringup.core.quantity import Quantity

DEFAULT_EFFICIENCY = 0.85
DEFAULT_DROPOUT = 0.3
DEFAULT_STOP = 0.9
"""Stop voltage as a fraction of the start voltage."""
DEFAULT_START_VOLTS = 2.5
"""Start voltage of a switching converter whose file states none (a buck: at least its output) ..."""
DEFAULT_START_SHARE = 0.8
"""... but never more than this fraction of what feeds it."""
DEFAULT_LIMIT_AMPS = 1.0
DEFAULT_LIMIT_MULTIPLE = 3.0
"""Current limit where none is stated: the larger of 1 A and three times the largest load the file knows of."""


def nominal_volts(board: Board, name: str) -> float | None:
    """Return the designed voltage of an input or rail, signed; None where the file does not say.

    The feedback network decides, else a fixed output, else the stated nominal value, else (plain connection) the
    source's voltage.
    """
    for point in _towards_input(board, name):
        if point in board.inputs:
            return board.inputs[point].voltage.number
        rail = board.rails[point]
        network = None if rail.converter is None else network_of(rail.converter)
        if network is not None and rail.converter is not None:
            return sign_of(board, point) * set_volts(rail.converter, *network)
        fixed = None if rail.converter is None or rail.converter.output is None else nominal_of(rail.converter.output)
        if fixed is not None:
            return sign_of(board, point) * fixed
        stated = None if rail.expect is None else nominal_of(rail.expect)
        if stated is not None or rail.converter is not None:
            return stated
    return None


def sign_of(board: Board, name: str) -> float:
    """Return +1 or -1: the stated sign of the point, else its source's, turned over by an inverting converter."""
    turned = 1.0
    for point in _towards_input(board, name):
        if point in board.inputs:
            return -turned if board.inputs[point].voltage.number < 0 else turned
        rail = board.rails[point]
        stated = None if rail.expect is None else nominal_of(rail.expect)
        if stated:
            return -turned if stated < 0 else turned
        if rail.converter is not None and rail.converter.kind is ConverterKind.INVERTING:
            turned = -turned
    return turned


def _towards_input(board: Board, name: str) -> Iterator[str]:
    """The point, its source, and so on as far as the file tells; a ring of rails ends where it closes."""
    seen: set[str] = set()
    point: str | None = name
    while point is not None and point not in seen:
        seen.add(point)
        yield point
        point = board.rails[point].source if point in board.rails else None


def start_volts(board: Board, rail: Rail) -> float:
    """Return the input magnitude at which the rail's converter starts: stated, else a default (0 for linear)."""
    assert rail.converter is not None, "a plain connection does not start"
    if rail.converter.starts_at is not None:
        return abs(rail.converter.starts_at.number)
    if rail.converter.kind is ConverterKind.LINEAR:
        return 0.0
    start = DEFAULT_START_VOLTS
    if rail.converter.kind is ConverterKind.BUCK:
        start = max(start, abs(nominal_volts(board, rail.name) or 0.0))
    source = None if rail.source is None else nominal_volts(board, rail.source)
    return start if not source else min(start, DEFAULT_START_SHARE * abs(source))


def network_of(converter: Converter) -> tuple[float, float, float] | None:
    """Nominal reference (magnitude), upper and lower; None unless all three are stated."""
    if converter.reference is None or converter.upper is None or converter.lower is None:
        return None
    stated = (nominal_of(converter.reference), nominal_of(converter.upper), nominal_of(converter.lower))
    reference, upper, lower = stated
    if reference is None or upper is None or not lower:
        return None
    return abs(reference), upper, lower


def far_and_near(converter: Converter, upper: float, lower: float) -> tuple[float, float]:
    """Return the feedback resistor that the reference does not stand across, and the one that it does."""
    return (upper, lower) if converter.reference_across is Across.LOWER else (lower, upper)


def set_volts(converter: Converter, reference: float, upper: float, lower: float) -> float:
    """Return the output magnitude that a network sets: reference * (1 + far / near) + feedback current * far.

    A resistor of no ohms is shorted, an infinite one open: infinite volts where the feedback then sees nothing.
    """
    far, near = far_and_near(converter, upper, lower)
    if near == 0.0 or far == inf:
        return inf
    return reference * (1.0 + far / near) + feedback_amps(converter) * far


def feedback_amps(converter: Converter) -> float:
    """Return the nominal feedback current in A; 0 where none is stated."""
    stated = None if converter.feedback_current is None else nominal_of(converter.feedback_current)
    return 0.0 if stated is None else stated


def drain_of(kind: LoadKind, value: float, nominal: float) -> Drain:
    """Return what a load of that kind and value draws at a point of that nominal voltage (magnitude)."""
    if kind is LoadKind.CURRENT:
        return Drain(currents=((value, CURRENT_KNEE * nominal or DEFAULT_KNEE_VOLTS),)) if value else Drain()
    if kind is LoadKind.POWER:
        return Drain(powers=((value, POWER_KNEE * nominal or DEFAULT_KNEE_VOLTS),)) if value else Drain()
    return Drain(siemens=1.0 / value) if value > 0.0 else Drain()


def largest_amps(board: Board, rail: Rail) -> float:
    """Largest current in A that the file knows to leave that rail, everything at its nominal voltage."""
    volts = abs(nominal_volts(board, rail.name) or 0.0)
    total = sum(_largest(load, volts) for load in rail.loads)
    for child in board.fed_from(rail.name):
        amps = largest_amps(board, child)
        if child.converter is not None and child.converter.kind is not ConverterKind.LINEAR and volts:
            efficiency = number_or(child.converter.efficiency, 100.0 * DEFAULT_EFFICIENCY) / 100.0
            amps *= abs(nominal_volts(board, child.name) or 0.0) / (efficiency * volts)
        total += amps
    return total


def _largest(load: Load, volts: float) -> float:
    values = [load.default, *load.by_state.values()]
    return max(drain_of(load.kind, value, volts).amps(volts) for value in values)


def number_or(quantity: Quantity | None, default: float) -> float:
    """Return a stated quantity's number, else the default."""
    return default if quantity is None else quantity.number
