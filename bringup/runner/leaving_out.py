"""Why a step is left out: a condition that does not hold, an input that could not be powered."""

from __future__ import annotations

from bringup.core.listening import Listen
from bringup.core.procedure import Log, Measure, OnlyIf, Sink, Step
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.runner.work import Work


def unmet(work: Work, condition: OnlyIf, results: dict[int, str]) -> str:
    """Return which part of an `only_if` does not hold, in words; '' if all of it does."""
    attended = work.setup.ask.attended
    if condition.attended is not None and condition.attended != attended:
        return "somebody is at the bench" if attended else "nobody is at the bench"
    if condition.board_state is not None and condition.board_state != work.state:
        return f"the board is {work.state}, not {condition.board_state}"
    if condition.variant is not None and condition.variant != work.setup.variant:
        return f"the unit is of variant {work.setup.variant or '(none given)'}, not {condition.variant}"
    if condition.step is not None and results.get(condition.step) != condition.result:
        found = results.get(condition.step)
        became = "was not done" if found is None else f"has the result {found or 'none'}"
        return f"step {condition.step + 1} {became}, wanted {condition.result}"
    return ""


def needed_input(work: Work, step: Step) -> str:
    """Return an input that the step needs and that this attempt failed to power; '' if there is none."""
    points: tuple[str, ...] = ()
    if isinstance(step.action, Listen) and not work.power.on:
        return next(iter(sorted(work.unpowered)), "")
    if isinstance(step.action, Measure | Ripple):
        points = step.action.points
    elif isinstance(step.action, Log):
        points = tuple(channel.point for channel in step.action.what)
    elif isinstance(step.action, Sink):
        points = (step.action.rail,)
    elif isinstance(step.action, PowerCycle):
        points = (step.action.input,)
    elif isinstance(step.action, Sweep):
        points = (step.action.input or step.action.load,)
    for point in points:
        name = work.board.input_of(point)
        if name in work.unpowered:
            return name or ""
    return ""
