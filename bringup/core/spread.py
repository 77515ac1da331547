"""How values of one quantity spread over units: summary, order, odd ones, histogram. Plain numbers only.

Mean and standard deviation are exact for the values given (`moments`). Intervals, capability, charts and tests that
take more are in modules of their own: `intervals`, `capability`, `charts`, `outliers`, `variance`, `correlation`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from statistics import NormalDist, median

from bringup.core.frozen import frozen
from bringup.core.moments import Number, deviation_of, mean_of

ODD = 3.5
"""A modified score beyond this marks a value as odd (Iglewicz and Hoaglin; NIST e-Handbook 1.3.5.17, from memory)."""

ENOUGH_FOR_ODD = 5
"""Fewer values say nothing of what is usual (common practice, no source)."""

FEW = 30
"""Fewer units than this make a capability a guess: its interval says so (common practice, no source)."""


@frozen
class Summary:
    """Of `n` values, all in one unit. `deviation`: standard deviation with n - 1; None for one value."""

    n: int
    mean: float
    deviation: float | None
    lowest: float
    highest: float


@frozen
class Bin:
    """How many values lie in low <= value < high (the last bin has its end too)."""

    low: float
    high: float
    count: int


def summary(values: Sequence[Number]) -> Summary:
    """Return the summary. Raises NoStatistic for no values, and for one that is no number."""
    mean = float(mean_of(values))
    deviation = deviation_of(values) if len(values) > 1 else None
    return Summary(len(values), mean, deviation, float(min(values)), float(max(values)))


def neighbours(values: Sequence[float]) -> float | None:
    """Return how alike values are that follow one another: lag-1 autocorrelation, -1 .. 1.

    Its denominator is the sum over all values, as in NIST's reference data sets. None below three values or where all
    are the same.
    """
    if len(values) < 3 or min(values) == max(values):  # noqa: PLR2004 - of two it is always -0.5
        return None
    mean = math.fsum(values) / len(values)
    away = [value - mean for value in values]
    whole = math.fsum(each * each for each in away)
    return math.fsum(one * other for one, other in pairwise(away)) / whole


def drifts(values: Sequence[float]) -> bool:
    """Whether values that follow one another are more alike than chance makes them: beyond 1.96 / sqrt(n).

    Source: NIST e-Handbook 1.3.3.1, confidence bands of the autocorrelation plot (from memory).
    """
    found = neighbours(values)
    return found is not None and found > NormalDist().inv_cdf(0.975) / math.sqrt(len(values))


def modified_scores(values: Sequence[float]) -> list[float]:
    """Return 0.6745 (x - median) / MAD of each: how far off it is, by what most values do.

    Where more than half are the same MAD is 0, and 1.253314 times the mean distance from the median stands in for
    MAD / 0.6745 (Iglewicz and Hoaglin, from memory). Values that are all alike score 0.
    """
    centre = median(values)
    away = [abs(value - centre) for value in values]
    scale = median(away) / 0.6745 or 1.253314 * math.fsum(away) / len(away)
    return [(value - centre) / scale if scale else 0.0 for value in values]


def odd_ones(values: Sequence[float]) -> list[int]:
    """Return the places of values that lie far from the others; none where there are too few to tell."""
    if len(values) < ENOUGH_FOR_ODD:
        return []
    return [place for place, score in enumerate(modified_scores(values)) if abs(score) > ODD]


def histogram(values: Sequence[float], most: int = 12) -> list[Bin]:
    """Return at most `most` (+ 1) bins of one round width (1, 2 or 5 times a power of ten) that hold all values."""
    lowest, highest = min(values), max(values)
    wanted = min(most, max(1, math.ceil(math.log2(len(values))) + 1))
    width = round_up((highest - lowest) / wanted)
    # Below some parts in 1e12 of the value a width is noise of binary fractions.
    if width <= abs(highest) * 1e-12:
        return [Bin(lowest, highest, len(values))]
    begin = math.floor(lowest / width + 1e-9)
    counts = [0] * (max(1, math.ceil(highest / width - 1e-9) - begin))
    for value in values:
        counts[min(max(math.floor(value / width + 1e-9) - begin, 0), len(counts) - 1)] += 1
    return [Bin((begin + place) * width, (begin + place + 1) * width, count) for place, count in enumerate(counts)]


def round_up(width: float) -> float:
    """Return the next width of 1, 2 or 5 times a power of ten; 0 for 0."""
    if width <= 0:
        return 0.0
    power = math.floor(math.log10(width))
    for step in (1, 2, 5, 10):
        # 10 ** -n is not exact in binary, 1 / 10 ** n is the nearest there is.
        rounded = step * 10**power if power >= 0 else step / 10**-power
        if rounded >= width * (1 - 1e-12):
            return float(rounded)
    raise AssertionError("a decade ends at ten")
