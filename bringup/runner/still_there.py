"""Whether what was just read came from its point: relays open by themselves where a scanner loses power.

The meter then reads next to nothing, or whatever the open wires pick up, which looks like a rail that is gone, or in
ohms like a sound one. So the scanner is asked what is closed before such a value is believed. A value that is what the
point was expected to carry needs no proof: nothing but the point brings it.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.replies import Value
from bringup.errors import BringupError, LogbookError
from bringup.runner.endings import BrokenOff, Trip
from bringup.runner.work import Settled, Work

EXPECTED_WITHIN = 0.5
"""Part of the expected value within which a reading proves by itself that the point was connected ..."""
LEAST = 0.5
"""... if at least so much was expected, in V or ohm: open wires pick up less (common practice, no source)."""

CONFIRM_WITHIN = 3.0
"""Seconds in which a scanner must have said what is closed, power being cut."""


def proves_itself(value: Value, around: float | None) -> bool:
    """Whether nothing but the point that was meant can have brought it. `around`: what was expected."""
    if value.number is None or around is None or abs(around) < LEAST:
        return False
    return abs(value.number - around) <= EXPECTED_WITHIN * abs(around)


def confirmed(work: Work, found: Settled, around: float | None) -> Settled:
    """Return what was found, or no value where its point was not connected any more. Not once power was cut for it.

    Raises LinkError for a scanner that does not say, BrokenOff for relays that are closed beside the point's.
    """
    if work.power.cut_for is not None or proves_itself(found.value, around):
        return found
    if why := work.hands.confirm():
        return replace(found, value=Value(None, found.value.raw, why=why), spread=None)
    return found


def blamed(work: Work, trip: Trip) -> Trip | BrokenOff:
    """Return what ends the attempt for a rail that the meter showed low, power being cut: the Trip if it was the rail.

    A scanner whose relays opened, or that does not say, is no failure of the unit. Raises LogbookError: nothing is said
    for the unit then, and it stays what power was cut for.
    """
    try:
        with work.waits.emergency(CONFIRM_WITHIN):
            why = work.hands.confirm()
    except LogbookError:
        raise
    except (BringupError, BrokenOff) as error:
        why = error.message if isinstance(error, BringupError) else error.cause
    if not why:
        return trip
    work.power.answered()
    return BrokenOff(f"{trip.cause}, or so it seemed: {why}")
