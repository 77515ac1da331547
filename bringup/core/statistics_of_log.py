"""What a `log` says of each quantity it followed: which statistics, by what each is judged, with how many digits. Pure.

A statistic has no more digits than the replies it was computed from can carry, whatever the division has left over.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from bringup.core.limits import Limits

if TYPE_CHECKING:
    from bringup.core.line import StraightLine

HOUR = 3600.0
MINIMUM, MAXIMUM, MEAN = "minimum", "maximum", "mean"
DEVIATION, PEAK_TO_PEAK, SLOPE = "standard deviation", "peak to peak", "slope per hour"

FIELDS = {
    "minimum": MINIMUM,
    "maximum": MAXIMUM,
    "mean": MEAN,
    "standard_deviation": DEVIATION,
    "peak_to_peak": PEAK_TO_PEAK,
    "slope_per_hour": SLOPE,
}
"""Field of a `log` step -> the statistic it judges."""
JUDGED_AS_SAMPLES = (MINIMUM, MAXIMUM, MEAN)
"""What is judged by `expect`, like every sample, where it has no limits of its own."""
FINER_THAN_REPLIES = 10.0
"""A scatter can be known to a tenth of the replies' last digit: rounding to that digit alone has 0.29 of it, the width
over the root of 12 (GUM F.2.2.1, from memory)."""
DIGITS_OF_SCATTER = 2
"""Digits of a standard deviation: more say nothing (GUM 7.2.6, from memory)."""

Judging = Mapping[str, Mapping[str, Limits]]
"""Statistic -> channel as written, "" for all of them -> its own limits."""


def own_limits(judging: Judging, statistic: str, channel: str) -> Limits | None:
    """Return the limits that the step states for this statistic of the channel; None if it states none."""
    stated = judging.get(statistic, {})
    return stated.get(channel, stated.get(""))


def sample_limits(judging: Judging, channel: str, limits: Limits | None) -> Limits | None:
    """Return what each sample must lie within: the given limits, their ends as `minimum` and `maximum` have them."""
    least, most = (own_limits(judging, statistic, channel) for statistic in (MINIMUM, MAXIMUM))
    if least is None and most is None:
        return limits
    unit = least.unit if least is not None else most.unit if most is not None else ""
    low, high = (None, None) if limits is None or limits.unit != unit else (limits.low, limits.high)
    low = low if least is None else least.low
    high = high if most is None else most.high
    if low is not None and high is not None and low > high:  # they contradict each other: nothing lies within both
        return limits if limits is not None else replace(least or most or Limits(unit), text="")
    return Limits(unit, low=low, high=high)


def last_digit(value: float, digits: int) -> float | None:
    """Return the weight of the last of so many significant digits; None of zero."""
    if not value or not math.isfinite(value):
        return None
    return float(f"1e{math.floor(math.log10(abs(value))) - digits + 1}")


def deviation_resolution(deviation: float, resolution: float | None) -> float | None:
    """Return the weight of the last digit of a standard deviation. `resolution`: of the replies, None if unknown."""
    own = last_digit(deviation, DIGITS_OF_SCATTER)
    if resolution is None:
        return own
    least = resolution / FINER_THAN_REPLIES
    return least if own is None else max(own, least)


def mean_resolution(deviation: float | None, resolution: float | None) -> float | None:
    """Return the weight of the last digit of a mean: that of the replies, else the first digit of their scatter."""
    return resolution if resolution is not None or deviation is None else last_digit(deviation, 1)


def slope_resolution(line: StraightLine, resolution: float | None) -> float | None:
    """Return the weight of the last digit of a slope an hour: what is uncertain of it, or one digit over the log."""
    if line.slope is None:
        return None
    error = line.slope_error
    found = [None if error is None else last_digit(error * HOUR, 1)]
    found.append(None if resolution is None or not line.span else last_digit(resolution * HOUR / line.span, 1))
    known = [each for each in found if each is not None]
    return max(known) if known else last_digit(line.slope * HOUR, DIGITS_OF_SCATTER)


def product_resolution(volts: float, amps: float, of_volts: float | None, of_amps: float | None) -> float | None:
    """Return what one digit of the worse of two factors makes of their product; None where either is unknown."""
    if of_volts is None or of_amps is None:
        return None
    return last_digit(max(abs(amps) * of_volts, abs(volts) * of_amps), 1)
