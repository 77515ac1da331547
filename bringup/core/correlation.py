"""Whether two rails move together from unit to unit: Pearson's r of values taken in pairs, with its interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from statistics import NormalDist

from bringup.core.frozen import frozen
from bringup.core.intervals import CONFIDENCE
from bringup.core.moments import Number, enough, mean_of, squares_of
from bringup.errors import NoStatistic

LEAST_PAIRS = 4
"""Fisher's interval divides by n - 3."""


@frozen
class Correlation:
    """r of n pairs, -1 .. 1, with its two-sided interval."""

    n: int
    r: float
    low: float
    high: float
    confidence: float

    @property
    def surely(self) -> bool:
        """Whether the interval leaves 0 out."""
        return self.low > 0 or self.high < 0


def correlation(one: Sequence[Number], other: Sequence[Number], confidence: float = CONFIDENCE) -> Correlation:
    """Return r and its interval by Fisher's z = artanh r, of standard deviation 1 / sqrt(n - 3).

    `one` and `other` in pairs, of one length (ValueError if not). Raises NoStatistic below four pairs and where all
    values of a side are the same.
    """
    if len(one) != len(other):
        raise ValueError(f"{len(one)} and {len(other)} values are no pairs")
    enough(one, LEAST_PAIRS, "a correlation")
    squares = [squares_of(side) for side in (one, other)]
    if not all(squares):
        raise NoStatistic(f"a correlation takes values that differ, and all {len(one)} of one side are the same")
    centres = [mean_of(side) for side in (one, other)]
    products = mean_of(
        [(Fraction(a) - centres[0]) * (Fraction(b) - centres[1]) for a, b in zip(one, other, strict=True)]
    )
    share = float(products * products * len(one) ** 2 / (squares[0] * squares[1]))
    r = math.copysign(min(1.0, math.sqrt(share)), float(products))
    if abs(r) == 1.0:
        return Correlation(len(one), r, r, r, confidence)
    half = NormalDist().inv_cdf((1 + confidence) / 2) / math.sqrt(len(one) - 3)
    return Correlation(len(one), r, math.tanh(math.atanh(r) - half), math.tanh(math.atanh(r) + half), confidence)
