"""Whether the voltages of a power-up are in the one permitted shape: short check, over the start region, upwards.

Between the voltage at which a converter starts and the lowest working input the board draws its highest current and
may start badly: a ramp must never rest there. The short check stays at 1 V or less and below every start voltage.
"""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.board import Board
from bringup.core.budget import first_converters, lowest_working
from bringup.core.finding import Finding
from bringup.core.procedure import Apply, Procedure
from bringup.core.quantity import Quantity
from bringup.core.safety_order import is_recheck
from bringup.core.wording import listed, shown

SHORT_CHECK_MOST = 1.0
"""Volts: too little for any converter to start, and next to no energy into a short (common practice, no source)."""


def examine_ramps(procedure: Procedure) -> Iterator[Finding]:
    """Find every `apply` that is not a short check followed by working voltages in rising order."""
    checked: set[str] = set()
    for step in procedure.steps:
        if not isinstance(step.action, Apply):
            continue
        apply = step.action
        if apply.short_check is not None:
            yield from _short_check(step.index, apply.short_check, apply, procedure.board)
        elif apply.input not in checked:
            yield _no_short_check(step.index, apply, refused=not is_recheck(procedure))
        yield from _order(step.index, apply)
        yield from rests(step.index, apply, procedure.board)
        if step.only_if is None:
            checked.add(apply.input)


def _starts(board: Board, name: str) -> list[tuple[str, float]]:
    return [(rail.name, start) for rail, start in first_converters(board, name) if start is not None]


def _no_short_check(step: int, apply: Apply, *, refused: bool) -> Finding:
    """A first power; where the unit is known to have passed one, going without is the person's choice."""
    most = shown(SHORT_CHECK_MOST, "V")
    return Finding(
        step,
        f"{apply.input} goes to {apply.then[0]} at once, without a short check",
        f"Add `short_check: {most}`: a short then meets {most} instead of {apply.then[0]}.",
        refused=refused,
    )


def _short_check(step: int, check: Quantity, apply: Apply, board: Board) -> Iterator[Finding]:
    if check.number <= 0 or check.number > SHORT_CHECK_MOST:
        yield Finding(
            step,
            f"the short check is at {check}; above 0 V and at most {shown(SHORT_CHECK_MOST, 'V')} is permitted",
            f"Write `short_check: {shown(SHORT_CHECK_MOST, 'V')}` or less.",
            refused=True,
        )
    early = [(start, rail) for rail, start in _starts(board, apply.input) if start <= check.number]
    if early:
        start, rail = min(early)
        yield Finding(
            step,
            f"the short check at {check} is not below the {shown(start, 'V')} at which {rail} starts",
            f"Check below {shown(start, 'V')}: with a converter running, a short and a load look alike.",
            refused=True,
        )


def _order(step: int, apply: Apply) -> Iterator[Finding]:
    for before, after in zip(apply.then, apply.then[1:], strict=False):
        if after.value <= before.value:
            yield Finding(
                step,
                f"`then` goes from {before} to {after}; only rising voltages are permitted",
                "Put the voltages in rising order; a lower voltage needs a power_off and an apply of its own.",
                refused=True,
            )
    if apply.short_check is not None and apply.then and apply.then[0].value <= apply.short_check.value:
        yield Finding(
            step,
            f"the first voltage of `then`, {apply.then[0]}, is not above the short check at {apply.short_check}",
            "Name the working voltages only in `then`; the short check comes before them by itself.",
            refused=True,
        )


def rests(step: int, apply: Apply, board: Board) -> Iterator[Finding]:
    """Refuse each voltage at which the ramp would stand still below the lowest working input."""
    converters = first_converters(board, apply.input)
    if not converters:
        return
    lowest = lowest_working(board, apply.input)
    ranged = board.inputs[apply.input].working is not None
    starts = _starts(board, apply.input)
    silent = [rail.name for rail, start in converters if start is None]
    first_start = min((start, rail) for rail, start in starts) if starts else None
    for volts in apply.then:
        if volts.number <= 0 or volts.number >= lowest:
            continue
        if first_start is not None and volts.number >= first_start[0]:
            region = f"{first_start[1]} starts at {shown(first_start[0], 'V')}"
        elif silent:
            region = f"the board file does not say at which voltage {listed(silent)} starts"
        else:
            region = "no converter runs there yet, so nothing is learnt that the short check does not show"
        meaning = (
            "the lowest working input"
            if ranged
            else f"the nominal voltage, the board file stating no `range` for {apply.input}"
        )
        yield Finding(
            step,
            f"the ramp rests at {volts}, below {shown(lowest, 'V')} ({meaning}): {region}",
            f"Go from a short check at 1 V or less straight to {shown(lowest, 'V')} or above, then upwards.",
            refused=ranged or first_start is None or volts.number >= first_start[0],
        )
