"""An attempt at some rails only: what of a procedure is done then, and what is left out. Pure.

Everything that keeps the board safe stays: inspection, resistances of all points, leads, power as the procedure says,
off. Left out are readings under power of other points, loads on them, and whatever cannot be undone: that wants
every rail passed. An attempt that left out anything is never passed; it is incomplete, and says what it lacks.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from bringup.core.frozen import frozen
from bringup.core.procedure import Log, Measure, Procedure, Sink, Step
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.wording import listed


@frozen
class Only:
    """What an attempt is confined to."""

    rails: tuple[str, ...]
    steps: Mapping[int, str]
    """Index of a step that is left out whole -> why."""
    left_out: tuple[str, ...]
    """All that is left out, in words: 'step 5 (measure): VIN, 12V0'."""

    @property
    def text(self) -> str:
        """What is lacking, in one sentence; '' where nothing is."""
        if not self.left_out:
            return ""
        return f"only {listed(self.rails)} {_were(self.rails)} asked for: left out {'; '.join(self.left_out)}"


def confined(procedure: Procedure, rails: Collection[str]) -> tuple[Procedure, Only]:
    """Return the procedure with only these inputs or rails read under power, steps keeping their numbers.

    Raises KeyError for a name that the board does not have.
    """
    for name in rails:
        procedure.board.point(name)
    steps, whole, told = [], dict[int, str](), list[str]()
    named = tuple(point.name for point in procedure.board.points() if point.name in rails)
    for step in procedure.steps:
        dropped = list(_dropped(step, rails))
        why = "irreversible: it wants every rail passed" if step.irreversible else _whole(step, rails, named)
        if why:
            whole[step.index] = why
            told.append(f"step {step.index + 1} ({step.title or step.kind})")
        elif dropped:
            told.append(f"step {step.index + 1} ({step.title or step.kind}): {', '.join(dropped)}")
        steps.append(step if why or not dropped else _without(step, rails))
    return replace(procedure, steps=tuple(steps)), Only(named, whole, tuple(told))


def read_points(procedure: Procedure) -> set[str]:
    """Return every input and rail that the procedure reads under power."""
    return {point for step in procedure.steps for point in _points(step)}


def _points(step: Step) -> tuple[str, ...]:
    if isinstance(step.action, Measure | Ripple):
        return step.action.points
    if isinstance(step.action, Sweep | PowerCycle):
        return step.action.rails
    return tuple(channel.point for channel in step.action.what) if isinstance(step.action, Log) else ()


def _dropped(step: Step, rails: Collection[str]) -> Iterator[str]:
    """Name what of a step's readings is left out, as the step writes it."""
    if isinstance(step.action, Measure | Ripple | Sweep | PowerCycle):
        yield from (point for point in _points(step) if point not in rails)
    elif isinstance(step.action, Log):
        yield from (channel.text for channel in step.action.what if channel.point not in rails)


def _whole(step: Step, rails: Collection[str], named: tuple[str, ...]) -> str:
    """Return why a step is left out whole; '' if it is not."""
    points = _points(step)
    unread = points and not any(point in rails for point in points)
    drawn = step.action.rail if isinstance(step.action, Sink) else ""
    drawn = step.action.load if isinstance(step.action, Sweep) else drawn
    if unread or (drawn and drawn not in rails):
        return f"only {listed(named)} {_were(named)} asked for"
    return ""


def _without(step: Step, rails: Collection[str]) -> Step:
    action = step.action
    if isinstance(action, Measure | Ripple):
        return replace(step, action=replace(action, points=tuple(each for each in action.points if each in rails)))
    if isinstance(action, Sweep | PowerCycle):
        return replace(step, action=replace(action, rails=tuple(each for each in action.rails if each in rails)))
    assert isinstance(action, Log), "nothing else reads several points under power"
    return replace(step, action=replace(action, what=tuple(each for each in action.what if each.point in rails)))


def _were(rails: Collection[str]) -> str:
    return "was" if len(rails) == 1 else "were"
