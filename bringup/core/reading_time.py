"""How long a reading is integrated, and on which range, so that it is as sure as is wanted in the shortest time. Pure.

Wanted is a test uncertainty ratio: half the width of the limits over the expanded uncertainty. What a meter scatters at
each integration time stands in the bench file, as data sheets give it; without that nothing is chosen here. A procedure
may fix range and integration time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal

from bringup.core.accuracy import Accuracy
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.specification import Conditions, Specification

USUAL_NPLC = 1.0
"""Power-line cycles over which a reading is integrated: mains hum cancels over whole cycles."""
HEADROOM = 1.1
"""A fixed range reaches at least so far beyond the value expected."""
LARGER_RANGES = 2
"""So many ranges above the smallest that fits are looked at: a larger one is hardly ever more exact."""
DRIFT_SHARE = 0.25
"""Part of the uncertainty wanted that a reading may still drift by: a quarter adds a thirtieth to it (our choice)."""
QUIET = 3.0
"""A drift shows soon only where single readings scatter less than it by this factor (our choice)."""
COVERAGE = 2.0
"""Factor of the expanded uncertainty, with many degrees of freedom."""


@frozen
class Integration:
    """What a reading scatters (RMS) when it is integrated for so many power-line cycles."""

    nplc: float
    noise: Accuracy


@frozen
class Fixed:
    """What a procedure fixes, or wants, of a step's readings; None: nothing."""

    nplc: float | None = None
    full_scale: float | None = None
    ratio: float | None = None


@frozen
class Setting:
    """What the meter is set to. `full_scale` None: it finds its range by itself."""

    full_scale: float | None
    nplc: float


@frozen
class Sureness:
    """What a meter's data sheet says, as far as the choice needs it."""

    table: Specification | None
    integrations: tuple[Integration, ...]
    ratio: float
    """Wanted test uncertainty ratio."""


def choose(
    function: str,
    around: float | None,
    limits: Limits | None,
    ranges: Sequence[float],
    known: Sureness,
    usual: float,
    fixed: Fixed | None = None,
) -> Setting:
    """Return range and integration time for a reading that should be `around`. `usual`: cycles where nothing decides.

    The shortest time that meets the ratio, and whose noise does not keep the reading from settling, on the smallest
    range that does; where none does, the surest there is.
    """
    fixed = fixed or Fixed()
    fitting = _fitting(around, ranges)
    plain = Setting(fixed.full_scale or (fitting[0] if fitting else None), fixed.nplc or usual)
    needed = half_width(limits)
    if around is None or needed is None or known.table is None or not known.integrations or fixed.nplc is not None:
        return plain
    ratio = known.ratio if fixed.ratio is None else fixed.ratio
    scales = [fixed.full_scale] if fixed.full_scale is not None else fitting[: 1 + LARGER_RANGES]
    surest, best = plain, math.inf
    quickest_first = sorted(known.integrations, key=lambda each: each.nplc)
    longest = quickest_first[-1]
    for integration in quickest_first:
        for scale in scales:
            sure = _expanded(function, around, scale, known.table, integration)
            quiet = QUIET * _noise(scale, around, integration) <= DRIFT_SHARE * needed / ratio
            if sure is not None and sure * ratio <= needed and (quiet or integration is longest):
                return Setting(scale, integration.nplc)
            if sure is not None and sure < best:
                surest, best = Setting(scale, integration.nplc), sure
    return surest


def half_width(limits: Limits | None) -> float | None:
    """Return half the distance between two limits; None without both."""
    if limits is None or limits.low is None or limits.high is None:
        return None
    return float(limits.high - limits.low) / 2.0


def _fitting(around: float | None, ranges: Sequence[float]) -> list[float]:
    """Ranges with headroom for the value expected, the smallest first; none (automatic) where no value is."""
    return [each for each in sorted(ranges) if each >= HEADROOM * abs(around)] if around else []


def _expanded(
    function: str, around: float, scale: float, table: Specification, integration: Integration
) -> float | None:
    full, value = Decimal(repr(scale)), Decimal(repr(around))
    found = table.limit(function, value, Conditions(full_scale=full))
    if found.limit is None:
        return None
    return COVERAGE * math.hypot(float(found.limit) / math.sqrt(3.0), _noise(scale, around, integration))


def noise_of(setting: Setting, around: float, integrations: Sequence[Integration]) -> float | None:
    """Return the RMS noise of a reading with that setting; None where nothing says it."""
    found = next((each for each in integrations if each.nplc == setting.nplc), None)
    return None if found is None or setting.full_scale is None else _noise(setting.full_scale, around, found)


def _noise(scale: float, around: float, integration: Integration) -> float:
    return float(integration.noise.on(Decimal(repr(around)), Decimal(repr(scale)), Decimal(0)))
