"""Points of a board that can hurt a person, found from the board file and the voltages a procedure applies.

Warning levels for a bench, no verdict of conformity: from 60 V DC a point is treated as one that can shock (limit of
class ES1 of IEC 62368-1, table 4, second-hand). Circuits connected to the mains are out of scope altogether.
"""

from __future__ import annotations

from bringup.core.budget import downstream
from bringup.core.expectation import states_of
from bringup.core.procedure import Apply, Procedure
from bringup.core.solver import solve

SHOCK_VOLTS = 60.0
"""DC, by magnitude."""


def highest_volts(procedure: Procedure) -> dict[str, float]:
    """Return the highest magnitude expected at every point: nominal, applied, or reached by the solver."""
    board = procedure.board
    highest: dict[str, float] = {name: abs(point.voltage.number) for name, point in board.inputs.items()}
    for rail in board.rails.values():
        ends = () if rail.expect is None else (rail.expect.nominal, rail.expect.low, rail.expect.high)
        highest[rail.name] = max((abs(float(end)) for end in ends if end is not None), default=0.0)
    for name, volts, state in _applied(procedure):
        solution = solve(board, {name: volts}, state=state)
        for point in (name, *(rail.name for rail in downstream(board, name))):
            highest[point] = max(highest[point], abs(solution.volts.get(point, 0.0)))
    return highest


def _applied(procedure: Procedure) -> set[tuple[str, float, str | None]]:
    """Input, highest volts and board state of every way in which the board is powered, nominal included."""
    ways: set[tuple[str, float, str | None]] = set()
    for step, state in zip(procedure.steps, states_of(procedure), strict=True):
        if isinstance(step.action, Apply):
            ways.add((step.action.input, max(abs(volts.number) for volts in step.action.then), state))
    powered = {name for name, _, _ in ways}
    first = states_of(procedure)[0] if procedure.steps else None
    ways |= {(name, abs(p.voltage.number), first) for name, p in procedure.board.inputs.items() if name not in powered}
    return ways


def shock_points(procedure: Procedure) -> dict[str, float]:
    """Return the points from 60 V DC on, with their volts: cautioned about, and never probed by hand while on."""
    return {name: volts for name, volts in highest_volts(procedure).items() if volts >= SHOCK_VOLTS}
