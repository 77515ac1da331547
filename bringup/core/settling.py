"""Whether successive readings have settled: they agree within their noise, and no trend is left that matters.

A straight line is fitted to the latest readings (least squares); its slope is the trend, what is left over is the
scatter. How much trend matters depends on the kind of quantity: see MANNERS. A slow ramp has much trend and little
scatter, noise has scatter and no trend; so the two are told apart without knowing the instrument's noise. Readings
count as settled in one of three ways: they stand still to the last digit; their trend is small for certain; or they
are noisy, but have shown no trend beyond their noise for several times as long.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from enum import StrEnum
from operator import mul
from types import MappingProxyType

from bringup.core.frozen import frozen
from bringup.core.replies import Value
from bringup.core.words import Kind

AT_LEAST = 3
"""Readings before anything can count as settled."""
NOISY_AT_LEAST = 12
"""Readings before scatter can be told from a trend when it is the scatter that limits."""
NOISY_HORIZONS = 4.0
"""How many horizons they must span then."""
_WINDOWS = (3, 4, 5, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 256)
"""Numbers of latest readings that are looked at."""
_SURE = {1: 3.08, 2: 1.89, 3: 1.64, 4: 1.53, 6: 1.44}
"""Standard errors of the trend that are added to it, by degrees of freedom: Student's t, one-sided 90 %."""
_SURE_OF_MANY = 1.40
_NOISE = 3.0
"""Standard deviations of scatter within which a trend over the whole window is taken for noise."""


class State(StrEnum):
    """What the readings so far say."""

    SETTLING = "settling"
    SETTLED = "settled"
    NEVER = "never settled"


@frozen
class Manner:
    """What counts as settled for one kind of quantity. Absolute figures are in its base unit.

    The readings may still drift by `counts` digits of the reply, or by `relative` of the value, or by `least`,
    whichever is most, over `horizon` seconds. Noise beyond that is borne up to a spread of `noise_relative` of the
    value or `noise_least`; more is not noise but an unsteady point. After `bound` seconds it counts as never settled.
    """

    relative: float
    least: float
    noise_relative: float
    noise_least: float
    horizon: float
    bound: float
    counts: float = 2.0


_OTHER = Manner(relative=1e-3, least=0.0, noise_relative=0.05, noise_least=0.0, horizon=0.2, bound=10.0)

# Our own choices, after common practice (no source): a rail's limits are 1 % wide or more, so a drift of 0.01 % in
# 0.2 s cannot change what it is judged to be; charging capacitance moves an unpowered resistance by more than 0.2 %
# a second until it is within 0.2 % of a time constant's worth of its end, and takes tens of seconds to get there.
MANNERS: Mapping[Kind, Manner] = MappingProxyType(
    {
        Kind.VOLTAGE: Manner(relative=1e-4, least=2e-4, noise_relative=0.02, noise_least=0.01, horizon=0.2, bound=5.0),
        Kind.CURRENT: Manner(relative=1e-3, least=2e-5, noise_relative=0.10, noise_least=2e-3, horizon=0.2, bound=5.0),
        Kind.RESISTANCE: Manner(
            relative=2e-3, least=0.02, noise_relative=0.05, noise_least=0.5, horizon=1.0, bound=30.0
        ),
    }
)
"""Defaults per kind of quantity."""


def manner_of(kind: Kind) -> Manner:
    """Return the default for a kind of quantity."""
    return MANNERS.get(kind, _OTHER)


@frozen
class _Trend:
    """A straight line through a window of readings."""

    mean: float
    slope: float
    slope_error: float
    scatter: float
    span: float
    spread: float


