"""Whether the bench can do what the procedure asks: outputs, instruments, a person's speed, hands near high voltage."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.arming import output_for, output_words
from bringup.core.bench import Bench, SupplyRole
from bringup.core.board import Board
from bringup.core.finding import Finding
from bringup.core.hazard import SHOCK, shock_points
from bringup.core.procedure import Apply, Channel, Inspect, Leads, Log, Measure, PowerOff, Procedure, Question, Step
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.wording import duration, listed, shown
from bringup.core.words import Kind

BY_HAND_INTERVAL = 2.0
"""Seconds a person needs at least to read a display and type it (common practice, no source)."""


def supply_by_hand(bench: Bench) -> bool:
    """Whether a person sets and reads the supply."""
    return bench.supply is not None and bench.supply.by_hand


def meter_by_hand(bench: Bench) -> bool:
    """Whether a person reads the meter."""
    return bench.meter is not None and bench.meter.by_hand


def by_meter(channel: Channel, board: Board) -> bool:
    """Whether the meter reads what is logged: volts of a rail. Inputs are the supply's."""
    return not channel.by_load and channel.kind is Kind.VOLTAGE and channel.point not in board.inputs


def probed_points(step: Step, board: Board) -> tuple[str, ...]:
    """Return the points that the meter touches in this step, in order; the supply reports inputs in a `log`."""
    action = step.action
    if isinstance(action, Measure):
        return action.points
    if isinstance(action, Resistance):
        return action.touched
    if isinstance(action, Apply):
        return action.time_to_regulation
    if isinstance(action, Sweep | PowerCycle):
        return action.rails
    if isinstance(action, Ripple) and action.by == "meter":
        return action.points
    if isinstance(action, Leads):
        return (action.input,)
    if isinstance(action, Log):
        at_meter = (c.point for c in action.what if by_meter(c, board))
        return tuple(dict.fromkeys(at_meter))
    return ()


def uses_supply(step: Step, board: Board) -> bool:
    """Whether the step sets the supply or reads it."""
    if isinstance(step.action, Log):
        return any(not c.by_load and not by_meter(c, board) for c in step.action.what)
    if isinstance(step.action, Sweep | PowerCycle):
        return True
    return isinstance(step.action, Apply | Leads | PowerOff)


