"""Whether any level of a procedure is beyond what the bench may give or the board can stand, by magnitude.

Voltages at the inputs, what every rail would reach by them, current limits, and the supply's own protection.
"""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.arming import volts_at_leads
from bringup.core.bench import Bench, Ceiling
from bringup.core.board import Board
from bringup.core.budget import downstream
from bringup.core.design_limits import feedback_limits
from bringup.core.design_values import sign_of
from bringup.core.expectation import states_of
from bringup.core.finding import Finding
from bringup.core.limits import Limits
from bringup.core.procedure import Apply, Leads, Procedure, Step
from bringup.core.protection import PROTECTION_ERROR, ceiling_of, damage_level, least_level, over_voltage
from bringup.core.quantity import Quantity
from bringup.core.solver import solve
from bringup.core.wording import limits_text, shown

MOST_AMPS = 1000.0
"""No supply on a bench gives more (common practice, no source)."""
MICROVOLT = 1e-6
"""So near, a level is the one that was asked for: 24 V and 5 % are not quite 25.2 V in binary."""


def examine_levels(procedure: Procedure, bench: Bench | None) -> Iterator[Finding]:
    """Find every voltage, current limit or protection level that exceeds what is permitted."""
    board = procedure.board
    yield from _board_itself(board)
    for step, state in zip(procedure.steps, states_of(procedure), strict=True):
        action = step.action
        if isinstance(action, Apply):
            ceiling = ceiling_of(bench, action.input)
            yield from volts_beyond(step, action, ceiling, board, state)
            yield from _implausible(step, action.current_limit)
            yield from _current_ceiling(step, action.current_limit, ceiling)
            yield from _protection(step, action, board, bench)
        elif isinstance(action, Leads):
            ceiling = ceiling_of(bench, action.input)
            volts = float(volts_at_leads(action, procedure))
            yield from _voltage_ceiling(step, volts, f"{action.input}'s free leads", ceiling)
            yield from _current_ceiling(step, action.current_limit, ceiling)


def _implausible(step: Step, limit: Quantity) -> Iterator[Finding]:
    """A current limit that no bench supply has: a capital M for a small one, mostly. Known without any ceiling."""
    if limit.number > MOST_AMPS:
        yield Finding(
            step.index,
            f"a current limit of {limit} is more than the {MOST_AMPS:g} A that any bench supply gives",
            "Did you mean mA? M is mega, m is milli.",
            refused=True,
        )


def _board_itself(board: Board) -> Iterator[Finding]:
    """Contradictions of the board file that make every level doubtful."""
    for point in board.inputs.values():
        if point.working is not None and not point.working.accepts(point.voltage.value):
            yield Finding(
                None,
                f"the nominal voltage of {point.name}, {point.voltage}, lies outside its own range "
                f"{limits_text(point.working)}",
                "Correct `voltage` or `range` in the board file.",
                refused=True,
            )
        yield from _damage_below(point.name, point.working, point.damage_above)
    for rail in board.rails.values():
        computed = None if rail.converter is None else feedback_limits(rail.converter, sign_of(board, rail.name))
        yield from _damage_below(rail.name, rail.expect or computed, rail.damage_above)


def _damage_below(name: str, limits: Limits | None, damage: Quantity | None) -> Iterator[Finding]:
    ends = [] if limits is None else [abs(end) for end in (limits.low, limits.high) if end is not None]
    if damage is None or not ends or max(ends) <= abs(damage.value):
        return
    yield Finding(
        None,
        f"{name} may reach {shown(float(max(ends)), 'V')} by its limits, yet more than {damage} damages it",
        "Correct `damage_above` or the limits in the board file: a reading could pass on a damaged board.",
        refused=False,
    )


def volts_beyond(step: Step, apply: Apply, ceiling: Ceiling, board: Board, state: str | None) -> Iterator[Finding]:
    """Find voltages that board or bench do not stand, at the input and at every rail that they reach."""
    for volts in apply.then:
        if volts.number <= 0:
            yield Finding(
                step.index,
                f"`then` names {volts}; a supply's output is set to a voltage above 0 V",
                "Write the voltage as it is set at the supply: above 0 V.",
                refused=True,
            )
    highest = max((abs(volts.number) for volts in apply.then), default=0.0)
    if apply.short_check is not None:
        highest = max(highest, abs(apply.short_check.number))
    yield from _voltage_ceiling(step, highest, apply.input, ceiling)
    damage, where = damage_level(board, apply.input)
    if damage is not None and highest > damage:
        yield Finding(
            step.index,
            f"{apply.input} is set to {shown(highest, 'V')}, above the {shown(damage, 'V')} that damage {where}",
            f"Apply at most {shown(damage, 'V')} (`damage_above` in the board file).",
            refused=True,
        )
        return
    working = board.inputs[apply.input].working
    if working is not None and working.high is not None and highest > float(working.high):
        yield Finding(
            step.index,
            f"{apply.input} is set to {shown(highest, 'V')}, above its working range {limits_text(working)}",
            "Stay within the range, unless the board is meant to be stressed.",
            refused=False,
        )
    yield from _rails_reached(step, apply, board, state, highest)


