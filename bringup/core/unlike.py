"""Whether a reading is unlike those of passed sisters of its unit, though it lies within its limits. Pure.

The modified z-score of B. Iglewicz and D. C. Hoaglin (How to Detect and Handle Outliers, 1993; formula as in the
NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17): 0.6745 (x - median) / MAD, of note beyond 3.5.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from statistics import mean, median

from bringup.core.budget import FLOOR, TOLERANCE
from bringup.core.frozen import frozen
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.reference import Key, Reference, difference
from bringup.core.words import Kind, Result

NOTICED = 3.5
"""Modified z-scores beyond this are noticed."""
LEAST_SISTERS = 5
"""Passed sisters from which on anything is said. With five, one sound reading in eight lies beyond 3.5, with ten one in
thirty, with twenty one in a hundred (20,000 draws from a normal distribution): a notice asks for a look."""
FEW_SISTERS = 2
"""From so many on an input current beyond what the power budget would allow about theirs is noticed, too: a board that
draws twice as much is no matter of statistics."""
LEAST_SPREAD = 0.0005
"""Part of the sisters' median below which their spread is the instruments' as much as theirs (common practice, no
source)."""
OF_MAD, OF_MEAN = 0.6745, 1.253314
"""What makes the median (mean) absolute deviation of a normal distribution its standard deviation."""

SPREAD = ("minimum", "maximum", "standard deviation", "peak to peak", "slope per hour")
"""What a log has beside its mean: how far it lies from another unit's says nothing by itself."""
GOOD = (Result.PASS, Result.CONDITIONAL_PASS, Result.RECORDED)


def modified_z(value: float, sisters: Sequence[float], floor: float = 0.0) -> float:
    """Return the modified z-score of a value against at least one other value.

    `floor`: the least that counts as spread, such as the weight of the instrument's last digit. Where the MAD is zero,
    the mean absolute deviation stands in for it (as Iglewicz and Hoaglin propose); sisters that are all alike give 0
    for a value like theirs, else an infinite score.
    """
    middle = median(sisters)
    deviations = [abs(each - middle) for each in sisters]
    spread = max(median(deviations) / OF_MAD, floor) or OF_MEAN * mean(deviations)
    if spread:
        return (value - middle) / spread
    return 0.0 if value == middle else float("inf") if value > middle else float("-inf")


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
        score = modified_z(reading.value, known, least)
        if abs(score) <= NOTICED:
            return ""
        return _said(reading, known, f"; modified z {score:+.1f}")


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
    return reading.aspect in ("", "mean") or reading.kind is Kind.CURRENT


def _kind(reading: Reading) -> str:
    return "" if reading.kind in (Kind.VOLTAGE, Kind.RESISTANCE) else reading.kind.value
