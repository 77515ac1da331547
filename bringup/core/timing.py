"""How long a procedure takes on the instruments: readings, settling, charging, stated dwells. People are left out.

Allowances, not promises: typical figures for bench instruments over a wire (common practice, no source).
"""

from __future__ import annotations

import math

from bringup.core.arming import plan_apply
from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.listening import Listen
from bringup.core.procedure import Apply, Dwell, Leads, Log, Measure, PowerOff, Sink, Step
from bringup.core.safety_bench import meter_by_hand
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance

READING = 0.6
"""Seconds for one settled reading of volts, the supply asked beside it."""

OHMS = 1.5
"""Seconds for one settled reading of ohms, volts looked for first."""

SWITCHING = 0.5
"""Seconds to set, read back and switch an output."""

SETTLING = 0.8
"""Seconds until a stage's current has settled."""

DISCHARGED_BELOW = 1.0
"""Volts at which an input counts as discharged where the step states none."""


def seconds_of(step: Step, board: Board, bench: Bench | None, state: str | None = None) -> float:
    """Return the seconds the instruments need for a step; 0 for what only a person does."""
    action = step.action
    by_hand = bench is not None and meter_by_hand(bench)
    if isinstance(action, Dwell | Log):
        return action.duration.number
    if isinstance(action, Measure):
        return 0.0 if by_hand else READING * len(action.points)
    if isinstance(action, Resistance):
        return 0.0 if by_hand else OHMS * len(action.read)
    if isinstance(action, Leads):
        return 2 * SWITCHING + (0.0 if by_hand else READING)
    if isinstance(action, Sink):
        return SWITCHING + (SETTLING if action.settle is None else action.settle.number)
    if isinstance(action, PowerCycle):
        off = sum(action.off_for[index % len(action.off_for)].number for index in range(action.times))
        reading = 0.0 if by_hand else READING * len(action.rails)
        return off + action.times * (2 * SWITCHING + SETTLING + action.on_for.number + reading)
    if isinstance(action, Ripple):
        return 0.0 if by_hand and action.by == "meter" else (READING + SWITCHING) * len(action.points)
    if isinstance(action, Sweep):
        settle = SETTLING if action.settle is None else action.settle.number
        point = (
            SETTLING + settle + (SWITCHING if action.load else 0.0) + (0.0 if by_hand else READING) * len(action.rails)
        )
        return point * len(action.points)
    if isinstance(action, Apply):
        plan = plan_apply(action, board, bench, state)
        return SWITCHING + sum(SETTLING + (stage.charge_time or 0.0) + plan.hold for stage in plan.stages)
    if isinstance(action, Listen):
        return action.within.number if action.waits else 0.0
    if isinstance(action, PowerOff):
        below = DISCHARGED_BELOW if action.discharged_below is None else action.discharged_below.number
        return SWITCHING + max((discharge_time(board, name, below) for name in board.inputs), default=0.0)
    return 0.0


def discharge_time(board: Board, name: str, below: float) -> float:
    """Return the seconds an input takes from nominal to below `below` through its own resistance to ground.

    R * C * ln(V / V_end), the loads left out, so it is at most this; 0 where R or C is not stated.
    """
    point = board.inputs[name]
    volts = abs(point.voltage.number)
    if point.capacitance is None or point.unpowered_resistance is None or not 0 < below < volts:
        return 0.0
    return point.capacitance.number * point.unpowered_resistance.number * math.log(volts / below)
