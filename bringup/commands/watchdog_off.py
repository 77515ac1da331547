"""Switches off the supply's communication watchdog once its outputs are verified off, where an attempt did not live to.

Left armed, it would trip with the output off, and the next attempt would have to ask about a trip. Only ours: one that
somebody else has set is none of our business. Called by the guardian and by `bringup off`.
"""

from __future__ import annotations

from bringup.core.bench import SupplyRole
from bringup.errors import LinkError
from bringup.instruments.opening import result
from bringup.runner.roles import Protection, Supply

ALIKE = (0.01, 0.05)
"""A time that is read back is the one that was set within this part of it plus this many seconds."""


def disarm_ours(supply: Supply, role: SupplyRole, *, armed: bool) -> str:
    """Switch off the watchdog that an attempt armed; the outputs are verified off by now. Never raises.

    `armed`: an attempt is known to have armed it; otherwise only one that is on and set to the bench file's time is
    taken for ours. Returns in words why it is still on; '' where it is off, or none of ours.
    """
    if role.watchdog is None:
        return ""
    ours = [each for each in supply.outputs() if each not in role.leave_alone]
    ours = [each for each in ours if supply.can_protect(each, Protection.WATCHDOG)]
    try:
        why = "; ".join(filter(None, (_disarm(supply, each) for each in ours if armed or _is_set(supply, each, role))))
    except LinkError as error:
        why = error.message
    except Exception as error:  # noqa: BLE001 - whatever it is: off was verified, and that must be told
        why = f"{type(error).__name__}: {error}"
    return why and f"the supply's communication watchdog could not be switched off, and may trip later: {why}"


def _is_set(supply: Supply, output: int, role: SupplyRole) -> bool:
    """Whether it is on, and set to what the bench file says."""
    found = result(supply.settings(output)).watchdog
    part, least = ALIKE
    return found is not None and role.watchdog is not None and abs(found - role.watchdog) <= part * found + least


def _disarm(supply: Supply, output: int) -> str:
    done = result(supply.set_protection(output, Protection.WATCHDOG, None))
    if done.faultless and not done.on:
        return ""
    return "; ".join(trouble.text for trouble in done.troubles) or "it says that it is on"
