"""`sweep`: set an input's voltage, or what a load draws, point by point, read the rails at each, and sum up.

Each point is kept as readings before the next one is set, so that the figures can be worked out again. An input goes
from point to point with its output on, the supply's protections set for the sweep's bounds (over-current protection at
each point, once it has settled), and back to where it was, protections too; a load goes off. A rail that misses its
limits ends the sweep where the step ends the attempt, the input going off at once; one that reads too high keeps the
input from being raised further in any case.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bringup.core.budget import lowest_working
from bringup.core.expectation import limits_of
from bringup.core.limits import Limits
from bringup.core.procedure import Sink
from bringup.core.quantity import Quantity, format_quantity
from bringup.core.replies import Value, read_number
from bringup.core.safety_sweep import plan_sweep
from bringup.core.sweep_figures import efficiency
from bringup.core.uncertainty import propagated
from bringup.core.under_load import Sweep
from bringup.core.wording import listed
from bringup.core.words import PASSED, How, Kind, Result
from bringup.runner.actions.apply import follow_state
from bringup.runner.actions.load import load, load_off, volts_at_load
from bringup.runner.actions.measure import below_minimum_load
from bringup.runner.at_board import AT_BOARD
from bringup.runner.damage import spoiled, trip_if_damaging
from bringup.runner.feed import Feed
from bringup.runner.load_watch import Draw
from bringup.runner.measuring import IN_LIMIT, sample_amps, sample_volts, settled
from bringup.runner.records import PollSample
from bringup.runner.roles import Function, Protection
from bringup.runner.settling_current import settled_current
from bringup.runner.sureness import around_of
from bringup.runner.sweep_summary import Points, figure_limits, percent, sum_up
from bringup.runner.uncertain import standard_of
from bringup.runner.work import RECORDED, Judged, Work

CLEAR = 1.02
"""An input must have come down so far below a level of over-voltage protection before that is set."""
FALLS_WITHIN = 2.0
"""Seconds that an input may take to fall to a lower voltage: bulk capacitance, which the supply does not draw from."""


def sweep(work: Work, action: Sweep) -> None:
    """Do it, whichever it is."""
    if action.load:
        _of_load(work, action)
    else:
        _of_input(work, action)


def sweep_off(work: Work, action: Sweep) -> None:
    """Leave nothing as it was half way: the input goes off, or the load does."""
    if action.input:
        work.power.all_off()
        work.unpowered.add(action.input)
    else:
        load_off(work, Sink(action.load))


def _of_input(work: Work, action: Sweep) -> None:
    before = work.power.feed_of(action.input)
    if before is None or action.input not in work.applied:
        work.tally.missing.append(f"{action.input} is not swept: it is off")
        return
    apply, delay = work.applied[action.input]
    board = work.power.sinking.loaded(work.board)
    plan = plan_sweep(action, apply, board, work.setup.bench, work.state)
    limit_times = {stage.volts: stage.limit_time for stage in plan.stages}
    trip = max(plan.trip_current, before.trip_current or 0.0)
    found = Points(action)
    work.power.new_trip(before, trip)  # a converter draws more the lower its input: the watch must know
    swept = _protect_volts(work, replace(before, trip_current=trip, then=()), plan.over_voltage)
    working = lowest_working(work.board, action.input)
    for index, point in enumerate(action.points):
        at = f"with {action.input} at {format_quantity(point.value, 'V')}"
        feed = replace(swept, volts=abs(point.number), limit_time=limit_times[point.number])
        sample = _step_to(work, feed, action, min(trip, feed.current_limit), plan.over_current_delay)
        _keep_input(work, feed, sample, f"at {format_quantity(point.value, 'V')}")
        high = _read_rails(work, action, point, at, found, judged=abs(point.number) >= working)
        for draw in work.power.sinking.on:
            _keep_efficiency(work, action, feed, draw, at, found)
        if work.tally.result != "pass" and work.this_step.end_on_fail:
            # As on the way up in an `apply`: nothing is set further, nor back, on a doubt.
            sweep_off(work, action)
            sum_up(work, action, found)
            return
        if high and index + 1 < len(action.points) and action.points[index + 1].value > point.value:
            text = f"{action.input} is not raised further: {listed(high)} is above its limits {at}"
            work.journal.event("sweep-ended", text, {"input": action.input})
            break
    as_before = before.trip_current or trip
    guarded = min(as_before, before.current_limit)
    back = replace(swept, volts=before.volts, limit_time=before.limit_time)
    sample = _step_to(work, back, action, guarded, delay)
    level, before = before.over_voltage, replace(before, over_voltage=swept.over_voltage)
    if level is not None and sample.volts is not None and abs(sample.volts) * CLEAR <= level:
        before = _protect_volts(work, before, level)  # else it would trip on what is left in the board's capacitors
    work.power.new_trip(before, as_before)
    follow_state(work, changing=False)
    sum_up(work, action, found)


def _protect_volts(work: Work, feed: Feed, level: float | None) -> Feed:
    """Set the supply's over-voltage protection for other bounds, the output being on; return how it is fed then."""
    if level in (None, feed.over_voltage) or not work.power.supply.can_protect(feed.output, Protection.OVER_VOLTAGE):
        return feed
    assert level is not None
    feed, watched = replace(feed, over_voltage=level), work.watch.of(feed.output)
    if watched is not None:
        watched.valid_from = float("inf")
    work.power.protecting.against_over_voltage(work.power.supply, feed)
    if watched is not None:
        watched.valid_from = work.waits.clock.monotonic()
        if watched.over_voltage is not None:
            watched.over_voltage = work.power.protecting.over_voltage
    text = f"{feed.input}: the supply's over-voltage protection from here on at {format_quantity(level, 'V')}"
    work.journal.event("protection", text, {"input": feed.input})
    return feed


