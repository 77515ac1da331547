"""Tests for values that do not belong: Grubbs for one, the generalised extreme Studentised deviate for several.

Both assume that the others are normal, and both need Student's t. The modified z-score, which needs neither, is in
`spread`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from bringup.core.distributions import t_quantile
from bringup.core.frozen import frozen
from bringup.core.moments import deviation_of, enough, mean_of
from bringup.errors import NoStatistic

ALPHA = 0.05
LEAST_GRUBBS = 3
LEAST_SEVERAL = 10
"""Fewer values, and the generalised test claims more than it keeps (Rosner says 25, fair from 15: from memory)."""


@frozen
class Extreme:
    """The value farthest from the mean of those still there: its place, how far in deviations, what is critical."""

    place: int
    statistic: float
    critical: float

    @property
    def odd(self) -> bool:
        """Whether it lies beyond what chance does."""
        return self.statistic > self.critical


def grubbs(values: Sequence[float], alpha: float = ALPHA) -> Extreme:
    """Return Grubbs' two-sided test of the value farthest from the mean.

    Raises NoStatistic below three values, where all are the same, and without scipy.
    """
    enough(values, LEAST_GRUBBS, "Grubbs' test")
    place, statistic = _farthest(values, range(len(values)))
    return Extreme(place, statistic, critical_value(len(values), alpha / (2 * len(values))))


def several(values: Sequence[float], most: int, alpha: float = ALPHA) -> list[Extreme]:
    """Return the generalised extreme Studentised deviate of up to `most` values, farthest first, as tested in turn.

    B. Rosner, Technometrics 25 (1983) 165. How many are odd: `count_odd`. Raises NoStatistic below ten values, where
    all are the same, and without scipy.
    """
    enough(values, LEAST_SEVERAL, "a test for several outliers")
    left = list(range(len(values)))
    found: list[Extreme] = []
    for _ in range(min(most, len(values) - LEAST_GRUBBS)):
        if found and len({values[each] for each in left}) == 1:
            break
        place, statistic = _farthest(values, left)
        found.append(Extreme(place, statistic, critical_value(len(left), alpha / (2 * len(left)))))
        left.remove(place)
    return found


def count_odd(of: Sequence[Extreme]) -> int:
    """Return how many do not belong: all up to the last that is beyond its critical value."""
    return max((number for number, each in enumerate(of, 1) if each.odd), default=0)


def critical_value(n: int, tail: float) -> float:
    """Return (n - 1) t / sqrt(n (n - 2 + t^2)), t the upper `tail` point of Student's t with n - 2 freedom."""
    t = t_quantile(1 - tail, n - 2)
    return (n - 1) * t / math.sqrt(n * (n - 2 + t * t))


def _farthest(values: Sequence[float], places: Sequence[int]) -> tuple[int, float]:
    those = [values[place] for place in places]
    centre, deviation = float(mean_of(those)), deviation_of(those)
    if not deviation:
        raise NoStatistic(f"no value is odd: all {len(those)} are the same")
    place = max(places, key=lambda each: abs(values[each] - centre))
    return place, abs(values[place] - centre) / deviation
