"""Which operations of a supply's dialect make a protection, a look at it and a reading of its settings."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from itertools import pairwise

from bringup.core.dialect import Dialect, can_ask
from bringup.runner.records import Reply
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
SET_POINTS = ("set_voltage", "set_current_limit")
"""What a look at a slow supply asks in turn; all else is asked in every look."""
UNHURRIED = 0.2
"""Seconds that a look may take before its set points are asked in turn."""
SETTINGS = ("set_voltage", "set_current_limit", "switch", "master", *LEVEL.values(), *STATE.values())


class Looks:
    """What each look at a supply asks: everything, or, of a slow supply, one set point after the other."""

    def __init__(self) -> None:
        self._slow = False
        self._turns: dict[int, int] = {}

    def pace(self, dialect: Dialect, answer: float) -> float:
        """Take in how many seconds one answer takes. Returns those of a look, a selection and a refresh included."""
        asked = [name for name in LOOK if can_ask(dialect, name)]
        # Several operations that one query answers cost one answer.
        queries = {dialect.operations[name].query for name in asked}
        set_points = {dialect.operations[name].query for name in asked if name in SET_POINTS}
        self._slow = len(queries) * answer > UNHURRIED
        in_turn = len(SET_POINTS) - 1 if self._slow and len(set_points) == len(SET_POINTS) else 0
        return (len(queries) - in_turn) * answer + 2 * dialect.gap

    def of(self, dialect: Dialect, output: int) -> tuple[str, ...]:
        """Return what the next look at that output asks."""
        turn = self._turns[output] = self._turns.get(output, -1) + 1
        asked = (name for name in LOOK if can_ask(dialect, name))
        if not self._slow:
            return tuple(asked)
        due = SET_POINTS[turn % len(SET_POINTS)]
        return tuple(name for name in asked if name == due or name not in SET_POINTS)


def answer_time(replies: Sequence[Reply]) -> float | None:
    """Return the seconds that one query takes, the gap before it included: the median. None without answers."""
    times = [reply.received - before.received for before, reply in pairwise(replies) if reply.line is not None]
    return statistics.median(times) if times else None
