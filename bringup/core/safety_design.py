"""What of the board file itself is worth a second look: odd resistor values, limits narrower than their parts. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.board import Board
from bringup.core.design_limits import all_designed, narrower
from bringup.core.finding import Finding
from bringup.core.preferred import odd_parts


def examine_design(board: Board) -> Iterator[Finding]:
    """Find what may be a slip in the board file. Warnings only: the person decides."""
    for part in odd_parts(board):
        yield Finding(None, part.message, part.what_to_do, refused=False)
    for rail in all_designed(board):
        if said := narrower(board, rail):
            way_out = "Widen them if the board works within the worst case, or state parts with closer tolerances."
            yield Finding(None, said, way_out, refused=False)
