"""Whether irreversible steps stand where they make sense: known by a name, after every rail was measured and judged."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.expectation import limits_of
from bringup.core.finding import Finding
from bringup.core.procedure import Leads, Log, Measure, PowerOff, Procedure, Step
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.wording import listed
from bringup.core.words import Kind

CUTS_POWER: tuple[tuple[tuple[type, ...], str], ...] = (
    ((PowerCycle, PowerOff), "switches off"),
    ((Leads, Resistance), "wants every output off"),
    ((Sweep, Ripple), "takes its points one after the other, each as often as it needs"),
)
"""What such a step does to the power that an irreversible one has to keep, or to its being done once."""


def examine_irreversible(procedure: Procedure) -> Iterator[Finding]:
    """Find irreversible steps that could never begin, or that the logbook could not know again."""
    board = procedure.board
    probed = [rail.name for rail in board.rails.values() if rail.probe]
    judged: set[str] = set()
    earlier: list[Step] = []
    for step in procedure.steps:
        if step.irreversible:
            yield from _switches_off(step)
            yield from _done_already(step, earlier)
            earlier.append(step)
            yield from _examine(step, [name for name in probed if name not in judged], some=bool(probed))
        elif step.only_if is None:
            judged.update(name for name in _read_at(step) if limits_of(step, name, board)[0] is not None)


def _examine(step: Step, missing: list[str], *, some: bool) -> Iterator[Finding]:
    if not step.name:
        yield Finding(
            step.index,
            "an irreversible step has no `name`",
            "Give it one: the logbook knows by it that it was done on a unit, and it is never repeated.",
            refused=True,
        )
    if not some:
        yield Finding(
            step.index,
            "an irreversible step needs every probed rail to have passed, and the board file gives no rail a `probe`",
            "State where the rails are probed, and measure them before this step.",
            refused=True,
        )
    elif missing:
        yield Finding(
            step.index,
            f"irreversible, and no step before it measures {listed(missing)} against limits in every attempt",
            "Put a `measure` of every probed rail before it, without `only_if`, with limits in the board file or here.",
            refused=True,
        )


def _switches_off(step: Step) -> Iterator[Finding]:
    """Find a step that cuts power by itself, or sets it again and again: once begun, nothing may do that."""
    does = next((what for kinds, what in CUTS_POWER if isinstance(step.action, kinds)), "")
    if does:
        yield Finding(
            step.index,
            f"`{step.kind}` cannot be irreversible: it {does}, and during an irreversible step only over-voltage, "
            "over-current or a person may cut power, and nothing is repeated",
            "Mark the step by which it is done: an `apply`, `load`, `dwell` or `host_program`.",
            refused=True,
        )


def _done_already(step: Step, earlier: list[Step]) -> Iterator[Finding]:
    """Find that an earlier step of the procedure does the same under another name."""
    from bringup.core.acts import act_of, exclude_each_other

    for other in earlier:
        if act_of(step.action) == act_of(other.action) and not exclude_each_other(step.only_if, other.only_if):
            yield Finding(
                step.index,
                f"irreversible, and does the same as step {other.index + 1}: it is done once on a unit, so never here",
                "Leave one of the two out, or give them conditions of which only one can hold (`only_if`).",
                refused=True,
            )
            return


def _read_at(step: Step) -> tuple[str, ...]:
    if isinstance(step.action, Measure):
        return step.action.points
    if isinstance(step.action, Log):
        return tuple(channel.point for channel in step.action.what if channel.kind is Kind.VOLTAGE)
    return ()
