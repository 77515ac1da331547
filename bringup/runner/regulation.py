"""How long a rail takes to come into regulation: the meter is on it while its input is raised, and reads on."""

from __future__ import annotations

from bringup.core.expectation import voltage_limits
from bringup.core.procedure import Apply
from bringup.core.regulation import NOT_WITHIN, Rise, order_of
from bringup.core.replies import Value
from bringup.core.words import How, Kind, LimitsFrom, Result
from bringup.runner.damage import trip_of
from bringup.runner.feed import Feed
from bringup.runner.measuring import LEAST_STEP, OVER_RANGES, around_of, read_once
from bringup.runner.roles import Function
from bringup.runner.work import Judged, Work

ASPECT = "to regulation"
COMING_UP = "coming up"
"""Aspect of the volts for which power was cut meanwhile."""


def be_ready(work: Work, action: Apply) -> str:
    """Put the meter on the rail that is to be timed. Returns it; '' where none is, or where nobody could see it."""
    rail = action.time_to_regulation
    if not rail:
        return ""
    if work.meter.by_hand or work.power.by_hand:
        who = "the meter is read" if work.meter.by_hand else "the supply is set"
        work.journal.event("regulation", f"the start of {rail} is not timed: {who} by hand, which takes longer")
        return ""
    work.hands.probe(rail)
    return rail


def time_rise(work: Work, feed: Feed, rail: str) -> None:
    """Read until the rail is in regulation; keep between which moments that was. What damages cuts power."""
    watched = work.watch.of(feed.output)
    if watched is None:
        return
    limits, origin = voltage_limits(work.board, rail)
    begun, after, raw, over = watched.valid_from, 0.0, [], 0
    rise = Rise(rail, NOT_WITHIN, None)
    while work.waits.clock.monotonic() < begun + NOT_WITHIN:
        asked = work.waits.clock.monotonic()
        value = read_once(work, Function.DC_VOLTS, rail, around=around_of(limits))
        now = work.waits.clock.monotonic() if value.received is None else value.received
        raw.append(value.raw)
        over = over + 1 if value.over_range else 0
        if (trip := trip_of(work, rail, value)) is not None and (not value.over_range or over >= OVER_RANGES):
            work.power.cut(trip)
            work.keep(rail, Kind.VOLTAGE, value, Judged(limits, origin), aspect=COMING_UP)
            raise trip
        if value.number is not None and limits is not None and limits.accepts(value.number):
            # The output went to its volts up to the time of one message before the supply's answer came.
            rise = Rise(rail, after, now - begun + work.watch.look_takes)
            break
        # A meter averages: what it shows may lie before the rail came up, so only the moment it was asked is certain.
        after = max(0.0, asked - begun)
        work.waits.sleep(LEAST_STEP)
    result = None if rise.by is not None else Result.NOT_JUDGED
    judged = Judged(limits_from=LimitsFrom.NONE if rise.by is None else origin, result=result, note=str(rise))
    judged = judged if rise.by is None else Judged(note=f"{rise}, {len(raw)} reading{'' if len(raw) == 1 else 's'}")
    work.keep(rail, Kind.TIME, Value(rise.by, "; ".join(raw)), judged, how=How.DERIVED, aspect=ASPECT)
    work.evidence.rises[rail] = rise
    if len(work.evidence.rises) > 1:
        work.journal.event("regulation", f"into regulation came: {order_of(list(work.evidence.rises.values()))}")
