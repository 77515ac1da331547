"""What the reference unit read, and how a reading differs from it. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from math import copysign

from bringup.core.frozen import frozen
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.wording import listed

Key = tuple[int, str, str, str]
"""Index of the step, input or rail, kind of quantity, aspect."""
Point = tuple[str, str, str, str, str | None]
"""Kind of step, input or rail, kind of quantity, aspect, board state: what is the same in two procedures."""
DIGITS = 3
"""Of a difference where the instrument says nothing of its digits."""


@frozen
class Reference:
    """`name`: what is marked as reference; `said`: by whom, when, why; `attempt`: id of the one that counts."""

    name: str
    said: str
    attempt: str
    values: Mapping[Key, float] = field(default_factory=dict)
    procedure: str = ""
    """The other procedure in which it was read; '': the same, and `values` count."""
    points: Mapping[Point, float] = field(default_factory=dict)
    """What it read in that one, where a single step reads the point."""
    kinds: Sequence[str] = ()
    """Kinds of the steps of the procedure that is compared with that one."""
    states: Sequence[str | None] = ()
    """Board states that a unit has in it, step by step."""

    @property
    def words(self) -> str:
        """The reference in one sentence."""
        words = f"readings are compared with the reference, {self.name} ({self.said})"
        if self.procedure:
            words += f", as it was read in '{self.procedure}': the same points in the same board state only"
            there = {point[-1] for point in self.points}
            if there and there.isdisjoint(self.states):
                words += (
                    f". No point in common: it was read {in_states(there)}, here the board is {in_states(self.states)}"
                )
        return words

    @property
    def called(self) -> str:
        """How it is named beside a reading."""
        return f"reference {self.name}" + (f" in '{self.procedure}'" if self.procedure else "")

    def value_for(self, reading: Reading) -> float | None:
        """Return what the reference read there; None where it did not."""
        if not self.procedure:
            return self.values.get((reading.step, reading.point or "", reading.kind.value, reading.aspect))
        if reading.step >= len(self.kinds):
            return None
        kind = self.kinds[reading.step]
        return self.points.get((kind, reading.point or "", reading.kind.value, reading.aspect, reading.board_state))


def in_states(states: Iterable[str | None]) -> str:
    """Write board states as they are named: 'blank' and 'programmed'."""
    return listed(sorted({"in no stated board state" if state is None else f"'{state}'" for state in states}))


def difference(value: float, of: float, unit: str, resolution: float | None) -> str:
    """Return how far a value lies from another one, higher or lower on the number line: '+1.2 mV (+0.04 %)'."""
    apart = value - of
    if not resolution:
        apart = float(f"{apart:.{DIGITS}g}")
    shown = format_quantity(abs(apart), unit, resolution=resolution)
    text = f"{'-' if copysign(1.0, apart) < 0 and float(apart) else '+'}{shown}"
    return f"{text} ({round(100 * (value - of) / abs(of), 2) + 0.0:+.2f} %)" if of else text
