"""The meter in volts before it meets a live point: in ohms or amps it loads what it is on, and may be damaged."""

from __future__ import annotations

from bringup.errors import LinkError
from bringup.runner.endings import BrokenOff
from bringup.runner.journal import Journal
from bringup.runner.roles import Meter
from bringup.runner.wait import WaitPoint
from bringup.runner.work import Work


def not_in_volts(meter: Meter | None, waits: WaitPoint, journal: Journal) -> str:
    """Set the meter to volts where it is not; return why it is not known to be, '' where it is or there is none."""
    if meter is None:
        return ""
    try:
        why, troubles = waits.result(meter.to_volts(), "meter", "setting it to volts")
    except LinkError as error:
        return error.message
    journal.troubles("meter", troubles)
    return why


def volts_before_power(work: Work, name: str) -> None:
    """Have the meter in volts before that input goes on, wherever its probe is. Raises BrokenOff, nothing powered."""
    if why := not_in_volts(work.setup.meter, work.waits, work.journal):
        raise BrokenOff(f"{name} is not powered: the meter is not known to be in volts: {why}")
