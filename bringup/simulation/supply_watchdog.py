"""The communication watchdog of a simulated supply: outputs that are on go off when nobody speaks to it for too long.

Under OUTPut:PROTection: `WDOG[:STATe]` arms it, `WDOG:DELay` sets its seconds, `WDOG:TRIPped?` tells whether it has
switched off. Any message counts as speaking, or only `WDOG:FEED`.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import inf

from bringup.simulation.command_tree import Call, Command
from bringup.simulation.parameters import Special, boolean, number, special
from bringup.simulation.physics import World
from bringup.simulation.power_stage import WATCHDOG
from bringup.simulation.scpi_errors import ScpiFault

SHORTEST, LONGEST, PRESET = 1.0, 3600.0, 60.0
"""Seconds that can be set, and those after power-on."""
BASE = "OUTPut:PROTection:WDOG"


class SupplyWatchdog:
    """One for all outputs of a supply, as such watchdogs mostly are."""

    def __init__(self, *, only_fed: bool = False) -> None:
        self._only_fed = only_fed
        self._armed = False
        self._seconds = PRESET

    def heard(self, world: World, outputs: Iterable[int], now: float) -> None:
        """Note that a message came, whatever it says."""
        if self._armed and not self._only_fed:
            self._begin_anew(world, outputs, now)

    def forget(self, world: World, outputs: Iterable[int], now: float) -> None:
        """Be as after power-on: not armed."""
        self._armed, self._seconds = False, PRESET
        self._begin_anew(world, outputs, now)

    def commands(self, world: World, outputs: tuple[int, ...]) -> Iterable[Command]:
        """Return the commands that arm, set, feed and ask it."""

        def arm(call: Call) -> None:
            self._armed = bool(call.values[0])
            self._begin_anew(world, outputs, call.now)

        def delay(call: Call) -> None:
            asked = call.values[0]
            ends = {Special.MINIMUM: SHORTEST, Special.MAXIMUM: LONGEST}
            seconds = ends.get(asked, PRESET) if isinstance(asked, Special) else asked
            assert isinstance(seconds, float), "the parameter reader gives numbers"
            if not SHORTEST <= seconds <= LONGEST:
                raise ScpiFault(-222)
            self._seconds = seconds
            self._begin_anew(world, outputs, call.now)

        def tripped(call: Call) -> str:
            return str(int(any(world.tripped(output, call.now) == WATCHDOG for output in outputs)))

        yield Command(f"{BASE}[:STATe]", arm, (boolean(),))
        yield Command(f"{BASE}[:STATe]?", lambda _: str(int(self._armed)))
        yield Command(f"{BASE}:DELay", delay, (number("S"),))
        yield Command(f"{BASE}:DELay?", lambda _: f"{self._seconds:.1f}", (special(optional=True),))
        yield Command(f"{BASE}:FEED", lambda call: self._begin_anew(world, outputs, call.now))
        yield Command(f"{BASE}:TRIPped?", tripped)

    def _begin_anew(self, world: World, outputs: Iterable[int], now: float) -> None:
        for output in outputs:
            world.set_watchdog(output, now + self._seconds if self._armed else inf, now)
