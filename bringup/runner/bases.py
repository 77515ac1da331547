"""How the computed limits of points came about, worked out once for each: readings are many, designs do not change."""

from __future__ import annotations

from dataclasses import dataclass, field

from bringup.core.board import Board
from bringup.core.expectation import basis_of, voltage_limits
from bringup.core.limits import Limits
from bringup.core.words import Kind, LimitsFrom


@dataclass(slots=True)
class Bases:
    """What was worked out so far."""

    known: dict[str, tuple[Limits, str]] = field(default_factory=dict)
    """Point -> its limits by the board file, and their basis."""

    def of(self, board: Board, point: str | None, kind: Kind, limits: Limits | None, limits_from: LimitsFrom) -> str:
        """Return the basis of limits of a point's volts; '' where they are not those that the board file gives it."""
        if limits is None or kind is not Kind.VOLTAGE or limits_from not in (LimitsFrom.COMPUTED, LimitsFrom.RULE):
            return ""
        if point is None or (point not in board.inputs and point not in board.rails):
            return ""
        if point not in self.known:
            own, origin = voltage_limits(board, point)
            if own is None:
                return ""
            self.known[point] = own, basis_of(board, point, origin)
        own, basis = self.known[point]
        return basis if own == limits else ""