def examine_bench(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Find what this bench cannot do, or must not."""
    yield from _simulated_board(procedure.board, bench)
    yield from _instruments(procedure, bench)
    yield from _outputs(procedure, bench)
    for step in procedure.steps:
        if isinstance(step.action, Log):
            yield from _logging(step, step.action, procedure.board, bench)
        if isinstance(step.action, Apply):
            yield from _timing(step, step.action, bench)
    yield from _shock_by_hand(procedure, bench)
    yield from _leads_in_hand(procedure, bench)
    if procedure.answer_within is not None and supply_by_hand(bench):
        yield Finding(
            None,
            "`answer_within` switches nothing off on this bench: its supply is set by hand",
            "Leave nobody to it, or use a supply that is reached by wire.",
            refused=False,
        )
    powers = any(isinstance(step.action, Apply | Leads) for step in procedure.steps)
    for role in bench.supplies if powers else ():
        if role.ceiling.voltage is None:
            yield Finding(
                None,
                f"the bench file states no `ceiling` for the {role.name}'s voltage",
                f"Add one, such as {_with_ceiling(role)}: it bounds every step on this bench.",
                refused=False,
            )


def _with_ceiling(supply: SupplyRole) -> str:
    """How the bench file is written with a ceiling; what is one word there becomes a mapping."""
    ceiling = "ceiling: {voltage: 30 V, current: 1 A}"
    return f"`supply: {{resource: by hand, {ceiling}}}`" if supply.by_hand else f"`{ceiling}`"


def _simulated_board(board: Board, bench: Bench) -> Iterator[Finding]:
    """A simulated bench that measures something else; another revision of the same board is in order."""
    simulated = "" if bench.simulate is None else bench.simulate.board_name
    if simulated not in ("", board.name):
        yield Finding(
            None,
            f"the procedure is for the board '{board.name}', and the bench simulates '{simulated}'",
            "Name a bench that simulates this board, or correct `simulate` in the bench file.",
            refused=True,
        )


def _instruments(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """A role that the steps need and the bench file does not name."""
    if bench.simulate is not None:
        return
    board = procedure.board
    supplied = [step for step in procedure.steps if uses_supply(step, board)]
    probed = [step for step in procedure.steps if probed_points(step, board) or _has_sensor(step)]
    for role, present, steps in (("supply", bench.supply, supplied), ("meter", bench.meter, probed)):
        if steps and present is None:
            yield Finding(
                steps[0].index,
                f"`{steps[0].kind}` needs a {role}, and the bench file names none",
                f"Add `{role}:` to the bench file; `{role}: by hand` is valid.",
                refused=True,
            )


def _has_sensor(step: Step) -> bool:
    """Whether the meter reads a temperature in it."""
    return isinstance(step.action, Log) and any(each.by_meter for each in step.action.temperatures)


def _outputs(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Inputs without an output, outputs to be left alone, one output for two inputs at once."""
    if bench.supply is None:
        return
    on: dict[int, str] = {}
    for step in procedure.steps:
        if isinstance(step.action, PowerOff) and step.only_if is None:
            on.clear()
        if not isinstance(step.action, Apply | Leads):
            continue
        name = step.action.input
        output = output_for(bench, name)
        if output is None:
            mapped = ", ".join(f"{key}: {value}" for role in bench.supplies for key, value in role.outputs.items())
            whose = "any" if bench.more_supplies else "the"
            yield Finding(
                step.index,
                f"the bench file gives input {name} no output of {whose} supply; it gives {{{mapped}}}",
                f"Add it to `outputs` in the bench file, such as `outputs: {{{name}: 1}}`.",
                refused=True,
            )
            continue
        role = bench.supply_of(name) or bench.supply
        if output - role.first in role.leave_alone:
            own = output - role.first
            yield Finding(
                step.index,
                f"{name} is fed from {output_words(bench, output)}, which the bench file says to leave alone",
                f"Feed {name} from another output, or take {own} out of `leave_alone` in the bench file.",
                refused=True,
            )
        if on.get(output, name) != name:
            yield Finding(
                step.index,
                f"{name} and {on[output]} are both on {output_words(bench, output)}: setting one changes the other "
                "while it is on",
                "Give each input an output of its own in the bench file, or put a `power_off` between them.",
                refused=True,
            )
        if isinstance(step.action, Apply):
            on[output] = name


def _logging(step: Step, log: Log, board: Board, bench: Bench) -> Iterator[Finding]:
    probed = probed_points(step, board)
    by_hand = [
        role
        for role, hand in (
            ("supply", supply_by_hand(bench) and uses_supply(step, board)),
            ("meter", meter_by_hand(bench) and bool(probed)),
        )
        if hand
    ]
    if by_hand and log.every.number < BY_HAND_INTERVAL:
        yield Finding(
            step.index,
            f"a reading every {duration(log.every.number)} is asked of a {by_hand[0]} that is read by hand",
            f"State `every: {duration(BY_HAND_INTERVAL)}` or more, or use a bench whose {by_hand[0]} is read by wire.",
            refused=True,
        )
    yield from _temperatures(step, log, probed, bench)
    held = [point for point in probed if bench.probed_by_hand(point)]
    if held and len(probed) > 1:
        yield Finding(
            step.index,
            f"{listed(probed)} are to be logged together, but there is one probe, held by hand",
            "Log one point in each step, or use a bench with `probing: fixed wiring`.",
            refused=True,
        )


def _timing(step: Step, apply: Apply, bench: Bench) -> Iterator[Finding]:
    """A hand cannot take a probe from rail to rail while they come up."""
    timed = apply.time_to_regulation
    if len(timed) > 1 and any(bench.probed_by_hand(rail) for rail in timed) and not meter_by_hand(bench):
        yield Finding(
            step.index,
            f"{listed(timed)} are to be timed in one start, and the probe is held by hand",
            "Time one rail in each `apply`, or have a scanner reach them all.",
            refused=True,
        )


def _temperatures(step: Step, log: Log, probed: tuple[str, ...], bench: Bench) -> Iterator[Finding]:
    """A meter has one pair of leads: on a sensor it reads nothing else."""
    metered = [each.spot for each in log.temperatures if each.by_meter]
    if not metered:
        return
    what, why = "", ""
    if len(metered) > 1:
        what, why = listed(metered), "and a meter has leads for one sensor"
    elif probed:
        what, why = listed((*probed, f"the temperature of {metered[0]}")), "and the meter is on one of them at a time"
    elif bench.scanner is not None:
        what, why = f"the temperature of {metered[0]}", "and on this bench a scanner has the meter's leads"
    if what:
        yield Finding(
            step.index,
            f"the meter is to follow {what} in one log, {why}",
            "Have temperatures `typed`, or follow them in a log of their own.",
            refused=True,
        )


def _shock_by_hand(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    if not bench.probing_by_hand:
        return
    hazardous = shock_points(procedure)
    for step in procedure.steps:
        if not isinstance(step.action, Measure | Log | Leads | Apply | Sweep | Ripple | PowerCycle):
            continue
        for point in probed_points(step, procedure.board):
            held = bench.probed_by_hand(point) or isinstance(step.action, Leads)
            if point in hazardous and held:
                yield Finding(
                    step.index,
                    f"{point} carries up to {shown(hazardous[point], 'V')} and would be probed by hand; "
                    f"from {SHOCK} hands stay off",
                    "Attach the meter with power off and state `probing: fixed wiring` in the bench file.",
                    refused=True,
                )


def _leads_in_hand(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Wiring reaches each point against ground only: the meter's leads on two points, or swapped, are a hand's work."""
    if bench.probing_by_hand or bench.simulate is not None:
        return
    for step in procedure.steps:
        if isinstance(step.action, Resistance) and (step.action.pairs or step.action.both_polarities):
            what = f"`{step.action.pairs[0]}`" if step.action.pairs else "`both_polarities`"
            yield Finding(
                step.index,
                f"{what} needs the meter's leads in a hand, and the bench file says `probing: fixed wiring`",
                "Leave it out on this bench, or state `probing: by hand`.",
                refused=True,
            )


def needs_person(step: Step, procedure: Procedure, bench: Bench | None) -> str:
    """Return what a person must do in this step, '' if nothing; without a bench only what holds on every bench."""
    if isinstance(step.action, Inspect):
        return "looks at the board"
    if isinstance(step.action, Question):
        return "answers a question"
    if isinstance(step.action, Leads):
        return "takes the leads off the board and puts the meter on them"
    if isinstance(step.action, Resistance):
        return "takes the leads off the board"
    if isinstance(step.action, Ripple) and step.action.by == "scope":
        return "holds the scope's probe"
    if isinstance(step.action, Log) and any(not each.by_meter for each in step.action.temperatures):
        return "types temperatures"
    probed = probed_points(step, procedure.board)
    if bench is not None and any(bench.probed_by_hand(point) for point in probed):
        return "holds the probe"
    if bench is not None and probed and meter_by_hand(bench):
        return "reads the meter"
    if bench is not None and supply_by_hand(bench) and uses_supply(step, procedure.board):
        return "sets and reads the supply"
    return ""
