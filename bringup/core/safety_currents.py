"""Whether the current limit, the expected current and the trip of each power-up go with the board's power budget.

Nearly all warnings: the budget is made of typical figures. The one that matters most is the latch: a converter draws
constant power, so a supply that is once in current limit can stay there at a low voltage for good. Refused is a time
in current limit so long that nothing would switch off.
"""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.arming import ApplyPlan, Purpose, Stage, plan_apply
from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.budget import default_limit_time, dips_to, expected_current, first_converters, stop_voltage
from bringup.core.expectation import states_of
from bringup.core.finding import Finding
from bringup.core.procedure import Apply, Log, Procedure, Step
from bringup.core.wording import duration, limits_text, shown

LONG_LIMIT = 5.0
"""A `limit_time` of more than so many times its default (ten times the charging time) is warned of ..."""
LONGEST_LIMIT = 60.0
"""... and refused from so many seconds on, or from ten times the charging time where that is longer: a fault would be
fed for as long (our choice, no source)."""
ROOM = 1.5
"""A current limit is proposed at one and a half times what coming up takes (common practice, no source)."""
GENEROUS = 10.0
"""A current limit of more than so many times what the input may draw limits nothing, and is more likely a mistyped unit
or a decimal point out of place (our choice, no source)."""


def examine_currents(procedure: Procedure, bench: Bench | None) -> Iterator[Finding]:
    """Find current limits, expectations and trips that a sound board would not meet."""
    for step, state in zip(procedure.steps, states_of(procedure), strict=True):
        if isinstance(step.action, Apply):
            plan = plan_apply(step.action, procedure.board, bench, state)
            yield from _limit(step, plan, procedure.board, state)
            yield from _generous(step, plan)
            yield from _expectation(step, step.action, plan)
            yield from _unjudged(step, plan, procedure)
            yield from _trip(step, plan)
            yield from _limit_time(step, step.action, plan)


def _limit(step: Step, plan: ApplyPlan, board: Board, state: str | None) -> Iterator[Finding]:
    """The worst of: steady current above the limit, start-up above it, the start region above it."""
    for stage in plan.stages:
        if stage.purpose is Purpose.SHORT_CHECK or stage.amps is None or stage.start_up is None:
            continue
        if stage.amps >= plan.current_limit:
            yield Finding(
                step.index,
                f"at {shown(stage.volts, 'V')} {plan.input} should draw {shown(stage.amps, 'A', 3)} all the time, "
                f"but the current limit is {shown(plan.current_limit, 'A')}: the supply would stay in current "
                "limit and the board never come up",
                _proposal(stage),
                refused=False,
            )
            return
        excess = stage.start_up - plan.current_limit
        lowest, stop = dips_to(board, plan.input, stage.volts, excess), stop_voltage(board, plan.input)
        if excess > 0 and lowest < stop:
            yield Finding(
                step.index,
                f"coming up at {shown(stage.volts, 'V')} takes up to {shown(stage.start_up, 'A', 3)} at {plan.input}, "
                f"but the current limit is {shown(plan.current_limit, 'A')}: the input may fall to "
                f"{shown(lowest, 'V', 3)}, below the "
                f"{shown(stop, 'V')} at which converters stop, and never get up (a converter draws constant power)",
                _proposal(stage),
                refused=False,
            )
            return
    yield from _start_region(step, plan, board, state)


def _proposal(stage: Stage) -> str:
    enough = (stage.start_up or 0.0) * ROOM
    return f"Set `current_limit` to about {shown(enough, 'A', 2)}, if nothing on the board speaks against it."


def _start_region(step: Step, plan: ApplyPlan, board: Board, state: str | None) -> Iterator[Finding]:
    """Once in current limit, the supply can recover only if it can feed the board right from its start voltage."""
    highest = max(stage.volts for stage in plan.stages)
    for rail, start in first_converters(board, plan.input):
        if start is None or start > highest:
            continue
        budget = expected_current(board, plan.input, start, state)
        if budget.amps is not None and budget.amps > plan.current_limit:
            yield Finding(
                step.index,
                f"at {shown(start, 'V')}, where {rail.name} starts, {plan.input} draws {shown(budget.amps, 'A', 3)}, "
                f"above the current limit of {shown(plan.current_limit, 'A')}: once in current limit, "
                "the supply can stay there",
                f"Set `current_limit` above {shown(budget.amps, 'A', 2)} so that the board can always recover.",
                refused=False,
            )
            return


