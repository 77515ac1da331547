"""Which operations of a supply's dialect make a protection, a look at it and a reading of its settings."""

from __future__ import annotations

from bringup.runner.roles import Protection

_NAMES = {
    Protection.OVER_VOLTAGE: "over_voltage",
    Protection.OVER_CURRENT: "over_current",
    Protection.WATCHDOG: "watchdog",
}
LEVEL = {each: f"set_{name}" for each, name in _NAMES.items()}
STATE = {each: f"{name}_state" for each, name in _NAMES.items()}
TRIPPED = {each: f"tripped_{name}" for each, name in _NAMES.items()}
SWITCHES = ("switch", "master", "set_remote_sense", *STATE.values())
"""What is on or off, where others are numbers."""
LOOK = (
    "measure_voltage",
    "measure_current",
    "switch",
    "master",
    "mode",
    "set_voltage",
    "set_current_limit",
    *TRIPPED.values(),
)
"""What a poll asks, as far as the dialect can."""
SETTINGS = ("set_voltage", "set_current_limit", "switch", "master", *LEVEL.values(), *STATE.values())
