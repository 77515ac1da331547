"""What the same reading on sister units says of one that nobody states limits for. Pure.

Ohms of an unpowered rail go through semiconductors and differ from one board to the next; a short, a missing or a wrong
part changes them by far more.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity

LEAST_SISTERS = 3
"""Passed units that it takes by default to judge another one by (common practice, no source)."""
WITHIN = 2.0
"""Factor about the sisters' median that is like them (common practice, no source); what they read is, too."""
LEAST_OHMS = 0.5
"""Differences up to this are contacts and leads (common practice, no source)."""


def learnt_from(count: int) -> str:
    """Say from how many units limits were learnt."""
    return f"learnt from {count} units that passed"


def like_sisters(ohms: Sequence[float]) -> Limits | None:
    """Return within what a reading (ohm) is like those of its sisters; None where they say nothing."""
    known = sorted(each for each in ohms if each > 0.0)
    if not known:
        return None
    middle = (known[len(known) // 2] + known[(len(known) - 1) // 2]) / 2.0
    low = max(0.0, min(*known, middle / WITHIN, middle - LEAST_OHMS))
    high = max(*known, middle * WITHIN, middle + LEAST_OHMS)
    many = f"{len(known)} passed sisters, median {format_quantity(middle, 'ohm')}"
    bottom, top = (Decimal(f"{end:.4g}") for end in (low, high))
    text = f"{format_quantity(float(bottom), 'ohm')} .. {format_quantity(float(top), 'ohm')} ({many})"
    return Limits("ohm", low=bottom, high=top, nominal=Decimal(f"{middle:.4g}"), text=text)
