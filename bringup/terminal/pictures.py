"""Small pictures in text: a reading's place between its limits, a bar that fills. Pure functions, fixed width."""

from __future__ import annotations

from bringup.core.frozen import frozen
from bringup.core.limits import Limits


@frozen
class Signs:
    """The signs that a terminal can show."""

    left: str
    right: str
    line: str
    nominal: str
    value: str
    below: str
    above: str
    block: str
    """What large letters are drawn with."""
    cursor: str


UNICODE = Signs("├", "┤", "─", "┼", "◆", "◀", "▶", "█", "▏")
ASCII = Signs("[", "]", "-", "+", "#", "<", ">", "#", "_")

WIDE = 21
NARROW = 9
"""Columns between the two limits."""


def place(value: float | None, limits: Limits | None, signs: Signs = UNICODE, width: int = WIDE) -> str:
    """Draw where a value lies: ` ├────◆─────┤ `; outside, an arrow on that side. Always `width` + 4 columns.

    It is the number line, low on the left, for negative rails too: -12.3 V is left of -12 V.

    One-sided limits are drawn with an open end; the scale then runs from the limit to twice it (or half).
    """
    blank = " " * (width + 4)
    if limits is None or value is None or (limits.low is None and limits.high is None):
        return blank
    low, high = _scale(limits)
    if not high > low:
        return blank
    cells = [signs.line] * width
    if limits.nominal is not None and low <= float(limits.nominal) <= high:
        cells[_cell(float(limits.nominal), low, high, width)] = signs.nominal
    before, after = " ", " "
    if limits.accepts(value):
        cells[_cell(min(max(value, low), high), low, high, width)] = signs.value
    elif value < low or (limits.low is not None and value < float(limits.low)):
        before = signs.below
    else:
        after = signs.above
    left = signs.left if limits.low is not None else signs.line
    right = signs.right if limits.high is not None else signs.line
    return before + left + "".join(cells) + right + after


def _scale(limits: Limits) -> tuple[float, float]:
    if limits.low is not None and limits.high is not None:
        return float(limits.low), float(limits.high)
    if limits.high is not None:
        high = float(limits.high)
        return (high - max(abs(high), 1e-12), high)
    assert limits.low is not None
    low = float(limits.low)
    return (low, low + max(abs(low), 1e-12))


def _cell(value: float, low: float, high: float, width: int) -> int:
    return min(width - 1, max(0, int((value - low) / (high - low) * (width - 1) + 0.5)))