def _of_load(work: Work, action: Sweep) -> None:
    found, off = Points(action), Sink(action.load)
    for point in action.points:
        at = f"with {format_quantity(point.value, 'A')} drawn"
        if point.value:
            sink = Sink(action.load, "current", point, action.stop_voltage, action.settle)
            if not load(work, sink, format_quantity(point.value, "A")):
                break
        else:
            load_off(work, off)
            work.waits.sleep(0.0 if action.settle is None else action.settle.number)
        _read_rails(work, action, point, at, found, judged=True)
        for draw in work.power.sinking.on:
            name = work.board.input_of(draw.point)
            feed = None if name is None else work.power.feed_of(name)
            if feed is not None and draw.point == action.load:
                _keep_efficiency(work, action, feed, draw, at, found)
        if work.tally.result != "pass" and work.this_step.end_on_fail:
            break
    # What leaves this otherwise switches the outputs off first, then the load: nothing here may come before that.
    load_off(work, off)
    sum_up(work, action, found)


def _step_to(work: Work, feed: Feed, action: Sweep, level: float, delay: float) -> PollSample:
    """Set the input to another voltage, wait until its current has settled, and have the supply cut it above `level`.

    Only then, as after the last voltage of an `apply`: what charges a board's capacitors must not trip it.
    """
    before = work.power.feed_of(feed.input)
    falling = before is not None and before.volts > feed.volts
    work.power.step_to(feed)
    watched = work.watch.of(feed.output)
    if falling and watched is not None:
        watched.start_up_until = max(watched.start_up_until, work.waits.clock.monotonic() + FALLS_WITHIN)
        _wait_until_down(work, feed)
    sample, _ = settled_current(work, feed)
    work.power.protect_current(feed, level, delay)
    if action.settle is not None:
        work.waits.sleep(action.settle.number, f"{feed.input} settles at {format_quantity(feed.volts, 'V')}")
        sample = work.power.look_once(feed.output)
    return sample


def _wait_until_down(work: Work, feed: Feed) -> None:
    """A supply only gives: it comes down as fast as the board draws its capacitors empty."""
    until = work.waits.clock.monotonic() + FALLS_WITHIN
    while work.waits.clock.monotonic() < until:
        sample = work.power.look_once(feed.output)
        if sample.volts is not None and abs(sample.volts) <= DOWN * feed.volts + DOWN_LEAST:
            return
        work.waits.sleep(LOOK_EVERY)


DOWN, DOWN_LEAST = 1.01, 0.02
"""An input is down at its new voltage within so much of it."""
LOOK_EVERY = 0.05


def _keep_input(work: Work, feed: Feed, sample: PollSample, aspect: str) -> None:
    for kind, value in ((Kind.VOLTAGE, sample_volts(sample)), (Kind.CURRENT, sample_amps(sample))):
        work.keep(feed.input, kind, value, RECORDED, instrument="supply", aspect=aspect, beside=sample)


def _read_rails(work: Work, action: Sweep, point: Quantity, at: str, found: Points, *, judged: bool) -> list[str]:
    """Read every rail; judged by its limits where it is meant to be in regulation. Returns which lie above theirs."""
    high = []
    for rail in action.rails:
        work.hands.probe(rail)
        limits, origin = limits_of(work.this_step, rail, work.board, work.state)
        reading = settled(work, Function.DC_VOLTS, rail, around=around_of(limits), limits=limits if judged else None)
        by = Judged(limits, origin) if judged else RECORDED
        if spoiled(work, rail, reading):
            by = Judged(limits, origin, Result.NOT_JUDGED, IN_LIMIT)
            work.tally.missing.append(f"{rail} {at}: {IN_LIMIT}")
        elif judged and (reason := below_minimum_load(work, rail)):
            by = Judged(limits, origin, Result.NOT_JUDGED, reason)
        kept = work.keep_settled(
            rail, Kind.VOLTAGE, reading if judged else replace(reading, spread=None), by, aspect=at
        )
        trip_if_damaging(work, rail, reading.value)
        in_regulation = kept.result in (*PASSED, Result.RECORDED) and judged
        found.take(rail, point.number, kept, in_regulation=in_regulation)
        if kept.value is not None and _above(kept.value, limits):
            high.append(rail)
    return high


