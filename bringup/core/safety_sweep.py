"""Whether a sweep stays within what board and bench can stand, point by point, before anything is opened.

A sweep of an input goes from voltage to voltage with the output on. So it needs an `apply` before it, whose current
limit and trip have room for every point; the supply's protections are set for the sweep's own bounds. No point may be
above what damages the board, or rest where converters start, unless that is what it looks for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from bringup.core.arming import ApplyPlan, plan_apply
from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.budget import band, expected_current, lowest_working, stop_voltage
from bringup.core.fed import walk
from bringup.core.finding import Finding
from bringup.core.loaded import loaded_board
from bringup.core.procedure import Apply, Procedure, Sink, Step
from bringup.core.protection import ceiling_of, damage_level, least_level, over_voltage
from bringup.core.quantity import Quantity
from bringup.core.safety_levels import volts_beyond
from bringup.core.safety_ramp import rests
from bringup.core.under_load import Sweep
from bringup.core.wording import listed, shown


def examine_sweeps(procedure: Procedure, bench: Bench | None) -> Iterator[Finding]:
    """Find every sweep of an input that must not be made."""
    board = procedure.board
    for step, state, fed in walk(procedure):
        action = step.action
        if not isinstance(action, Sweep) or not action.input:
            continue
        yield from _of_input(step, action, board, bench, state)
        if action.input not in fed.applied:
            yield _unfed(step, action)
        for apply in fed.applied.get(action.input, ()):
            yield from _room(step, action, apply, board, bench, state)
            yield from _currents(step, action, apply, _loaded(board, fed.drawn), state)
        if action.looks_for and fed.drawn:
            yield _loaded_on_the_way(step, action, fed.drawn)
        later = [name for name in board.powered_after(action.input) if name in fed.applied]
        if action.looks_for and later:
            yield Finding(
                step.index,
                f"{action.input} is swept to where rails {action.looks_for} while {listed(later)} is on, which is "
                "powered after it only",
                f"Sweep before the `apply` of {listed(later)}, or after a `power_off`.",
                refused=True,
            )


def as_apply(sweep: Sweep, apply: Apply | None = None) -> Apply:
    """Return the sweep as a power-up over its points in rising order: what is examined and planned like one."""
    points = tuple(sorted(sweep.points, key=lambda point: point.value))
    if apply is None:
        return Apply(sweep.input, points, points[-1])
    return replace(apply, then=points, short_check=None, expect_current=None, hold=None)


def plan_sweep(sweep: Sweep, apply: Apply, board: Board, bench: Bench | None, state: str | None) -> ApplyPlan:
    """Return how the supply is set for the sweep of an input: its own protections as an `apply` of all points has them.

    The input comes from the last voltage of its `apply` and goes back there, so over-voltage protection has room for
    that, too. Currents: the most that any point draws, falling below the lowest working input counted.
    """
    plan = plan_apply(as_apply(sweep, apply), board, bench, state)
    highest = max(abs(sweep.most.number), abs(apply.then[-1].number))
    stated = None if apply.over_voltage is None else apply.over_voltage.number
    level = over_voltage(stated, board, bench, sweep.input, highest, apply.current_limit.number)
    trip = plan.trip_current
    if apply.trip_current is None:
        drawn = [band(amps).high for _, amps in _drawn(sweep, board, state)]
        trip = max([trip, *(2.0 * float(high) for high in drawn if high is not None)])
    return replace(plan, protection=level, trip_current=trip, over_current=min(trip, plan.current_limit))


def _loaded(board: Board, drawn: Mapping[str, Sink]) -> Board:
    draws = [(each.rail, each.mode, each.level.number) for each in drawn.values() if each.level is not None]
    return loaded_board(board, draws) if draws else board


def _of_input(step: Step, sweep: Sweep, board: Board, bench: Bench | None, state: str | None) -> Iterator[Finding]:
    apply = as_apply(sweep)
    yield from volts_beyond(step, apply, ceiling_of(bench, sweep.input), board, state)
    if not sweep.looks_for:
        for finding in rests(step.index, apply, board):
            more = " Or state `looks_for: start` or `stop`, if that is what the sweep is for."
            yield replace(finding, what_to_do=finding.what_to_do + more)
    if bench is not None and bench.supply is not None and bench.supply.by_hand:
        yield Finding(
            step.index,
            "a sweep of an input's voltage is asked of a supply that is set by hand",
            "Use a bench whose supply is set by wire, or an `apply` and a `measure` for each voltage.",
            refused=True,
        )


def _unfed(step: Step, sweep: Sweep) -> Finding:
    return Finding(
        step.index,
        f"the voltage of {sweep.input} is swept while it is off",
        f"Put an `apply` of {sweep.input} before this step: it checks for a short, and its protections hold here.",
        refused=True,
    )


def _loaded_on_the_way(step: Step, sweep: Sweep, drawn: Mapping[str, Sink]) -> Finding:
    return Finding(
        step.index,
        f"{listed(drawn)} would be loaded while {sweep.input} is where rails {sweep.looks_for}",
        "Put a `load` with `off: yes` before this step: a load draws only from a rail in regulation.",
        refused=True,
    )


def _room(
    step: Step, sweep: Sweep, apply: Apply, board: Board, bench: Bench | None, state: str | None
) -> Iterator[Finding]:
    """The supply's over-voltage protection has to lie between what the points need and what damages."""
    chosen = plan_sweep(sweep, apply, board, bench, state).protection
    if chosen.level is None and not volts_too_high(sweep, board):
        yield Finding(
            step.index,
            f"{sweep.input} is swept up to {sweep.most}: {chosen.why}",
            "Sweep less far up: the supply's own protection has to hold at every point.",
            refused=True,
        )
    least = least_level(bench, sweep.input, abs(sweep.most.number), apply.current_limit.number)
    if chosen.stated and chosen.level is not None and chosen.level < least:
        yield Finding(
            step.index,
            f"{sweep.input} is swept up to {sweep.most}, but the `apply` before states {shown(chosen.level, 'V')} "
            f"for the supply's over-voltage protection, which would trip",
            f"State `over_voltage: {shown(least, 'V')}` there, if the board stands it, or leave it out: the sweep then "
            "sets its own.",
            refused=True,
        )


