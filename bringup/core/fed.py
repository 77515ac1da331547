"""What may be powered, and what a load may draw, when each step begins: the one walk through the steps that rules use.

Whatever depends on a condition may not have been done. So a conditional `power_off`, or `off` of a load, takes nothing
away, and a conditional `apply` leaves the one before it possible. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import field

from bringup.core.expectation import states_of
from bringup.core.frozen import frozen
from bringup.core.procedure import Apply, PowerOff, Procedure, Sink, Step
from bringup.core.under_load import Sweep


@frozen
class Fed:
    """What may be on by then."""

    applied: Mapping[str, tuple[Apply, ...]] = field(default_factory=dict)
    """Input -> every `apply` by which it may be powered as it is, the latest last. Inputs in order of powering."""
    drawn: Mapping[str, Sink] = field(default_factory=dict)
    """Point -> what a load may draw there."""


NOTHING = Fed()


def walk(procedure: Procedure) -> Iterator[tuple[Step, str | None, Fed]]:
    """Yield each step with its board state and what may be on when it begins."""
    fed = NOTHING
    for step, state in zip(procedure.steps, states_of(procedure), strict=True):
        yield step, state, fed
        fed = after(step, fed)


def after(step: Step, fed: Fed) -> Fed:
    """Return what may be on once the step is over."""
    action, certain = step.action, step.only_if is None
    if isinstance(action, Apply):
        before = () if certain else fed.applied.get(action.input, ())
        return Fed({**fed.applied, action.input: (*before, action)}, fed.drawn)
    if isinstance(action, PowerOff) and certain:
        return NOTHING
    if isinstance(action, Sink) and action.level is not None:
        before_it = None if certain else fed.drawn.get(action.rail)
        return Fed(fed.applied, {**fed.drawn, action.rail: _more(action, before_it)})
    ends = action.rail if isinstance(action, Sink) else action.load if isinstance(action, Sweep) else ""
    return Fed(fed.applied, {name: sink for name, sink in fed.drawn.items() if name != ends or not certain})


def _more(new: Sink, old: Sink | None) -> Sink:
    """Return the one that draws more, where that is plain; else the new one."""
    if old is None or old.level is None or new.level is None or old.mode != new.mode:
        return new
    less = new.level.number > old.level.number if new.mode == "resistance" else new.level.number < old.level.number
    return old if less else new
