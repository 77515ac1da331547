"""Whether an input may be cycled: it was powered before, by wire, and nothing draws that the first cycle would end."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.arming import ApplyPlan, plan_apply
from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.fed import Fed, walk
from bringup.core.finding import Finding
from bringup.core.procedure import Apply, Procedure, Step
from bringup.core.under_load import PowerCycle
from bringup.core.wording import listed, shown


def examine_cycles(procedure: Procedure, bench: Bench | None) -> Iterator[Finding]:
    """Find every power cycle that must not be made, or cannot."""
    for step, _, fed in walk(procedure):
        action = step.action
        if isinstance(action, PowerCycle):
            yield from _cycle(step, action, fed, bench)
            if later := [name for name in procedure.board.powered_after(action.input) if name in fed.applied]:
                yield Finding(
                    step.index,
                    f"{action.input} would go off and on while {listed(later)} is on, which is powered after it only",
                    f"Cycle {action.input} before the `apply` of {listed(later)}, or after a `power_off`.",
                    refused=True,
                )


def plan_cycle(cycle: PowerCycle, apply: Apply, board: Board, bench: Bench | None, state: str | None) -> ApplyPlan:
    """Return how the input goes on each time: to the last voltage of its `apply`, at once."""
    return plan_apply(
        Apply(
            cycle.input,
            apply.then[-1:],
            apply.current_limit,
            expect_current=cycle.expect_current or apply.expect_current,
            limit_time=apply.limit_time,
            trip_current=apply.trip_current,
            over_voltage=apply.over_voltage,
        ),
        board,
        bench,
        state,
    )


def _cycle(step: Step, cycle: PowerCycle, fed: Fed, bench: Bench | None) -> Iterator[Finding]:
    applies = fed.applied.get(cycle.input, ())
    if not applies:
        yield Finding(
            step.index,
            f"{cycle.input} is cycled though nothing has powered it",
            f"Put an `apply` of {cycle.input} before this step: it checks for a short and brings it up in order.",
            refused=True,
        )
    high = None if cycle.expect_current is None else cycle.expect_current.high
    least = min((each.current_limit for each in applies), key=lambda limit: limit.value, default=None)
    if high is not None and least is not None and high > least.value:
        yield Finding(
            step.index,
            f"up to {shown(float(high), 'A', 3)} is expected of {cycle.input}, above the current limit of "
            f"{least} of its `apply`",
            "Correct `expect_current`, or the current limit.",
            refused=True,
        )
    if fed.drawn:
        yield Finding(
            step.index,
            f"the load would still draw from {listed(sorted(fed.drawn))}: it goes off with the first cycle, "
            "and stays off",
            "Put a `load` with `off: yes` before this step.",
            refused=True,
        )
    if bench is not None and bench.supply is not None and bench.supply.by_hand:
        yield Finding(
            step.index,
            "a power cycle is asked of a supply that is switched by hand",
            "Use a bench whose supply is switched by wire, or a `power_off` and an `apply` for each cycle.",
            refused=True,
        )
