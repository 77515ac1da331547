"""`power_cycle`: an input off and on again, so many times, counted; each time it must start.

Every cycle goes through the fixed order of switching on, to the last voltage of the input's `apply`. The person's go is
asked once, for all of them together. What a cycle finds out is kept before the next one begins.
"""

from __future__ import annotations

from decimal import Decimal

from bringup.core.arming import ApplyPlan
from bringup.core.drawn import drawn
from bringup.core.expectation import limits_of
from bringup.core.limits import Limits
from bringup.core.placement import loosened
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.safety_cycle import plan_cycle
from bringup.core.under_load import PowerCycle
from bringup.core.wording import listed
from bringup.core.words import How, Kind, LimitsFrom, Result
from bringup.runner.actions.measure import below_minimum_load
from bringup.runner.actions.power_off import discharge
from bringup.runner.damage import spoiled, trip_if_damaging
from bringup.runner.feed import Feed, planned
from bringup.runner.gate import changed, missing_evidence, require_gate
from bringup.runner.in_volts import volts_before_power
from bringup.runner.measuring import IN_LIMIT, sample_amps, settled
from bringup.runner.roles import Function
from bringup.runner.settling_current import settled_current
from bringup.runner.sureness import around_of
from bringup.runner.work import Judged, Work

EVERY_TIME = Limits("%", low=Decimal(100))


def power_cycle(work: Work, action: PowerCycle) -> None:
    """Do it, and count the starts."""
    if work.power.feed_of(action.input) is None or action.input not in work.applied:
        work.tally.missing.append(f"{action.input} is not cycled: it is off")
        return
    after = work.board.powered_after(action.input)
    if later := [feed.input for feed in work.power.on if feed.input in after]:
        work.tally.missing.append(
            f"{action.input} is not cycled: {listed(later)} is on, which is powered after it only"
        )
        return
    apply, _ = work.applied[action.input]
    plan = plan_cycle(action, apply, work.board, work.setup.bench, work.state)
    stage = plan.stages[-1]
    feed = planned(
        plan,
        work.board,
        stage.volts,
        limit_time=stage.limit_time,
        trip_current=plan.trip_current,
        remote_sense=work.remote_sense(plan.input),
    )
    started = tried = 0
    for index in range(action.times):
        before = len(work.tally.failed) + len(work.tally.missing)
        tried += 1
        _once(work, action, feed, plan, index)
        started += len(work.tally.failed) + len(work.tally.missing) == before
        if started < tried and work.this_step.end_on_fail:
            break
    count = f"{started} of {tried} starts" + (f", {action.times} wanted" if tried < action.times else "")
    work.journal.event("power-cycle", f"{action.input}: {count}")
    value = Value(100.0 * started / tried, count, 1.0)
    judged = Judged(EVERY_TIME, LimitsFrom.RULE, note=count)
    work.keep(action.input, Kind.RATIO, value, judged, instrument="supply", how=How.DERIVED, aspect="starts")


def _once(work: Work, action: PowerCycle, feed: Feed, plan: ApplyPlan, index: int) -> None:
    """Switch off, wait, switch on, and judge what starts."""
    off = action.off_for[index % len(action.off_for)]
    cycle = f"cycle {index + 1} of {action.times}"
    work.power.off(feed.output)
    work.waits.sleep(off.number, f"{cycle}, off for {off}")
    if action.discharged_below is not None:
        before = len(work.tally.failed) + len(work.tally.missing)
        discharge(work, feed, action.discharged_below)
        if len(work.tally.failed) + len(work.tally.missing) > before and work.this_step.end_on_fail:
            work.unpowered.add(action.input)
            return  # what stays charged, or cannot be read, is not powered again
    volts_before_power(work, action.input)
    # A rework entered since then, with power off, takes back what power and the person's go rested on.
    doubted = bool(missing_evidence(work, action.input)) and action.input not in work.evidence.overridden
    require_gate(work, action.input)
    work.lines.restarting()
    volts = format_quantity(feed.volts, "V")
    go = cycle
    if not index:
        go = f"{action.input}, {volts}: {action.times} times off and on, not asked for again"
    elif doubted:
        go = f"{action.input}, {volts}: {cycle} and all that follow, the board having been changed since"
    work.power.up(feed, go, agreed=index > 0 and not doubted, changed=lambda: changed(work, action.input))
    sample, spread = settled_current(work, feed)
    stage = plan.stages[-1]
    amps = sample_amps(sample)
    limits = None if stage.current is None else drawn(stage.current, resolution=amps.resolution)
    limits = loosened(work.lacking.known, feed.input, Kind.CURRENT, limits)
    judged = Judged(limits, stage.current_from, note="" if limits else work.tally.once(stage.unknown))
    if sample.mode == "current":
        judged = Judged(limits, stage.current_from, Result.NOT_JUDGED, IN_LIMIT)
        work.tally.missing.append(f"{action.input} {cycle}: the supply stayed in current limit")
    aspect = f"{cycle}, off for {off}"
    work.keep(
        action.input, Kind.CURRENT, amps, judged, instrument="supply", aspect=aspect, beside=sample, spread=spread
    )
    work.power.protect_current(feed, plan.over_current, plan.over_current_delay)
    work.waits.sleep(action.on_for.number, f"{cycle}, on")
    for rail in action.rails:
        _read(work, rail, aspect)


def _read(work: Work, rail: str, aspect: str) -> None:
    work.hands.probe(rail)
    limits, origin = limits_of(work.this_step, rail, work.board, work.state)
    found = settled(work, Function.DC_VOLTS, rail, around=around_of(limits), limits=limits)
    judged = Judged(limits, origin)
    if spoiled(work, rail, found):
        judged = Judged(limits, origin, Result.NOT_JUDGED, IN_LIMIT)
        work.tally.missing.append(f"{rail} {aspect}: {IN_LIMIT}")
    elif reason := below_minimum_load(work, rail):
        judged = Judged(limits, origin, Result.NOT_JUDGED, reason)
    work.keep_settled(rail, Kind.VOLTAGE, found, judged, aspect=aspect)
    trip_if_damaging(work, rail, found.value)
