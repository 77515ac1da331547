"""Whether what a point carries when it is powered is a measure of what a person types of it.

A rail that a step expects off is to read what would be a slip of the hand at full voltage.
"""

from __future__ import annotations

from bringup.core.entry import NEAR
from bringup.core.expectation import voltage_limits
from bringup.runner.work import Work


def expected_as_powered(work: Work, point: str, around: float | None) -> bool:
    """Whether something feeds the board and the volts expected at the point, if known, are those of its own limits."""
    if work.setup.supply is not None and not work.power.on:
        return False
    if point not in work.board.inputs and point not in work.board.rails:
        return False  # the leads on two points, or on none: only what is dead is measured so
    limits = voltage_limits(work.board, point)[0]
    if around is None or limits is None:
        return True
    ends = [abs(float(end)) for end in (limits.low, limits.high) if end is not None]
    least = (1 - NEAR) * min(ends) if len(ends) > 1 else 0.0
    return least <= abs(around) <= (1 + NEAR) * max(ends, default=abs(around))
