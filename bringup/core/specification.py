"""An instrument's data sheet as a table: limits of error by function, range, time since calibration and temperature.

Pure. The rows come from the bench file. What a reading may be off is looked up here; where the table does not answer,
the reason is given in words and nothing is guessed.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from bringup.core.accuracy import OF_METER, Accuracy
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity

OVER_RANGE = Decimal("1.2")
"""Part of a range up to which meters that change ranges by themselves stay on it (common practice, no source)."""


FUNCTION_UNITS = {
    "dc volts": "V",
    "ac volts": "V",
    "dc amps": "A",
    "ohms": "ohm",
    "four-wire ohms": "ohm",
}
"""What a meter's data sheet is looked up for, and the unit of each."""
FUNCTIONS = tuple(FUNCTION_UNITS)


@frozen
class Row:
    """One line of a data sheet."""

    function: str
    """As in dialects: 'dc volts', 'ohms'."""
    full_scale: Decimal | None
    """The range; None: any."""
    error: Accuracy
    digit: Decimal | None = None
    """Weight of the last digit on that range; None: as the reading shows."""
    days: int | None = None
    """Since calibration, up to which it holds; None: always."""
    temperature: Limits | None = None
    """degC in which it holds; None: any."""
    per_degree: Accuracy | None = None
    """What comes on top for each degree outside of that."""


@frozen
class Conditions:
    """Under what a reading was taken. None: not known, which is told beside what follows from it."""

    full_scale: Decimal | None = None
    """The range the instrument was set to; None: it chose one."""
    digit: Decimal | None = None
    days: int | None = None
    ambient: Decimal | None = None


@frozen
class Found:
    """A limit of error and what had to be assumed for it; or None, with the reason in `why`."""

    limit: Decimal | None
    why: str = ""
    full_scale: Decimal | None = None
    digit: Decimal | None = None
    assumed: tuple[str, ...] = ()


@frozen
class Specification:
    """The table."""

    rows: tuple[Row, ...]

    def at(self, volts: Decimal) -> Decimal:
        """Return how far DC volts may be off, on the range that they take, as long after calibration as it goes.

        Where it says nothing of them: what plain meters keep.
        """
        found = self.limit("dc volts", volts, Conditions())
        if found.limit is not None:
            return found.limit
        # A value beyond its ranges: what the largest one permits, which is the widest of all.
        widest = max((row for row in self.rows if row.function == "dc volts"), key=_size, default=None)
        return OF_METER.at(volts) if widest is None else _limit(widest, volts, Conditions())

    def __str__(self) -> str:
        return "by its specification"

    def functions(self) -> frozenset[str]:
        """Return what it says anything of."""
        return frozenset(row.function for row in self.rows)

    def ranges(self, function: str) -> tuple[Decimal, ...]:
        """Return the ranges of a function of which it says anything, the smallest first."""
        return tuple(sorted({row.full_scale for row in self.rows_of(function) if row.full_scale is not None}))

    def rows_of(self, function: str) -> tuple[Row, ...]:
        """Return what it says of a function."""
        return tuple(row for row in self.rows if row.function == function)

    def limit(self, function: str, value: Decimal, under: Conditions) -> Found:
        """Return how far a reading may be off under these conditions."""
        rows = self.rows_of(function)
        if not rows:
            return Found(None, f"the bench file states no accuracy of {function}")
        fitting = _of_range(rows, value, under.full_scale)
        if not fitting:
            return Found(None, _no_range(rows, value, under.full_scale))
        valid = _in_time(fitting, under.days)
        if not valid:
            longest = max(row.days or 0 for row in fitting)
            return Found(
                None,
                f"its accuracy is stated up to {longest} days after calibration, and that is {under.days} days ago",
            )
        row, away = _nearest(valid, under.ambient)
        if away and row.per_degree is None:
            return Found(None, f"its accuracy is stated for {row.temperature} only, and it is {under.ambient} °C")
        limit = _limit(row, value, under)
        if away and row.per_degree is not None:
            limit += away * row.per_degree.on(value, row.full_scale or Decimal(0), row.digit or Decimal(0))
        return Found(limit, "", row.full_scale, row.digit or under.digit, tuple(_assumed(row, under)))


def specified(accuracy: Accuracy | Specification | None, function: str) -> Specification | None:
    """Return a plain limit of error of any range as a table of one row; None where nothing is stated."""
    if isinstance(accuracy, Accuracy):
        return Specification((Row(function, None, accuracy),))
    return accuracy


def _size(row: Row) -> Decimal:
    return row.full_scale or Decimal(0)


def _limit(row: Row, value: Decimal, under: Conditions) -> Decimal:
    return row.error.on(value, row.full_scale or Decimal(0), row.digit or under.digit or Decimal(0))


def _of_range(rows: Iterable[Row], value: Decimal, full_scale: Decimal | None) -> list[Row]:
    """Rows of the range that is set; else of the smallest that the value fits; rows of any range, too."""
    rows = list(rows)
    sizes = sorted({row.full_scale for row in rows if row.full_scale is not None})
    if full_scale is None:
        fits = [size for size in sizes if abs(value) <= size] or [s for s in sizes if abs(value) <= OVER_RANGE * s]
        full_scale = fits[0] if fits else None
    return [row for row in rows if row.full_scale is None or row.full_scale == full_scale]


def _no_range(rows: Iterable[Row], value: Decimal, full_scale: Decimal | None) -> str:
    row = next(iter(rows))
    if full_scale is not None:
        named = format_quantity(full_scale, row.error.unit)
        return f"the bench file states no accuracy of {row.function} on the {named} range"
    return f"{format_quantity(value, row.error.unit)} is beyond every range whose accuracy the bench file states"


def _in_time(rows: list[Row], days: int | None) -> list[Row]:
    """Rows that hold that long after calibration, the shortest of them; not known: those that hold longest."""
    if days is None:
        if any(row.days is None for row in rows):
            return [row for row in rows if row.days is None]
        longest = max(row.days or 0 for row in rows)
        return [row for row in rows if row.days == longest]
    holding = [row for row in rows if row.days is None or row.days >= days]
    stated = [row.days for row in holding if row.days is not None]
    return [row for row in holding if row.days == min(stated)] if stated else holding


def _nearest(rows: list[Row], ambient: Decimal | None) -> tuple[Row, Decimal]:
    """The row whose temperatures hold or are nearest, and how many degrees away it is."""
    if ambient is None:
        # Not known: the one that is stated for the widest span, taken as holding.
        return max(rows, key=_span), Decimal(0)
    away = [(_away(row.temperature, ambient), _span(row), row) for row in rows]
    distance, _, row = min(away, key=lambda each: each[:2])
    return row, distance


def _span(row: Row) -> Decimal:
    limits = row.temperature
    if limits is None or limits.low is None or limits.high is None:
        return Decimal("Infinity")
    return limits.high - limits.low


def _away(limits: Limits | None, ambient: Decimal) -> Decimal:
    if limits is None or limits.accepts(ambient):
        return Decimal(0)
    ends = [end for end in (limits.low, limits.high) if end is not None]
    return min(abs(ambient - end) for end in ends)


def _assumed(row: Row, under: Conditions) -> Iterable[str]:
    if row.days is not None and under.days is None:
        yield f"calibrated within {row.days} days"
    if row.temperature is not None and under.ambient is None:
        yield f"at {row.temperature}"
