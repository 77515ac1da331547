"""Converters with other parts than the board file has, as far as a reading points there: for a diagnosis. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bringup.core.board import Board, ConverterKind, Rail
from bringup.core.design_values import (
    DEFAULT_DROPOUT,
    far_and_near,
    feedback_amps,
    network_of,
    nominal_volts,
    number_or,
)
from bringup.core.evidence import Evidence, Seen
from bringup.core.faults import Fault, FaultKind

REFERENCES = (0.5, 0.6, 0.8, 1.0, 1.2, 1.215, 1.225, 1.25, 2.5)
"""Volts that references of converters usually have (common practice, no source)."""
FIXED = (1.0, 1.2, 1.5, 1.8, 2.5, 2.8, 3.0, 3.3, 5.0, 9.0, 12.0, 15.0)
"""Volts that converters with a fixed output usually make (common practice, no source)."""
NEAR = 0.03
"""A reading within this fraction of what another part would make points to it."""
PASSED = 0.03
"""A reading within this fraction of what feeds the rail points to a converter that passes its input."""


def other_parts(board: Board, seen: Sequence[Evidence]) -> Iterator[Fault]:
    """Yield feedback resistors swapped, another reference or fixed part, a converter that passes its input."""
    for one in seen:
        if one.seen is not Seen.VOLTS or not one.failed or one.point not in board.rails:
            continue
        rail = board.rails[one.point]
        if rail.converter is None:
            continue
        network = network_of(rail.converter)
        if network is not None and network[1] > 0.0:
            yield Fault(one.point, FaultKind.SWAPPED)
        source = _source_volts(board, rail, one)
        for value in _others(board, rail, abs(one.value), source):
            yield Fault(one.point, FaultKind.OTHER_PART, value)
        passes = rail.converter.kind in (ConverterKind.BUCK, ConverterKind.LINEAR)
        if passes and source and abs(abs(one.value) - source) <= PASSED * source:
            yield Fault(one.point, FaultKind.PASSES_INPUT)


def _others(board: Board, rail: Rail, volts: float, source: float) -> Iterator[float]:
    """Yield references (outputs of fixed parts) that would make these volts, the right one left out."""
    assert rail.converter is not None, "asked of rails with a converter"
    network = network_of(rail.converter)
    if network is None:
        own = abs(nominal_volts(board, rail.name) or 0.0)
        others = [value for value in FIXED if abs(value - own) > NEAR * own]
        usual = [value for value in others if abs(volts - value) <= NEAR * value]
        yield from usual
        if not usual and rail.converter.output is None and volts > NEAR * own < abs(volts - own):
            yield float(f"{volts:.3g}")  # the file does not say how its volts are set: they may be set to any
        if rail.converter.kind is ConverterKind.LINEAR and source:
            # A part for more volts than its input leaves gives just these: the least of such parts stands for all.
            left = source - number_or(rail.converter.dropout, DEFAULT_DROPOUT)
            if left > 0.0 and abs(volts - left) <= NEAR * left:
                yield from [value for value in others if value > left][:1]
        return
    far, near = far_and_near(rail.converter, network[1], network[2])
    for value in REFERENCES:
        made = value * (1.0 + far / near) + feedback_amps(rail.converter) * far
        if abs(value - network[0]) > NEAR * network[0] and abs(volts - made) <= NEAR * made:
            yield value


def _source_volts(board: Board, rail: Rail, one: Evidence) -> float:
    if rail.source is None:
        return 0.0
    return abs(one.inputs.get(rail.source, nominal_volts(board, rail.source) or 0.0))
