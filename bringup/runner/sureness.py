"""How sure the readings of a step have to be: what the procedure fixes, and what counts as settled for that."""

from __future__ import annotations

from dataclasses import replace

from bringup.core.limits import Limits
from bringup.core.procedure import Measure
from bringup.core.reading_time import DRIFT_SHARE, Fixed, half_width
from bringup.core.settling import Manner, manner_of
from bringup.runner.roles import KIND_OF, Function
from bringup.runner.work import Work


def fixed_by(work: Work) -> Fixed | None:
    """Return what the step under way fixes of range and integration time; None: nothing."""
    action = None if work.step is None else work.step.action
    return action.fixed if isinstance(action, Measure) else None


def as_sure_as_wanted(work: Work, function: Function, limits: Limits | None) -> Manner:
    """Return what counts as settled: as usual, or, where integration times are chosen, as the limits leave room."""
    manner, role = manner_of(KIND_OF[function]), work.setup.bench.meter
    if function is not Function.DC_VOLTS or role is None or not role.integrations:
        return manner
    fixed = fixed_by(work)
    return easier(manner, limits, role.test_ratio if fixed is None or fixed.ratio is None else fixed.ratio)


def easier(manner: Manner, limits: Limits | None, ratio: float) -> Manner:
    """Return what counts as settled where limits say how sure a reading has to be: a drift may be a part of that."""
    needed = half_width(limits)
    if needed is None or ratio <= 0.0:
        return manner
    least = max(manner.least, DRIFT_SHARE * needed / ratio)
    return replace(manner, least=least, noise_least=max(manner.noise_least, least))


def around_of(limits: Limits | None) -> float | None:
    """Return the value to expect, from which the meter's range is chosen; None: let it find its range."""
    if limits is None:
        return None
    if limits.nominal is not None:
        return float(limits.nominal)
    ends = [abs(float(end)) for end in (limits.low, limits.high) if end is not None]
    return max(ends) if len(ends) > 1 else None
