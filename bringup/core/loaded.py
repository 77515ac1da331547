"""The board with what an electronic load draws from it: the load is one more consumer to the budget. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from bringup.core.bench import LoadCeiling
from bringup.core.board import Board, Load, LoadKind
from bringup.core.frozen import frozen
from bringup.core.quantity import Quantity

KIND_OF_MODE = {"current": LoadKind.CURRENT, "resistance": LoadKind.RESISTANCE, "power": LoadKind.POWER}
NAME = "electronic load"
OVER, OVER_LEAST = 1.25, 0.05
"""The load's own protections lie this far above what it should draw, and at least so many A or W: its overshoot at
turn-on must not trip them (common practice, no source)."""


@frozen
class LoadProtection:
    """Levels of the load's own protections for one draw, and the least that each must allow. A and W; None: unknown."""

    over_current: float | None
    over_power: float | None
    amps: float = 0.0
    watts: float = 0.0


def load_protection(mode: str, level: float, volts: tuple[float, float], ceiling: LoadCeiling) -> LoadProtection:
    """Return the levels for a draw from a point that carries `volts` (lowest, highest, by magnitude), within a ceiling.

    Constant power draws the more current the fewer volts there are. Where the volts are not known (0), what depends on
    them is bounded by the ceiling alone.
    """
    low, high = volts
    amps = max(amps_drawn(mode, level, each) for each in (low or high, high)) if high or mode == "current" else None
    watts = max(amps_drawn(mode, level, each) * each for each in (low, high)) if high else None
    watts = level if mode == "power" else watts
    over_current, over_power = _over(amps, ceiling.current), _over(watts, ceiling.power)
    return LoadProtection(over_current, over_power, amps or 0.0, watts or 0.0)


def _over(most: float | None, ceiling: Quantity | None) -> float | None:
    levels = [] if most is None else [max(OVER * most, most + OVER_LEAST)]
    return min([*levels, *([] if ceiling is None else [ceiling.number])], default=None)


def loaded_board(board: Board, draws: Iterable[tuple[str, str, float]]) -> Board:
    """Return the board with these draws (point, mode, level in A, ohm or W) added to the loads of its points."""
    draws = tuple(draws)
    if not draws:
        return board
    inputs, rails = dict(board.inputs), dict(board.rails)
    for point, mode, level in draws:
        drawn = Load(NAME, KIND_OF_MODE[mode], level)
        if point in inputs:
            inputs[point] = replace(inputs[point], loads=(*inputs[point].loads, drawn))
        elif point in rails:
            rails[point] = replace(rails[point], loads=(*rails[point].loads, drawn))
    return replace(board, inputs=inputs, rails=rails)


def amps_drawn(mode: str, level: float, volts: float) -> float:
    """Return the current that a draw takes at that voltage (magnitude)."""
    if mode == "current":
        return level
    if mode == "resistance":
        return volts / level if level > 0.0 else 0.0
    return level / volts if volts > 0.0 else 0.0
