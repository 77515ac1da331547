"""`load`: have the electronic load draw from a rail that is in regulation, and see that it draws what it was set to.

The rail is read by the load's own voltmeter first, nothing drawn: one that misses its limits is not loaded. What trips
the input is raised by what the load will have it draw before it is switched on, and taken back when it is off.
"""

from __future__ import annotations

from decimal import Decimal

from bringup.core.expectation import voltage_limits
from bringup.core.limits import Limits
from bringup.core.loaded import amps_drawn, load_protection
from bringup.core.procedure import Sink
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.replies import Value
from bringup.core.safety_load import volts_at
from bringup.core.words import PASSED, How, Kind, LimitsFrom, Result
from bringup.runner.actions.apply import follow_state
from bringup.runner.actions.measure import below_minimum_load
from bringup.runner.damage import damage_above, trip_of
from bringup.runner.endings import BrokenOff
from bringup.runner.load_role import LoadSample
from bringup.runner.load_watch import Draw
from bringup.runner.looks import in_current_limit
from bringup.runner.work import RECORDED, Judged, Work

SETTLE = 0.5
"""Seconds from on to the look that is judged, where the step states none."""
DRAWN = (0.02, 0.010)
"""What is drawn lies within this part of what was set plus this many A or W: a bench load's accuracy, and what its
leads lose (common practice, no source)."""
NOT_LOADED, LOADED = "at the load, nothing drawn", "at the load"


def load(work: Work, action: Sink, at: str = "") -> bool:
    """Switch the channel on, or off; return whether it draws. `at`: added to what readings are called."""
    role, sinking = work.setup.bench.load, work.power.sinking
    if role is None or action.rail not in role.channels:
        raise BrokenOff(f"no channel of a load draws from {action.rail}")
    channel = role.channels[action.rail]
    if action.level is None:
        load_off(work, action)
        return False
    stop = None if action.stop_voltage is None else action.stop_voltage.number
    damage = damage_above(work, action.rail)
    around = volts_at(work.setup.procedure, action)
    protection = load_protection(action.mode, action.level.number, around, role.ceiling)
    draw = Draw(channel, action.rail, action.mode, action.level.number, stop, damage, protection)
    if why := _not_fed(work, action.rail):
        work.tally.missing.append(f"{action.rail} is not loaded: {why}")
        return False
    if any(each.channel == channel for each in sinking.on):
        sinking.off(channel)
    if not _in_regulation(work, draw, sinking.prepare(draw), at):
        return False
    follow_state(work, changing=True, board=sinking.loaded(work.board, (draw,)))
    sinking.go(draw)
    follow_state(work, changing=False)
    settle = SETTLE if action.settle is None else action.settle.number
    work.waits.sleep(settle, f"{action.rail} settles under {draw.words}")
    _keep_drawn(work, draw, sinking.look(channel), LOADED + (f", {at}" if at else ""))
    return True


def load_off(work: Work, action: Sink) -> None:
    """Switch the channel of the step off, and watch the inputs for what they draw without it."""
    role = work.setup.bench.load
    if role is not None and action.rail in role.channels:
        work.power.sinking.off(role.channels[action.rail])
        follow_state(work, changing=False)


def _not_fed(work: Work, point: str) -> str:
    """Return why there is nothing to draw from; '' if the point is fed, and not in current limit."""
    name = work.board.input_of(point)
    # A tiny board file does not say what feeds a rail: whatever is on.
    feed = next(iter(work.power.on), None) if name is None else work.power.feed_of(name)
    if feed is None:
        return f"{name or 'what feeds it'} is off"
    watched = work.watch.of(feed.output)
    if watched is not None and watched.latest is not None and in_current_limit(watched, watched.latest):
        return f"{name} is in current limit"
    return ""


def _in_regulation(work: Work, draw: Draw, sample: LoadSample, at: str) -> bool:
    """Keep and judge what the rail carries before anything is drawn; whether it may be loaded."""
    limits, origin = voltage_limits(work.board, draw.point)
    volts = volts_at_load(work, draw.point, sample)
    judged = Judged(limits, origin)
    if reason := below_minimum_load(work, draw.point):
        judged = Judged(limits, origin, Result.NOT_JUDGED, reason)
    reading = _keep_volts(work, draw, volts, judged, NOT_LOADED + (f", before {at}" if at else ""))
    if reading.result not in (*PASSED, Result.RECORDED, Result.NOT_JUDGED) or volts.number is None:
        work.journal.event("load", f"{draw.point} is not loaded: it is not in regulation")
        return False
    if draw.stop_voltage is not None and volts.number is not None and abs(volts.number) <= draw.stop_voltage:
        stop = format_quantity(draw.stop_voltage, "V")
        work.tally.failed.append(f"{draw.point} is not loaded: it is not above the load's stop voltage of {stop}")
        return False
    return True


def volts_at_load(work: Work, point: str, sample: LoadSample) -> Value:
    """What the load reads. It knows magnitudes: its leads are on a negative rail the other way round."""
    if sample.volts is None:
        why = "over range" if sample.over_range else sample.fault.value if sample.fault is not None else "no value"
        return Value(None, sample.volts_raw, over_range=int(sample.over_range), why=why)
    limits, _ = voltage_limits(work.board, point)
    negative = limits is not None and limits.high is not None and limits.high <= 0
    return Value(-abs(sample.volts) if negative else sample.volts, sample.volts_raw)


def _keep_volts(work: Work, draw: Draw, volts: Value, judged: Judged, aspect: str) -> Reading:
    """Keep volts as the load reads them. What damages is cut off first, and raised once it is kept."""
    trip = trip_of(work, draw.point, volts)
    if trip is not None:
        work.power.cut(trip)
    reading = work.keep(draw.point, Kind.VOLTAGE, volts, judged, instrument="load", aspect=aspect)
    if trip is not None:
        raise trip
    return reading


def _keep_drawn(work: Work, draw: Draw, sample: LoadSample, aspect: str) -> None:
    """Keep volts and what is drawn, which is judged by what the load was set to."""
    _keep_volts(work, draw, volts_at_load(work, draw.point, sample), RECORDED, aspect)
    volts, amps = sample.volts, sample.amps
    why = "no value" if sample.fault is None else sample.fault.value
    if draw.mode == "power":
        watts, how = sample.watts, How.READ
        if watts is None and volts is not None and amps is not None:
            watts, how = volts * amps, How.DERIVED
        value = Value(watts, "", why="" if watts is not None else why)
        judged = Judged(_about(draw.level, "W"), LimitsFrom.RULE)
        work.keep(draw.point, Kind.POWER, value, judged, instrument="load", aspect=aspect, how=how)
        return
    expected = None if volts is None else amps_drawn(draw.mode, draw.level, abs(volts))
    judged = RECORDED if expected is None else Judged(_about(expected, "A"), LimitsFrom.RULE)
    value = Value(amps, sample.amps_raw, why="" if amps is not None else why)
    work.keep(draw.point, Kind.CURRENT, value, judged, instrument="load", aspect=aspect)


def _about(value: float, unit: str) -> Limits:
    part, least = (Decimal(repr(each)) for each in DRAWN)
    middle = Decimal(repr(round(value, 6)))
    width = abs(middle) * part + least
    return Limits(unit, low=middle - width, high=middle + width, nominal=middle)
