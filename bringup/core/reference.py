"""What the reference unit read, and how a reading differs from it. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from math import copysign

from bringup.core.frozen import frozen
from bringup.core.quantity import format_quantity

Key = tuple[int, str, str, str]
"""Index of the step, input or rail, kind of quantity, aspect."""
DIGITS = 3
"""Of a difference where the instrument says nothing of its digits."""


@frozen
class Reference:
    """`name`: what is marked as reference; `said`: by whom, when, why; `attempt`: id of the one that counts."""

    name: str
    said: str
    attempt: str
    values: Mapping[Key, float] = field(default_factory=dict)

    @property
    def words(self) -> str:
        """The reference in one sentence."""
        return f"readings are compared with the reference, {self.name} ({self.said})"


def difference(value: float, of: float, unit: str, resolution: float | None) -> str:
    """Return how far a value lies from another one, higher or lower on the number line: '+1.2 mV (+0.04 %)'."""
    apart = value - of
    if not resolution:
        apart = float(f"{apart:.{DIGITS}g}")
    shown = format_quantity(abs(apart), unit, resolution=resolution)
    text = f"{'-' if copysign(1.0, apart) < 0 and float(apart) else '+'}{shown}"
    return f"{text} ({round(100 * (value - of) / abs(of), 2) + 0.0:+.2f} %)" if of else text
