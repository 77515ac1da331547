"""Ohms over a capacitor: they climb while the meter charges it, and may be taken once they are high enough."""

from __future__ import annotations

from bringup.core.limits import Limits
from bringup.core.replies import Value

RISING_FOR = 4
"""So many readings, each higher than the one before, are a capacitor charging from the meter ..."""
WELL_ABOVE = 2.0
"""... and once they are this many times above the only limit, the end need not be waited for beyond ..."""
CLIMB_FOR = 4.0
"""... so many seconds."""


class Climb:
    """Whether ohms climb as over a capacitor, and are high enough to say so."""

    def __init__(self, limits: Limits | None) -> None:
        self._low = None if limits is None or limits.high is not None or limits.low is None else float(limits.low)
        self._last = float("-inf")
        self._rises = 0

    def enough(self, value: Value) -> bool:
        """Take the next reading; returns whether it may be taken as it is."""
        if value.number is None:
            return False
        self._rises = self._rises + 1 if value.number > self._last else 0
        self._last = value.number
        return self._low is not None and self._rises >= RISING_FOR and value.number >= WELL_ABOVE * self._low
