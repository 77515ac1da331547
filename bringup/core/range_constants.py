"""What the range of n normal values comes to: d2 (mean) and d3 (deviation), in standard deviations; and D4.

Integrated from their definitions (L. H. C. Tippett, Biometrika 17 (1925) 364; from memory), so that no table ends.
"""

from __future__ import annotations

import math
from functools import cache
from itertools import combinations_with_replacement
from statistics import NormalDist

STEP = 0.1
"""The integrands fall off like the normal distribution: at this step a sum over them is good to seven digits."""
WIDEST = 7.0


@cache
def mean_and_deviation(n: int) -> tuple[float, float]:
    """Return d2 and d3 of the range of n values, n at least 2 (else ValueError)."""
    if n < 2:  # noqa: PLR2004 - one value has no range
        raise ValueError(f"{n} values have no range")
    count = round(2 * WIDEST / STEP) + 1
    below = [NormalDist().cdf(-WIDEST + STEP * place) for place in range(count)]
    mean = STEP * math.fsum(1 - share**n - (1 - share) ** n for share in below)
    # E w^2 is twice the integral, over x < y, of how likely values lie both below x and above y.
    total = 0.0
    for low, high in combinations_with_replacement(below, 2):
        inside = 1 - high**n - (1 - low) ** n + (high - low) ** n
        total += inside if high > low else inside / 2
    # The trapezium's error at the edge x = y, by Euler and Maclaurin: STEP^2 / 12 of a slope that integrates to 1.
    square = 2 * (STEP * STEP * total - STEP * STEP / 12)
    return mean, math.sqrt(square - mean * mean)


def one_range(n: int) -> float:
    """Return 1 / sqrt(d2^2 + d3^2): what a single range of n values times it estimates the deviation by (K2, K3)."""
    mean, deviation = mean_and_deviation(n)
    return 1 / math.hypot(mean, deviation)


def highest_range(n: int) -> float:
    """Return D4 = 1 + 3 d3 / d2: the upper control limit of ranges of n values over their mean."""
    mean, deviation = mean_and_deviation(n)
    return 1 + 3 * deviation / mean
