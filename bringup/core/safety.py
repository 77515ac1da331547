"""The examination of a procedure before anything is opened: what is refused, and what a person should know.

The rules themselves are in the safety_* modules, one subject each; this one runs them all and puts their findings
in order. A refused finding keeps an attempt from starting; a warning is shown and the person decides.
"""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.bench import Bench
from bringup.core.expectation import quantity_of
from bringup.core.finding import Finding
from bringup.core.hazard import SHOCK, energy_points, shock_points
from bringup.core.needs import examine_dialects
from bringup.core.procedure import Apply, Inspect, Leads, Log, Measure, Procedure, Sink, Step
from bringup.core.safety_bench import examine_bench, needs_person
from bringup.core.safety_currents import examine_currents
from bringup.core.safety_expect import examine_expectations
from bringup.core.safety_irreversible import examine_irreversible
from bringup.core.safety_levels import examine_levels
from bringup.core.safety_lines import examine_lines
from bringup.core.safety_load import examine_loads
from bringup.core.safety_margins import examine_heat, examine_margins
from bringup.core.safety_order import examine_order
from bringup.core.safety_ramp import examine_ramps
from bringup.core.safety_ripple import examine_ripple
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.wording import listed, shown

__all__ = ["Finding", "examine"]


def examine(procedure: Procedure, bench: Bench | None, *, warnings: bool = True) -> tuple[Finding, ...]:
    """Return everything that speaks against the procedure on this bench, by step, refusals first within a step.

    Without a bench, what depends on it is left open. Unknown names end the examination: the rest would only follow.
    Without `warnings`, what can refuse nothing is not worked out: for whoever asks only whether it may begin.
    """
    unknown = tuple(unknown_names(procedure))
    if unknown:
        return unknown
    found = [
        *examine_ramps(procedure),
        *examine_levels(procedure, bench),
        *examine_currents(procedure, bench),
        *examine_expectations(procedure),
        *examine_order(procedure),
        *examine_irreversible(procedure),
        *examine_loads(procedure, bench),
        *(_parts(procedure) if warnings else ()),
        *_sweeps_and_cycles(procedure, bench),
        *(_only_warned_of(procedure, bench) if warnings else ()),
        *examine_margins(procedure),
        *(examine_heat(procedure) if warnings else ()),
    ]
    if bench is not None:
        found += examine_bench(procedure, bench)
        found += examine_dialects(procedure, bench)
        found += examine_ripple(procedure, bench)
        found += _scanner(procedure, bench)
        found += examine_lines(procedure, bench)
        found += _decisions(procedure, bench)
    last = len(procedure.steps)
    return tuple(sorted(found, key=lambda one: (last if one.step is None else one.step, not one.refused)))


def _only_warned_of(procedure: Procedure, bench: Bench | None) -> Iterator[Finding]:
    from bringup.core.safety_design import examine_design

    yield from _shock(procedure)
    yield from _energy(procedure)
    yield from _unattended(procedure, bench)
    yield from examine_design(procedure.board)


def _sweeps_and_cycles(procedure: Procedure, bench: Bench | None) -> Iterator[Finding]:
    """Few procedures have such a step: the rules for it are imported where there is one."""
    kinds = {type(step.action) for step in procedure.steps}
    if Sweep in kinds:
        from bringup.core.safety_sweep import examine_sweeps

        yield from examine_sweeps(procedure, bench)
    if PowerCycle in kinds:
        from bringup.core.safety_cycle import examine_cycles

        yield from examine_cycles(procedure, bench)


