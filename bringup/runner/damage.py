"""Voltages beyond what damages a point: which they are, the Trip they raise, and that nothing spoils such a reading."""

from __future__ import annotations

from bringup.core.protection import damage_level
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.wording import shown
from bringup.runner.endings import Trip
from bringup.runner.work import Settled, Work


def trip_of(work: Work, point: str, value: Value) -> Trip | None:
    """Return the Trip of a voltage beyond what damages the point (or a rail plainly connected to it), or over range."""
    if value.over_range:
        return Trip(f"{point} is over range: that counts as above what damages it")
    most, whose = _damage(work, point)
    if most is None or value.number is None or abs(value.number) <= most:
        return None
    read = format_quantity(value.number, "V", resolution=value.resolution)
    return Trip(f"{point} reads {read}, above the {shown(most, 'V')} that damage {whose}")


def trip_if_damaging(work: Work, point: str, value: Value) -> None:
    """Raise that Trip, if there is one: the input goes off at once."""
    if (trip := trip_of(work, point, value)) is not None:
        raise trip


def cut_if_damaging(work: Work, point: str, value: Value) -> Trip | None:
    """Cut power where it is on, before such a voltage is kept. Returns its Trip, to be raised once it is."""
    trip = trip_of(work, point, value) if work.power.on else None
    if trip is not None:
        work.power.cut(trip)
    return trip


def spoiled(work: Work, point: str, found: Settled) -> bool:
    """Whether current limit makes volts worth nothing. What damages the board does so in current limit as well."""
    return found.limited and trip_of(work, point, found.value) is None


def damage_above(work: Work, point: str) -> float | None:
    """Return the volts, by magnitude, above which something at the point is damaged; None: nobody said."""
    return _damage(work, point)[0]


def _damage(work: Work, point: str) -> tuple[float | None, str]:
    """Return the volts above which something is damaged, and what."""
    if point in work.board.inputs:
        most, whose = damage_level(work.board, point)
        return most, "the board" if whose == point else whose
    stated = work.board.rails[point].damage_above
    return (None if stated is None else abs(stated.number)), "it"
