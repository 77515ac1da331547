"""Values in order against their own course: a chart of individuals, its rules, and whether they climb or fall.

Rules: the four of the Western Electric handbook of 1956, as NIST/SEMATECH e-Handbook 6.3.2 lists them (from memory).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Sequence
from itertools import combinations, pairwise
from statistics import NormalDist, median

from bringup.core.capability import D2
from bringup.core.frozen import frozen
from bringup.core.moments import enough, mean_of, whole_numbers
from bringup.errors import NoStatistic

RULES = {
    1: (1, 1, 3.0, "one beyond 3 sigma"),
    2: (2, 3, 2.0, "two of three beyond 2 sigma on one side"),
    3: (4, 5, 1.0, "four of five beyond 1 sigma on one side"),
    4: (8, 8, 0.0, "eight in a row on one side"),
}
"""Rule -> how many, of how many in a row, beyond how many sigma on one side of the centre; in words."""
WEIGHT = 0.3
"""Of each new value in the exponentially weighted mean: 0.2 to 0.3 is usual (e-Handbook 6.3.2.4, from memory)."""
LEAST_CHART = 8
"""Fewer values make no chart: the longest rule takes as many (common practice, no source)."""
LEAST_TREND = 5
"""Of four values even the rarest orders are no rarer than one in twelve, 2 / 4!; of five 2 / 5! = 0.017."""
MOST_EXACT = 60
"""Up to so many values without ties their orders are counted, beyond a normal distribution stands for that."""


MOST_PAIRED = 300
"""Up to so many values a slope is taken between all pairs."""


@frozen
class Chart:
    """A chart of individuals: centre line, and control limits 3 sigma off it; sigma is mean moving range / 1.128."""

    centre: float
    sigma: float
    broken: tuple[tuple[int, int], ...]
    """Rule and place (from 0) of each value that completes one."""
    shifted: tuple[int, ...] = ()
    """Places at which the weighted mean of all so far lies beyond its own limits: a small shift that lasts."""

    @property
    def low(self) -> float:
        """The lower control limit."""
        return self.centre - 3 * self.sigma

    @property
    def high(self) -> float:
        """The upper control limit."""
        return self.centre + 3 * self.sigma


@frozen
class Trend:
    """Whether values climb or fall in their order: Mann and Kendall's S, and how rare that is without a trend.

    `slope`: the median of the slopes between pairs (see `middle_slope`), a step each; `chance` two-sided, 0 .. 1.
    """

    s: int
    chance: float
    slope: float


def chart(values: Sequence[float]) -> Chart:
    """Return the chart of values in order. Raises NoStatistic below eight values or where all are the same."""
    enough(values, LEAST_CHART, "a control chart")
    centre = float(mean_of(values))
    sigma = math.fsum(abs(one - other) for one, other in pairwise(values)) / (len(values) - 1) / D2
    if not sigma:
        raise NoStatistic(f"a control chart takes values that differ, and all {len(values)} are the same")
    broken = tuple(broken_rules([(value - centre) / sigma for value in values]))
    low, high = average_limits(centre, sigma, WEIGHT)
    means = moving_average(values, centre, WEIGHT)[1:]
    return Chart(centre, sigma, broken, tuple(place for place, mean in enumerate(means) if not low <= mean <= high))


def broken_rules(scores: Sequence[float]) -> list[tuple[int, int]]:
    """Return rule and place of each value that completes one; `scores` in sigmas from the centre.

    The last of a window must itself be beyond: a rule is told where it is met, not once more for each that follows.
    """
    found = []
    for rule, (count, window, beyond, _) in RULES.items():
        for place in range(window - 1, len(scores)):
            side = 1 if scores[place] > 0 else -1
            last = scores[place - window + 1 : place + 1]
            if side * scores[place] > beyond and sum(side * score > beyond for score in last) >= count:
                found.append((rule, place))
    return found


def trend(values: Sequence[float]) -> Trend:
    """Return the test of Mann and Kendall for a trend over the order of values.

    Exact up to MOST_EXACT values without ties: of all n! orders, those as far out. Else S, one nearer to 0, over the
    root of [n (n - 1)(2 n + 5) - sum t (t - 1)(2 t + 5)] / 18, t values in each tie (R. O. Gilbert, Statistical
    Methods for Environmental Pollution Monitoring, 1987, 16.4; from memory). Raises NoStatistic below five values or
    where all are the same.
    """
    enough(values, LEAST_TREND, "a test for trend")
    whole_numbers(values)
    count = len(values)
    ties = [size for size in Counter(values).values() if size > 1]
    if ties == [count]:
        raise NoStatistic(f"no trend: all {count} values are the same")
    s, slope = climbing(values), middle_slope(values)
    if not ties and count <= MOST_EXACT:
        return Trend(s, min(1.0, 2 * orders_beyond(count, abs(s))), slope)
    variance = (count * (count - 1) * (2 * count + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties)) / 18
    z = (abs(s) - 1) / math.sqrt(variance) if s else 0.0
    return Trend(s, min(1.0, 2 * (1 - NormalDist().cdf(z))), slope)


def climbing(values: Sequence[float]) -> int:
    """Return S of Mann and Kendall: pairs of which the later value is greater, less those of which it is smaller."""
    before: list[float] = []
    s = 0
    for value in values:
        place = bisect_left(before, value)
        s += place - (len(before) - bisect_right(before, value, place))
        before.insert(place, value)
    return s


def middle_slope(values: Sequence[float]) -> float:
    """Return the median of the slopes, a step each: between all pairs up to MOST_PAIRED values (Theil and Sen).

    Beyond, between each value and the one half of them later (Theil's incomplete method; from memory): all pairs of
    20,000 values would fill the memory.
    """
    count = len(values)
    if count <= MOST_PAIRED:
        return median((values[b] - values[a]) / (b - a) for a, b in combinations(range(count), 2))
    apart = count - count // 2
    return median((values[place + apart] - values[place]) / apart for place in range(count - apart))


def orders_beyond(count: int, s: int) -> float:
    """Return the share of all orders of so many different values whose S is at least `s`."""
    # Orders by their number of pairs out of order: each further value adds 0 .. n - 1 of them.
    ways = [1]
    for number in range(2, count + 1):
        longer = [0] * (len(ways) + number - 1)
        for place, way in enumerate(ways):
            for more in range(number):
                longer[place + more] += way
        ways = longer
    pairs = count * (count - 1) // 2
    return sum(way for swaps, way in enumerate(ways) if pairs - 2 * swaps >= s) / math.factorial(count)


def average_limits(centre: float, sigma: float, weight: float) -> tuple[float, float]:
    """Return the limits of such an average: 3 sigma sqrt(weight / (2 - weight)) off the centre (e-Handbook 6.3.2.4)."""
    half = 3 * sigma * math.sqrt(weight / (2 - weight))
    return centre - half, centre + half


def moving_average(values: Sequence[float], start: float, weight: float) -> list[float]:
    """Return the exponentially weighted moving average, beginning with `start`: weight x + (1 - weight) before."""
    found = [start]
    for value in values:
        found.append(weight * value + (1 - weight) * found[-1])
    return found
