"""A hand that holds the simulated probe: it lifts, travels, bounces, slips, and may end up somewhere else.

Where the probe is, is a course of touches in time. In the air the meter's input floats: what it carried leaks away
through the input resistance, and mains hum is picked up; a reading over whole line periods sees little of that.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, exp, inf, pi, sin
from typing import Any

from bringup.core.frozen import frozen
from bringup.simulation.figures import uniform
from bringup.simulation.probing import MEMORY
from bringup.simulation.world import BoardWorld

LEAD_FARADS = 1e-10
"""The meter's input and its lead: at 10 megohm an open probe forgets in milliseconds, at 10 gigohm in seconds."""
HUM_VOLTS, HUM_HERTZ = 0.3, 50.02
"""Peak of what an open probe picks up, and a mains frequency as far off as grids usually are."""
ON_ITS_WAY = (0.5, 1.0)
"""Seconds until a hand that was told where to go lifts the probe ..."""
IN_THE_AIR = (0.4, 0.9)
"""... and for which it is in the air (common practice, no source)."""
BOUNCES = 3
LONGEST_BOUNCE = 0.008
"""Seconds of one contact, or gap, while the tip comes to rest."""


@frozen
class Touching:
    """From `at` (simulated seconds) on the probe is on this."""

    at: float
    on: str | float | None
    """A point of the board; the volts of a node that the board file does not name; None: nothing."""


def bounced(on: str | float | None, at: float, *key: object) -> list[Touching]:
    """Return a tip that comes down at `at`, bounces, and is at rest some milliseconds later."""
    course = []
    for place in range(BOUNCES):
        course.append(Touching(at, on))
        at += _between((0.001, LONGEST_BOUNCE), *key, place, "down")
        course.append(Touching(at, None))
        at += _between((0.001, LONGEST_BOUNCE), *key, place, "up")
    return [*course, Touching(at, on)]


def course_to(point: str | None, now: float, *key: object) -> list[Touching]:
    """Return how a hand takes the probe from where it is to a point, or off the board."""
    lifted = now + _between(ON_ITS_WAY, now, point, *key, "told")
    if point is None:
        return [Touching(lifted, None)]
    down = lifted + _between(IN_THE_AIR, now, point, *key, "travels")
    return [Touching(lifted, None), *bounced(point, down, now, point, *key)]


def _between(ends: tuple[float, float], *key: object) -> float:
    return ends[0] + (ends[1] - ends[0]) * (uniform(*key) + 1) / 2


@dataclass(slots=True)
class _Gap:
    """A time in the air, and what the input carried when it began."""

    begun: float
    volts: float
    ended: float = inf


class HeldWorld(BoardWorld):
    """A world whose probe a hand may take along a course. `probe` still puts it somewhere at once."""

    def __init__(self, *given: Any, **named: Any) -> None:
        """Take what BoardWorld takes."""
        self._course: deque[Touching] = deque()
        self._gaps: deque[_Gap] = deque()
        self._node: float | None = None
        self.hum = HUM_VOLTS
        self.lead_farads = LEAD_FARADS
        super().__init__(*given, **named)

    def probe(self, point: str | None, now: float) -> None:
        """Put the probe there at once, whatever the hand was about to do."""
        self._course.clear()
        self._gaps.clear()
        self._node = None
        super().probe(point, now)

    def across(self, red: str | None, black: str | None, now: float) -> None:
        """Put both leads on points at once, whatever the hand was about to do."""
        self._course.clear()
        self._gaps.clear()
        self._node = None
        super().across(red, black, now)

    def hand(self, point: str | None, now: float) -> None:
        """Have the hand take the probe there. Raises BenchError for a point that the board does not have."""
        if point is not None:
            self._known(point)
        self.follow(course_to(point, now), now)

    def follow(self, course: Sequence[Touching], now: float) -> None:
        """Have the hand follow a course from now on, instead of any other."""
        self._advance(now)
        self._course = deque(sorted(course, key=lambda touching: touching.at))

    @property
    def touched(self) -> str | float | None:
        """What the probe is on, as of the last call."""
        return self._touching.probe.point if self._node is None else self._node

    def probe_volts(self, now: float, aperture: float, input_resistance: float) -> float:
        """Mean volts over the aperture, times in the air included."""
        volts = super().probe_volts(now, aperture, input_resistance)
        return volts + self._floating(now, aperture, input_resistance)

    def _advance(self, now: float) -> None:
        while self._course and self._course[0].at <= now:
            touching = self._course.popleft()
            super()._advance(touching.at)
            self._go_to(touching.on)
        super()._advance(now)

    def _go_to(self, on: str | float | None) -> None:
        self._note()
        now, carried = self._bench.now, self._touching.probe.seen[-1][1]
        if self._gaps and self._gaps[-1].ended == inf:
            self._gaps[-1].ended = now
        while self._gaps and self._gaps[0].ended < now - MEMORY:
            self._gaps.popleft()
        self._touching.slide(on if isinstance(on, str) else None)
        self._node = on if isinstance(on, float) else None
        if on is None:
            self._gaps.append(_Gap(now, carried))
        self._note()

    def _note(self) -> None:
        if self._node is None:
            super()._note()
        else:
            self._touching.probe.note(self._bench.now, self._node)

    def _floating(self, now: float, aperture: float, ohms: float) -> float:
        """Mean of what an open input adds to the aperture before now."""
        tau, turn = ohms * self.lead_farads, 2 * pi * HUM_HERTZ
        added = 0.0
        for gap in self._gaps:
            begin, end = max(gap.begun, now - aperture), min(gap.ended, now)
            if aperture <= 0.0 and gap.begun <= now <= gap.ended:
                return gap.volts * exp((gap.begun - now) / tau) + self.hum * sin(turn * now)
            if end <= begin:
                continue
            left = exp((gap.begun - begin) / tau) - exp((gap.begun - end) / tau)
            added += gap.volts * tau * left + self.hum * (cos(turn * begin) - cos(turn * end)) / turn
        return added / aperture if aperture > 0.0 else 0.0
