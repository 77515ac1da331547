"""Rails of which nobody has said what damages them: worth a note, for nothing cuts power there. Pure."""

from __future__ import annotations

from bringup.core.board import Board
from bringup.core.wording import listed


def unbounded(board: Board) -> str:
    """Say which probed rails state no `damage_above`, and what that means; '' where all do."""
    names = [rail.name for rail in board.rails.values() if rail.probe and rail.damage_above is None]
    if not names:
        return ""
    states = "states" if len(names) == 1 else "state"
    return (
        f"{listed(names)} {states} no `damage_above` in the board file: too high a voltage fails a reading there, "
        "but cuts no power"
    )
