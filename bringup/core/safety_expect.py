"""Whether what a step expects could pass what must not pass: reversed leads, a dead supply, a damaging voltage."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.arming import plan_leads
from bringup.core.board import Board
from bringup.core.finding import Finding
from bringup.core.procedure import Leads, Measure, Procedure, Step
from bringup.core.protection import damage_level
from bringup.core.wording import limits_text, shown


def examine_expectations(procedure: Procedure) -> Iterator[Finding]:
    """Find `expect` of free leads that does not tell good leads from bad ones, or of volts up to what damages."""
    for step in procedure.steps:
        if isinstance(step.action, Leads):
            yield from _free_leads(step, step.action, procedure)
        elif isinstance(step.action, Measure):
            yield from _beyond_damage(step, step.action.points, procedure.board)


def _beyond_damage(step: Step, points: tuple[str, ...], board: Board) -> Iterator[Finding]:
    """Volts that damage cut power whatever is expected: an expectation that reaches them is mistaken."""
    for point in points:
        limits, most = step.expect.get(point, step.expect.get("")), board.point(point).damage_above
        ends = [] if limits is None else [abs(end) for end in (limits.low, limits.high) if end is not None]
        if limits is not None and most is not None and ends and max(ends) > abs(most.value):
            yield Finding(
                step.index,
                f"`expect` of {point} is {limits_text(limits)}, and more than {most} damages it: power is cut there",
                "Correct `expect`, or `damage_above` in the board file.",
                refused=False,
            )


def _free_leads(step: Step, action: Leads, procedure: Procedure) -> Iterator[Finding]:
    """Both ends above 0 V (the leads are measured as a supply gives: plus to plus) and below what damages."""
    limits = step.expect.get(action.input, step.expect.get(""))
    if limits is None:
        return
    plan = plan_leads(action, procedure, None)
    damage, where = damage_level(procedure.board, action.input)
    text = f"`expect` of the free leads of {action.input} is {limits_text(limits)}"
    if limits.low is None or limits.low <= 0:
        what = "0 V and reversed leads would pass"
    elif limits.high is None:
        what = "it has no upper end, and any voltage would pass"
    elif damage is not None and float(limits.high) >= damage:
        what = f"it reaches the {shown(damage, 'V')} that damage {where}"
    elif not limits.accepts(plan.volts):
        what = f"the {shown(plan.volts, 'V')} that the supply is set to are not within it"
    else:
        return
    yield Finding(
        step.index,
        f"{text}: {what}",
        f"State two ends around {shown(plan.volts, 'V')}, or leave `expect` out: {shown(plan.volts, 'V')} ± 2 %.",
        refused=True,
    )
