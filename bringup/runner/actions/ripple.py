"""`ripple`: what lies on a rail beside its DC, by a scope from peak to peak, or by the meter's AC range as RMS.

How it was measured stands with every value: bandwidth, coupling, probe and ground connection, for without them the
number says nothing. A wave that leaves the screen is measured again at a coarser scale, never taken as it is.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.expectation import ripple_limits, voltage_limits
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.reading import RIPPLE_PEAKS, RIPPLE_RMS
from bringup.core.replies import Value
from bringup.core.statistics_of_log import last_digit
from bringup.core.under_load import Ripple
from bringup.core.words import Kind, LimitsFrom
from bringup.errors import LinkError
from bringup.runner.damage import trip_if_damaging
from bringup.runner.endings import BrokenOff
from bringup.runner.measuring import settled
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.roles import Function
from bringup.runner.scpi_scope import PeakToPeak, ScpiScope, SetUp
from bringup.runner.sureness import around_of
from bringup.runner.work import RECORDED, Judged, Work

DC_BESIDE = "DC before ripple"
COARSER = 6
"""So often a clipped wave is measured again, at twice the scale."""
SCREEN_STEPS = 256
"""A scope tells so many levels of its screen's height apart, mostly (common practice: converters of 8 bits)."""
SCALE = 0.05
"""Volts per division to begin with where no limit says what to expect."""


def ripple(work: Work, action: Ripple) -> None:
    """Measure at every point."""
    for point in action.points:
        limits = ripple_limits(work.this_step, point)
        judged = (limits, LimitsFrom.NONE if limits is None else LimitsFrom.PROCEDURE)
        if action.by == "meter":
            _by_meter(work, action, point, *judged)
        else:
            _by_scope(work, action, point, *judged)


def _by_meter(work: Work, action: Ripple, point: str, limits: Limits | None, origin: LimitsFrom) -> None:
    work.hands.probe(point)
    _watched_by_meter(work, point)
    found = settled(work, Function.AC_VOLTS, point, limits=limits)
    how = f"the meter's AC volts, RMS, band {action.band}; it shows nothing of what lies beyond"
    note = "; ".join(filter(None, (found.value.why, how)))
    work.keep_settled(point, Kind.VOLTAGE, found, Judged(limits, origin, note=note), aspect=RIPPLE_RMS)
    trip_if_damaging(work, point, found.value)


def _watched_by_meter(work: Work, point: str) -> None:
    """Read and keep the DC first: in AC the meter does not see volts that damage the point it is on."""
    expected, _ = voltage_limits(work.board, point)
    beside = settled(work, Function.DC_VOLTS, point, around=around_of(expected))
    work.keep_settled(point, Kind.VOLTAGE, replace(beside, spread=None), RECORDED, aspect=DC_BESIDE)
    trip_if_damaging(work, point, beside.value)


def _by_scope(work: Work, action: Ripple, point: str, limits: Limits | None, origin: LimitsFrom) -> None:
    scope, role = work.setup.scope, work.setup.bench.scope
    if scope is None or role is None:
        raise BrokenOff("this bench has no scope")
    if work.simulated:
        work.hands.probe(point)
    probe = work.board.point(point).probe
    asked = f"Scope probe on {point}{f' at {probe}' if probe else ''}, ground connection: {action.ground}"
    lines = ("its ground is earthed: on the board's ground only, at the point itself", "Enter measures")
    work.waits.answer(Prompt(PromptKind.GO, asked, lines=lines, suggestion="go"))
    scale = SCALE if limits is None or limits.high is None else 2.0 * float(limits.high) / scope.divisions
    for _ in range(COARSER):
        setup, value = _measured(work, scope, scale, action.time_base.number, point)
        if not value.over_range:
            break
        scale *= 2.0
    if value.number is not None:
        screen = last_digit(scale * scope.divisions / SCREEN_STEPS, 1) or 0.0
        value = replace(value, resolution=max(value.resolution or 0.0, screen))
    how = [f"scope, AC coupled, 20 MHz, probe {role.probe:g}:1, ground {action.ground}"]
    how.append(f"{format_quantity(action.time_base.value, 's')} and {format_quantity(scale, 'V')} a division")
    if unsure := (*setup.unset, *setup.unchecked):
        how.append(f"not confirmed: {', '.join(unsure)}")
    note = "; ".join(filter(None, (value.why, *how)))
    work.keep(point, Kind.VOLTAGE, value, Judged(limits, origin, note=note), instrument="scope", aspect=RIPPLE_PEAKS)


def _measured(work: Work, scope: ScpiScope, scale: float, time_base: float, point: str) -> tuple[SetUp, Value]:
    """Set the scope up and measure once. Nothing that it fails to do is a value."""
    try:
        setup = work.waits.result(scope.set_up(scale, time_base), "scope", "setting it up")
        work.journal.troubles("scope", setup.troubles)
        if setup.why:
            return setup, Value(None, "", why=setup.why)
        found: PeakToPeak = work.waits.result(scope.peak_to_peak(), "scope", f"ripple at {point}")
    except LinkError as error:
        return SetUp(), Value(None, "", why=error.message)
    work.journal.troubles("scope", found.troubles)
    return setup, found.value
