"""One step of one capacitor: exact where its current is linear in its voltage, whatever the length of the step.

The exponential Euler step C dv/dt = i(v) with i linearised at the start: it cannot become unstable on a stiff net
(a short across a capacitor), and discharges through resistors are exact in a single step. `Relaxed.error` says how
far the current really was from linear, so that the caller can take a shorter step.
"""

from __future__ import annotations

from collections.abc import Callable
from math import expm1
from typing import NamedTuple

_STEEPEST = 3.0
"""Growth exponent allowed in one step (a constant-power load makes a net run away; the step is then cut anyway)."""


class Relaxed(NamedTuple):
    """Volts after the step, and the estimated error in volts. A tuple: millions are made."""

    volts: float
    error: float


def relax(
    volts: float,
    seconds: float,
    farads: float,
    current: Callable[[float], float],
    slope: float,
    now: float | None = None,
) -> Relaxed:
    """Move a net of `farads` on by `seconds`; `current(v)` is the net current into it, `slope` its derivative now.

    `now`: current(volts), for whoever has it already. Magnitudes: the voltage ends at 0 at the lowest, where every
    load has ceased to draw.
    """
    rate = (current(volts) if now is None else now) / farads
    exponent = min(_STEEPEST, slope * seconds / farads)
    growth = expm1(exponent) / exponent if abs(exponent) > 1e-9 else 1.0  # noqa: PLR2004 - limit of the quotient
    moved = volts + rate * seconds * growth
    if moved <= 0.0:
        return Relaxed(0.0, -moved)
    expected = rate * (1.0 + expm1(exponent))
    return Relaxed(moved, 0.5 * abs(current(moved) / farads - expected) * min(seconds, _memory(slope, farads)))


def _memory(slope: float, farads: float) -> float:
    """Seconds after which a wrong current no longer matters, because the net has forgotten it."""
    return farads / -slope if slope < 0.0 else float("inf")