def _generous(step: Step, plan: ApplyPlan) -> Iterator[Finding]:
    """Whether the limit is so far above all that may flow that it limits nothing. Unknown currents say nothing."""
    stages = [stage for stage in plan.stages if stage.purpose is not Purpose.SHORT_CHECK]
    expected = (stage.current.high for stage in stages if stage.current is not None and stage.current.high is not None)
    most = max(*(stage.start_up or 0.0 for stage in stages), *map(float, expected), 0.0)
    if 0 < GENEROUS * most < plan.current_limit:
        yield Finding(
            step.index,
            f"the current limit is {shown(plan.current_limit, 'A')}, but {plan.input} should never draw more than "
            f"{shown(most, 'A', 2)}: a fault would be fed with all that the limit lets through",
            f"Set `current_limit` to about {shown(ROOM * most, 'A', 2)}; was another unit meant?",
            refused=False,
        )


def _expectation(step: Step, apply: Apply, plan: ApplyPlan) -> Iterator[Finding]:
    final = plan.stages[-1]
    expected = apply.expect_current
    if expected is None:
        return
    if expected.high is not None and expected.high >= apply.current_limit.value:
        yield Finding(
            step.index,
            f"`expect_current` reaches {shown(float(expected.high), 'A')}, "
            f"but the current limit is {apply.current_limit}",
            "Set the current limit above the highest expected current.",
            refused=False,
        )
    if final.amps is not None and not expected.accepts(final.amps):
        yield Finding(
            step.index,
            f"`expect_current` is {limits_text(expected)}, but by the board file {plan.input} draws "
            f"{shown(final.amps, 'A', 3)} at {shown(final.volts, 'V')}",
            "Correct the loads and efficiencies in the board file, or `expect_current`: one of the two is wrong.",
            refused=False,
        )


def _unjudged(step: Step, plan: ApplyPlan, procedure: Procedure) -> Iterator[Finding]:
    """Whether a unit may draw whatever the current limit lets through, and pass."""
    final, name = plan.stages[-1], f"{plan.input} current"
    logs = [step for step in procedure.steps if isinstance(step.action, Log)]
    if final.current is not None or any(_judges(step, name) for step in logs):
        return
    why = f": {final.unknown}" if final.unknown else ""
    yield Finding(
        step.index,
        f"nothing judges the current of {plan.input} at {shown(final.volts, 'V')}, so a unit that draws twice what its "
        f"sisters do may pass{why}",
        "State `expect_current` from your first sound board, or what the board file lacks.",
        refused=False,
    )


def _judges(log: Step, name: str) -> bool:
    """Whether a log judges that channel, or one of its statistics."""
    assert isinstance(log.action, Log), "whoever asks has looked"
    judged = (log.expect, *log.action.judging.values())
    return name in [each.text for each in log.action.what] and any(name in each or "" in each for each in judged)


def _trip(step: Step, plan: ApplyPlan) -> Iterator[Finding]:
    for stage in plan.stages:
        if stage.current is None or stage.current.high is None or stage.purpose is Purpose.SHORT_CHECK:
            continue
        if plan.trip_current <= float(stage.current.high):
            yield Finding(
                step.index,
                f"the trip current of {shown(plan.trip_current, 'A')} is not above the "
                f"{shown(float(stage.current.high), 'A')} that may pass at {shown(stage.volts, 'V')}",
                "State a higher `trip_current`, or leave it out: it is then twice the expected maximum.",
                refused=False,
            )
            return


def _limit_time(step: Step, apply: Apply, plan: ApplyPlan) -> Iterator[Finding]:
    """Whether a stated time is too short for charging, or so long that a fault is fed for it."""
    shortest = min(stage.limit_time for stage in plan.stages)
    charging = max((stage.charge_time or 0.0) for stage in plan.stages)
    if apply.limit_time is not None and charging > shortest:
        yield Finding(
            step.index,
            f"charging the board keeps the supply in current limit for {duration(charging)}, longer than the "
            f"`limit_time` of {duration(shortest)}",
            "State a longer `limit_time`, or leave it out: it is then twice the charging time.",
            refused=False,
        )
    usual = default_limit_time(charging)
    if apply.limit_time is not None and shortest > LONG_LIMIT * usual:
        known = [stage.charge_time for stage in plan.stages if stage.charge_time is not None]
        takes = f"charging takes {duration(charging)}" if known else "how long charging takes is not known"
        most = max(LONGEST_LIMIT, LONG_LIMIT * usual)
        beyond = shortest > most
        least = f"State at most {duration(most)}" if beyond else f"State about {duration(usual)}"
        yield Finding(
            step.index,
            f"`limit_time` is {duration(shortest)}, and {takes}: a fault that holds the supply in current limit would "
            "be fed for as long",
            f"{least}, or leave it out: it is then twice the charging time, at least 200 ms.",
            refused=beyond,
        )
