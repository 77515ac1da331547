"""Intervals of a mean, a standard deviation, a median and a share; quantiles. All two-sided, confidence 0 .. 1."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

from bringup.core.distributions import beta_quantile, chi_squared_quantile, t_quantile
from bringup.core.frozen import frozen
from bringup.core.moments import enough, whole_numbers
from bringup.core.spread import Summary
from bringup.errors import NoStatistic

CONFIDENCE = 0.95


@frozen
class Interval:
    """From `low` to `high`, in the unit of what it is of, at a confidence of 0 .. 1."""

    low: float
    high: float
    confidence: float = CONFIDENCE


def mean_interval(of: Summary, confidence: float = CONFIDENCE) -> Interval:
    """Return mean -+ t s / sqrt(n), Student's t with n - 1 degrees of freedom.

    Raises NoStatistic below two values and without scipy.
    """
    if of.deviation is None:
        raise NoStatistic("an interval of a mean takes 2 values, there is 1", "Read more units.")
    half = 0.0
    if of.deviation:
        half = t_quantile((1 + confidence) / 2, of.n - 1) * of.deviation / math.sqrt(of.n)
    return Interval(of.mean - half, of.mean + half, confidence)


def deviation_interval(of: Summary, confidence: float = CONFIDENCE) -> Interval:
    """Return s sqrt((n - 1) / chi-squared) at both ends. Raises NoStatistic below two values, without scipy."""
    if of.deviation is None:
        raise NoStatistic("an interval of a standard deviation takes 2 values, there is 1", "Read more units.")
    low, high = ratio_of_deviations(of.n - 1, confidence)
    return Interval(of.deviation * low, of.deviation * high, confidence)


def ratio_of_deviations(freedom: float, confidence: float) -> tuple[float, float]:
    """Return between what multiples of itself the true deviation lies. Raises NoStatistic without scipy."""
    upper, lower = (chi_squared_quantile((1 + sign * confidence) / 2, freedom) for sign in (1, -1))
    return math.sqrt(freedom / upper), math.sqrt(freedom / lower)


def difference_interval(one: Summary, other: Summary, confidence: float = CONFIDENCE) -> Interval:
    """Return other's mean less one's -+ t sqrt(s1^2/n1 + s2^2/n2), each side with a deviation of its own.

    Degrees of freedom after Welch, (a + b)^2 / (a^2/(n1 - 1) + b^2/(n2 - 1)), a and b the terms of the root. Raises
    NoStatistic where a side has one value only, where all of both are the same, and without scipy.
    """
    if one.deviation is None or other.deviation is None:
        raise NoStatistic("an interval of a difference takes 2 values on each side", "Read more units.")
    terms = [side.deviation**2 / side.n for side in (one, other) if side.deviation is not None]
    if not sum(terms):
        raise NoStatistic("an interval of a difference takes values that differ, and all of each side are the same")
    freedom = sum(terms) ** 2 / sum(term**2 / (side.n - 1) for term, side in zip(terms, (one, other), strict=True))
    half = t_quantile((1 + confidence) / 2, freedom) * math.sqrt(sum(terms))
    return Interval(other.mean - one.mean - half, other.mean - one.mean + half, confidence)


def quantile(values: Sequence[float], share: float) -> float:
    """Return below what a share (0 .. 1) of the values lies: between two by straight line, at (n - 1) share.

    Definition 7 of Hyndman and Fan, The American Statistician 50 (1996) 361 (from memory). Raises NoStatistic for no
    values or one that is no number, ValueError for a share that is none.
    """
    if not 0 <= share <= 1:
        raise ValueError(f"{share} is no share")
    enough(values, 1, "a quantile")
    whole_numbers(values)
    ordered = sorted(values)
    at = (len(ordered) - 1) * share
    below = math.floor(at)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (at - below) * (ordered[above] - ordered[below])


def median_interval(values: Sequence[float], confidence: float = CONFIDENCE) -> Interval:
    """Return the narrowest pair of values, as far from either end, between which the median lies; no shape assumed.

    How many values lie below the median is binomial with one half (David and Nagaraja, Order Statistics, 7.1; from
    memory). Its confidence is at least the one asked for, and told. Raises NoStatistic where even the lowest and the
    highest value do not reach it: below six values for 95 %.
    """
    enough(values, 1, "an interval of a median")
    whole_numbers(values)
    ordered, count = sorted(values), len(values)
    # Ways in which at most so many of all values lie below, as whole numbers: `math.comb` of thousands is slow.
    most = math.floor(Fraction(1 - confidence) * 2**count / 2)
    ways, outside = 1, 0
    found: int | None = None
    for place in range(count // 2):
        if outside + ways > most:
            break
        outside += ways
        ways = ways * (count - place) // (place + 1)
        found = place
    if found is None:
        raise NoStatistic(
            f"{count} values are too few for an interval of the median at {100 * confidence:g} %", "Read more units."
        )
    return Interval(ordered[found], ordered[count - 1 - found], 1 - 2 * outside / 2**count)


def clopper_pearson(passed: int, judged: int, confidence: float = CONFIDENCE) -> Interval:
    """Return the exact interval of a share: never narrower than stated. Raises NoStatistic without scipy.

    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404, by quantiles of the beta distribution. Raises ValueError
    unless 0 <= passed <= judged, judged above 0.
    """
    if not 0 <= passed <= judged or judged == 0:
        raise ValueError(f"{passed} of {judged} is no share")
    tail = (1 - confidence) / 2
    low = 0.0 if passed == 0 else beta_quantile(tail, passed, judged - passed + 1)
    high = 1.0 if passed == judged else beta_quantile(1 - tail, passed + 1, judged - passed)
    return Interval(low, high, confidence)
