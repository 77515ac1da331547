"""What an input draws: a current or a power that flows into the supply is never within an upper limit alone.

A board that is fed from elsewhere (a debug lead, a battery, another input) pushes current back, and would otherwise
pass whatever says only how much it may draw.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from bringup.core.budget import FLOOR
from bringup.core.limits import Limits


def drawn(limits: Limits, *, resolution: float | None = None, volts: float = 1.0) -> Limits:
    """Return limits that state an upper end alone with the lower end they imply; others as they are.

    A reading of nothing may be below zero by what a supply's own current reading may be off, or by the last digit of
    a coarse one (`resolution`, in the unit of the limits). `volts`: of the input, where the limits are in watts.
    """
    if limits.high is None or limits.low is not None:
        return limits
    off = FLOOR * (abs(volts) if limits.unit == "W" else 1.0)
    low = -max(Decimal(repr(off)), Decimal(repr(resolution or 0.0)))
    return limits if limits.high < low else replace(limits, low=low, text="")
