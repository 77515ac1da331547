"""The volts at the supply's terminals once its outputs are off: waited for until its leads may be moved."""

from __future__ import annotations

from bringup.core.quantity import format_quantity
from bringup.runner.endings import BrokenOff
from bringup.runner.power import Power
from bringup.runner.wait import WaitPoint

SAFE_TERMINALS = 1.0
"""Volts that the supply's terminals may still carry when its leads are moved."""
TERMINALS_FALL = 20.0
"""Seconds allowed for that."""
TERMINALS_EVERY = 0.2


def wait_for_terminals(power: Power, waits: WaitPoint) -> None:
    """Wait until no terminal carries more than a volt. Raises BrokenOff with what to do if one stays charged."""
    if power.by_hand:
        return
    until = waits.clock.monotonic() + TERMINALS_FALL
    for output in power.supply.outputs():
        while output not in power.left_alone:
            look = power.look_once(output)
            # A supply that cannot measure volts never tells; one that can and does not is no reason to go on.
            untold = look.fault is not None or look.over_range
            if abs(look.volts) <= SAFE_TERMINALS if look.volts is not None else not untold:
                break
            if waits.clock.monotonic() >= until:
                found = "an unknown voltage" if look.volts is None else format_quantity(look.volts, "V")
                text = f"{power.supply.called(output)} is off but its terminals still carry {found}"
                raise BrokenOff(f"{text}: discharge them before the leads are moved")
            waits.sleep(TERMINALS_EVERY, "the supply's terminals discharge")
