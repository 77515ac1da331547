"""How often a `log` reads where the procedure leaves it open: as often as whoever reads can. Pure."""

from __future__ import annotations

from dataclasses import replace

from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.procedure import Log, Pace, Procedure, Step
from bringup.core.quantity import Quantity, parse_quantity
from bringup.core.safety_bench import meter_by_hand, probed_points, supply_by_hand, uses_supply

BY_HAND_EVERY = "5 s"
"""A person reads a display, types and presses Enter in about that time (common practice, no source)."""


OPEN = (Pace.USUAL, Pace.OWN)
"""What leaves it to whoever reads."""


def paced(procedure: Procedure, bench: Bench) -> Procedure:
    """Return the procedure with every `log` that leaves its pace open read as often as this bench can."""
    if not any(isinstance(step.action, Log) and step.action.pace in OPEN for step in procedure.steps):
        return procedure
    every = parse_quantity(BY_HAND_EVERY, "s")
    return replace(procedure, steps=tuple(_paced(step, procedure.board, bench, every) for step in procedure.steps))


def _paced(step: Step, board: Board, bench: Bench, every: Quantity) -> Step:
    log = step.action
    if not isinstance(log, Log) or log.pace not in OPEN:
        return step
    by_supply = supply_by_hand(bench) and uses_supply(step, board)
    if not by_supply and not (meter_by_hand(bench) and probed_points(step, board)):
        return step
    return replace(step, action=replace(log, every=every, pace=Pace.BY_HAND))
