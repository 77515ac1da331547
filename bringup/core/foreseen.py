"""How sure the readings of a procedure will be on a bench, worked out beforehand: uncertainty and test ratios. Pure.

The test uncertainty ratio is half the width of the limits over the expanded uncertainty; with one limit, the distance
from the value expected to it. 4:1 is common practice (ANSI/NCSL Z540.3, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time

from bringup.core.bench import Bench
from bringup.core.decision import JUDGING, DecisionRule
from bringup.core.expectation import limits_of, quantity_of, rule_of, states_of
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.procedure import Apply, Log, Measure, Procedure, Step
from bringup.core.reading import Reading
from bringup.core.reading_time import USUAL_NPLC, Setting, Sureness, choose, noise_of
from bringup.core.reading_uncertainty import Taken, uncertainty_of
from bringup.core.specification import Specification
from bringup.core.uncertainty import NotKnown, Uncertainty
from bringup.core.under_load import PowerCycle, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.words import UNIT_OF, How, Kind, LimitsFrom, Result

WANTED_RATIO = 4.0


@frozen
class Foreseen:
    """One reading to come that is judged by limits somebody or the design stated."""

    step: int
    point: str
    kind: Kind
    limits: Limits
    expected: float
    rule: DecisionRule
    uncertainty: Uncertainty | NotKnown | None
    """None: no accuracy is stated for what takes it."""
    setting: Setting | None = None
    """Range and integration time that are chosen or fixed for it; None: as usual."""

    @property
    def ratio(self) -> float | None:
        """The test uncertainty ratio; None where it is not known, or the limits are as far away as can be."""
        known = self.uncertainty
        if not isinstance(known, Uncertainty) or not known.expanded:
            return None
        room = half_width(self.limits, self.expected)
        return None if room is None or not math.isfinite(room) else room / known.expanded


def half_width(limits: Limits, expected: float) -> float | None:
    """Return what a value may be off to be within; None where the one limit leaves the value expected out."""
    if limits.low is not None and limits.high is not None:
        return float(limits.high - limits.low) / 2.0
    ends = [abs(expected - float(end)) for end in (limits.low, limits.high) if end is not None]
    return min(ends) if ends and limits.accepts(expected) else None


def foreseen(procedure: Procedure, bench: Bench, today: date | None = None) -> Iterator[Foreseen]:
    """Yield every reading to come whose limits count, by step. `today` None: as long after calibration as is stated."""
    at = datetime.combine(today or date(2000, 1, 1), time(12), tzinfo=UTC)
    if today is None and bench.meter is not None:
        bench = replace(bench, meter=replace(bench.meter, calibrated=None))
    for step, state in zip(procedure.steps, states_of(procedure), strict=True):
        for name, kind, limits, instrument in _judged(step, procedure, bench, state):
            expected = _expected(procedure, name, kind, limits)
            if expected is None:
                continue
            setting = _setting(step, kind, expected, limits, bench) if instrument == "meter" else None
            noise = None
            if setting is not None and bench.meter is not None:
                noise = noise_of(setting, expected, bench.meter.integrations)
            reading = Reading(
                step=step.index, point=name, kind=kind, value=expected, unit=UNIT_OF[kind], limits=limits,
                limits_from=LimitsFrom.NONE, result=Result.RECORDED, at=at, monotonic=0.0, instrument=instrument,
                raw="", how=How.READ, meter_range=None if setting is None else setting.full_scale, id="",
            )  # fmt: skip
            known = uncertainty_of(reading, bench, procedure.board, Taken(noise=noise))
            rule = rule_of(step, name, procedure.board)
            yield Foreseen(step.index, name, kind, limits, expected, rule, known, setting)


def _setting(step: Step, kind: Kind, expected: float, limits: Limits, bench: Bench) -> Setting | None:
    """Range and integration time that the meter will be given; None where it takes what is usual."""
    meter, dialect = bench.meter, bench.dialects.get("meter")
    fixed = step.action.fixed if isinstance(step.action, Measure) else None
    if meter is None or dialect is None or kind is not Kind.VOLTAGE or not (meter.integrations or fixed):
        return None
    table = meter.accuracy if isinstance(meter.accuracy, Specification) else None
    known = Sureness(table, meter.integrations, meter.test_ratio)
    return choose("dc volts", expected, limits, dialect.ranges.get("dc volts", ()), known, USUAL_NPLC, fixed)


def _judged(
    step: Step, procedure: Procedure, bench: Bench, state: str | None
) -> Iterator[tuple[str, Kind, Limits, str]]:
    """Yield point, kind, limits, and which instrument takes it."""
    action, board = step.action, procedure.board
    if isinstance(action, Apply):
        if action.expect_current is not None:
            yield action.input, Kind.CURRENT, action.expect_current, supply_name(bench, action.input)
        return
    points: tuple[str, ...] = ()
    if isinstance(action, Measure | Resistance):
        points = action.points
    elif isinstance(action, Sweep | PowerCycle):
        points = action.rails
    elif isinstance(action, Log):
        points = tuple(channel.text for channel in action.what if not channel.by_load)
    for point in points:
        limits, origin = limits_of(step, point, board, state)
        kind, name = quantity_of(step, point)
        if limits is not None and origin in JUDGING and kind in (Kind.VOLTAGE, Kind.RESISTANCE, Kind.CURRENT):
            by_supply = isinstance(action, Log) and name in board.inputs
            yield name, kind, limits, supply_name(bench, name) if by_supply else "meter"


def supply_name(bench: Bench, name: str) -> str:
    """Return what the supply of that input is called; without one 'supply'."""
    role = bench.supply_of(name)
    return "supply" if role is None else role.name


def _expected(procedure: Procedure, name: str, kind: Kind, limits: Limits) -> float | None:
    """The value that is expected: nominal, what the board file says of resistance, the middle, or the one limit."""
    if limits.nominal is not None:
        return float(limits.nominal)
    if kind is Kind.RESISTANCE:
        stated = procedure.board.point(name).unpowered_resistance
        if stated is not None:
            return stated.number
    if kind is Kind.VOLTAGE and name in procedure.board.inputs:
        return procedure.board.inputs[name].voltage.number
    if limits.low is not None and limits.high is not None:
        return float(limits.low + limits.high) / 2.0
    end = limits.low if limits.low is not None else limits.high
    return None if end is None else float(end)
