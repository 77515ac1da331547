"""How far an instrument may be off, as data sheets write it: a part of the value plus a fixed amount. Pure."""

from __future__ import annotations

from decimal import Decimal

from bringup.core.frozen import frozen
from bringup.core.quantity import Quantity, parse_quantity
from bringup.errors import NotationError


@frozen
class Accuracy:
    """A limit of error of a voltage. Decimal, so that sums and bounds are exact."""

    percent: Decimal
    """Of the value."""
    volts: Decimal

    def at(self, volts: Decimal) -> Decimal:
        """Return how many volts it may be off at that voltage."""
        return abs(volts) * self.percent / 100 + self.volts

    def __str__(self) -> str:
        return f"{self.percent.normalize():f} % + {(self.volts * 1000).normalize():f} mV"


OF_SUPPLY = Accuracy(Decimal("0.5"), Decimal("0.02"))
OF_METER = Accuracy(Decimal("0.5"), Decimal("0.005"))
"""Where the bench file states none: what plain instruments in order keep (common practice, no source)."""


def parse_accuracy(text: str) -> Accuracy:
    """Read `0.05 % + 10 mV`, also one of the two alone, also with a plus-minus sign before. Raises NotationError."""
    found: dict[str, Decimal] = {}
    offset = 0
    for part in text.split("+"):
        written = part.strip().removeprefix("±").strip()
        value = _read(written, text, offset)
        if value.unit not in ("%", "V"):
            raise NotationError(f"'{written}' is neither percent nor volts", text=text, offset=offset)
        if value.unit in found:
            raise NotationError(f"'{text}' gives {value.unit} twice", text=text, offset=offset)
        if value.value < 0:
            raise NotationError(f"'{written}' is below zero", text=text, offset=offset)
        found[value.unit] = value.value
        offset += len(part) + 1
    if not any(found.values()):
        raise NotationError(f"'{text}': no instrument is exact", text=text, offset=0)
    return Accuracy(found.get("%", Decimal(0)), found.get("V", Decimal(0)))


def _read(written: str, text: str, offset: int) -> Quantity:
    try:
        return parse_quantity(written)
    except NotationError as error:
        way_out = "Write a part of the value and volts, such as 0.05 % + 10 mV."
        raise NotationError(error.message, text=text, offset=offset, what_to_do=way_out) from error
