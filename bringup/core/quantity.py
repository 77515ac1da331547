"""Quantities as a data sheet writes them: text to number and back. The only door to quantiphy."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

UNITS = ("V", "A", "ohm", "W", "s", "Hz", "degC", "F", "%")
"""The units we know, in the spelling in which they are computed and stored."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with a unit, exact. `value` is in the base unit (3300 for '3.3 kohm'); percent stays percent."""

    value: Decimal
    unit: str
    text: str = ""
    """As written."""

    @property
    def number(self) -> float:
        """The value in binary floating point."""
        return float(self.value)

    def __str__(self) -> str:
        return format_quantity(self.value, self.unit)


def parse_quantity(text: str, unit: str | None = None) -> Quantity:
    """Read '3.3 V', '66 mV', '140 kΩ', '4k7' where unit is 'ohm'. Raises NotationError."""
    raise NotImplementedError


def format_quantity(value: float | Decimal, unit: str, *, resolution: float | None = None) -> str:
    """Write with an SI prefix: '3.306 V', '-12 V', '499 mA', '10 kΩ'. No digit finer than `resolution`."""
    raise NotImplementedError
