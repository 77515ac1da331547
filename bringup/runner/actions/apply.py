"""`apply`: power an input in stages, each judged by the current it should draw, the ramp ended at the first doubt.

Short check, then over the range in which converters start in one step, then nominal. The voltage is not raised past a
stage that missed its limits: then the output is switched off and the step ends, after a look at the rails where that
can do no harm.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.arming import ApplyPlan, Purpose, Stage, plan_apply, trip_current
from bringup.core.board import Board
from bringup.core.drawn import drawn
from bringup.core.placement import loosened
from bringup.core.procedure import Apply
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.wording import listed, shown
from bringup.core.words import How, Kind, Result
from bringup.runner.at_board import measure_at_board
from bringup.runner.behind import look_behind, may_look
from bringup.runner.claims import ask_shown, cut_if_shown
from bringup.runner.feed import Feed, followed_by, planned
from bringup.runner.gate import changed, require_gate
from bringup.runner.hands import LeadsPlace
from bringup.runner.in_volts import volts_before_power
from bringup.runner.irreversible import doubt_setting
from bringup.runner.measuring import sample_amps, sample_volts
from bringup.runner.records import PollSample
from bringup.runner.regulation import be_ready, time_rises
from bringup.runner.settling_current import settled_current
from bringup.runner.terminals import wait_for_terminals
from bringup.runner.work import RECORDED, Judged, Work


def apply(work: Work, action: Apply) -> None:
    """Carry out the plan stage by stage."""
    plan = plan_apply(action, work.board, work.setup.bench, work.state)
    if early := [name for name in work.board.inputs[plan.input].after if work.power.feed_of(name) is None]:
        work.unpowered.add(plan.input)
        work.tally.missing.append(f"{plan.input} is powered after {listed(early)} only, which is not on")
        return
    require_gate(work, plan.input)
    work.move_leads(LeadsPlace.BOARD, f"the leads go to {plan.input}", tuple(work.board.inputs))
    _later_off(work, plan.input)
    if (before := work.power.feed_of(plan.input)) is not None:
        work.power.off(before.output)
        wait_for_terminals(work.power, work.waits)
    timed = be_ready(work, action)
    for stage in plan.stages:
        feed = _feed(work, plan, stage)
        if stage is plan.stages[0]:
            rest = [each.volts for each in plan.stages[1:]]
            feed = replace(feed, then=tuple(map(abs, rest)))
            volts_before_power(work, plan.input)
            require_gate(work, plan.input)  # again: a rework may have been entered since
            work.power.up(
                feed, f"{plan.input}, {_named(stage)}{followed_by(rest)}", changed=lambda: changed(work, plan.input)
            )
        else:
            work.power.step_to(feed)
        if timed and stage.purpose is not Purpose.SHORT_CHECK:
            time_rises(work, feed, timed, loosened(work.lacking.known, feed.input, Kind.CURRENT, stage.current))
            timed = ()
        sample, current = _judge(work, feed, stage)
        if work.tally.result != "pass" and stage.purpose is not Purpose.FINAL:
            if may_look(work, feed, stage, sample, current):
                work.power.protect_current(feed, plan.over_current, plan.over_current_delay)
                look_behind(work, feed, stage, current)
            _give_up(work, feed)
            return
        holds = bool(plan.hold) and (work.tally.result == "pass" or not work.this_step.end_on_fail)
        if holds or stage is plan.stages[-1]:
            work.power.protect_current(feed, plan.over_current, plan.over_current_delay)
        if holds:
            work.waits.sleep(plan.hold, f"hold {plan.input} at {format_quantity(stage.volts, 'V')}")
        if work.watch.doubts and stage is not plan.stages[-1]:
            _give_up(work, feed)
            return
    work.applied[plan.input] = (action, plan.over_current_delay)
    work.unpowered.discard(plan.input)
    measure_at_board(work, feed, sample if work.power.by_hand else None)
    if work.this_step.irreversible:
        doubt_setting(work, feed, sample)
    if work.this_step.end_on_fail and may_look(work, feed, plan.stages[-1], sample, current):
        look_behind(work, feed, plan.stages[-1], current)


def _later_off(work: Work, name: str) -> None:
    """Switch off what is on only while that input is, last on first off: it is about to go off and on.

    A procedure that says so is refused; this must not be the only place.
    """
    for feed in reversed(work.power.on):
        if feed.input in work.board.powered_after(name):
            text = f"{feed.input} goes off: it is powered after {name} only, which is applied anew"
            work.journal.event("order", text, {"input": feed.input})
            work.power.off(feed.output)
            work.unpowered.add(feed.input)
            work.tally.missing.append(f"{feed.input} went off, for {name} was applied anew")


def follow_state(work: Work, *, changing: bool, board: Board | None = None) -> None:
    """Have every input that is on watched for the trip current of the board state, and the load, that hold now.

    `changing`: the board may still be in the state before, so whichever of both is higher counts meanwhile. `board`:
    as it will be loaded; None: as it is.
    """
    for name, (action, delay) in work.applied.items():
        feed = work.power.feed_of(name)
        if feed is None or feed.trip_current is None:
            continue
        level, _ = trip_current(action, board or work.power.sinking.loaded(work.board), work.state)
        level = max(level, feed.trip_current) if changing else level
        if level != feed.trip_current:
            work.power.new_trip(feed, level)
            work.power.protect_current(feed, min(level, feed.current_limit), delay)
            work.journal.event("trip-level", f"{name}: from here on switched off above {shown(level, 'A')}")


def _give_up(work: Work, feed: Feed) -> None:
    """Switch the input off on the way up: nothing is raised further after a missed current, or on a doubt."""
    work.power.off(feed.output)
    work.unpowered.add(feed.input)


def _feed(work: Work, plan: ApplyPlan, stage: Stage) -> Feed:
    return planned(
        plan,
        work.board,
        stage.volts,
        limit_time=stage.limit_time,
        trip_current=plan.trip_current,
        remote_sense=work.remote_sense(plan.input),
    )


def _named(stage: Stage) -> str:
    volts = format_quantity(stage.volts, "V")
    return volts if stage.purpose is not Purpose.SHORT_CHECK else f"short check at {volts}"


def _judge(work: Work, feed: Feed, stage: Stage) -> tuple[PollSample, Reading]:
    """Keep what the supply reports once it has settled, and judge the current by the stage's expectation."""
    spread = trip = None
    if work.power.by_hand:
        sample = ask_shown(work, feed, stage.current)
        trip = cut_if_shown(work, feed, sample)
    else:
        sample, spread = settled_current(work, feed)
    how = How.TYPED if work.power.by_hand else How.READ
    aspect = _named(stage)
    volts, amps = sample_volts(sample), sample_amps(sample)
    work.keep(feed.input, Kind.VOLTAGE, volts, RECORDED, instrument="supply", how=how, aspect=aspect, beside=sample)
    limits = None if stage.current is None else drawn(stage.current, resolution=amps.resolution)
    limits = loosened(work.lacking.known, feed.input, Kind.CURRENT, limits)
    judged = Judged(limits, stage.current_from, note="" if limits else work.tally.once(stage.unknown))
    if sample.mode == "current":
        judged = Judged(limits, stage.current_from, Result.NOT_JUDGED, "the supply is in current limit")
        work.tally.missing.append(f"{feed.input} {aspect}: the supply stayed in current limit")
    current = work.keep(
        feed.input,
        Kind.CURRENT,
        amps,
        judged,
        instrument="supply",
        aspect=aspect,
        beside=sample,
        spread=spread,
        how=how,
    )
    if trip is not None:
        raise trip
    return sample, current
