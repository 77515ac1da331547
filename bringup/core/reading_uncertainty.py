"""The uncertainty of one reading, by who took it, of what and under which conditions. Pure.

What the bench file says of accuracy is a limit of error; beside it count the last digit, the scatter of readings that
agreed, the meter's leads in a resistance, and what the meter's input does to a point that is not stiff.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date
from decimal import Decimal

from bringup.core.bench import Bench, MeterRole
from bringup.core.board import Board
from bringup.core.expectation import LEAD_OHMS
from bringup.core.frozen import frozen
from bringup.core.reading import RIPPLE_RMS, Reading
from bringup.core.specification import Conditions, Specification, specified
from bringup.core.statistics_of_log import DEVIATION, MEAN, PEAK_TO_PEAK, SLOPE
from bringup.core.uncertainty import (
    DERIVED,
    LEADS,
    LOADING,
    NOISE,
    REPEATS,
    SPECIFICATION,
    Contribution,
    NotKnown,
    Uncertainty,
    combined,
    of_digit,
    rectangular,
)
from bringup.core.words import How, Kind

INPUT_OHMS, HIGH_INPUT_OHMS = 1e7, 1e10
"""What a meter's DC volts load a point with, as set by the tool (common practice, no source)."""

CONTACTS = 0.05
"""Ohms by which two contacts of a probe differ from one touch to the next (common practice, no source)."""

STATISTICS_ONLY = (DEVIATION, PEAK_TO_PEAK, SLOPE)
"""Aspects whose value is no reading of the instrument."""


@frozen
class Taken:
    """How a reading was taken, beyond what it says itself."""

    repeats: tuple[float, int] | None = None
    """Standard deviation that repeated readings show, with its degrees of freedom."""
    lead_ohms: float | None = None
    """What was taken off a resistance for the meter's own leads; None: nothing was."""
    ambient: float | None = None
    standard: float | None = None
    """Of a figure: what the readings it is worked out from come to."""
    noise: float | None = None
    """What a reading of that integration time scatters by the data sheet."""


def uncertainty_of(reading: Reading, bench: Bench, board: Board, taken: Taken) -> Uncertainty | NotKnown | None:
    """Return the uncertainty of a reading; None where there is no value, or no accuracy is stated for who took it."""
    if reading.value is not None and taken.standard:
        return combined([Contribution(DERIVED, taken.standard)])
    if reading.value is None or (reading.how is How.DERIVED and reading.aspect != MEAN):
        return None
    function, table, calibrated = _stated(reading, bench)
    if table is None:
        return None
    days = None if calibrated is None else (reading.at.date() - calibrated).days
    if days is not None and days < 0:
        return NotKnown(f"the bench file says it was calibrated on {calibrated}, which is yet to come")
    under = Conditions(
        None if reading.meter_range is None else _decimal(reading.meter_range),
        None if reading.resolution is None else _decimal(reading.resolution),
        days,
        None if taken.ambient is None else _decimal(taken.ambient),
    )
    # What is looked up is what the meter showed: its own leads were taken off a resistance afterwards.
    found = table.limit(function, _decimal(reading.value + (taken.lead_ohms or 0.0)), under)
    if found.limit is None:
        return NotKnown(found.why)
    parts = [rectangular(SPECIFICATION, float(found.limit)), *_beside(reading, bench, board, taken)]
    return combined(parts, assumed=found.assumed)


def read_by_instrument(reading: Reading) -> bool:
    """Whether a value is what an instrument read (or the mean of such), so that its accuracy says how sure it is."""
    by_itself = (Kind.VOLTAGE, Kind.CURRENT)
    kinds = {"meter": (Kind.VOLTAGE, Kind.RESISTANCE), "load": by_itself}
    if reading.kind not in (by_itself if reading.by_supply else kinds.get(reading.instrument, ())):
        return False
    derived = reading.how is How.DERIVED and reading.aspect != MEAN
    return not derived and not reading.aspect.startswith(STATISTICS_ONLY)


def _stated(reading: Reading, bench: Bench) -> tuple[str, Specification | None, date | None]:
    """Return what was measured, in a data sheet's words, the table that covers it, and when that was calibrated."""
    if reading.aspect not in ("", MEAN) and reading.aspect.startswith(STATISTICS_ONLY):
        return "", None, None
    if reading.instrument == "meter" and bench.meter is not None:
        function = {Kind.VOLTAGE: "dc volts", Kind.RESISTANCE: "ohms"}.get(reading.kind, "")
        if reading.aspect == RIPPLE_RMS:
            function = "ac volts"
        return function, _of_meter(bench.meter, function), bench.meter.calibrated
    supply = next((each for each in bench.supplies if each.name == reading.instrument), None)
    if supply is not None:
        stated = {Kind.VOLTAGE: supply.accuracy, Kind.CURRENT: supply.current_accuracy}.get(reading.kind)
        return reading.kind.value, specified(stated, reading.kind.value), None
    if reading.instrument == "load" and bench.load is not None:
        stated = {Kind.VOLTAGE: bench.load.accuracy, Kind.CURRENT: bench.load.current_accuracy}.get(reading.kind)
        return reading.kind.value, specified(stated, reading.kind.value), None
    return "", None, None


def _of_meter(meter: MeterRole, function: str) -> Specification | None:
    """The meter's table if it says anything of that function; one plain limit of error is of DC volts."""
    if isinstance(meter.accuracy, Specification):
        return meter.accuracy if function in meter.accuracy.functions() else None
    return specified(meter.accuracy, function) if function == "dc volts" else None


def _beside(reading: Reading, bench: Bench, board: Board, taken: Taken) -> Iterator[Contribution]:
    """What counts beside the limit of error."""
    if reading.resolution and reading.aspect != MEAN:
        yield of_digit(reading.resolution)
    # A few readings that happened to agree show less scatter than there is: what is known beforehand of many holds
    # then (JCGM 100:2008, 4.2.4, from memory). A point that scatters more than the meter shows it by itself.
    if taken.repeats is not None and taken.repeats[1] > 0 and taken.repeats[0] >= (taken.noise or 0.0):
        yield Contribution(REPEATS, taken.repeats[0], float(taken.repeats[1]))
    elif taken.noise:
        yield Contribution(NOISE, taken.noise)
    if reading.instrument == "meter" and reading.kind is Kind.RESISTANCE:
        # Leads that were measured count as uncertain as what is left of them by contacts; else whole.
        yield rectangular(LEADS, LEAD_OHMS if taken.lead_ohms is None else CONTACTS)
    source = _source_ohms(board, reading)
    if source and reading.value is not None:
        into = HIGH_INPUT_OHMS if bench.meter is not None and bench.meter.high_impedance else INPUT_OHMS
        yield rectangular(LOADING, abs(reading.value) * source / into)


def _source_ohms(board: Board, reading: Reading) -> float:
    """What the meter sees into the point it reads volts at; 0 where the board file does not say."""
    if reading.instrument != "meter" or reading.kind is not Kind.VOLTAGE or reading.point is None:
        return 0.0
    if reading.point not in board.inputs and reading.point not in board.rails:
        return 0.0
    stated = board.point(reading.point).source_resistance
    return 0.0 if stated is None or not math.isfinite(stated.number) else stated.number


def _decimal(value: float) -> Decimal:
    return Decimal(repr(value))
