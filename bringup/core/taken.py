"""A value as statistics see it: unit, point, limits, meter; and which value of a unit counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.words import Kind, Result


@frozen
class Point:
    """What was read, so that only like is put beside like."""

    rail: str | None
    kind: Kind
    aspect: str
    step: str
    """The kind of step."""
    board_state: str | None
    nth: int = 1
    """1 for the first such reading of its attempt, 2 for the second ..."""

    def __str__(self) -> str:
        words = [self.rail or "-", f"{self.kind} {self.aspect}".rstrip()]
        if self.step != "measure":
            words.append(f"({self.step})")
        if self.nth > 1:
            words.append(f"no. {self.nth}")
        return " ".join(words)


@frozen
class Taken:
    """One reading that has a value. `value` in base units."""

    point: Point
    serial: str
    attempt: str
    at: datetime
    value: float
    unit: str
    limits: Limits | None
    result: Result
    meter: str
    """Identity of the instrument, or its role where it has none."""
    uncertainty: float | None = None
    resolution: float | None = None

    @property
    def failed(self) -> bool:
        """Whether it missed its limits."""
        return self.result in (Result.FAIL, Result.CONDITIONAL_FAIL)


def one_of_each_unit(taken: Iterable[Taken], which: str) -> dict[Point, list[Taken]]:
    """Return, for every point, one value of each unit, units as they come: of its first or last attempt that has it.

    `taken` in the order in which it was done; `which`: 'first' or 'last'.
    """
    found: dict[Point, dict[str, Taken]] = {}
    for each in taken:
        units = found.setdefault(each.point, {})
        if which == "last" or each.serial not in units:
            units[each.serial] = each
    return {point: list(units.values()) for point, units in found.items()}


def usual_point(units: Mapping[Point, int]) -> Point:
    """Return what is meant by a rail alone: its voltage in a `measure` if that is there, else what most units have."""
    return max(units, key=lambda point: (point.kind is Kind.VOLTAGE, point.step == "measure", units[point]))