def _above(value: float, limits: Limits | None) -> bool:
    """Whether it lies beyond the end that is farther from zero; with one limit, beyond that, away from zero."""
    if limits is None:
        return False
    low, high = limits.low, limits.high
    if low is not None and high is not None:
        return abs(value) > max(abs(float(low)), abs(float(high)))
    if high is not None:
        return high >= 0 and value > float(high)
    return low is not None and low <= 0 and value < float(low)


def _keep_efficiency(work: Work, action: Sweep, feed: Feed, draw: Draw, at: str, found: Points) -> None:
    """Work efficiency out from four readings, and say which of them were not taken at the board."""
    if draw.mode != "current":
        return
    elsewhere: list[str] = []
    sample = work.power.look_once(feed.output)
    drawn = work.power.sinking.look(draw.channel)
    amps = Value(drawn.amps, drawn.amps_raw, read_number(drawn.amps_raw).resolution if drawn.amps_raw else None)
    supply = work.supply_of(feed.input)
    volts_in, taken_by = _at_board(work, feed.input, at), ["meter", supply, "meter", "load"]
    if volts_in is None:
        volts_in, taken_by[0] = sample_volts(sample), supply
        elsewhere.append(f"volts of {feed.input} at the supply")
    volts_out = found.latest(draw.point)
    if volts_out is None:
        volts_out, taken_by[2] = volts_at_load(work, draw.point, drawn).number, "load"
        elsewhere.append(f"volts of {draw.point} at the load")
    numbers = (volts_in.number, sample.amps, volts_out, amps.number)
    raw = " * ".join("no value" if number is None else f"{number:.6g}" for number in numbers)
    note = "; ".join(filter(None, (f"not at the board: {', '.join(elsewhere)}" if elsewhere else "", OTHERS)))
    if None in numbers:
        value = Value(None, raw, why="one of the four readings has no value")
    else:
        figure = efficiency(*(number or 0.0 for number in numbers))
        value = Value(figure.value, raw, percent(figure.value, sample_amps(sample), amps), why=figure.why)
        read = (volts_in, sample_amps(sample), Value(volts_out, "", found.resolution(draw.point)), amps)
        value = replace(value, standard=_how_sure(work, (feed.input, draw.point), taken_by, read))
    limits, origin = figure_limits(action, "efficiency", draw.point)
    work.keep(
        draw.point,
        Kind.RATIO,
        value,
        Judged(limits, origin, note=value.why or note),
        instrument=supply,
        how=How.DERIVED,
        aspect=f"efficiency {at}",
        beside=sample,
    )


def _how_sure(work: Work, points: tuple[str, str], taken_by: Sequence[str], read: Sequence[Value]) -> float | None:
    """Return the standard uncertainty of an efficiency in percent; None unless it is known of all four readings."""
    kinds = (Kind.VOLTAGE, Kind.CURRENT, Kind.VOLTAGE, Kind.CURRENT)
    places = (points[0], points[0], points[1], points[1])
    known = [standard_of(work, *each) for each in zip(taken_by, kinds, places, read, strict=True)]
    standards = [each for each in known if each is not None]
    if len(standards) < len(known):
        return None
    numbers = [each.number or 0.0 for each in read]
    return propagated(lambda *four: efficiency(*four).value or 0.0, numbers, standards)


OTHERS = "what else the input feeds counts as loss"


def _at_board(work: Work, name: str, at: str) -> Value | None:
    """Keep and return the input's volts at the board, where the meter reaches it without anybody's hands.

    Raises Trip where they damage it.
    """
    meter, bench = work.setup.meter, work.setup.bench
    if meter is None or meter.by_hand or bench.probed_by_hand(name) or not work.board.inputs[name].probe:
        return None
    work.hands.probe(name)
    limits: Limits | None = work.board.inputs[name].working
    found = settled(work, Function.DC_VOLTS, name, around=around_of(limits), limits=limits)
    by = Judged(None, result=Result.NOT_JUDGED, note=IN_LIMIT) if spoiled(work, name, found) else RECORDED
    work.keep_settled(name, Kind.VOLTAGE, replace(found, spread=None), by, aspect=f"{AT_BOARD} {at}")
    trip_if_damaging(work, name, found.value)
    return found.value
