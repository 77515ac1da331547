"""Where a supply's over-voltage protection has to lie: above what a step needs, below what damages the board."""

from __future__ import annotations

import math
from dataclasses import replace

from bringup.core.bench import Bench, Ceiling
from bringup.core.board import Board
from bringup.core.budget import on_the_node
from bringup.core.frozen import frozen
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


@frozen
class OverVoltage:
    """The level of the supply's over-voltage protection, None where there is no room for one, and what decided it.

    Volts: `highest` is what the step applies, `need` what protection must allow, `damage` what damages `where`.
    """

    level: float | None
    stated: bool
    name: str
    highest: float
    need: float
    damage: float | None
    where: str

    @property
    def why(self) -> str:
        """The reason for the level, or why there is no room."""
        if self.stated:
            return "stated in the procedure"
        highest = shown(self.highest, "V")
        if self.damage is None:
            return f"{highest} and 10 %; the board file states no damage_above for {self.name}"
        if self.level is None:
            leads = " and the drop in the leads" if self.need > self.highest * HEADROOM else ""
            return (
                f"no room for over-voltage protection: {highest} with 5 % for overshoot{leads} "
                f"needs {shown(self.need, 'V')}, and 2 % under the {shown(self.damage, 'V')} "
                f"that damage {self.where} is {shown(self.damage * PROTECTION_ERROR, 'V')}"
            )
        return f"between the {highest} needed and {shown(self.damage, 'V')}, which damages {self.where}"


def over_voltage(
    stated: float | None, board: Board, bench: Bench | None, name: str, highest: float, amps: float
) -> OverVoltage:
    """Return the protection level with what decided it.

    Protection watches the terminals. With remote sense they stand higher than the board by the drop in the leads.
    """
    need = least_level(bench, name, highest, amps)
    damage, where = damage_level(board, name)
    if stated is not None:
        level: float | None = stated
    elif damage is None:
        level = _rounded(max(need, highest * COMFORT))
    else:
        most = damage * PROTECTION_ERROR
        level = None if most < need else _rounded(min(max(need, highest * COMFORT), most))
    return OverVoltage(level, stated is not None, name, highest, need, damage, where)


def least_level(bench: Bench | None, name: str, highest: float, amps: float) -> float:
    """Return the volts below which protection trips on a sound board: overshoot, and the drop in sensed leads."""
    return highest * HEADROOM + lead_drop(bench, name, amps)


def lead_drop(bench: Bench | None, name: str, amps: float) -> float:
    """Return the volts lost in the leads of that input that remote sense makes up for; 0 with local sense."""
    role = None if bench is None else bench.supply_of(name)
    if bench is None or role is None or not role.remote_sense:
        return 0.0
    measured = None if bench.simulate is None else bench.simulate.lead_resistance
    return amps * (LEAD_OHMS if measured is None else measured.number)


def ceiling_of(bench: Bench | None, name: str) -> Ceiling:
    """Return what no step may exceed at that input: the ceiling of the supply that feeds it."""
    role = None if bench is None else bench.supply_of(name)
    if bench is None or role is None:
        return Ceiling()
    return replace(role.ceiling, whose=f"the {role.name}'s") if bench.more_supplies else role.ceiling


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
