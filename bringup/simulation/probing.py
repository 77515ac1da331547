"""What the meter's probe finds where it touches: mean volts over an aperture, ripple, and ohms that climb.

It remembers the voltage it has seen since it was put there. In ohms mode the meter's own test current charges the
point's capacitance; that charge stays on the point when the probe leaves.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise
from math import exp, inf

from bringup.core.elements import Stage

MEMORY = 3.0
"""Seconds of voltage kept: longer than the longest aperture of a bench meter (100 power-line cycles)."""
FIRST_APERTURE = 0.02
"""A first ohms reading has had the test current flowing at least this long: the meter integrates too."""

JUNCTION_VOLTS = 0.5
"""At which silicon conducts what an ohmmeter drives through it (0.4 V to 0.7 V; common practice, no source)."""

RIPPLE_SWITCHING, RIPPLE_LINEAR = 2e-4, 2e-5
"""RMS volts at a sound rail."""
RINGING_SWITCHING, RINGING_LINEAR = 0.03, 0.01
"""RMS fraction of a rail's volts with its output capacitor missing."""


def ripple(stage: Stage, volts: float, *, missing: bool) -> float:
    """RMS volts of ripple at a running rail of `volts`; `missing`: without its output capacitor."""
    if missing:
        return volts * (RINGING_SWITCHING if stage.switching else RINGING_LINEAR)
    return RIPPLE_SWITCHING if stage.switching else RIPPLE_LINEAR


@dataclass(slots=True)
class Charging:
    """What the meter's test current does to whatever its leads are on."""

    ohms_from: float = 0.0
    """Up to when the test current's charge has been reckoned."""
    charge_volts: float = 0.0
    """What the test current has put there, on top of the voltage that is there without it."""

    def ohms(self, now: float, own_volts: float, ohms: float, farads: float, amps: float, most_volts: float) -> float:
        """Resistance as the meter computes it. `own_volts`: what the point carries without the meter.

        `ohms`, `farads`: the point to ground. `amps`, `most_volts`: the meter's test current and its highest voltage.
        """
        seconds = now - self.ohms_from
        if self.charge_volts == 0.0:
            seconds = max(seconds, FIRST_APERTURE)
        self.ohms_from = now
        if ohms == inf:
            self.charge_volts += amps * seconds / farads if farads > 0.0 else most_volts
        else:
            final = amps * ohms
            kept = exp(-seconds / (ohms * farads)) if ohms * farads > 0.0 else 0.0
            self.charge_volts = final + (self.charge_volts - final) * kept
        self.charge_volts = min(self.charge_volts, max(0.0, most_volts - own_volts))
        shown = own_volts + self.charge_volts
        return inf if shown >= most_volts else shown / amps


@dataclass(slots=True)
class Across(Charging):
    """The meter's leads on two points, None for ground; both None: their tips together."""

    red: str | None = None
    black: str | None = None


@dataclass(slots=True)
class Probe(Charging):
    """One probe, since it was put on `point`, the black lead on ground."""

    point: str | None = None
    seen: deque[tuple[float, float]] = field(default_factory=deque)
    """(time, volts), oldest first; straight lines between them."""

    def note(self, now: float, volts: float) -> None:
        """Keep what the point carries now."""
        if len(self.seen) > 1 and self.seen[-1][1] == self.seen[-2][1] == volts:
            self.seen[-1] = (now, volts)
            return
        self.seen.append((now, volts))
        while len(self.seen) > 2 and self.seen[1][0] < now - MEMORY:  # noqa: PLR2004 - one point before, one after
            self.seen.popleft()

    def mean(self, now: float, aperture: float) -> float:
        """Mean over the aperture before now; before the probe was there, the first voltage it saw counts."""
        points = list(self.seen)
        if aperture <= 0.0 or len(points) == 1:
            return points[-1][1]
        start = now - aperture
        area = points[0][1] * max(0.0, min(points[0][0], now) - start)
        for (t0, v0), (t1, v1) in pairwise(points):
            if t1 <= start or t1 <= t0:
                continue
            begin = max(t0, start)
            v_begin = v0 + (v1 - v0) * (begin - t0) / (t1 - t0)
            area += 0.5 * (v_begin + v1) * (t1 - begin)
        area += points[-1][1] * (now - max(points[-1][0], start))
        return area / aperture
