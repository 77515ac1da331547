"""One output of the simulated supply: set points, the way its level moves, protections, and what its terminals carry.

It knows nothing of the board: world.py tells it the current that flows and asks for the voltage it aims at. Typical
figures of linear bench supplies stand here as constants (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import cos, exp, inf, sin, sqrt
from operator import attrgetter
from typing import Any

from bringup.simulation.physics import OutputMode

DAMPING = 0.75
"""Of the voltage loop: a step overshoots by exp(-pi * 0.75 / sqrt(1 - 0.75^2)) = 2.8 % of its height."""
NATURAL = 600.0
"""Natural frequency of the voltage loop in rad/s: a step is 90 % done after some 4 ms."""
SETTLED = 0.05
"""Seconds after which a step counts as done (exp(-0.75 * 600 * 0.05) = 2e-10 is left)."""
CROSSOVER = 200e-6
"""Seconds that the current loop needs to take over ..."""
CROSSOVER_PEAK = 3.0
"""... and the multiple of the limit that passes meanwhile."""
OUTPUT_FARADS = 100e-6
"""Output capacitor: lies outside the current loop, so it empties into a short past the limit."""
SINK_AMPS = 0.02
"""What the stage can take back when the terminals are above its level."""
BLEED_OHMS = 3.3e3
"""Across the terminals while off."""
CROWBAR_OHMS = 5.0
"""Across the terminals after an over-voltage trip ..."""
CROWBAR_RELEASE = 0.5
"""... until they are below this many volts."""
OVER_VOLTAGE_DELAY = 100e-6
SENSE_REACH = 1.0
"""Volts of lead drop that remote sense can make up for."""

OVER_VOLTAGE, OVER_CURRENT, WATCHDOG = "over-voltage", "over-current", "watchdog"

_DAMPED = NATURAL * sqrt(1.0 - DAMPING**2)


def remaining(seconds: float) -> float:
    """Fraction of a step of the level that is still to come; negative while it overshoots."""
    if seconds >= SETTLED:
        return 0.0
    angle = _DAMPED * seconds
    return exp(-DAMPING * NATURAL * seconds) * (cos(angle) + DAMPING / sqrt(1.0 - DAMPING**2) * sin(angle))


@dataclass(slots=True)
class PowerStage:
    """One output. `volts` and `amps` are what the terminals carry; times are simulated seconds."""

    set_volts: float = 0.0
    limit: float = 0.1
    over_voltage: float | None = None
    over_current: float | None = None
    over_current_delay: float = 0.0
    remote: bool = False
    on: bool = False
    trip: str | None = None
    volts: float = 0.0
    amps: float = 0.0
    mode: OutputMode = OutputMode.OFF
    real_volts: float | None = None
    """Wrong-voltage fault: what the terminals are driven to whatever was set."""
    sense_open_rise: float = 1.0
    """Sense-open fault: factor on the terminals while sensing is remote."""
    crowbar: bool = False
    step_at: float = -inf
    step_from: float = 0.0
    step_from_shown: float = 0.0
    """What its own voltmeter showed when the step began."""
    over_volts_since: float | None = None
    over_amps_since: float | None = None
    limiting_since: float | None = None
    alive_until: float = inf
    """Its communication watchdog switches it off then, unless somebody speaks to the supply before."""

    def kept(self) -> tuple[Any, ...]:
        """Return what `PowerStage(*kept)` is made of again (a tuple: it is made at every step)."""
        return _values(self)

    def target(self) -> float:
        """Volts that the terminals settle at in constant voltage, lead drop apart."""
        if not self.on:
            return 0.0
        if self.real_volts is not None:
            return self.real_volts
        return self.set_volts * (self.sense_open_rise if self.remote else 1.0)

    def level(self, now: float) -> float:
        """Volts that the voltage loop aims at now: a damped step from the level before."""
        target = self.target()
        return self._on_the_way(self.step_from, target, now)

    def _on_the_way(self, start: float, end: float, now: float) -> float:
        return max(0.0, end + (start - end) * remaining(now - self.step_at))

    def moving(self, now: float) -> bool:
        """Whether the level is still on its way."""
        return self.on and now - self.step_at < SETTLED

    def begin_step(self, now: float) -> None:
        """The level is about to change: it starts from where the terminals are."""
        self.step_from, self.step_from_shown = self.volts, self.shown_volts(now)
        self.step_at = now

    def allowed(self, now: float) -> float:
        """Amps that can pass now: the limit, or more of it while the current loop has not taken over yet."""
        since = self.limiting_since
        taken_over = since is not None and now - since >= CROSSOVER
        return self.limit if taken_over else self.limit * CROSSOVER_PEAK

    def compensation(self, lead_ohms: float) -> float:
        """Volts added at the terminals by remote sense."""
        return min(SENSE_REACH, max(0.0, self.amps) * lead_ohms) if self.remote else 0.0

    def shown_volts(self, now: float) -> float:
        """What the supply's own voltmeter is given: the terminals, unless they deceive it (wrong-voltage fault).

        Deceived, it takes what its loop aims at for what was set, also while the loop is still on its way there. Where
        the board holds the terminals above that, it shows no more than they carry or than was set.
        """
        if not self.real_volts or not self.on:
            return self.volts
        aim = self.level(now)
        shown = self._on_the_way(self.step_from_shown, self.set_volts, now)
        if aim <= 0.0:
            return self.volts
        if self.volts <= aim:
            return self.volts * shown / aim
        return min(shown + self.volts - aim, max(self.volts, shown))

    def switch(self, on: bool, now: float) -> None:
        """Switch. A tripped output does not come on before its trip was cleared."""
        if on == self.on or (on and self.trip is not None):
            return
        self.on = on
        self.crowbar = False
        self.begin_step(now)
        self._forget_timers()
        self.mode = OutputMode.VOLTAGE if on else OutputMode.OFF

    def watch(self, now: float) -> bool:
        """Let the protections look at the terminals; returns whether one tripped."""
        if not self.on:
            return False
        over = self.over_voltage is not None and self.shown_volts(now) > self.over_voltage
        self.over_volts_since = _since(self.over_volts_since, over, now)
        over = self.over_current is not None and self.amps >= 0.999 * self.over_current
        self.over_amps_since = _since(self.over_amps_since, over, now)
        if self.over_volts_since is not None and now >= self.over_volts_since + OVER_VOLTAGE_DELAY:
            self._trip(OVER_VOLTAGE, now)
            self.crowbar = True
        elif self.over_amps_since is not None and now >= self.over_amps_since + self.over_current_delay:
            self._trip(OVER_CURRENT, now)
        elif now >= self.alive_until:
            self._trip(WATCHDOG, now)
        return self.trip is not None

    def next_event(self, now: float) -> float:
        """Time of the next change that is already certain unless something happens before."""
        if not self.on:
            return inf  # the timers stand still: switching forgets them
        times = [self.alive_until]
        if self.over_volts_since is not None:
            times.append(self.over_volts_since + OVER_VOLTAGE_DELAY)
        if self.over_amps_since is not None:
            times.append(self.over_amps_since + self.over_current_delay)
        if self.limiting_since is not None:
            times.append(self.limiting_since + CROSSOVER)
        return min((time for time in times if time > now), default=inf)

    def shift(self, seconds: float) -> None:
        """Let everything have happened later by so much."""
        self.step_at += seconds
        for name in ("over_volts_since", "over_amps_since", "limiting_since"):
            since: float | None = getattr(self, name)
            setattr(self, name, None if since is None else since + seconds)

    def _trip(self, which: str, now: float) -> None:
        self.switch(on=False, now=now)
        self.trip = which

    def _forget_timers(self) -> None:
        self.over_volts_since = self.over_amps_since = self.limiting_since = None


def _since(since: float | None, over: bool, now: float) -> float | None:
    if not over:
        return None
    return now if since is None else since


_values = attrgetter(*(field.name for field in fields(PowerStage)))
