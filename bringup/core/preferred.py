"""Preferred values of resistors: the series E24, E96 and E192 of IEC 60063, and what is in none of them.

Pure. E96 and E192 are the rounded geometric series, E192 with its one exception; E24 is its own list.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from decimal import Decimal

from bringup.core.board import Board
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.quantity import EXACT, format_quantity

E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
E192 = tuple(920 if step == 185 else round(100 * 10 ** (step / 192)) for step in range(192))  # noqa: PLR2004 - 919 is not
E96 = E192[::2]

SERIES = {"E24": tuple(10 * value for value in E24), "E96": E96, "E192": E192}
"""Name -> the values of one decade, from 100 to 1000, in the order in which they are looked through."""


@frozen
class OddPart:
    """A resistor whose stated value is made in no series: which rail's, which part, and what is made next to it."""

    rail: str
    part: str
    ohms: Decimal
    below: Decimal
    above: Decimal

    @property
    def message(self) -> str:
        """The query, in words."""
        value, below, above = (format_quantity(ohms, "ohm") for ohms in (self.ohms, self.below, self.above))
        return (
            f"the {self.part} feedback resistor of {self.rail} is {value}, which is in none of E24, E96 and E192 "
            f"(IEC 60063); next to it are {below} and {above}"
        )

    what_to_do = "Correct it if it is a slip. What two resistors make together may be any value."


def series_of(ohms: Decimal) -> str:
    """Return the first of E24, E96, E192 that has this value; '' where none does, or for 0 and below."""
    if ohms <= 0:
        return ""
    digits = _in_hundreds(ohms)
    return next((name for name, values in SERIES.items() if digits in values), "")


def next_to(ohms: Decimal) -> tuple[Decimal, Decimal]:
    """Return the values of E24 and E192 just below and just above one that is in no series."""
    digits, power = _in_hundreds(ohms), ohms.adjusted() - 2
    every = sorted({*SERIES["E24"], *E192, 1000})
    below = max(value for value in every if value <= digits)
    above = min(value for value in every if value > digits)
    return Decimal(below).scaleb(power), Decimal(above).scaleb(power)


def odd_parts(board: Board) -> Iterator[OddPart]:
    """Every feedback resistor of the board whose stated value is in no series, in the order of the file."""
    for rail in board.rails.values():
        if rail.converter is None:
            continue
        for part, limits in (("upper", rail.converter.upper), ("lower", rail.converter.lower)):
            ohms = _nominal(limits)
            if ohms is not None and ohms > 0 and not series_of(ohms):
                yield OddPart(rail.name, part, ohms, *next_to(ohms))


def _nominal(limits: Limits | None) -> Decimal | None:
    return None if limits is None else limits.nominal


def _in_hundreds(ohms: Decimal) -> Decimal:
    """The value shifted by powers of ten into 100 .. 999.99."""
    return EXACT.scaleb(ohms, 2 - math.floor(ohms.adjusted()))
