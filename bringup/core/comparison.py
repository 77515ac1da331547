"""Two sides beside each other: what differs at each point, by how much, and what the differences look like together.

A side is one unit, one attempt or many units. Which differences matter: what missed a limit on one side only comes
first, then what takes up most of its limits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from bringup.core.distributions import special
from bringup.core.frozen import frozen
from bringup.core.intervals import Interval, difference_interval
from bringup.core.limits import Limits
from bringup.core.reference import in_states
from bringup.core.spread import Summary, summary
from bringup.core.taken import Point, Taken
from bringup.core.wording import listed

LEAST_FREEDOM = 4
"""Degrees of freedom from which on a standard deviation is taken for known: five units. It is then known to within some
35 % (1 / sqrt(2 f), f degrees of freedom; from memory); of three to half of itself."""

MOST_NAMED = 3
"""Points that are named where they are many."""


@frozen
class Difference:
    """Of one point; `difference` and the rest are side B less side A. None: cannot be told."""

    point: Point
    unit: str
    one: Summary
    other: Summary
    failed: tuple[int, int]
    """How many values missed their limits on each side."""
    difference: float
    percent: float | None
    """Of side A's mean."""
    deviations: float | None
    """In standard deviations of one unit; None also where too few units say what that is (LEAST_FREEDOM)."""
    of_limits: float | None
    """As a part of the width between the limits (of the distance to the one limit there is)."""
    limits: Limits | None
    """By which side B was judged; None also where its values were judged by several."""
    limits_differ: bool
    meters: tuple[tuple[str, ...], tuple[str, ...]]
    uncertainty: float | None
    """Of the difference, where all values of both sides state theirs. Of many it is that of the worst reading: what a
    meter is off by does not average out over units."""
    interval: Interval | None
    """Of the difference at 95 %, where both sides have several units; None also without scipy."""

    @property
    def crossed(self) -> bool:
        """Whether only one of the sides missed a limit."""
        return (self.failed[0] > 0) is not (self.failed[1] > 0)

    @property
    def other_meter(self) -> bool:
        """Whether the sides were not read by the same instruments."""
        return set(self.meters[0]) != set(self.meters[1])

    @property
    def below_accuracy(self) -> bool:
        """Whether other meters read it, and the difference is no larger than they may differ by."""
        return self.other_meter and self.uncertainty is not None and abs(self.difference) <= self.uncertainty


def compare(
    one: dict[Point, list[Taken]], other: dict[Point, list[Taken]], usual: dict[Point, list[Taken]]
) -> list[Difference]:
    """Return the differences at all points that both sides have, the most important first.

    `usual`: all units of the board, for the standard deviation where the sides have too few values of their own. A
    side's own deviations are pooled: sqrt(((n1 - 1) s1^2 + (n2 - 1) s2^2) / (n1 + n2 - 2)).
    """
    found = [_difference(one[point], other[point], usual.get(point, [])) for point in one if point in other]
    return sorted(found, key=_weight, reverse=True)


def nothing_shared(one: Iterable[Point], other: Iterable[Point], names: tuple[str, str]) -> str:
    """Say why two sides have no point in common, as far as it is the board's state; '' where it is not.

    `names`: what the sides are called.
    """
    apart: dict[tuple[str | None, str | None], list[str]] = {}
    for each in one:
        for twin in other:
            if each != twin and replace(each, board_state=None) == replace(twin, board_state=None):
                apart.setdefault((each.board_state, twin.board_state), []).append(str(each))
    return "; ".join(
        f"{_first_of(points)} read {in_states([first])} of {names[0]}, {in_states([second])} of {names[1]}"
        for (first, second), points in apart.items()
    )


def _first_of(points: Sequence[str]) -> str:
    if len(points) == 1:
        return f"{points[0]} was"
    more = len(points) - MOST_NAMED
    return f"{listed([*points[:MOST_NAMED], *([f'{more} more'] if more > 0 else [])])} were"


def _difference(one: Sequence[Taken], other: Sequence[Taken], usual: Sequence[Taken]) -> Difference:
    first, second = (summary([each.value for each in side]) for side in (one, other))
    difference = second.mean - first.mean
    deviation = _pooled(first, second)
    if deviation is None and len(usual) > LEAST_FREEDOM:
        deviation = summary([each.value for each in usual]).deviation
    stated = {_ends(each.limits): each.limits for each in other}
    (limits,) = stated.values() if len(stated) == 1 else (None,)
    width = _width(limits, first.mean)
    off = [_worst([each.uncertainty for each in side]) for side in (one, other)]
    uncertainty = None if off[0] is None or off[1] is None else math.hypot(off[0], off[1])
    return Difference(
        point=one[0].point,
        unit=one[0].unit,
        one=first,
        other=second,
        failed=(sum(each.failed for each in one), sum(each.failed for each in other)),
        difference=difference,
        percent=100 * difference / abs(first.mean) if first.mean and not _around_zero(limits) else None,
        deviations=difference / deviation if deviation else None,
        of_limits=abs(difference) / width if width else None,
        limits=limits,
        limits_differ={_ends(each.limits) for each in one} != set(stated) or len(stated) > 1,
        meters=tuple(tuple(sorted({each.meter for each in side})) for side in (one, other)),  # type: ignore[arg-type]
        uncertainty=uncertainty,
        interval=_interval(first, second),
    )


def _worst(uncertainties: Sequence[float | None]) -> float | None:
    known = [each for each in uncertainties if each is not None]
    return max(known) if len(known) == len(uncertainties) else None


def _interval(one: Summary, other: Summary) -> Interval | None:
    if special() is None or None in (one.deviation, other.deviation) or not (one.deviation or other.deviation):
        return None
    return difference_interval(one, other)


def _pooled(one: Summary, other: Summary) -> float | None:
    freedom = one.n + other.n - 2
    if freedom < LEAST_FREEDOM:
        return None
    squares = sum((side.n - 1) * side.deviation**2 for side in (one, other) if side.deviation is not None)
    return math.sqrt(squares / freedom)


def _ends(limits: Limits | None) -> tuple[object, ...]:
    return () if limits is None else (limits.low, limits.high)


def _width(limits: Limits | None, beside: float) -> float | None:
    if limits is None:
        return None
    if limits.low is not None and limits.high is not None:
        return float(limits.high - limits.low)
    end = limits.low if limits.high is None else limits.high
    return None if end is None else abs(float(end) - beside)


def _around_zero(limits: Limits | None) -> bool:
    """Whether nothing is what is wanted: of 30 µV left on a dead point there is no percent to tell."""
    return limits is not None and limits.low is not None and limits.high is not None and limits.low < 0 < limits.high


def _weight(difference: Difference) -> tuple[bool, bool, float]:
    """Sort key: crossed a limit, more than the meters' accuracy, part of the limits (of the value without limits)."""
    part = difference.of_limits
    if part is None:
        part = abs(difference.percent or 0) / 100
    return difference.crossed, not difference.below_accuracy, part
