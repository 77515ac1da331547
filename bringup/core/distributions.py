"""Quantiles and tails of Student's t, chi-squared, F and beta: the one door to scipy, which is optional.

`scipy.special` alone is loaded (a quarter of a second), where a value is asked for, never before. Without it whatever
needs a distribution says so in words; means, deviations, Cpk's interval and trends need none.
"""

from __future__ import annotations

from typing import Any

from bringup.errors import NoStatistic

INSTALL = "pip install 'bringup[statistics]' (from a checkout: pip install '.[statistics]')"


def special() -> Any | None:
    """Return scipy's special functions, or None where scipy is not installed."""
    try:
        import scipy.special
    except ImportError:
        return None
    return scipy.special


def t_quantile(share: float, freedom: float) -> float:
    """Return below what a share (0 .. 1) of Student's t lies. Raises NoStatistic without scipy."""
    return float(_needed("Student's t").stdtrit(freedom, share))


def chi_squared_quantile(share: float, freedom: float) -> float:
    """Return below what a share (0 .. 1) of chi-squared lies. Raises NoStatistic without scipy."""
    return float(_needed("the chi-squared distribution").chdtri(freedom, 1.0 - share))


def beta_quantile(share: float, one: float, other: float) -> float:
    """Return below what a share (0 .. 1) of the beta distribution lies. Raises NoStatistic without scipy."""
    return float(_needed("the beta distribution").betaincinv(one, other, share))


def f_tail(ratio: float, over: float, under: float) -> float:
    """Return which share of F, of so many degrees of freedom, lies above a ratio. Raises NoStatistic without scipy."""
    return float(_needed("the F distribution").fdtrc(over, under, ratio))


def _needed(what: str) -> Any:
    found = special()
    if found is None:
        raise NoStatistic(f"{what} is computed by scipy, which is not installed", INSTALL)
    return found
