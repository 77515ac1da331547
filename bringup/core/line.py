"""The straight line through values that come one at a time and are not kept: least squares over time. Pure.

Means and products about the means are carried on from value to value, so that nothing large is subtracted from
something nearly as large, and memory does not grow with the number of values.
"""

from __future__ import annotations

import math

LEAST_FOR_A_LINE = 2
LEAST_FOR_AN_ERROR = 3
"""Through two points a line goes exactly: how uncertain its slope is shows from the third on."""


class StraightLine:
    """What has come so far. Moments are seconds, values finite floats of one unit."""

    def __init__(self) -> None:
        self.count = 0
        self.first = self.last = 0.0
        """Moments of the first and the last value."""
        self._mean_moment = self._mean_value = 0.0
        self._moments = self._values = self._both = 0.0
        # Sums of (t - mean t)^2, (x - mean x)^2, (t - mean t)(x - mean x).

    def add(self, moment: float, value: float) -> None:
        """Take one more value."""
        if not self.count:
            self.first = moment
        self.last = moment
        self.count += 1
        ahead, beside = moment - self._mean_moment, value - self._mean_value
        self._mean_moment += ahead / self.count
        self._mean_value += beside / self.count
        self._moments += ahead * (moment - self._mean_moment)
        self._values += beside * (value - self._mean_value)
        self._both += ahead * (value - self._mean_value)

    @property
    def span(self) -> float:
        """Seconds from the first value to the last."""
        return self.last - self.first

    @property
    def slope(self) -> float | None:
        """Change a second; None of fewer than two values, or where all came at one moment."""
        if self.count < LEAST_FOR_A_LINE or not self._moments > 0.0:
            return None
        return self._both / self._moments

    @property
    def slope_error(self) -> float | None:
        """Standard deviation of the slope, from how far the values lie off the line; None of fewer than three."""
        slope = self.slope
        if slope is None or self.count < LEAST_FOR_AN_ERROR:
            return None
        beside = max(0.0, self._values - slope * self._both)
        return math.sqrt(beside / (self.count - 2) / self._moments)
