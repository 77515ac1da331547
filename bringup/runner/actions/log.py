"""`log`: repeated readings of one or more quantities, each sample kept, then what they come to as readings.

Every sample must lie within the step's `expect`: minimum, maximum and mean are judged by it unless they have limits of
their own, as the other statistics may. A sample without a value is kept as that and never replaced. Samples are in the
logbook, not in memory. A rail that collapses or rises to what damages it switches off; so does a creep where the step
says so. What stays outside `expect` ends the log early where the step ends the attempt: the board goes off, what was
read so far stays.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

from bringup.core.collapse import collapse_level
from bringup.core.expectation import limits_of
from bringup.core.marks import Marks
from bringup.core.placement import loosened
from bringup.core.procedure import Channel, Log, Pace
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.safety_bench import by_meter
from bringup.core.statistics_of_log import sample_limits
from bringup.core.wording import shown
from bringup.core.words import UNIT_OF, Kind
from bringup.runner.astray import astray, starting
from bringup.runner.claims import ask_some, cut_if_shown
from bringup.runner.damage import trip_of
from bringup.runner.endings import BrokenOff, SupplyLost, Trip
from bringup.runner.headings import heading
from bringup.runner.heard_marks import hearing
from bringup.runner.load_role import LoadSample
from bringup.runner.log_beside import meanwhile
from bringup.runner.log_trace import Trace, believed, sum_up
from bringup.runner.logged import read_at_load, reported
from bringup.runner.looks import Watched, in_current_limit
from bringup.runner.measuring import read_once, watched_at
from bringup.runner.records import PollSample
from bringup.runner.roles import Function
from bringup.runner.steadiness import Steadiness, steadily
from bringup.runner.still_there import blamed, proves_itself
from bringup.runner.sureness import around_of
from bringup.runner.typed_samples import TypedSamples
from bringup.runner.work import Work

LOOKED_WITHIN = 0.2
"""Seconds for a look at the supply before the second sample of a rail that seems to be gone."""
COLLAPSED = 2
"""So many samples in a row below its level, the second one taken at once, are a collapse."""


@dataclass(slots=True)
class _Round:
    """What one round of samples shares: several channels of one input, or of one load channel, share one look."""

    looks: dict[str, PollSample] = field(default_factory=dict)
    at_load: dict[str, LoadSample] = field(default_factory=dict)


def log(work: Work, action: Log) -> None:
    """Take samples at the interval for the duration, both ends included, then sum up."""
    begun = work.waits.clock.monotonic()
    traces = [_trace(work, channel, action, begun) for channel in action.what]
    length = action.duration.number
    count = 1 + math.floor(length / action.every.number + 1e-9)
    work.journal.show("going", heading(work.this_step), until=begun + length, seconds=length)
    taken = 0
    with (
        steadily(work.this_step, work.watch, work.journal) as steady,
        meanwhile(work, action, begun) as beside,
        hearing(work, action.heard, beside.marks),
    ):
        typed = TypedSamples(work, action, begun, beside.marks)
        work.evidence.beside.append(typed)
        for due in _times(work, action, begun, count):
            if any(trace.certain for trace in traces):
                break
            beside.wait_until(due)
            together = _Round()
            for trace in traces:
                _sample(work, trace, together, steady, beside.marks, typed)
            taken += 1
        else:
            beside.temperatures.finish()
    if certain := [str(trace.astray) for trace in traces if trace.certain]:
        work.power.all_off()
        if not all(believed(work, trace) for trace in traces if trace.certain):
            raise BrokenOff(f"{'; '.join(certain)}, or so it seemed: {work.hands.amiss}")
        work.tally.failed += certain
    elif taken < count and action.pace is not Pace.OWN:
        # What takes longer than the interval is sampled as often as it can be, and never beyond the stated time.
        text = f"{taken} samples were taken where {count} were due: they take longer than {action.every}"
        work.journal.event("log-slow", text)
    for trace in traces:
        typed.kept[trace.channel.text] = sum_up(work, action, trace, begun)
    beside.temperatures.sum_up()


def _times(work: Work, action: Log, begun: float, count: int) -> Iterator[float]:
    """Yield when each round of samples is due; what takes longer than the interval skips moments."""
    clock, every = work.waits.clock, action.every.number
    if action.pace is Pace.OWN:
        due = begun
        while due <= begun + action.duration.number:
            yield due
            due = max(due + every, clock.monotonic())
        return
    index = 0
    while index < count:
        yield begun + index * every
        index = max(index + 1, math.floor((clock.monotonic() - begun) / every - 1e-9))


def _trace(work: Work, channel: Channel, action: Log, begun: float) -> Trace:
    stated = limits_of(work.this_step, channel.text, work.board, work.state)[0]
    stated = loosened(work.lacking.known, channel.point, channel.kind, stated)
    level = collapse_level(work.board, channel.point, stated) if channel.kind is Kind.VOLTAGE else None
    stood = level is not None and _stood_before(work, channel, level)
    limits = sample_limits(action.judging, channel.text, stated)
    ends = astray(work, channel, limits, begun)
    others = {each.point for each in action.what if by_meter(each, work.board)} - {channel.point}
    shared = bool(others) and by_meter(channel, work.board)
    return Trace(channel, around_of(stated), limits, level, stood=stood, astray=ends, shared=shared)


def _stood_before(work: Work, channel: Channel, level: float) -> bool:
    """Whether the rail was read to stand since its input is on as it is now, in the board state that holds."""
    watched = watched_at(work, channel.point)
    if watched is None:
        return False
    corrected = {reading.replaces for reading in work.journal.readings}
    return any(
        reading.point == channel.point
        and reading.of_powered_point
        and reading.id not in corrected
        and reading.board_state == work.state
        and reading.monotonic >= watched.valid_from
        and abs(reading.value or 0.0) >= level
        for reading in work.journal.readings
    )


def _sample(work: Work, trace: Trace, together: _Round, steady: Steadiness, marks: Marks, typed: TypedSamples) -> None:
    """Take one sample of a channel, and one more at once where it shows a rail low that stood.

    A rail that is gone must not stay powered for another interval.
    """
    _sample_once(work, trace, together, steady, marks, typed)
    if trace.low:
        together.at_load.pop(trace.channel.point, None)
        _look_for_power(work, trace.channel.point)
        _sample_once(work, trace, together, steady, marks, typed)
        trace.low = 0


def _look_for_power(work: Work, point: str) -> None:
    """Look at the supply before a rail is blamed: where the output is off, or has tripped, the watch says so and ends.

    Twice where a look is under way, which may have begun before the rail fell; a slow supply is not waited for.
    """
    watched = watched_at(work, point)
    until = work.waits.clock.monotonic() + LOOKED_WITHIN
    for again in (True, False):
        if watched is None or (pending := work.watch.look(watched.output)) is None:
            return
        underway = watched.asked < until - LOOKED_WITHIN
        work.waits.until(pending, until)
        if not (again and underway):
            return


def _sample_once(
    work: Work, trace: Trace, together: _Round, steady: Steadiness, marks: Marks, typed: TypedSamples
) -> None:
    channel, looks = trace.channel, together.looks
    moment = work.waits.clock.monotonic()
    if by_meter(channel, work.board):
        work.hands.probe(channel.point)
        value = read_once(work, Function.DC_VOLTS, channel.point, around=trace.around, limits=trace.limits)
    elif channel.by_load:
        if channel.point not in together.at_load:
            together.at_load[channel.point] = _look_at_load(work, channel.point)
        value = read_at_load(work, channel, together.at_load[channel.point])
    else:
        if channel.point not in looks:
            looks[channel.point] = _look(work, channel.point)
        value = reported(work, channel, looks[channel.point])
    watched = watched_at(work, channel.point)
    limited = _limited(watched)
    if channel.point not in work.board.inputs:
        trace.limited = trace.limited or limited
    trip = trip_of(work, channel.point, value) if channel.kind is Kind.VOLTAGE else None
    feed = work.power.feed_of(channel.point) if work.power.by_hand and channel.point in looks else None
    if trip is None and feed is not None:
        trip = cut_if_shown(work, feed, looks[channel.point])
    collapsed = None if trip is not None else _collapsed(work, trace, value, limited=limited)
    if (seen := trip or collapsed) is not None:
        work.power.cut(seen)
    elif why := _elsewhere(work, trace, value):
        value, trace.low = Value(None, value.raw, why=why), 0
    work.journal.sample(channel.text, UNIT_OF[channel.kind], value.number, value.raw, moment)
    if trip is not None:
        raise trip
    if collapsed is not None:
        raise blamed(work, collapsed)
    trace.take(value, moment, marks)
    typed.add(trace, value, moment)
    if trace.astray is not None:
        trace.astray.take(value, moment, starting=limited or starting(watched, moment))
    if value.number is None:
        work.end_if_lost()
    if channel.point not in work.board.inputs or channel.kind is Kind.POWER:
        steady.take(channel.text, channel.kind, moment, value)


def _elsewhere(work: Work, trace: Trace, value: Value) -> str:
    """Return why a sample is none of its point, asked while the meter is still there; '' where it is or needs no proof.

    A meter that stays on one point is asked about once, at the end.
    """
    if not trace.shared or value.number is None or proves_itself(value, trace.around):
        return ""
    return work.hands.confirm()


def _collapsed(work: Work, trace: Trace, value: Value, *, limited: bool) -> Trip | None:
    """Return the Trip of a rail that stood and has collapsed, at the second sample in a row that shows it."""
    if trace.collapse is None or value.number is None or limited:
        trace.low = 0
        return None
    if abs(value.number) >= trace.collapse:
        trace.stood, trace.low = True, 0
        return None
    trace.low += trace.stood
    if trace.low < COLLAPSED:
        return None
    found = format_quantity(value.number, "V", resolution=value.resolution)
    level = shown(trace.collapse, "V", 3)
    collapsed = Trip(f"{trace.channel.point} has collapsed to {found}, below {level}, with its input on")
    if not work.watch.sparing:
        return collapsed
    work.watch.unless_spared(collapsed)
    return None


def _look(work: Work, name: str) -> PollSample:
    feed = work.power.feed_of(name)
    if feed is None:
        return PollSample(work.waits.clock.monotonic(), 0)
    if work.power.by_hand:
        action = work.this_step.action
        assert isinstance(action, Log), "a sample outside a log"
        return ask_some(work, feed, {channel.kind for channel in action.what if channel.point == name})
    try:
        return work.power.look_once(feed.output)
    except SupplyLost as error:
        work.watch.unless_spared(error)
        return PollSample(work.waits.clock.monotonic(), feed.output)


def _look_at_load(work: Work, point: str) -> LoadSample:
    role = work.setup.bench.load
    if role is None or point not in role.channels:
        raise BrokenOff(f"no channel of a load is on {point}")
    return work.power.sinking.look(role.channels[point])


def _limited(watched: Watched | None) -> bool:
    return watched is not None and watched.latest is not None and in_current_limit(watched, watched.latest)
