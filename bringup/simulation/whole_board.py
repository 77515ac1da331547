"""A board file made whole enough to be simulated: rails it says too little about get a plausible converter.

A tiny board file names rails and limits and nothing else. The solver leaves such rails unknown; the simulation, which
has to show something at every probe point, assumes that they come from the first input and read their stated value.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.board import Board, Converter, ConverterKind, Input, Rail
from bringup.core.circuit import circuit_of
from bringup.core.design_values import nominal_volts
from bringup.core.parts import NOMINAL
from bringup.core.quantity import Quantity

_STARTS_AT_TENTHS = 7
"""An assumed converter starts at this many tenths of its input's nominal voltage."""


def whole(board: Board) -> Board:
    """Return the board with an assumed converter on every rail whose voltage is stated but whose source is not."""
    if not board.inputs:
        return board
    known = circuit_of(board, None, (), NOMINAL).net_of
    rails = {name: rail if name in known else _assumed(board, rail) for name, rail in board.rails.items()}
    return replace(board, rails=rails)


def _assumed(board: Board, rail: Rail) -> Rail:
    volts = nominal_volts(board, rail.name)
    source = rail.source if rail.source in board.inputs else None
    feeding: Input = board.inputs[source] if source is not None else next(iter(board.inputs.values()))
    if not volts or (rail.source is not None and rail.converter is not None):
        return rail
    if rail.converter is not None:
        return replace(rail, source=feeding.name)
    kind = ConverterKind.LINEAR if abs(volts) <= abs(feeding.voltage.number) else ConverterKind.INVERTING
    starts_at = Quantity(abs(feeding.voltage.value) * _STARTS_AT_TENTHS / 10, "V")
    assumed = Converter(kind, starts_at=starts_at, dropout=Quantity(0 * feeding.voltage.value, "V"))
    return replace(rail, source=feeding.name, converter=assumed)
