"""Cp, Cpk, Pp, Ppk of values against limits, each with its interval, none without one.

Pp and Ppk are reckoned with the standard deviation of all values together, so that drift counts; Cp and Cpk with that
between neighbours in build order, the mean moving range over 1.128, which leaves drift and steps out: what the process
could do if it stayed where it is. Limits on one side only give Cpk and Ppk towards it, and neither Cp nor Pp.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from statistics import NormalDist

from bringup.core.distributions import special
from bringup.core.frozen import frozen
from bringup.core.intervals import CONFIDENCE, ratio_of_deviations
from bringup.core.moments import enough
from bringup.core.spread import summary
from bringup.errors import NoStatistic

D2 = 1.128
"""Mean range of two normal values in standard deviations, as tables print it (2 / sqrt(pi) = 1.12838)."""
RANGE_VARIANCE = 2 - 4 / math.pi
"""Variance of |x1 - x2| of two normal values of unit variance."""
RANGE_COVARIANCE = 4 / math.pi * (math.sqrt(3) / 2 + math.pi / 12 - 1)
"""Covariance of two ranges that share a value: E|u v| of two normal ones with correlation -1/2, less the means."""


@frozen
class Index:
    """One index with its two-sided interval; `nearer`: the limit it is reckoned to, 'lower' or 'upper', '' for both."""

    value: float
    low: float
    high: float
    nearer: str = ""


@frozen
class Capability:
    """All four indices. None, of Cp and Pp: limits on one side only, or no scipy for their intervals.

    `within`, `overall`: the standard deviations behind them, in the unit of the values.
    """

    n: int
    confidence: float
    within: float
    overall: float
    cp: Index | None
    cpk: Index
    pp: Index | None
    ppk: Index
    why_not: str = ""
    """Why an index is not told that these limits would give; '' if all are."""


def capability(
    values: Sequence[float], low: float | None, high: float | None, confidence: float = CONFIDENCE
) -> Capability:
    """Return the indices of values in build order against limits in the same unit.

    Raises NoStatistic without a limit, below two values, where all are the same or one is no number.
    """
    if low is None and high is None:
        raise NoStatistic("a capability takes limits, and these readings have none", "State limits, and run again.")
    enough(values, 2, "a capability")
    of = summary(values)
    if not of.deviation:
        raise NoStatistic(
            f"a capability divides by the standard deviation, and all {of.n} values are the same",
            "Read with more digits, or more units.",
        )
    within = math.fsum(abs(one - other) for one, other in pairwise(values)) / (of.n - 1) / D2
    freedom = range_freedom(of.n)
    overall = nearest_index(of.mean, of.deviation, of.n, of.n - 1, low, high, confidence)
    close = nearest_index(of.mean, within, of.n, freedom, low, high, confidence)
    cp = pp = None
    why_not = ""
    if low is not None and high is not None:
        if special() is None:
            why_not = "Cp and Pp are left out: their intervals need scipy"
        else:
            cp = two_sided_index(within, freedom, low, high, confidence)
            pp = two_sided_index(of.deviation, of.n - 1, low, high, confidence)
    return Capability(of.n, confidence, within, of.deviation, cp, close, pp, overall, why_not)


def range_freedom(n: int) -> float:
    """Return how many degrees of freedom the mean moving range of n values in a row is worth.

    By 1 / (2 var(s) / sigma^2), as for a standard deviation; the variance follows from those of ranges that share a
    value (derived here: 1, 1.7, 2.3 for n = 2, 3, 4; 0.605 n for many, while s has n - 1).
    """
    count = n - 1
    variance = (count * RANGE_VARIANCE + 2 * (count - 1) * RANGE_COVARIANCE) / count**2 / (4 / math.pi)
    return max(1.0, 1 / (2 * variance))


def two_sided_index(deviation: float, freedom: float, low: float, high: float, confidence: float) -> Index:
    """Return (high - low) / 6 s with its interval by chi-squared. Raises NoStatistic without scipy."""
    value = (high - low) / (6 * deviation)
    less, more = ratio_of_deviations(freedom, confidence)
    return Index(value, value / more, value / less)


def nearest_index(
    mean: float, deviation: float, n: int, freedom: float, low: float | None, high: float | None, confidence: float
) -> Index:
    """Return min(high - mean, mean - low) / 3 s with its interval after Bissell (1990).

    Index -+ z sqrt(1/(9 n) + index^2 / (2 freedom)); z the normal quantile of (1 + confidence) / 2.
    """
    sides = []
    if low is not None:
        sides.append(((mean - low) / (3 * deviation), "lower"))
    if high is not None:
        sides.append(((high - mean) / (3 * deviation), "upper"))
    value, nearer = min(sides)
    half = NormalDist().inv_cdf((1 + confidence) / 2) * math.sqrt(1 / (9 * n) + value**2 / (2 * freedom))
    return Index(value, value - half, value + half, nearer)
