"""Below which volts a logged rail counts as collapsed: stated in the board file, else half its lower limit. Pure."""

from __future__ import annotations

from bringup.core.board import Board
from bringup.core.limits import Limits

PART = 0.5
"""Of the lower limit (by magnitude), where the board file states nothing: no sound rail comes near it."""


def collapse_level(board: Board, name: str, limits: Limits | None) -> float | None:
    """Return the volts (magnitude) below which the rail has collapsed; None: nothing says what it should be, or `0 V`.

    `limits`: what its readings are judged by. An input does not collapse on its own: the supply's looks see that.
    """
    if name not in board.rails:
        return None
    stated = board.rails[name].collapse_below
    if stated is not None:
        return abs(stated.number) or None
    if limits is None or limits.unit != "V":
        return None
    ends = [float(end) for end in (limits.low, limits.high) if end is not None]
    if not ends or min(ends) <= 0.0 <= max(ends):
        return None
    # Of a one-sided limit only the end that is away from zero says how much there should be.
    nearest = limits.low if ends[0] > 0 else limits.high
    return None if nearest is None else PART * abs(float(nearest))
