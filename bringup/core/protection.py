"""Where a supply's over-voltage protection has to lie: above what a step needs, below what damages the board."""

from __future__ import annotations

import math

from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.budget import on_the_node
from bringup.core.wording import shown

LEAD_OHMS = 0.1
"""Both supply leads together where nobody measured them."""

HEADROOM = 1.05
"""Over-voltage protection must lie 5 % above what the step needs, or the supply's own overshoot at turn-on trips it
(common practice, no source)."""

COMFORT = 1.10
"""Where there is room it is set 10 % above."""

PROTECTION_ERROR = 0.98
"""Protection may act 2 % later than set: the level stays that far below `damage_above`."""


def over_voltage_level(
    stated: float | None, board: Board, bench: Bench | None, name: str, highest: float, amps: float
) -> tuple[float | None, str]:
    """Return the protection level and the reason for it, or None and why there is no room.

    Protection watches the terminals. With remote sense they stand higher than the board by the drop in the leads.
    """
    need = least_level(bench, highest, amps)
    damage, where = damage_level(board, name)
    if stated is not None:
        return stated, "stated in the procedure"
    level = max(need, highest * COMFORT)
    if damage is None:
        return _rounded(level), f"{shown(highest, 'V')} and 10 %; the board file states no damage_above for {name}"
    most = damage * PROTECTION_ERROR
    if most < need:
        leads = " and the drop in the leads" if need > highest * HEADROOM else ""
        return None, (
            f"no room for over-voltage protection: {shown(highest, 'V')} with 5 % for overshoot{leads} "
            f"needs {shown(need, 'V')}, and 2 % under "
            f"the {shown(damage, 'V')} that damage {where} is {shown(most, 'V')}"
        )
    return _rounded(
        min(level, most)
    ), f"between the {shown(highest, 'V')} needed and {shown(damage, 'V')}, which damages {where}"


def least_level(bench: Bench | None, highest: float, amps: float) -> float:
    """Return the volts below which protection trips on a sound board: overshoot, and the drop in sensed leads."""
    return highest * HEADROOM + lead_drop(bench, amps)


def lead_drop(bench: Bench | None, amps: float) -> float:
    """Return the volts lost in the leads that remote sense makes up for; 0 with local sense."""
    if bench is None or bench.supply is None or not bench.supply.remote_sense:
        return 0.0
    measured = None if bench.simulate is None else bench.simulate.lead_resistance
    return amps * (LEAD_OHMS if measured is None else measured.number)


def damage_level(board: Board, name: str) -> tuple[float | None, str]:
    """Return the least `damage_above` of the input and of what is plainly connected to it, and whose it is."""
    known = [
        (abs(point.damage_above.number), point.name)
        for point in on_the_node(board, name)
        if point.damage_above is not None
    ]
    return min(known) if known else (None, name)


def _rounded(volts: float) -> float:
    """A level in whole hundredths of a volt, never above what was asked."""
    return math.floor(volts * 100 + 1e-6) / 100