class Settler:
    """Fed one reading after the other, it says whether they have settled.

    Readings without a value are counted in `missing` and enter nothing else. Successive over-range readings of one
    sign settle as over range. Once settled or given up, it stays so.
    """

    def __init__(self, manner: Manner) -> None:
        self.manner = manner
        self.state = State.SETTLING
        self.missing = 0
        """Readings that had no value."""
        self.lowest: float | None = None
        """Lowest of all readings so far."""
        self.highest: float | None = None
        self.last: Value | None = None
        """The latest reading that had a value or was over range: when settled, the one to keep."""
        self.mean: float | None = None
        """Mean of the readings that agreed; None until settled."""
        self.scatter: float | None = None
        """Their standard deviation about their trend."""
        self.degrees = 0
        """Degrees of freedom of that: so many readings less the two of the line."""
        self._started: float | None = None
        self._readings: list[tuple[float, float]] = []
        self._over: list[tuple[float, int]] = []

    def feed(self, at: float, value: Value) -> State:
        """Take the next reading, made at monotonic time `at` (seconds), and return the state."""
        if self.state is not State.SETTLING:
            return self.state
        if self._started is None:
            self._started = at
        if value.number is not None and math.isfinite(value.number):
            self._take(at, value.number, value)
        elif value.over_range:
            self._take_over_range(at, value)
        else:
            self.missing += 1
        return self.give_up(at)

    def give_up(self, at: float) -> State:
        """Look at the clock only: settling that has lasted beyond the bound is `never settled`."""
        if self.state is State.SETTLING and self._started is not None and at - self._started >= self.manner.bound:
            self.state = State.NEVER
        return self.state

    def _take(self, at: float, number: float, value: Value) -> None:
        self.lowest = number if self.lowest is None else min(self.lowest, number)
        self.highest = number if self.highest is None else max(self.highest, number)
        self.last = value
        self._over.clear()
        self._readings.append((at, number))
        del self._readings[: -_WINDOWS[-1]]
        for size in _WINDOWS:
            if size > len(self._readings):
                return
            if size > _WINDOWS[0] and at - self._readings[-size][0] < self.manner.horizon:
                # Too short to show that a trend is small; whether they stand still, the smallest window shows.
                continue
            trend = _fit(self._readings[-size:])
            if trend is not None and self._agrees(trend, size, value.resolution or 0.0):
                self.state, self.mean, self.scatter = State.SETTLED, trend.mean, trend.scatter
                self.degrees = size - 2
                return

    def _take_over_range(self, at: float, value: Value) -> None:
        if self._over and self._over[-1][1] != value.over_range:
            self._over.clear()
        self.last = value
        self._readings.clear()
        self._over.append((at, value.over_range))
        if len(self._over) >= AT_LEAST and at - self._over[0][0] >= self.manner.horizon:
            self.state = State.SETTLED

    def _agrees(self, trend: _Trend, size: int, resolution: float) -> bool:
        manner = self.manner
        magnitude = abs(trend.mean)
        tolerance = max(manner.counts * resolution, manner.relative * magnitude, manner.least)
        reach = max(trend.span, manner.horizon)
        # Between two readings that show the same last digit, up to one digit of trend may hide.
        hidden = resolution * reach / trend.span
        if trend.spread <= resolution and hidden + trend.spread * reach / trend.span <= tolerance:
            return True
        if trend.span < manner.horizon:
            return False
        largest = abs(trend.slope) + _SURE.get(size - 2, _SURE_OF_MANY) * trend.slope_error
        if largest * reach + hidden <= tolerance:
            return True
        noise = max(tolerance, manner.noise_relative * magnitude, manner.noise_least)
        if size < NOISY_AT_LEAST or trend.span < NOISY_HORIZONS * manner.horizon or trend.spread > noise:
            return False
        return largest * trend.span <= _NOISE * trend.scatter


def _fit(readings: Sequence[tuple[float, float]]) -> _Trend | None:
    """Fit a straight line by least squares; None where the readings were all made at one moment."""
    count = len(readings)
    start, base = readings[0]
    # Differences to the first reading keep the digits that a sum of squares would lose.
    times = [at - start for at, _ in readings]
    values = [number - base for _, number in readings]
    middle, mean = sum(times) / count, sum(values) / count
    times_off, values_off = [at - middle for at in times], [number - mean for number in values]
    width = sum([off * off for off in times_off])
    if width <= 0 or not math.isfinite(width):
        return None
    slope = sum(map(mul, times_off, values_off)) / width
    left = sum([(value - slope * time) ** 2 for time, value in zip(times_off, values_off, strict=True)])
    scatter = math.sqrt(left / (count - 2))
    return _Trend(
        mean=base + mean,
        slope=slope,
        slope_error=scatter / math.sqrt(width),
        scatter=scatter,
        span=times[-1],
        spread=max(values) - min(values),
    )
