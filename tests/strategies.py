"""Hypothesis strategies that several test files share. Append only."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import strategies as st

from bringup.core.limits import Limits
from bringup.core.quantity import UNITS


def decimals(*, places: int = 9, largest: int = 10**6) -> st.SearchStrategy[Decimal]:
    """Exact numbers as a data sheet holds them."""
    return st.decimals(-largest, largest, allow_nan=False, allow_infinity=False, places=places)


units = st.sampled_from(UNITS)
"""Every unit we know."""


@st.composite
def limits(draw: st.DrawFn) -> Limits:
    """Limits of every shape that notation can express; a tolerance on a percentage is not among them."""
    unit = draw(units)
    first, second, third = sorted(draw(st.tuples(decimals(), decimals(), decimals())))
    nominal = draw(st.sampled_from([None] if unit == "%" else [None, second]))
    ends = draw(st.sampled_from(["both", "low", "high"] if nominal is None else ["both"]))
    return Limits(unit, first if ends != "high" else None, third if ends != "low" else None, nominal)
