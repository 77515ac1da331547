"""What the board file says the supply should be set to: current limit, how long it may last, over-voltage level. Pure.

A proposal, not a setting: what the procedure states is what is set. It is worked out for the same voltages and states.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal

from bringup.core.arming import ApplyPlan, Purpose, plan_apply
from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.budget import CurrentBudget, expected_current, missing_facts
from bringup.core.expectation import states_of
from bringup.core.frozen import frozen
from bringup.core.procedure import Apply, Procedure
from bringup.core.protection import OverVoltage, ceiling_of, over_voltage
from bringup.core.quantity import Quantity
from bringup.core.safety_currents import ROOM


@frozen
class Proposal:
    """What one input's `apply` steps would have, and the start-up that it follows from."""

    input: str
    current_limit: float
    """A: one and a half times what coming up takes at most, rounded up to two digits; at most the bench's ceiling."""
    start_up: float
    at: float
    """Volts at which that is."""
    capped: bool
    """Whether the bench's ceiling is less than that."""
    limit_time: float
    over_voltage: OverVoltage


def proposals(procedure: Procedure, bench: Bench | None) -> Iterator[Proposal]:
    """Yield a proposal for each input that is powered and whose current can be known, in the order of the steps."""
    found: dict[str, list[tuple[Apply, ApplyPlan, str | None]]] = {}
    for step, state in zip(procedure.steps, states_of(procedure), strict=True):
        if isinstance(step.action, Apply):
            plan = plan_apply(step.action, procedure.board, bench, state)
            found.setdefault(step.action.input, []).append((step.action, plan, state))
    for name, plans in found.items():
        working = [
            (stage.start_up, stage.volts)
            for _, plan, _ in plans
            for stage in plan.stages
            if stage.purpose is not Purpose.SHORT_CHECK and stage.start_up is not None
        ]
        if not working or max(working)[0] <= 0.0:
            continue
        start_up, at = max(working)
        wanted = _rounded_up(ROOM * start_up)
        ceiling = ceiling_of(bench, name).current
        limit = wanted if ceiling is None else min(wanted, ceiling.number)
        again = [
            plan_apply(
                replace(action, current_limit=Quantity(Decimal(repr(limit)), "A"), limit_time=None),
                procedure.board, bench, state,
            )
            for action, _, state in plans
        ]  # fmt: skip
        longest = max(stage.limit_time for plan in again for stage in plan.stages)
        highest = max(abs(stage.volts) for plan in again for stage in plan.stages)
        level = over_voltage(None, procedure.board, bench, name, highest, limit)
        yield Proposal(name, limit, start_up, at, limit < wanted, longest, level)


def budgets(board: Board) -> Iterator[tuple[str | None, CurrentBudget]]:
    """Yield the budget of each input at both ends of its range and nominal, in every board state; none unless known."""
    for name, point in board.inputs.items():
        if missing_facts(board, name):
            continue
        nominal = abs(point.voltage.number)
        ends = () if point.working is None else (point.working.low, point.working.high)
        for state in board.states or (None,):
            for volts in sorted({nominal, *(abs(float(end)) for end in ends if end is not None)}):
                signed = math.copysign(volts, point.voltage.number)
                yield state, expected_current(board, name, signed, state)


def _rounded_up(amps: float) -> float:
    """The next value of two digits."""
    step = 10.0 ** (math.floor(math.log10(amps)) - 1)
    return float(f"{math.ceil(amps / step - 1e-9) * step:.3g}")
