"""Whether a quantity that should stand still creeps: a slope over 10 s or more, well above its own noise.

A straight line is fitted (least squares) to the means of one second each: over the latest readings, and over everything
since the beginning in ever longer blocks, so that memory stays bounded. A change of load is a step and no creep: each
third must slope the same way. Nor is what comes to rest; what grows ever faster is one, though its thirds are uneven.
What is above the noise but below `allowed`, a part of the value, is borne. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from bringup.core.frozen import frozen

LEAST_SPAN = 10.0
"""Seconds over which a slope must hold."""
LEAST_POINTS = 10
ALLOWED = 0.01
"""Part of its value by which a quantity may creep where nothing is stated."""
SURE = 8.0
"""Standard errors that the slope must be away from zero: looked at time and again, and never by accident."""
EVEN = 0.5
"""Each third slopes at least by this part of the whole slope: a step has all of it in one of them."""
ONE_STEP = 0.5
"""What grows ever faster moves by less than this part of its way from one mean to the next: else it is a step."""
COUNTS = 3.0
"""Digits of the reply that it must move by at least."""
BLOCK = 1.0
LATEST = 60
"""Seconds of one block, and how many of the latest ones are looked at."""
WINDOWS = (10, 20, 60)
MOST_BLOCKS = 64
"""Of everything since the beginning; beyond that, two blocks become one."""


@frozen
class Creeping:
    """A creep that was found: from where to where, over how many seconds, by the fitted line."""

    start: float
    end: float
    seconds: float

    @property
    def per_minute(self) -> float:
        """The slope, in the quantity's unit per minute."""
        return (self.end - self.start) / self.seconds * 60.0


@frozen
class _Block:
    """The mean of some readings, at the mean of their times."""

    time: float
    value: float
    count: int = 1

    def joined(self, other: _Block) -> _Block:
        total = self.count + other.count
        time = (self.time * self.count + other.time * other.count) / total
        return _Block(time, (self.value * self.count + other.value * other.count) / total, total)


class Creep:
    """Looks at one quantity for as long as a step takes. `allowed`: the part of its value that it may move by."""

    def __init__(self, allowed: float = ALLOWED) -> None:
        self.allowed = allowed
        self._open: _Block | None = None
        self._opened = 0.0
        self._latest: list[_Block] = []
        self._whole: list[_Block] = []
        self._last: _Block | None = None
        self._share = 1
        """How many latest blocks one block of the whole is made of."""

    def feed(self, time: float, value: float, resolution: float | None = None) -> Creeping | None:
        """Take a reading (times ascend, in s); returns a creep once it is certain. Values that are no number: none."""
        if not math.isfinite(value):
            return None
        reading = _Block(time, value)
        if self._open is not None and time - self._opened < BLOCK:
            self._open = self._open.joined(reading)
            return None
        if self._open is not None:
            self._close(self._open)
        self._open, self._opened = reading, time
        least = COUNTS * (resolution or 0.0)
        for count in WINDOWS:
            if (found := creeping(self._latest[-count:], self.allowed, least)) is not None:
                return found
        return creeping(self._whole, self.allowed, least)

    def _close(self, block: _Block) -> None:
        self._latest = [*self._latest[-(LATEST - 1) :], block]
        self._last = block if self._last is None else self._last.joined(block)
        if self._last.count < self._share * block.count:
            return
        self._whole.append(self._last)
        self._last = None
        if len(self._whole) >= MOST_BLOCKS:
            pairs = zip(self._whole[::2], self._whole[1::2], strict=False)
            self._whole = [one.joined(other) for one, other in pairs]
            self._share *= 2


def creeping(points: Sequence[_Block], allowed: float, least: float) -> Creeping | None:
    """Judge the slope of these means: None unless it is long enough, even, above the noise and more than allowed."""
    if len(points) < LEAST_POINTS or points[-1].time - points[0].time < LEAST_SPAN - BLOCK:
        return None
    slope, error, middle = _line(points)
    seconds = points[-1].time - points[0].time
    moved = slope * seconds
    way = points[-1].value - points[0].value
    if abs(way) > max(allowed * abs(middle), least) and _grows(points, way):
        return Creeping(points[0].value, points[-1].value, seconds)
    if abs(moved) <= max(allowed * abs(middle), least) or abs(slope) <= SURE * error:
        return None
    third = len(points) // 3
    for part in (points[:third], points[third:-third], points[-third:]):
        if _line(part)[0] * math.copysign(1.0, slope) < EVEN * abs(slope):
            return None
    return Creeping(middle - moved / 2, middle + moved / 2, seconds)


def _grows(points: Sequence[_Block], way: float) -> bool:
    """Whether every mean lies beyond the one before, the second half moves further, and none of it is a step.

    Noise puts ten means in order once in 1.8 million times.
    """
    moves = [(after.value - before.value) / way for before, after in pairwise(points)]
    half = len(moves) // 2
    return min(moves) > 0 and max(moves) < ONE_STEP and sum(moves[:half]) < sum(moves[-half:])


def _line(points: Sequence[_Block]) -> tuple[float, float, float]:
    """Fit a line: its slope, the slope's standard error, the value in the middle."""
    count = len(points)
    time = math.fsum(point.time for point in points) / count
    value = math.fsum(point.value for point in points) / count
    spread = math.fsum((point.time - time) ** 2 for point in points)
    slope = math.fsum((point.time - time) * (point.value - value) for point in points) / spread
    left = math.fsum((point.value - value - slope * (point.time - time)) ** 2 for point in points)
    return slope, math.sqrt(left / max(1, count - 2) / spread), value
