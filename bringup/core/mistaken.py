"""Readings that say something of the meter and not of the board: all of them wrong alike, or none taken. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

from bringup.core.board import Board
from bringup.core.evidence import Evidence, Seen
from bringup.core.frozen import frozen
from bringup.core.solver import solve

LEAST_POINTS = 3
"""So many voltages at least make a ratio (common practice, no source)."""
ALIKE = 0.03
"""Ratios that lie within this of their median may be one: as far as parts let sound rails lie from what they should."""
LEAST_RATIO = 0.006
"""A smaller deviation is within what meters and boards do."""
NOTHING = 0.02
"""Below this fraction of what is expected, a reading is none."""
THERE = 0.5
"""From this fraction of what is expected on, a rail is up."""


@frozen
class MeterMistake:
    """Either `lost`, a current that was not measured, or `scale`: what every voltage was multiplied by."""

    lost: Evidence | None = None
    scale: float = 1.0


def meter_mistakes(board: Board, seen: Sequence[Evidence]) -> Iterator[MeterMistake]:
    """Yield what the meter may have done to these readings."""
    ratios = []
    for one in seen:
        if one.seen is Seen.VOLTS and not one.unsettled:
            expected = solve(board, one.inputs, state=one.state).volts.get(one.point, 0.0)
            if expected:
                ratios.append(one.value / expected)
    if len(ratios) >= LEAST_POINTS:
        middle = median(ratios)
        if max(map(abs, ratios)) < NOTHING:
            yield MeterMistake(scale=0.0)
        elif abs(middle - 1.0) > LEAST_RATIO and all(abs(ratio - middle) <= ALIKE for ratio in ratios):
            yield MeterMistake(scale=float(f"{middle:.4g}"))
    if not any(ratio >= THERE for ratio in ratios):
        return
    for one in seen:
        if one.seen is Seen.AMPS and one.failed:
            expected = solve(board, one.inputs, state=one.state).input_amps.get(one.point, 0.0)
            if abs(one.value) < NOTHING * abs(expected):
                yield MeterMistake(lost=one)