def _scanner(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    if bench.scanner is not None:
        from bringup.core.safety_scanner import examine_scanner

        yield from examine_scanner(procedure, bench)


def _decisions(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Where no accuracy is stated, every rule is simple and no range is fixed, there is nothing to be found."""
    points, steps = procedure.board.points(), procedure.steps
    rules = (procedure.board.decision_rule, *(one.decision_rule for one in (*points, *steps)))
    by = (*bench.supplies, bench.meter, bench.load)
    stated = any(one is not None and (one.accuracy or getattr(one, "current_accuracy", None)) for one in by)
    fixed = any(isinstance(step.action, Measure) and step.action.fixed for step in steps)
    if stated or fixed or any(rule is not None and not rule.simple for rule in rules):
        from bringup.core.safety_decisions import examine_decisions

        yield from examine_decisions(procedure, bench)


def unknown_names(procedure: Procedure) -> Iterator[Finding]:
    """Find names that the board does not have, and power-ups without a voltage: nothing can be worked out then."""
    board = procedure.board
    for step in procedure.steps:
        action = step.action
        if isinstance(action, Apply | Leads):
            if action.input not in board.inputs:
                yield _unknown(step, action.input, "input", listed(board.inputs))
            elif isinstance(action, Apply) and not action.then:
                yield Finding(step.index, "`then` names no voltage", "Name at least one working voltage.", refused=True)
            continue
        if isinstance(action, Sink) and action.rail not in board.inputs and action.rail not in board.rails:
            yield _unknown(step, action.rail, "input or rail", listed((*board.inputs, *board.rails)))
        if isinstance(action, Sweep | PowerCycle):
            swept = action.input if isinstance(action, PowerCycle) else action.input or action.load
            for name in dict.fromkeys((swept, *action.rails)):
                if name not in board.inputs and name not in board.rails:
                    yield _unknown(step, name, "input or rail", listed((*board.inputs, *board.rails)))
        for point in _points(step):
            _, name = quantity_of(step, point)
            if name not in board.inputs and name not in board.rails:
                yield _unknown(step, name, "input or rail", listed((*board.inputs, *board.rails)))


def _unknown(step: Step, name: str, what: str, known: str) -> Finding:
    return Finding(step.index, f"{name!r} is no {what} of the board; it has {known}", "Correct the name.", refused=True)


def _points(step: Step) -> tuple[str, ...]:
    action = step.action
    if isinstance(action, Measure | Ripple):
        return action.points
    if isinstance(action, Resistance):
        return action.touched
    return tuple(channel.text for channel in action.what) if isinstance(action, Log) else ()


def _parts(procedure: Procedure) -> Iterator[Finding]:
    """Parts that nobody placed on a board whose rails name none: a missing one would hold nothing back."""
    known = {part.upper() for rail in procedure.board.rails.values() for part in rail.parts}
    for step in procedure.steps:
        wanted = step.action.not_placed if isinstance(step.action, Inspect) else None
        if wanted is None or known & {part.part for part in wanted.parts} or (known and not wanted.parts):
            continue
        yield Finding(
            step.index,
            "no rail of the board file names "
            + ("parts" if not wanted.parts else f"any of the {len(wanted.parts)} parts of {wanted.path}"),
            "Give rails `parts: [U3, L2]`: where one of them is missing, the rail and what it feeds are not judged.",
            refused=False,
        )


def _shock(procedure: Procedure) -> Iterator[Finding]:
    hazardous = shock_points(procedure)
    if hazardous:
        named = listed(f"{name} ({shown(volts, 'V', 3)})" for name, volts in hazardous.items())
        yield Finding(
            None,
            f"{named}: from {SHOCK} a point can shock (ES1 limits of IEC 62368-1)",
            "Keep hands off while it is on and until it is discharged; attach probes with power off. Local rules and "
            "licensed practice come first; circuits connected to the mains are out of scope.",
            refused=False,
        )


def _energy(procedure: Procedure) -> Iterator[Finding]:
    held = energy_points(procedure)
    if held:
        named = listed(f"{name} ({joules:.3g} J)" for name, joules in held.items())
        yield Finding(
            None,
            f"{named}: more than 20 J in capacitors can burn and weld",
            "Let `power_off` wait with `discharged_below`, and take rings and bracelets off.",
            refused=False,
        )


def _unattended(procedure: Procedure, bench: Bench | None) -> Iterator[Finding]:
    if not procedure.unattended_after_first_power:
        return
    held = [
        f"step {step.index + 1} (a person {what})"
        for step in procedure.steps
        if (what := needs_person(step, procedure, bench))
        and not (step.only_if is not None and step.only_if.attended is True)
    ]
    if held:
        yield Finding(
            None,
            f"the procedure permits unattended attempts, but a person is needed in {listed(held)}",
            "Attend it on this bench, give these steps `only_if: {attended: true}`, or state `unattended: never`.",
            refused=False,
        )
