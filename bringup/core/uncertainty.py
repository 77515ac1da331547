"""The uncertainty of a reading after JCGM 100:2008: contributions, combined, expanded, effective degrees of freedom.

Type B: limits of error and halves of a last digit as half-widths of rectangular distributions (4.3.7). Type A: the
scatter of repeated readings (4.2). Combined in quadrature (5.1.2), expanded by Student's factor for the effective
degrees of freedom of Welch and Satterthwaite (G.4.1, G.6.4; a real number of them, neither rounded nor cut off). Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from bringup.core.frozen import frozen
from bringup.core.student import coverage_factor

COVERAGE = math.erf(math.sqrt(2.0))
"""Share of values that the expanded uncertainty is to cover: 95.45 %, a factor of 2 with many degrees of freedom."""

SPECIFICATION, RESOLUTION, REPEATS = "specification", "resolution", "repeats"
LEADS, LOADING, NOISE = "leads", "loading", "integration noise"
DERIVED = "readings it is worked out from"

STEP = 1e-5
"""Part of a value by which it is moved for a sensitivity: where rounding and curvature lose about as much."""
LEAST_SHARE = 0.5
"""Percent of the variance below which a contribution is not named."""


@frozen
class Contribution:
    """One thing that makes a value uncertain: its standard uncertainty in the value's unit, degrees of freedom."""

    name: str
    standard: float
    degrees: float = math.inf


@frozen
class Uncertainty:
    """What is known of how far a value may be off, in its unit."""

    contributions: tuple[Contribution, ...]
    standard: float
    """Combined."""
    degrees: float
    """Effective; infinite where every contribution has infinitely many."""
    factor: float
    assumed: tuple[str, ...] = ()
    """What had to be taken for granted."""

    @property
    def expanded(self) -> float:
        """The factor times the combined standard uncertainty."""
        return self.factor * self.standard


@frozen
class NotKnown:
    """There is no uncertainty, and why."""

    why: str


def rectangular(name: str, half_width: float) -> Contribution:
    """Return what a limit of error contributes: a / sqrt 3 (JCGM 100 4.3.7), infinitely many degrees of freedom."""
    return Contribution(name, abs(half_width) / math.sqrt(3.0))


def of_digit(digit: float) -> Contribution:
    """Return what a last digit of that weight contributes: half of it to either side (JCGM 100 F.2.2.1)."""
    return rectangular(RESOLUTION, digit / 2.0)


def combined(
    contributions: Iterable[Contribution], *, coverage: float = COVERAGE, assumed: tuple[str, ...] = ()
) -> Uncertainty:
    """Combine uncorrelated contributions, each already in the unit of the value (sensitivity taken in).

    Raises ValueError for none at all.
    """
    parts = tuple(contributions)
    if not parts:
        raise ValueError("nothing is known of what makes the value uncertain")
    standard = math.hypot(*(part.standard for part in parts))
    degrees = effective_degrees(parts, standard)
    return Uncertainty(parts, standard, degrees, coverage_factor(coverage, degrees), assumed)


def propagated(function: Callable[..., float], values: Sequence[float], standards: Sequence[float]) -> float:
    """Return the standard uncertainty of a function of uncorrelated values (JCGM 100 5.1.2), in the function's unit.

    Sensitivities are central differences, so the function has to be smooth about the values.
    """
    parts = []
    for place, (value, standard) in enumerate(zip(values, standards, strict=True)):
        step = STEP * max(abs(value), standard)
        if not step:
            continue
        above, below = (function(*values[:place], value + way * step, *values[place + 1 :]) for way in (1.0, -1.0))
        parts.append((above - below) / (2.0 * step) * standard)
    return math.hypot(*parts)


def effective_degrees(parts: Iterable[Contribution], standard: float) -> float:
    """Return u^4 / sum(u_i^4 / v_i) (JCGM 100 G.2b); infinite where nothing limits it."""
    if not standard:
        return math.inf
    weighed = math.fsum((part.standard / standard) ** 4 / part.degrees for part in parts if part.standard)
    return 1.0 / weighed if weighed > 0.0 else math.inf


def in_words(found: Uncertainty) -> str:
    """Say what contributed how much (in %, of the variance), the most first: 'specification 92 %, resolution 8 %'."""
    square = found.standard**2
    if not square:
        return ", ".join(part.name for part in found.contributions)
    shares = sorted(((100.0 * part.standard**2 / square, part.name) for part in found.contributions), reverse=True)
    return ", ".join(f"{name} {share:.0f} %" for share, name in shares if share >= LEAST_SHARE)
