"""How long rails take to come into regulation: the meter reads them in turn while their input is raised."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from bringup.core.expectation import voltage_limits
from bringup.core.limits import Limits
from bringup.core.procedure import Apply
from bringup.core.regulation import NOT_WITHIN, Rise, order_of
from bringup.core.replies import Value
from bringup.core.statistics_of_log import last_digit
from bringup.core.wording import listed
from bringup.core.words import How, Kind, LimitsFrom, Result
from bringup.runner.damage import trip_of
from bringup.runner.feed import Feed
from bringup.runner.measuring import LEAST_STEP, OVER_RANGES, read_once
from bringup.runner.roles import Function
from bringup.runner.settling_current import SettlingCurrent
from bringup.runner.sureness import around_of
from bringup.runner.work import Judged, Work

ASPECT = "to regulation"
DIGITS = 2
"""Of a time that lies within an interval."""
COMING_UP = "coming up"
"""Aspect of the volts for which power was cut meanwhile."""


def be_ready(work: Work, action: Apply) -> tuple[str, ...]:
    """Put the meter on the first rail that is to be timed. Returns all; none where nobody could see it."""
    rails = tuple(rail for rail in action.time_to_regulation if rail in work.board.rails)
    if not rails:
        return ()
    if work.meter.by_hand or work.power.by_hand:
        who = "the meter is read" if work.meter.by_hand else "the supply is set"
        text = f"the start of {listed(rails)} is not timed: {who} by hand, which takes longer"
        work.journal.event("regulation", text)
        return ()
    work.hands.probe(rails[0])
    return rails


@dataclass(slots=True)
class _Coming:
    """One rail on its way up."""

    rail: str
    limits: Limits | None
    origin: LimitsFrom
    after: float = 0.0
    """Seconds from the start at which it was not there yet, for certain."""
    by: float | None = None
    over: int = 0
    raw: list[str] = field(default_factory=list)


def time_rises(work: Work, feed: Feed, rails: Sequence[str], most: Limits | None) -> None:
    """Read the rails in turn until each is in regulation; keep between which moments that was.

    What damages cuts power. An input that has settled above the `most` that it may draw ends it, to be judged at once:
    less than that may still become more while rails come up. Between two looks at a rail lie those at the others: of
    many, less is known of each.
    """
    watched = work.watch.of(feed.output)
    if watched is None:
        return
    begun = watched.valid_from
    coming = [_Coming(rail, *voltage_limits(work.board, rail)) for rail in rails]
    current, enough = SettlingCurrent(work, feed, begun), NOT_WITHIN
    while (left := [each for each in coming if each.by is None]) and work.waits.clock.monotonic() < begun + NOT_WITHIN:
        for each in left:
            _look(work, each, begun)
        if _too_much(work, current, most):
            enough = work.waits.clock.monotonic() - begun
            break
        work.waits.sleep(LEAST_STEP)
    rises = {each.rail: Rise(each.rail, enough if each.by is None else each.after, each.by) for each in coming}
    for each in coming:
        _keep(work, each, rises[each.rail])
    work.evidence.rises |= rises
    if len(work.evidence.rises) > 1:
        work.journal.event("regulation", f"into regulation came: {order_of(list(work.evidence.rises.values()))}")


def _too_much(work: Work, current: SettlingCurrent, most: Limits | None) -> bool:
    """Look at the input's current, if that is due: whether it has settled above the most that it may be."""
    if most is None or most.high is None or work.waits.clock.monotonic() < current.next_look:
        return False
    found = current.look()
    return found is not None and abs(found[0].amps or 0.0) > float(most.high)


def _look(work: Work, each: _Coming, begun: float) -> None:
    """Look at one rail once."""
    work.hands.probe(each.rail)
    asked = work.waits.clock.monotonic()
    value = read_once(work, Function.DC_VOLTS, each.rail, around=around_of(each.limits))
    now = work.waits.clock.monotonic() if value.received is None else value.received
    each.raw.append(value.raw)
    each.over = each.over + 1 if value.over_range else 0
    trip = trip_of(work, each.rail, value)
    if trip is not None and (not value.over_range or each.over >= OVER_RANGES):
        work.power.cut(trip)
        work.keep(each.rail, Kind.VOLTAGE, value, Judged(each.limits, each.origin), aspect=COMING_UP)
        raise trip
    if value.number is None:
        return  # no value says nothing of where the rail is
    if each.limits is not None and each.limits.accepts(value.number):
        # The output went to its volts up to the time of one message before the supply's answer came.
        each.by = now - begun + work.watch.look_takes
    else:
        # A meter averages: what it shows may lie before the rail came up, so only the moment it was asked is certain.
        each.after = max(0.0, asked - begun)


def _keep(work: Work, each: _Coming, rise: Rise) -> None:
    count = len(each.raw)
    judged = Judged(result=Result.NOT_JUDGED, note=str(rise))
    if rise.by is not None:
        judged = Judged(note=f"{rise}, {count} reading{'' if count == 1 else 's'}")
    digit = None if rise.by is None else last_digit(rise.by, DIGITS)
    value = Value(rise.by, "; ".join(each.raw), digit)
    work.keep(each.rail, Kind.TIME, value, judged, how=How.DERIVED, aspect=ASPECT)
