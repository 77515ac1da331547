"""Ohms over a capacitor: they climb while the meter charges it, and may be taken once they are high enough."""

from __future__ import annotations

from math import inf

from bringup.core.expectation import ASKED_BELOW
from bringup.core.limits import Limits
from bringup.core.replies import Value

RISING_FOR = 4
"""So many readings, each higher than the one before, are a capacitor charging from the meter ..."""
WELL_ABOVE = 2.0
"""... and once they are this many times above the only limit, the end need not be waited for beyond ..."""
CLIMB_FOR = 4.0
"""... so many seconds."""


UNJUDGED_FOR = 12.0
"""Seconds that a climb is waited for where nobody states limits: its end is what sisters are compared by."""


class Climb:
    """Whether ohms climb as over a capacitor, and are high enough to say so.

    Where nobody states limits, what is well above the ohms that are asked about is high enough.
    """

    def __init__(self, limits: Limits | None) -> None:
        self._low, self._for = ASKED_BELOW, UNJUDGED_FOR
        if limits is not None:
            only_low = limits.high is None and limits.low is not None
            self._low, self._for = float(limits.low) if only_low and limits.low is not None else inf, CLIMB_FOR
        self._last = -inf
        self._rises = 0

    def enough(self, value: Value, seconds: float) -> bool:
        """Take the next reading, after so many seconds; returns whether it may be taken as it is."""
        if value.number is None:
            return False
        self._rises = self._rises + 1 if value.number > self._last else 0
        self._last = value.number
        return seconds >= self._for and self._rises >= RISING_FOR and value.number >= WELL_ABOVE * self._low
