"""What a step reads of a board without power: ohms to ground and between points. Pure."""

from __future__ import annotations

from bringup.core.frozen import frozen
from bringup.core.sisters import LEAST_SISTERS


@frozen
class Pair:
    """Two points between which something is measured: the red lead on the first, the black one on the second."""

    first: str
    second: str

    def __str__(self) -> str:
        """As a procedure writes it: '12V0 to 5V0'."""
        return f"{self.first} to {self.second}"


REVERSED = "reversed"
"""Word after a point or pair whose limits are for the leads the other way round."""


@frozen
class Resistance:
    """Unpowered resistance to ground at each point, then between the points of each pair.

    Limits: the step's `expect`, else, to ground with the red lead on the point, the board's `ground`.
    """

    points: tuple[str, ...]
    pairs: tuple[Pair, ...] = ()
    both_polarities: bool = False
    """Each once more with the leads the other way round: a junction conducts one way, metal both."""
    sisters: int = LEAST_SISTERS
    """Passed units that it takes to judge by them what nobody states limits for; 0: never."""

    @property
    def besides(self) -> str:
        """What is read beside ohms to ground, in words."""
        return (" and between points" if self.pairs else "") + (", both polarities" if self.both_polarities else "")

    @property
    def touched(self) -> tuple[str, ...]:
        """Every point that a lead is put on, each once."""
        paired = (name for pair in self.pairs for name in (pair.first, pair.second))
        return tuple(dict.fromkeys((*self.points, *paired)))

    @property
    def read(self) -> tuple[str, ...]:
        """Name of each reading, by which limits are stated, in order: '5V0', '5V0 reversed', '12V0 to 5V0'."""
        forward = (*self.points, *map(str, self.pairs))
        ways = ("", f" {REVERSED}") if self.both_polarities else ("",)
        return tuple(f"{name}{way}" for name in forward for way in ways)
