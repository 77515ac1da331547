"""Whether the steps come in an order that makes sense: what is powered when, and what must come before power.

The walk keeps the inputs that may be on: a conditional `power_off` may be left out, so it takes none of them away.
"""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.board import Board
from bringup.core.expectation import limits_of, quantity_of, states_of
from bringup.core.finding import Finding
from bringup.core.procedure import Apply, Leads, Log, Measure, PowerOff, Procedure, Step
from bringup.core.under_load import Ripple
from bringup.core.unpowered import Resistance
from bringup.core.wording import limits_text, listed
from bringup.core.words import Kind


class _Walk:
    """What is known on the way through the steps."""

    def __init__(self, *, recheck: bool) -> None:
        self.maybe_on: dict[str, int] = {}
        """Input -> index of the step that applied it."""
        self.leads: set[str] = set()
        self.resistance: set[str] = set()
        self.gated: set[str] = set()
        """Inputs whose missing gate was already reported."""
        self.recheck = recheck
        """Meant for units that passed first power; the gate at run time looks at the unit's history in any case."""
        self.was_off: int | None = None
        """Index of the last power_off."""


def examine_order(procedure: Procedure) -> Iterator[Finding]:
    """Find steps that need power and have none, steps that must not have it, and a first power without its gate."""
    walk = _Walk(recheck=is_recheck(procedure))
    for step, state in zip(procedure.steps, states_of(procedure), strict=True):
        action = step.action
        if isinstance(action, Measure | Log | Ripple):
            yield from _needs_power(step, procedure.board, state, walk)
        elif isinstance(action, Resistance | Leads):
            yield from _needs_off(step, walk)
            if isinstance(action, Leads):
                walk.leads.add(action.input)
            else:
                walk.resistance.update(action.points)
        elif isinstance(action, Apply):
            yield from _apply(step, action, procedure.board, walk)
        elif isinstance(action, PowerOff) and step.only_if is None:
            walk.maybe_on.clear()
            walk.was_off = step.index
    if walk.maybe_on:
        names = listed(walk.maybe_on)
        yield Finding(
            None,
            f"{names} may still be on after the last step",
            "It is switched off at the end in any case; a `power_off` step also waits until it is discharged.",
            refused=False,
        )


def is_recheck(procedure: Procedure) -> bool:
    """Whether the procedure permits unattended attempts after first power and reads no rail's ohms, as for a first one.

    Leads, and the ohms of an input, are read for every unit that a person plugs in.
    """
    read = {point for step in procedure.steps if isinstance(step.action, Resistance) for point in step.action.points}
    return procedure.unattended_after_first_power and read.isdisjoint(procedure.board.rails)


def _needs_power(step: Step, board: Board, state: str | None, walk: _Walk) -> Iterator[Finding]:
    """A powered reading without power is refused, unless its limits say that 0 is what is looked for.

    A board file without inputs leaves power to others, and what stays live needs none: both may be read at any time.
    """
    if not board.inputs:
        return
    for point in _read_at(step):
        kind, name = quantity_of(step, point)
        if board.point(name).stays_live is not None:
            continue
        source = board.input_of(name)
        if source in walk.maybe_on or (source is None and walk.maybe_on):
            continue
        limits, _ = limits_of(step, point, board, state)
        if limits is not None and limits.accepts(0.0):
            continue
        when = "nothing was applied before" if walk.was_off is None else f"step {walk.was_off + 1} switched it off"
        feed = f" through {source}" if source not in (None, name) else ""
        what = "current" if kind is Kind.CURRENT else "power" if kind is Kind.POWER else "voltage"
        judged = f", expected to be {limits_text(limits)}," if limits is not None else ""
        yield Finding(
            step.index,
            f"the {what} at {name}{judged} is read while it is not fed{feed}: {when}",
            f"Put an `apply` of {source or 'its input'} before it; if 0 is looked for, state limits that 0 meets.",
            refused=limits is not None,
        )


def _read_at(step: Step) -> tuple[str, ...]:
    if isinstance(step.action, Measure | Ripple):
        return step.action.points
    return tuple(channel.text for channel in step.action.what) if isinstance(step.action, Log) else ()


def _needs_off(step: Step, walk: _Walk) -> Iterator[Finding]:
    if not walk.maybe_on:
        return
    name, since = next(iter(walk.maybe_on.items()))
    doing = "resistance is read" if step.kind == "resistance" else "the leads' free ends are measured"
    yield Finding(
        step.index,
        f"{doing} while {name} may be on (applied in step {since + 1})",
        "Put a `power_off` before it: it needs every output off, and the leads off the board.",
        refused=True,
    )


def _apply(step: Step, apply: Apply, board: Board, walk: _Walk) -> Iterator[Finding]:
    later = [name for name in board.powered_after(apply.input) if name in walk.maybe_on]
    if apply.input in walk.maybe_on and later:
        yield Finding(
            step.index,
            f"{apply.input} is on since step {walk.maybe_on[apply.input] + 1} and would go off and on while "
            f"{listed(later)} may be on, which is powered after it only",
            f"Put a `power_off` before it, and then an `apply` of {listed(later)} after it.",
            refused=True,
        )
    elif apply.input in walk.maybe_on:
        yield Finding(
            step.index,
            f"{apply.input} is already on since step {walk.maybe_on[apply.input] + 1}: it will be switched off first, "
            "and capacitors may still be charged when it comes back",
            "Put a `power_off` before it, which waits until it is discharged.",
            refused=False,
        )
    yield from _in_turn(step, apply, board, walk)
    if apply.input not in walk.gated and not walk.recheck:
        walk.gated.add(apply.input)
        yield from _gate(step, apply, board, walk)
    walk.maybe_on[apply.input] = step.index


def _in_turn(step: Step, apply: Apply, board: Board, walk: _Walk) -> Iterator[Finding]:
    """An input that the board file puts after others, none of which may be skipped."""
    waiting = [name for name in board.inputs[apply.input].after if name not in walk.maybe_on]
    if waiting:
        yield Finding(
            step.index,
            f"{apply.input} is powered while {listed(waiting)} is not on, and the board file puts it after",
            f"Put an `apply` of {listed(waiting)} before it. They go off in reverse order by themselves.",
            refused=True,
        )


def _gate(step: Step, apply: Apply, board: Board, walk: _Walk) -> Iterator[Finding]:
    """What must have been seen before first power; without it the gate asks for a typed reason on a new unit."""
    if apply.input not in walk.leads:
        yield Finding(
            step.index,
            f"no `leads` step for {apply.input} comes before this first power",
            "Add one: reversed leads or a wrong voltage are then found with the board unconnected. "
            "Without it a typed reason is asked for here.",
            refused=False,
        )
    missing = [rail.name for rail in board.rails.values() if rail.probe and rail.name not in walk.resistance]
    if missing:
        yield Finding(
            step.index,
            f"no resistance reading of {listed(missing)} comes before this first power",
            f"Add {'it' if len(missing) == 1 else 'them'} to a `resistance` step: a short is then found without power. "
            "Without it a new unit asks for a typed reason here.",
            refused=False,
        )
