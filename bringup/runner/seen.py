"""What the supply showed when a trip ended the attempt, kept as readings: once its outputs are off, never before."""

from __future__ import annotations

from bringup.core.words import Kind
from bringup.errors import LogbookError
from bringup.runner.endings import Ending, Trip
from bringup.runner.measuring import sample_amps, sample_volts
from bringup.runner.work import RECORDED, Work

AT_TRIP = "at the trip"
"""Aspect of these readings."""


def keep_seen(work: Work, tripped: Ending) -> None:
    """Keep the volts and amps of the look that tripped, without judging them. Never raises what a full disk does."""
    if not isinstance(tripped, Trip) or tripped.seen is None or work.step is None:
        return
    name, sample = tripped.seen
    for kind, value in ((Kind.VOLTAGE, sample_volts(sample)), (Kind.CURRENT, sample_amps(sample))):
        if value.number is None:
            continue
        try:
            work.keep(name, kind, value, RECORDED, instrument="supply", aspect=AT_TRIP, beside=sample)
        except LogbookError:
            # It stays among what could not be kept, which the end of the attempt tells.
            continue
