"""What a unit lacks of what the board house did not place."""

from __future__ import annotations

from dataclasses import dataclass, field

from bringup.core.placement import NOTHING_LACKS, Incomplete, Placed


@dataclass(slots=True)
class Lacking:
    """What became of each part, and what follows from it."""

    parts: dict[str, str] = field(default_factory=dict)
    """Part that was not placed -> what became of it, also in earlier attempts."""
    known: Incomplete = NOTHING_LACKS
    """What misses a part: its readings never pass."""
    shortfalls: list[str] = field(default_factory=list)
    """In words: whatever else is found, the attempt is incomplete."""

    @property
    def missing(self) -> list[str]:
        """Parts that are missing."""
        return [part for part, said in self.parts.items() if said == Placed.MISSING]
