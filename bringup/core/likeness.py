"""How close a reading lies to a prediction, and which suspects the readings of an attempt do not tell apart. Pure.

What a prediction may be off by: tolerances, unit-to-unit spread and what the solver does not know, as noted beside
each number (chosen, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, isinf

from bringup.core.evidence import Evidence, Seen
from bringup.core.frozen import frozen
from bringup.core.suspects import Suspect

VOLTS_SHARE, VOLTS_FLOOR = 0.005, 0.005
"""Beside tolerance: contact, loading and drift, as a fraction and in volts."""
AMPS_SHARE, AMPS_FLOOR = 0.10, 0.003
"""Efficiencies and loads are typical values; a budget's band of 30 % is taken as three of these."""
OHMS_SHARE, OHMS_FLOOR = 0.12, 0.3
"""Resistance to ground differs from unit to unit, and by the meter; leads are some 0.2 ohm."""
OPEN_OHMS = 1e7
"""What counts as no path to ground."""
FITS = 3.0
"""A reading no further from a prediction than this is explained by it."""
ALIKE = 1.0
"""Suspects whose predictions of every reading are less than this apart are told as one."""


@frozen
class Explained:
    """A reading with what a suspect predicts of it, and how far it lies from that."""

    evidence: Evidence
    predicted: float
    distance: float


@frozen
class Cause:
    """A likely cause: suspects that these readings do not tell apart, most likely first."""

    suspects: tuple[Suspect, ...]
    probability: float
    readings: tuple[Explained, ...]
    """How the first of them explains each reading."""

    @property
    def fits(self) -> bool:
        """Whether it explains every reading within three of what it may be off by."""
        return _fit(self.readings)


def grouped(weighed: Sequence[tuple[float, Suspect, tuple[Explained, ...]]]) -> tuple[Cause, ...]:
    """Put suspects together whose predictions these readings do not tell apart."""
    groups: list[tuple[float, list[Suspect], tuple[Explained, ...]]] = []
    for weight, suspect, explained in weighed:
        for number, (sum_so_far, members, leader) in enumerate(groups):
            if _one_part(suspect, members[0]) and _fit(explained, leader):
                # One part with another value: the value that fits best stands for all.
                better = _misfit(explained) < _misfit(leader)
                first = [suspect, *members[1:]] if better else members
                groups[number] = (sum_so_far + weight, first, explained if better else leader)
                break
            if suspect.mistaken is None and members[0].mistaken is None and _alike(explained, leader):
                groups[number] = (sum_so_far + weight, [*members, suspect], leader)
                break
        else:
            groups.append((weight, [suspect], explained))
    groups.sort(key=lambda group: -group[0])
    return tuple(Cause(tuple(members), weight, explained) for weight, members, explained in groups)


def _one_part(one: Suspect, other: Suspect) -> bool:
    if one.fault is None or other.fault is None or one.later != other.later:
        return False
    return (one.fault.point, one.fault.kind, one.way) == (other.fault.point, other.fault.kind, other.way)


def _fit(*of: Sequence[Explained]) -> bool:
    return all(each.distance <= FITS for explained in of for each in explained)


def _misfit(explained: Sequence[Explained]) -> float:
    return sum(each.distance**2 for each in explained)


def _alike(one: Sequence[Explained], other: Sequence[Explained]) -> bool:
    pairs = zip(one, other, strict=True)
    return all(
        abs(a.distance - b.distance) < ALIKE
        and (
            a.predicted == b.predicted
            or abs(a.predicted - b.predicted) < ALIKE * uncertain(a.evidence.seen, b.predicted)
        )
        for a, b in pairs
    )


def uncertain(seen: Seen, value: float) -> float:
    """How far a reading may lie from a prediction where nothing is known of the point's tolerance."""
    if isinf(value):
        return 0.0
    if seen is Seen.OHMS:
        return hypot(OHMS_SHARE * value, OHMS_FLOOR)
    if seen is Seen.AMPS:
        return hypot(AMPS_SHARE * value, AMPS_FLOOR)
    return hypot(VOLTS_SHARE * value, VOLTS_FLOOR)
