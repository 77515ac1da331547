"""Statistics of values that come one at a time and are not kept: count, mean and standard deviation, both exact.

The sums are kept as fractions, so that nothing is lost however many values come and however little they differ:
what is returned is the correctly computed figure, rounded once. Memory does not grow with the number of values.
"""

from __future__ import annotations

import math
from fractions import Fraction


class Running:
    """What has come so far. Values are finite floats of one unit."""

    def __init__(self) -> None:
        self.count = 0
        self._sum = Fraction(0)
        self._squares = Fraction(0)

    def add(self, value: float) -> None:
        """Take one more value. Raises ValueError for NaN, OverflowError for infinity."""
        exact = Fraction(value)
        self.count += 1
        self._sum += exact
        self._squares += exact * exact

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
