"""Student's t and the normal distribution as coverage needs them: factors and probabilities, without any library. Pure.

A coverage factor is wanted for every reading of `run`, which waits for no scientific library and may have none; scipy
serves the statistics over units, where it is optional. The tests hold these to published tables and, where it is
installed, to scipy.
"""

from __future__ import annotations

import math
from functools import lru_cache

MANY = 1e5
"""Degrees of freedom from which Student's t is the normal distribution's and a first correction (Abramowitz and Stegun
26.7.5, from memory)."""
_STEPS = 300
_TINY = 1e-300
_CLOSE = 1e-15


def normal_below(z: float) -> float:
    """Return the share of the standard normal distribution below z."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def t_within(t: float, degrees: float) -> float:
    """Return the share of Student's t within -t .. t; `degrees` of freedom above 0, not necessarily whole; inf: normal.

    1 - I(v / (v + t^2); v / 2, 1 / 2), I being the regularised incomplete beta function.
    """
    if math.isinf(degrees):
        return math.erf(abs(t) / math.sqrt(2.0))
    return 1.0 - _incomplete_beta(degrees / (degrees + t * t), degrees / 2.0, 0.5)


def t_below(t: float, degrees: float) -> float:
    """Return the share of Student's t below t; beyond `MANY` degrees by Abramowitz and Stegun 26.7.8 (from memory)."""
    if degrees > MANY:
        return normal_below(t * (1.0 - 1.0 / (4.0 * degrees)) / math.hypot(1.0, t / math.sqrt(2.0 * degrees)))
    beyond = (1.0 - t_within(t, degrees)) / 2.0
    return beyond if t < 0.0 else 1.0 - beyond


@lru_cache(maxsize=256)
def coverage_factor(share: float, degrees: float) -> float:
    """Return the t within -t .. t of which a share (0 < share < 1) of Student's t lies; `degrees` of freedom above 0.

    Raises ValueError for a share or degrees of freedom that there are not.
    """
    if not 0.0 < share < 1.0 or not degrees > 0.0:
        raise ValueError(f"no coverage factor for {share} with {degrees} degrees of freedom")
    if MANY < degrees < math.inf:
        # Logarithms of gamma functions lose their digits here; the expansion is good to 1 / v^2.
        z = coverage_factor(share, math.inf)
        return z + (z**3 + z) / (4.0 * degrees)
    low, high = 0.0, 1.0
    while t_within(high, degrees) < share:
        low, high = high, 2.0 * high
    while True:
        middle = (low + high) / 2.0
        if middle in (low, high):
            break
        low, high = (middle, high) if t_within(middle, degrees) < share else (low, middle)
    return (low + high) / 2.0


def _incomplete_beta(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function for 0 <= x <= 1."""
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    # The fraction converges quickly on one side of the mean only; the other side is its mirror.
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _fraction(x, a, b) / a
    return 1.0 - front * _fraction(1.0 - x, b, a) / b


def _fraction(x: float, a: float, b: float) -> float:
    """The continued fraction of the incomplete beta function, by the modified method of Lentz."""
    c, d = 1.0, 1.0 / _not_zero(1.0 - (a + b) * x / (a + 1.0))
    found = d
    for m in range(1, _STEPS):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / _not_zero(1.0 + term * d)
            c = _not_zero(1.0 + term / c)
            found *= c * d
        if abs(c * d - 1.0) < _CLOSE:
            break
    return found


def _not_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY
