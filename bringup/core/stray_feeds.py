"""What may feed a point of a board whose supply is off, guessed from its volts. Pure.

Ports feed boards from behind: 5 V of a USB lead, a debug or serial lead through the protection diodes of the pins it is
on, a cell. The likeliest comes first; nothing is certain.
"""

from __future__ import annotations

from collections.abc import Iterator

FALLS = "what is left in capacitors: it falls"
USB = "a USB lead"
DEBUG = "a debug or serial lead"
CELL = "a cell"
OTHER = "another instrument"

# Volts by magnitude. USB 2.0: 4.40 V to 5.25 V at a port (7.2.2, table 7-7, from memory), less a diode on the board.
# A serial line of 3.3 V logic was seen to hold a rail at 2.8 V; coin cells give 2.0 V to 3.3 V, lithium ones up to
# 4.2 V (common practice, no source).
_RANGES = ((USB, 3.9, 5.4), (DEBUG, 0.8, 3.6), (CELL, 2.0, 4.2))


def likely_feeds(volts: float, *, falling: bool = False) -> tuple[str, ...]:
    """Return what may feed a point at so many volts, the likeliest first; everything else after it."""
    first = [FALLS] if falling else []
    fitting = [name for name, low, high in _RANGES if low <= abs(volts) <= high]
    return (*first, *fitting, *(name for name in _others() if name not in fitting))


def _others() -> Iterator[str]:
    yield from (DEBUG, USB, CELL, OTHER)
