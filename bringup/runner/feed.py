"""How an input is fed: what the supply is set to, what it is watched for, and whether it took a setting."""

from __future__ import annotations

from dataclasses import dataclass

from bringup.core.quantity import format_quantity
from bringup.core.wording import shown

VOLTS_OFF_BY = (0.001, 0.010)
AMPS_OFF_BY = (0.002, 0.005)
"""A set point may come back off by this part of it plus this many V or A: half a digit of a coarse supply."""


@dataclass(frozen=True, slots=True)
class Feed:
    """How an input is fed: what the supply is set to and what it is watched for."""

    input: str
    output: int
    volts: float
    current_limit: float
    limit_time: float
    over_voltage: float | None = None
    trip_current: float | None = None
    damage_above: float | None = None
    remote_sense: bool = False

    @property
    def words(self) -> tuple[str, ...]:
        """Every setting in words, for the person who says go."""
        lines = [
            f"voltage {format_quantity(self.volts, 'V')}",
            f"current limit {format_quantity(self.current_limit, 'A')}, for {self.limit_time:.2g} s at most",
        ]
        if self.over_voltage is not None:
            lines.append(f"over-voltage protection {shown(self.over_voltage, 'V')}")
        if self.trip_current is not None:
            lines.append(f"switched off above {shown(self.trip_current, 'A')}")
        return tuple(lines)


def alike(asked: float, found: float, unit: str) -> bool:
    """Whether a set point read back is what was asked for, within a coarse supply's resolution."""
    part, least = VOLTS_OFF_BY if unit == "V" else AMPS_OFF_BY
    return abs(asked - found) <= part * abs(asked) + least