def volts_too_high(sweep: Sweep, board: Board) -> bool:
    """Whether a point is above what damages the input: refused for that."""
    damage, _ = damage_level(board, sweep.input)
    return damage is not None and abs(sweep.most.number) > damage


def _drawn(sweep: Sweep, board: Board, state: str | None) -> Iterator[tuple[Quantity, float]]:
    """The lower the input, the more it draws: a converter is a constant-power load, falling until it stops."""
    falling = sweep.points[0].value > sweep.points[-1].value
    working, stop = lowest_working(board, sweep.input), stop_voltage(board, sweep.input)
    watts = working * (expected_current(board, sweep.input, working, state).amps or 0.0)
    for point in sweep.points:
        amps = expected_current(board, sweep.input, point.number, state).amps
        if amps is None:
            continue
        if falling and stop <= point.number < working:
            amps = max(amps, watts / point.number)
        yield point, amps


def _currents(step: Step, sweep: Sweep, apply: Apply, board: Board, state: str | None) -> Iterator[Finding]:
    """What a point draws must lie below what limits or ends it."""
    for point, amps in _drawn(sweep, board, state):
        for name, most in (("current limit", apply.current_limit), ("trip_current", apply.trip_current)):
            if most is not None and amps >= most.number:
                yield Finding(
                    step.index,
                    f"at {point} {sweep.input} is expected to draw {shown(amps, 'A', 3)}, which is not below "
                    f"the {name} of {most}",
                    f"Sweep less far down, draw less, or raise the {name} in the `apply` of {sweep.input}.",
                    refused=True,
                )
                return
