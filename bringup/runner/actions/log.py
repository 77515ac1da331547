"""`log`: repeated readings of one or more quantities, each sample kept, then what they come to as readings.

Every sample must lie within the step's `expect`: minimum, maximum and mean are judged by it, the standard deviation
is recorded. A sample without a value is kept as that and never replaced. Samples are in the logbook, not in memory.
A rail that collapses or rises to what damages it switches off; so does a creep where the step says so. What stays
outside `expect` ends the log early where the step ends the attempt: the board goes off, what was read so far stays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from bringup.core.collapse import collapse_level
from bringup.core.expectation import limits_of
from bringup.core.limits import Limits
from bringup.core.procedure import Channel, Log
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.running import Running
from bringup.core.wording import shown
from bringup.core.words import UNIT_OF, How, Kind, Result
from bringup.runner.astray import Astray, astray, drawn_by, starting
from bringup.runner.claims import ask_some, trip_if_shown
from bringup.runner.damage import trip_of
from bringup.runner.endings import BrokenOff, SupplyLost, Trip
from bringup.runner.headings import heading
from bringup.runner.looks import Watched, in_current_limit
from bringup.runner.measuring import around_of, read_once, sample_amps, sample_volts, watched_at
from bringup.runner.records import PollSample
from bringup.runner.roles import Function
from bringup.runner.steadiness import Steadiness, steadily
from bringup.runner.still_there import blamed, proves_itself
from bringup.runner.work import Judged, Work

COLLAPSED = 2
"""So many samples in a row below its level, the second one taken at once, are a collapse."""


@dataclass(slots=True)
class Trace:
    """What a channel has shown so far."""

    channel: Channel
    around: float | None
    limits: Limits | None
    collapse: float | None = None
    """Volts below which a rail that stood has collapsed."""
    stood: bool = False
    low: int = 0
    """How many samples in a row were below that."""
    seen: Running = field(default_factory=Running)
    least: Value | None = None
    most: Value | None = None
    missed: int = 0
    limited: bool = False
    astray: Astray | None = None
    """Looks for samples that stay outside the limits; None: the log goes on whatever is read."""

    @property
    def certain(self) -> bool:
        """Whether it has failed for certain, so that the log need not go on."""
        return self.astray is not None and self.astray.certain

    def take(self, value: Value) -> None:
        """Take one sample, with or without a value."""
        if value.number is None:
            self.missed += 1
            return
        self.seen.add(value.number)
        if self.least is None or self.least.number is None or value.number < self.least.number:
            self.least = value
        if self.most is None or self.most.number is None or value.number > self.most.number:
            self.most = value


def log(work: Work, action: Log) -> None:
    """Take samples at the interval for the duration, both ends included, then sum up."""
    begun, every = work.waits.clock.monotonic(), action.every.number
    traces = [_trace(work, channel, begun) for channel in action.what]
    count = 1 + math.floor(action.duration.number / every + 1e-9)
    length = action.duration.number
    work.journal.show("going", heading(work.this_step), until=begun + length, seconds=length)
    index = taken = 0
    with steadily(work.this_step, work.watch, work.journal) as steady:
        while index < count and not any(trace.certain for trace in traces):
            work.waits.sleep_until(begun + index * every)
            looks: dict[str, PollSample] = {}
            for trace in traces:
                _sample(work, trace, looks, steady)
            late = math.floor((work.waits.clock.monotonic() - begun) / every - 1e-9)
            index, taken = max(index + 1, late), taken + 1
    if certain := [str(trace.astray) for trace in traces if trace.certain]:
        work.power.all_off()
        if not all(_believed(work, trace) for trace in traces if trace.certain):
            raise BrokenOff(f"{'; '.join(certain)}, or so it seemed: {work.hands.amiss}")
        work.tally.failed += certain
    elif taken < count:
        # What takes longer than the interval is sampled as often as it can be, and never beyond the stated time.
        text = f"{taken} samples were taken where {count} were due: they take longer than {action.every}"
        work.journal.event("log-slow", text)
    for trace in traces:
        _sum_up(work, trace)


def _trace(work: Work, channel: Channel, begun: float) -> Trace:
    limits = limits_of(work.this_step, channel.text, work.board, work.state)[0]
    level = collapse_level(work.board, channel.point, limits) if channel.kind is Kind.VOLTAGE else None
    stood = level is not None and _stood_before(work, channel, level)
    ends = astray(work, channel, limits, begun)
    return Trace(channel, around_of(limits), limits, level, stood=stood, astray=ends)


def _stood_before(work: Work, channel: Channel, level: float) -> bool:
    """Whether the rail was read to stand since its input is on as it is now, in the board state that holds."""
    watched = watched_at(work, channel.point)
    if watched is None:
        return False
    return any(
        reading.point == channel.point
        and reading.kind is Kind.VOLTAGE
        and reading.board_state == work.state
        and reading.monotonic >= watched.valid_from
        and abs(reading.value or 0.0) >= level
        for reading in work.journal.readings
    )


def _sample(work: Work, trace: Trace, looks: dict[str, PollSample], steady: Steadiness) -> None:
    """Take one sample of a channel, and one more at once where it shows a rail low that stood.

    A rail that is gone must not stay powered for another interval. Several channels of one input share one look.
    """
    _sample_once(work, trace, looks, steady)
    if trace.low:
        _sample_once(work, trace, looks, steady)
        trace.low = 0


def _sample_once(work: Work, trace: Trace, looks: dict[str, PollSample], steady: Steadiness) -> None:
    channel = trace.channel
    moment = work.waits.clock.monotonic()
    if channel.kind is Kind.VOLTAGE and channel.point not in work.board.inputs:
        work.hands.probe(channel.point)
        value = read_once(work, Function.DC_VOLTS, channel.point, around=trace.around, limits=trace.limits)
        watched = watched_at(work, channel.point)
        limited = _limited(watched)
        trace.limited = trace.limited or limited
    else:
        if channel.point not in looks:
            looks[channel.point] = _look(work, channel.point)
        value = reported(looks[channel.point], channel.kind)
        watched = watched_at(work, channel.point)
        limited = _limited(watched)
    trip = trip_of(work, channel.point, value) if channel.kind is Kind.VOLTAGE else None
    collapsed = None if trip is not None else _collapsed(work, trace, value, limited=limited)
    if (seen := trip or collapsed) is not None:
        work.power.cut(seen)
    work.journal.sample(channel.text, UNIT_OF[channel.kind], value.number, value.raw, moment)
    if trip is not None:
        raise trip
    if collapsed is not None:
        raise blamed(work, collapsed)
    if (feed := work.power.feed_of(channel.point)) is not None and work.power.by_hand:
        trip_if_shown(feed, looks[channel.point])
    trace.take(value)
    if trace.astray is not None:
        trace.astray.take(value, moment, starting=limited or starting(watched, moment))
    if value.number is None:
        work.end_if_lost()
    if channel.point not in work.board.inputs or channel.kind is Kind.POWER:
        steady.take(channel.text, channel.kind, moment, value)


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


def reported(sample: PollSample, kind: Kind) -> Value:
    """Return volts, amps or watts of a look; no value where the look has none."""
    if kind is Kind.VOLTAGE:
        return sample_volts(sample)
    if kind is Kind.CURRENT:
        return sample_amps(sample)
    raw = f"{sample_volts(sample).raw} V * {sample_amps(sample).raw} A"
    if sample.volts is None or sample.amps is None:
        return Value(None, raw, why="the supply gave no value")
    return Value(sample.volts * sample.amps, raw)


def _believed(work: Work, trace: Trace) -> bool:
    """Whether what the meter read came from the point; else `work.hands.amiss` says why not."""
    ends = [each for each in (trace.least, trace.most) if each is not None]
    by_meter = trace.channel.kind is Kind.VOLTAGE and trace.channel.point not in work.board.inputs
    if not by_meter or not ends or all(proves_itself(each, trace.around) for each in ends):
        return True
    return not work.hands.confirm()


def _limited(watched: Watched | None) -> bool:
    return watched is not None and watched.latest is not None and in_current_limit(watched, watched.latest)


def _sum_up(work: Work, trace: Trace) -> None:
    """Keep minimum, maximum and mean, each judged by the step's limits, and the standard deviation."""
    channel = trace.channel
    limits, limits_from = limits_of(work.this_step, channel.text, work.board, work.state)
    if limits is not None and trace.least is not None:
        limits = drawn_by(work.board, channel, limits, trace.least)
    instrument = "supply" if channel.point in work.board.inputs else "meter"
    by_hand = work.power.by_hand if instrument == "supply" else work.meter.by_hand
    how = How.TYPED if by_hand else How.READ
    if not _believed(work, trace):
        work.tally.missing.append(f"{channel.text}: {work.hands.amiss}")
        nothing = Value(None, "", why=work.hands.amiss)
        work.keep(channel.point, channel.kind, nothing, Judged(limits, limits_from), instrument=instrument)
        return
    if trace.missed:
        total = trace.missed + trace.seen.count
        work.tally.missing.append(f"{channel.text}: {trace.missed} of {total} samples have no value")
    least, most = trace.least, trace.most
    if least is None or most is None:
        nothing = Value(None, "", why="no sample has a value")
        work.keep(channel.point, channel.kind, nothing, Judged(limits, limits_from), instrument=instrument)
        return
    judged = Judged(limits, limits_from)
    if trace.limited:
        judged = Judged(limits, limits_from, Result.NOT_JUDGED, "the supply was in current limit")
        work.tally.missing.append(f"{channel.text}: the supply was in current limit")
    mean = Value(trace.seen.mean, f"mean of {trace.seen.count} samples", least.resolution)
    for aspect, value, made in (("minimum", least, how), ("maximum", most, how), ("mean", mean, How.DERIVED)):
        work.keep(channel.point, channel.kind, value, judged, instrument=instrument, how=made, aspect=aspect)
    if (deviation := trace.seen.deviation) is not None:
        spread = Value(deviation, f"of {trace.seen.count} samples")
        kind, aspect = channel.kind, "standard deviation"
        work.keep(channel.point, kind, spread, instrument=instrument, how=How.DERIVED, aspect=aspect)
