"""Cautions that follow from board, procedure and bench: what can hurt, from which threshold on, by which standard.

Each belongs before the steps in which a person meets it. They are warnings for a bench and no verdict of conformity:
local codes and licensed practice come first. Circuits connected to the mains are out of scope altogether. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.fed import after, walk
from bringup.core.hazard import ENERGY_JOULES, energy_points
from bringup.core.procedure import Apply, HostProgram, Leads, Log, Measure, PowerOff, Procedure, Sink, Step
from bringup.core.solver import solve
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.wording import listed, shown

HOT_WATTS = 1.0
"""Lost in one converter: without a heat sink it then burns fingers (common practice, no source)."""

FIRST = "Local codes and licensed practice come first; this tool is no protective device."


def dangers_before(step: Step, procedure: Procedure, bench: Bench | None) -> Iterator[str]:
    """Yield the cautions that belong before this step, in the order of how much they matter."""
    action = step.action
    if isinstance(action, Resistance | Apply):
        yield from _cells(procedure.board)
        yield from _fed_from_behind(procedure)
    if isinstance(action, Apply | PowerOff | PowerCycle | Resistance):
        yield from _stored(procedure)
    if isinstance(action, Apply | Sink | Sweep | PowerCycle):
        yield from _hot(procedure)
    if bench is not None and (bench.scope is not None or bench.scope_beside) and _probes(action):
        yield from _earthed_scope()


def _probes(action: object) -> bool:
    return isinstance(action, Apply | Leads | Measure | Log | Sink | Sweep | Ripple | PowerCycle)


def _cells(board: Board) -> Iterator[str]:
    """Cells on the board. Names of the standards from memory: primary IEC 60086-4, rechargeable IEC 62133-2."""
    cells = [point.name for point in board.points() if point.cell == "lithium"]
    if cells:
        yield (
            f"LITHIUM CELL at {listed(cells)}: shorted, reversed or charged beyond 4.2 V it can burn (IEC 62133-2; one "
            "not made for it is never charged, IEC 60086-4). Take it out for ohms and first power if you can"
        )


def _fed_from_behind(procedure: Procedure) -> Iterator[str]:
    """Ports that feed a board whose supply is off. A port of USB 2.0 gives 0.5 A at 5 V (7.2.1, from memory)."""
    live = [point.name for point in procedure.board.points() if point.stays_live is not None]
    programs = any(isinstance(step.action, HostProgram) for step in procedure.steps)
    if not live and not programs:
        return
    what = f"{listed(live)} may stay live" if live else "programs reach the board over a debug or USB lead"
    yield (
        f"FED FROM BEHIND: {what}, and such a lead (USB 2.0: 5 V, 0.5 A) feeds a board whose supply is off. "
        "Unplug it until ohms and first power are done: more than 50 mV on a dead point is a feed"
    )


def _stored(procedure: Procedure) -> Iterator[str]:
    """Capacitors above the energy of core.hazard, which names its standard."""
    held = energy_points(procedure)
    if held:
        named = listed(f"{name} {shown(joules, 'J', 2)}" for name, joules in held.items())
        yield (
            f"STORED ENERGY: {named} in capacitors; more than {ENERGY_JOULES:g} J burns and welds (IEC 60950-1, "
            "2.1.1.5). Rings and bracelets off; wait for the discharge before you touch or short anything"
        )


def _hot(procedure: Procedure) -> Iterator[str]:
    """Converters that lose much. Touch limits of ECMA-287, second-hand: metal 55 degC up to 10 s, 65 degC up to 1 s."""
    worst = lost_in_converters(procedure)
    hot = {name: watts for name, watts in worst.items() if watts >= HOT_WATTS}
    if hot:
        named = listed(f"{name} {shown(watts, 'W', 2)}" for name, watts in hot.items())
        yield (
            f"HOT PARTS: {named} lost in the converter; from {HOT_WATTS:g} W on it burns fingers (metal: 55 °C for "
            "10 s, 65 °C for 1 s, ECMA-287). Do not touch it while power is on, nor just after"
        )


def _earthed_scope() -> Iterator[str]:
    """Probes: IEC 61010-031 (name from memory)."""
    yield (
        "EARTHED SCOPE: the ground clip of its probe is mains earth (probe assemblies: IEC 61010-031). On anything but "
        "the board's 0 V it shorts that to earth, also through an earthed supply. Clip on with power off, at 0 V only"
    )


def lost_in_converters(procedure: Procedure) -> dict[str, float]:
    """Return the most watts that each converter loses: in any state, at any voltage and under any load there will be.

    Losses rise with the input of a linear one and with what a load draws, so the ends of a sweep are enough.
    """
    worst = dict[str, float]()
    for board, volts, state in _operating_points(procedure):
        for name, watts in solve(board, volts, state=state).losses.items():
            worst[name] = max(worst.get(name, 0.0), watts)
    return worst


def _operating_points(procedure: Procedure) -> Iterator[tuple[Board, dict[str, float], str | None]]:
    """Yield the board with what is drawn from it, its input voltages and its state: each such point once."""
    seen = set[object]()
    for draws, volts, state in _points_of_steps(procedure):
        point = (tuple(draws.items()), tuple(volts.items()), state)
        if point not in seen:
            seen.add(point)
            yield _drawn_from(procedure.board, draws), volts, state


def _drawn_from(board: Board, draws: Mapping[str, Sink]) -> Board:
    """Return the board with what is drawn from it."""
    drawn = [(name, each.mode, each.level.number) for name, each in draws.items() if each.level]
    if not drawn:
        return board
    from bringup.core.loaded import loaded_board

    return loaded_board(board, drawn)


def _points_of_steps(procedure: Procedure) -> Iterator[tuple[Mapping[str, Sink], dict[str, float], str | None]]:
    """Yield what is drawn, the input voltages and the state at each step."""
    rest = {name: point.voltage.number for name, point in procedure.board.inputs.items()}
    for step, state, before in walk(procedure):
        action, fed = step.action, after(step, before)
        most = {
            name: max(abs(volts.number) for apply in applies for volts in apply.then)
            for name, applies in fed.applied.items()
        }
        volts = {name: math.copysign(most.get(name, each), each) for name, each in rest.items()}
        if isinstance(action, Sweep) and action.input:
            for point in (action.most, min(action.points, key=lambda each: each.value)):
                swept = math.copysign(point.number, rest[action.input])
                yield fed.drawn, {**volts, action.input: swept}, state
        elif isinstance(action, Sweep):
            yield {**fed.drawn, action.load: Sink(action.load, "current", action.most)}, volts, state
        yield fed.drawn, volts, state