def _rails_reached(step: Step, apply: Apply, board: Board, state: str | None, highest: float) -> Iterator[Finding]:
    solution = solve(board, {apply.input: highest}, state=state)
    for rail in downstream(board, apply.input):
        reached = abs(solution.volts.get(rail.name, 0.0))
        if rail.damage_above is not None and reached > abs(rail.damage_above.number):
            yield Finding(
                step.index,
                f"with {apply.input} at {shown(highest, 'V')}, {rail.name} reaches "
                f"{shown(solution.volts[rail.name], 'V')}: more than the {rail.damage_above} that damage it",
                f"Lower the voltage of {apply.input}, or correct {rail.name} in the board file.",
                refused=True,
            )


def _voltage_ceiling(step: Step, volts: float, what: str, ceiling: Ceiling) -> Iterator[Finding]:
    if ceiling.voltage is not None and volts > abs(ceiling.voltage.number):
        yield Finding(
            step.index,
            f"{what} would get {shown(volts, 'V')}, above {ceiling.whose} ceiling of {ceiling.voltage}",
            f"Use at most {ceiling.voltage}, or raise `ceiling` in the bench file if the whole bench is fit for it.",
            refused=True,
        )


def _current_ceiling(step: Step, limit: Quantity | None, ceiling: Ceiling) -> Iterator[Finding]:
    if limit is None:
        return
    if limit.number <= 0:
        yield Finding(
            step.index,
            f"the current limit is {limit}; it must be above 0 A",
            "State a current limit a little above what the board needs to start.",
            refused=True,
        )
    if ceiling.current is not None and limit.number > ceiling.current.number:
        yield Finding(
            step.index,
            f"the current limit is {limit}, above {ceiling.whose} ceiling of {ceiling.current}",
            f"Use at most {ceiling.current}, or raise `ceiling` in the bench file if the whole bench is fit for it.",
            refused=True,
        )


def _protection(step: Step, apply: Apply, board: Board, bench: Bench | None) -> Iterator[Finding]:
    """The supply's over-voltage protection: has it room, and does a stated level make sense."""
    highest = max(abs(volts.number) for volts in apply.then)
    damage, where = damage_level(board, apply.input)
    if apply.over_voltage is None:
        chosen = over_voltage(None, board, bench, apply.input, highest, apply.current_limit.number)
        if chosen.level is None and (damage is None or highest <= damage):
            yield Finding(
                step.index,
                chosen.why,
                "Lower the voltage; otherwise only the voltage setting itself protects the board here.",
                refused=False,
            )
        return
    needed = least_level(bench, apply.input, highest, apply.current_limit.number)
    yield from _stated_protection(step, apply.over_voltage, highest, needed, damage, where)


def _stated_protection(
    step: Step, level: Quantity, highest: float, needed: float, damage: float | None, where: str
) -> Iterator[Finding]:
    """Below `highest` it trips always, below `needed` at turn-on; from `damage` on it does not protect."""
    if level.number <= highest:
        yield Finding(
            step.index,
            f"`over_voltage` is {level}, not above the {shown(highest, 'V')} that the step applies",
            "State a level above the highest voltage, or leave it out: it is then chosen.",
            refused=True,
        )
    elif level.number < needed - MICROVOLT:
        yield Finding(
            step.index,
            f"`over_voltage` is {level}, so near the {shown(highest, 'V')} that the step applies that the supply's "
            "own overshoot at turn-on, or the drop in its leads, can trip it",
            f"State at least {shown(needed, 'V')}, or leave it out: it is then chosen.",
            refused=False,
        )
    if damage is not None and level.number > damage * PROTECTION_ERROR + MICROVOLT:
        beyond = level.number >= damage
        yield Finding(
            step.index,
            f"`over_voltage` is {level}, {'not' if beyond else 'less than 2 %'} below the {shown(damage, 'V')} that "
            f"damage {where}; protection can act 2 % later than set",
            f"State at most {shown(damage * PROTECTION_ERROR, 'V')}, or leave it out: it is then chosen.",
            refused=beyond,
        )
