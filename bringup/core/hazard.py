"""Points of a board that can hurt a person, found from the board file and the voltages applied.

Warning levels for a bench, no verdict of conformity: from 60 V DC or 30 V AC RMS a point is treated as one that can
shock (limits of class ES1 of IEC 62368-1, table 4, second-hand). Circuits connected to the mains are out of scope
altogether.
"""

from __future__ import annotations

from bringup.core.budget import on_the_node
from bringup.core.design_values import nominal_volts
from bringup.core.elements import LIGHT_LOAD_EXCESS
from bringup.core.procedure import Apply, Procedure
from bringup.core.under_load import Sweep

SHOCK_VOLTS = 60.0
"""DC, by magnitude."""
SHOCK_AC = 30.0
"""RMS."""
SHOCK = f"{SHOCK_VOLTS:g} V DC or {SHOCK_AC:g} V AC RMS"

ENERGY_JOULES = 20.0
"""Energy of a capacitor that is hazardous at 2 V or more: C * U² / 2 (IEC 60950-1, 2.1.1.5 c, from copies of it)."""


def highest_volts(procedure: Procedure) -> dict[str, float]:
    """Return the highest magnitude expected at every point of a sound board: nominal, applied or stated.

    No operating point is solved for this: without a fault no converter makes more than its designed output, apart
    from the excess below a minimum load, and a plain connection carries what its source does.
    """
    board = procedure.board
    highest = {name: abs(point.voltage.number) for name, point in board.inputs.items()}
    for step in procedure.steps:
        if isinstance(step.action, Apply):
            applied = [abs(volts.number) for volts in step.action.then]
            highest[step.action.input] = max(highest[step.action.input], *applied)
        elif isinstance(step.action, Sweep) and step.action.input in highest:
            highest[step.action.input] = max(highest[step.action.input], abs(step.action.most.number))
    plain = {point.name: name for name in board.inputs for point in on_the_node(board, name)}
    for rail in board.rails.values():
        made = abs(nominal_volts(board, rail.name) or 0.0)
        if rail.converter is not None and rail.converter.minimum_load is not None:
            made *= 1 + LIGHT_LOAD_EXCESS
        ends = () if rail.expect is None else (rail.expect.low, rail.expect.high)
        stated = [abs(float(end)) for end in ends if end is not None]
        carried = [highest[plain[rail.name]]] if rail.name in plain else []
        highest[rail.name] = max([made, *stated, *carried])
    return highest


def energy_points(procedure: Procedure) -> dict[str, float]:
    """Return the points whose stated capacitance holds more than 20 J at its highest voltage, with their joules."""
    board, held = procedure.board, {}
    for name, volts in highest_volts(procedure).items():
        farads = board.point(name).capacitance
        joules = 0.0 if farads is None else farads.number * volts * volts / 2
        if joules > ENERGY_JOULES:
            held[name] = joules
    return held


def shock_points(procedure: Procedure) -> dict[str, float]:
    """Return the points that can shock, with their volts: cautioned about, and never probed by hand while on."""
    direct = {name: volts for name, volts in highest_volts(procedure).items() if volts >= SHOCK_VOLTS}
    stated = {point.name: point.ac.number for point in procedure.board.points() if point.ac is not None}
    return {name: volts for name, volts in stated.items() if volts >= SHOCK_AC} | direct
