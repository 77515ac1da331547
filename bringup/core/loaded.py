"""The board with what an electronic load draws from it: the load is one more consumer to the budget. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from bringup.core.board import Board, Load, LoadKind

KIND_OF_MODE = {"current": LoadKind.CURRENT, "resistance": LoadKind.RESISTANCE, "power": LoadKind.POWER}
NAME = "electronic load"


def loaded_board(board: Board, draws: Iterable[tuple[str, str, float]]) -> Board:
    """Return the board with these draws (point, mode, level in A, ohm or W) added to the loads of its points."""
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
