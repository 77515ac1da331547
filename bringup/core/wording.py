"""Numbers as people read them in a line of text: short, with the digits that matter. Nothing is judged by these."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence

from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity

MINUTE = 60

DIGITS = 4
"""Significant digits of a computed number in a line of text."""
LEAST_TOLD = 0.001
"""A probability nearer to 0 or to 1 is told as no more than that."""


def shown(value: float, unit: str, digits: int = DIGITS) -> str:
    """Write a computed number with its unit and no more than `digits` significant digits, trailing zeros gone."""
    return format_quantity(float(f"{value:.{digits}g}"), unit)


def uncertainty_text(value: float, unit: str) -> str:
    """Write an expanded uncertainty with two digits, as JCGM 100 7.2.6 has it (from memory): '140 µV'."""
    return shown(value, unit, 2)


def probability_text(share: float) -> str:
    """Write a probability in percent; nothing that rests on an uncertainty is told as sure."""
    if share < LEAST_TOLD:
        return f"less than {100 * LEAST_TOLD:g} %"
    if share > 1.0 - LEAST_TOLD:
        return f"more than {100 * (1.0 - LEAST_TOLD):g} %"
    return f"{100 * share:.3g} %"


def limits_text(limits: Limits | None) -> str:
    """Write limits as they were written, else as a range of computed numbers; '' without limits."""
    if limits is None:
        return ""
    if limits.text:
        return limits.text
    low = None if limits.low is None else _edge(float(limits.low), limits)
    high = None if limits.high is None else _edge(float(limits.high), limits)
    if low is not None and high is not None:
        return f"{low} .. {high}"
    if high is not None:
        return f"<= {high}"
    return "" if low is None else f">= {low}"


def _edge(value: float, limits: Limits) -> str:
    """An end with as many digits as the distance between the ends needs: three, but no fewer than three in all."""
    digits = 3
    if limits.low is not None and limits.high is not None and limits.high > limits.low and value:
        width = float(limits.high - limits.low)
        digits = max(3, 3 + math.floor(math.log10(abs(value))) - math.floor(math.log10(width)))
    return shown(value, limits.unit, min(digits, 7))


def listed(names: Iterable[str]) -> str:
    """Write names as a list: 'A', 'A and B', 'A, B and C'."""
    names = list(names)
    return " and ".join(part for part in (", ".join(names[:-1]), names[-1] if names else "") if part)


def folded(line: str, width: int | None) -> str:
    """Break a long line at blanks, what follows set in under it; a word is never broken. None: as it is."""
    if width is None or len(line) <= width:
        return line
    inset = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.fill(line, width, subsequent_indent=inset, break_long_words=False, break_on_hyphens=False)


def duration(seconds: float) -> str:
    """Write a time as people plan with it: '200 ms', '4.2 s', '2 min 30 s', '1 h 5 min'."""
    if 0 < seconds < 1e-3:  # noqa: PLR2004 - a millisecond, the least that planning takes
        return format_quantity(seconds, "s")
    if seconds < 1:
        return format_quantity(round(seconds, 3), "s")
    if seconds < MINUTE:
        return format_quantity(round(seconds, 1), "s")
    minutes, rest = divmod(round(seconds), MINUTE)
    if minutes < MINUTE:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(minutes, MINUTE)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def limit_times(stages: Sequence[tuple[float, float]]) -> str:
    """Say for how long each voltage may stay in current limit, once where it is the same: volts and seconds of each."""
    times = [duration(seconds) for _, seconds in stages]
    if len(set(times)) == 1:
        return f"in current limit for {times[0]} at most{' at each voltage' if len(times) > 1 else ''}"
    each = listed(f"{time} at {shown(volts, 'V')}" for time, (volts, _) in zip(times, stages, strict=True))
    return f"in current limit for at most {each}"
