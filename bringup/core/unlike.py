"""Whether a reading is unlike those of passed sisters of its unit, though it lies within its limits. Pure.

Of n sisters with mean m and standard deviation s another sound one lies, with the probability P, within

    m ± t s √(1 + 1/n),    t: Student's, n - 1 degrees of freedom, two-sided, P

(the prediction interval for one further value of a normal distribution: G. J. Hahn and W. Q. Meeker, Statistical
Intervals, 1991, from memory). Where k readings of an attempt are compared, P = 0.95 ^ (1/k) for each (Z. Šidák,
J. Amer. Statist. Assoc. 62, 1967, from memory): of a hundred sound units about five have a notice at all, however few
the sisters; fewer where the rails of a unit move together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from math import fsum, sqrt
from statistics import median

from bringup.core.budget import FLOOR, TOLERANCE
from bringup.core.frozen import frozen
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.reference import Key, Reference, difference
from bringup.core.student import coverage_factor
from bringup.core.words import Kind, Result

SOUND = 0.95
"""Share of sound units of which nothing is noticed."""
LEAST_SISTERS = 5
"""Passed sisters from which on anything is said: of fewer the interval is so wide that it tells nothing."""
FEW_SISTERS = 2
"""From so many on an input current beyond what the power budget would allow about theirs is noticed, too: a board that
draws twice as much is no matter of statistics."""
LEAST_SPREAD = 0.0005
"""Part of the sisters' median below which their spread is the instruments' as much as theirs (common practice, no
source)."""
TWO_INSTRUMENTS = sqrt(2.0)
"""What the reading may be off by, and the sisters' too: they may have been read with another instrument."""

SPREAD = ("minimum", "maximum", "standard deviation", "peak to peak", "slope per hour")
"""What a log has beside its mean: how far it lies from another unit's says nothing by itself."""
GOOD = (Result.PASS, Result.CONDITIONAL_PASS, Result.RECORDED)


def expected_within(sisters: Sequence[float], compared: int, least_spread: float = 0.0) -> tuple[float, float]:
    """Return within what another sound unit reads where so many readings are compared; of at least two sisters.

    `least_spread`: the least that counts as their standard deviation, such as the weight of an instrument's last digit.
    """
    count = len(sisters)
    middle = fsum(sisters) / count
    spread = max(sqrt(fsum((each - middle) ** 2 for each in sisters) / (count - 1)), least_spread)
    half = coverage_factor(SOUND ** (1.0 / compared), count - 1.0) * spread * sqrt(1.0 + 1.0 / count)
    return middle - half, middle + half


@frozen
class Sisters:
    """What passed sisters read: units of the same board, revision and variant, all real or all simulated."""

    values: Mapping[Key, tuple[float, ...]] = field(default_factory=dict)
    reference: Reference | None = None
    """The one of them, or the earlier attempt, that is marked as reference."""

    def beside(self, reading: Reading) -> str:
        """Say how a reading differs from the reference's and from the sisters'; '' where neither has one.

        Sisters are told from the number on from which a difference can be noticed.
        """
        if reading.value is None or reading.point is None or not compared(reading) or reading.aspect in SPREAD:
            return ""
        key, told = key_of(reading), []
        of_reference = None if self.reference is None else self.reference.value_for(reading)
        if self.reference is not None and of_reference is not None:
            told.append((self.reference.called, of_reference))
        known = self.values.get(key, ())
        if len(known) >= LEAST_SISTERS:
            told.append((f"median of {len(known)} sisters", median(known)))
        return "; ".join(
            f"{difference(reading.value, of, reading.unit, reading.resolution)} from {name}" for name, of in told
        )

    def remark(self, reading: Reading) -> str:
        """Say how a good reading is unlike the sisters'; '' where it is not, or where too few are known."""
        if reading.value is None or reading.point is None or reading.result not in GOOD or not compared(reading):
            return ""
        known = self.values.get(key_of(reading), ())
        if len(known) < LEAST_SISTERS:
            return _far_from_few(reading, known) if reading.kind is Kind.CURRENT else ""
        least = max(reading.resolution or 0.0, LEAST_SPREAD * abs(median(known)))
        low, high = expected_within(known, self.compared, least)
        middle, unsure = (low + high) / 2.0, TWO_INSTRUMENTS * (reading.uncertainty or 0.0)
        low, high = min(low, middle - unsure), max(high, middle + unsure)
        if low <= reading.value <= high:
            return ""
        ends = (format_quantity(end, reading.unit, resolution=reading.resolution) for end in (low, high))
        return _said(reading, known, f"; another one is expected within {' .. '.join(ends)}")

    @property
    def compared(self) -> int:
        """How many readings of an attempt are compared with those of enough sisters: at least this one."""
        return max(1, sum(len(each) >= LEAST_SISTERS for key, each in self.values.items() if shared(key[2], key[3])))


def _far_from_few(reading: Reading, known: Sequence[float]) -> str:
    """Say how a current is far from those of a few sisters; '' where it is not. The spread of a log's says nothing."""
    if len(known) < FEW_SISTERS or reading.value is None or reading.aspect in SPREAD:
        return ""
    reach = max(TOLERANCE * abs(median(known)), FLOOR)
    if min(known) - reach <= reading.value <= max(known) + reach:
        return ""
    return _said(reading, known, "")


def _said(reading: Reading, known: Sequence[float], beside: str) -> str:
    value, middle, low, high = (
        format_quantity(each, reading.unit, resolution=reading.resolution)
        for each in (reading.value or 0.0, median(known), min(known), max(known))
    )
    name = " ".join(part for part in (reading.point, _kind(reading), reading.aspect) if part)
    within = "within its limits, but unlike" if reading.limits is not None else "unlike"
    return f"{name} {value}: {within} {len(known)} passed sisters (median {middle}, {low} .. {high}{beside})"


def key_of(reading: Reading) -> Key:
    """Return by what a reading is compared with those of sisters."""
    return reading.step, reading.point or "", reading.kind.value, reading.aspect


def compared(reading: Reading) -> bool:
    """Whether it is one that sisters share: not what noise, leftover charge or a moment in time decides."""
    return shared(reading.kind.value, reading.aspect)


def shared(kind: str, aspect: str) -> bool:
    """Whether sisters share a quantity of this kind and aspect."""
    return aspect in ("", "mean") or kind == Kind.CURRENT.value


def _kind(reading: Reading) -> str:
    return "" if reading.kind in (Kind.VOLTAGE, Kind.RESISTANCE) else reading.kind.value
