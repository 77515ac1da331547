"""What a probe held by hand is on, as far as successive readings tell: lifted, coming to rest, on its point, elsewhere.

Readings go in with their times, and after each one a Contact says whether it may be taken by itself, needs a person's
key, or is nothing yet. A wrong reading is worse than a key: what could be another point is never taken by itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import StrEnum

from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.replies import Value
from bringup.core.settling import Manner, Settler, State, manner_of
from bringup.core.words import Kind

OPEN_BELOW = 0.1
"""Volts, by magnitude, that an open probe may show at 10 megohm: what is left of mains hum (common practice, no
source)."""
HELD_FOR = 2.0
"""Seconds for which a value that does not fit has to stand before it is offered as the reading."""
UNSTEADY_AFTER = 5.0
"""Seconds on something without coming to rest, after which that is offered as the reading."""
SWINGS = 3
"""So often up from near zero and down again, never at rest up there, that it is no probe on its way to a point: a rail
that tries to start again and again (hiccup)."""
ALIKE = 0.005
"""Two points whose volts differ by less than this part (and ALIKE_LEAST) cannot be told apart by their volts."""
ALIKE_LEAST = 0.01
"""Volts."""
STILL, SCATTERS = 3.0, 6.0
"""So many times what may still drift, and so many standard deviations, a value at rest may move."""
AGREE = 0.01
"""Two readings in a row that differ by less than this part (and AGREE_LEAST) are of one node, if not yet at rest: half
a reading on its way, or a charge that leaks from an open probe, is not followed by one like it (common practice, no
source)."""
AGREE_LEAST = 0.02
"""Volts."""
AS_SET = 0.02
"""Part of the volts set that leads and instruments may take from them, or add, without a question ..."""
AS_SET_LEAST = 0.1
"""... and never a question for less than this many volts."""


class Standing(StrEnum):
    """What the readings so far say of the probe."""

    NOT_LIFTED = "still on the last point"
    OPEN = "on nothing"
    """Near zero, as an open probe is."""
    COMING = "coming to rest"
    TAKEN = "on its point"
    """At rest, plausible for this point and no other: to be taken by itself."""
    ASKED = "a key is wanted"
    """At rest and plausible, but it may be something else."""
    UNLIKELY = "does not fit"
    OFFERED = "offered as the reading"
    """What does not fit has stood for long enough: one key makes it the reading."""
    OVER_RANGE = "over range"
    NO_VALUE = "no value"


class Why(StrEnum):
    """Why a key is wanted."""

    ALIKE = "another point reads alike"
    SAME = "the same as the last point"
    NEAR_ZERO = "near 0 V, as an open probe reads"
    NOT_SEEN_LIFTED = "the probe was not seen to leave the last point"
    NOT_AS_SET = "not the volts that are set"
    NO_LIMITS = "it is not known between which volts it should be"
    OUTSIDE = "outside its limits"
    UNSTEADY = "never settled"


KEY_MAY_TAKE = frozenset({Standing.ASKED, Standing.OFFERED})
"""Standings in which one key makes what is read the reading."""


@frozen
class Sought:
    """The point that the probe is meant to go to, and what else it could be on. All in volts."""

    point: str
    limits: Limits | None
    others: Mapping[str, Limits]
    """Limits of the board's other points, by name."""
    known: Mapping[str, float]
    """What other points were read to be, or are set to, by name."""
    last: tuple[str, float] | None = None
    """The point that the probe was on last, and what it read; None: nobody knows."""
    sure: bool = True
    """False: it takes a key whatever it reads."""
    due: float | None = None
    """The volts that are set there, of an input: its limits are often wide enough for other nodes."""


@frozen
class Contact:
    """What the readings say now."""

    standing: Standing
    value: Value | None = None
    """The reading itself, where there is one."""
    why: tuple[Why, ...] = ()
    like: tuple[str, ...] = ()
    """Other points that read like that, the most alike first."""
    spread: tuple[float, float] | None = None
    """Lowest and highest where it never settled."""

    @property
    def by_key(self) -> bool:
        """Whether one key makes it the reading."""
        return self.standing in KEY_MAY_TAKE


class Touch:
    """Fed one reading after the other while one point is sought."""

    def __init__(self, sought: Sought, manner: Manner | None = None) -> None:
        self._sought = sought
        self._manner = manner if manner is not None else manner_of(Kind.VOLTAGE)
        last = sought.last
        # Where the last point carries nothing, lifting shows nothing: whatever comes then is another point.
        self._lifted = last is None or last[0] == sought.point or abs(last[1]) <= OPEN_BELOW
        self._settler = Settler(self._manner)
        self._before: float | None = None
        self._rest_from: float | None = None
        """Since when it has been at rest; None: it is not."""
        self._on_from: float | None = None
        """Since when it has been on something, at rest or not."""
        self._extent = (math.inf, -math.inf)
        self._low_from: float | None = None
        """Since when it has been near zero, or up from it for moments only, without rest."""
        self._up_from: float | None = None
        self._ups = 0
        self._swung = (math.inf, -math.inf)

    @property
    def lifted(self) -> bool:
        """Whether the probe was seen to leave the last point, or need not have been."""
        return self._lifted

    def no_others(self, number: float) -> bool:
        """Whether such volts are of no other point that is known, nor of the last one, where the probe may still be."""
        return not self._like(number) and (self._lifted or not self._same(number))

    def begin_again(self) -> None:
        """Forget what was at rest: it is no reading (the supply was in current limit meanwhile)."""
        self._settler, self._rest_from = Settler(self._manner), None

    def feed(self, at: float, value: Value) -> Contact:
        """Take the next reading, made at monotonic time `at` (seconds)."""
        number = value.number
        if number is None or not math.isfinite(number):
            self.begin_again()
            self._before = self._on_from = None
            return Contact(Standing.OVER_RANGE if value.over_range else Standing.NO_VALUE, value)
        if self._jumped(number, value.resolution or 0.0):
            self.begin_again()
        self._before = number
        self._follow(at, number)
        if self._settler.state is State.NEVER:
            self.begin_again()
        if self._settler.feed(at, value) is State.SETTLED and self._rest_from is None:
            self._rest_from = at
        resting = self._rest_from is not None
        restless = self._restless(at, number, resting=resting)
        if self._rest_from is None:
            found = self._moving(at, value, number)
        else:
            found = self._at_rest(at - self._rest_from, value, number)
        if restless and found.standing in (Standing.OPEN, Standing.COMING):
            return Contact(Standing.OFFERED, value, (Why.UNSTEADY, Why.NEAR_ZERO), self._like(number), self._swung)
        return found

    def _jumped(self, number: float, resolution: float) -> bool:
        """Whether this is no noise of what was read before: the probe has moved, or has only now come to rest."""
        manner, mean, base = self._manner, self._settler.mean, self._before
        if mean is not None:
            # At rest, what is more than its own scatter is another node, however near: it has to come to rest anew.
            drift = max(manner.counts * resolution, manner.relative * abs(mean), manner.least)
            return abs(number - mean) > STILL * drift + SCATTERS * (self._settler.scatter or 0.0)
        return base is not None and abs(number - base) > max(manner.noise_least, manner.noise_relative * abs(base))

    def _follow(self, at: float, number: float) -> None:
        """Notice a probe that is lifted, and since when it has been on something."""
        if abs(number) <= OPEN_BELOW:
            self._lifted = True
            self._on_from = None
        elif self._on_from is None:
            self._on_from, self._extent = at, (number, number)
        else:
            self._extent = min(self._extent[0], number), max(self._extent[1], number)

    def _restless(self, at: float, number: float, *, resting: bool) -> bool:
        """Whether it has stayed near zero without rest, or swung up from there again and again, for long enough."""
        if abs(number) <= OPEN_BELOW:
            self._up_from = None
        elif self._up_from is None:
            self._up_from, self._ups = at, self._ups + 1
        if self._up_from is not None and (resting or at - self._up_from >= HELD_FOR):
            self._low_from = None
        elif self._low_from is None and self._up_from is None:
            self._low_from, self._ups, self._swung = at, 0, (number, number)
        self._swung = min(self._swung[0], number), max(self._swung[1], number)
        if self._low_from is None or at - self._low_from < UNSTEADY_AFTER:
            return False
        return self._up_from is None or self._ups > SWINGS

    def _moving(self, at: float, value: Value, number: float) -> Contact:
        if abs(number) <= OPEN_BELOW:
            return Contact(Standing.OPEN, value)
        if self._on_from is not None and at - self._on_from >= UNSTEADY_AFTER and self._lifted:
            return Contact(Standing.OFFERED, value, (Why.UNSTEADY,), self._like(number), self._extent)
        return Contact(Standing.COMING, value)

    def _at_rest(self, rested: float, value: Value, number: float) -> Contact:
        """Judge a value that stands still, `rested` seconds after it came to rest."""
        sought = self._sought
        near_zero, fits = abs(number) <= OPEN_BELOW, _accepts(sought.limits, number)
        same, like = self._same(number), self._like(number)
        if same and not self._lifted and (not fits or rested < HELD_FOR):
            return Contact(Standing.NOT_LIFTED, value)
        doubts = {
            Why.NEAR_ZERO: near_zero or (fits and _reaches_zero(sought.limits)),
            Why.ALIKE: bool(like),
            Why.SAME: same,
            Why.NOT_SEEN_LIFTED: not self._lifted,
            Why.NOT_AS_SET: sought.due is not None
            and abs(number - sought.due) > max(AS_SET_LEAST, AS_SET * abs(sought.due)),
            Why.NO_LIMITS: not _two_ended(sought.limits) or not sought.sure,
        }
        why = tuple(doubt for doubt, holds in doubts.items() if holds)
        if sought.limits is None or fits:
            return Contact(Standing.ASKED if why else Standing.TAKEN, value, why, like)
        why = (Why.OUTSIDE, *(doubt for doubt in why if doubt is not Why.NO_LIMITS))
        if rested >= HELD_FOR:
            return Contact(Standing.OFFERED, value, why, like)
        return Contact(Standing.OPEN if near_zero else Standing.UNLIKELY, value, why, like)

    def _same(self, number: float) -> bool:
        """Whether it reads as the last point did, where that was another one."""
        last = self._sought.last
        return last is not None and last[0] != self._sought.point and alike(number, last[1])

    def _like(self, number: float) -> tuple[str, ...]:
        """Return the other points that read like that, by what they were read to be or by their limits."""
        known = {name: abs(volts - number) for name, volts in self._sought.known.items() if alike(number, volts)}
        for name, limits in self._sought.others.items():
            # An open end accepts anything, and would make every point like every other.
            if name not in known and _two_ended(limits) and limits.accepts(number):
                known[name] = 0.0 if limits.nominal is None else abs(float(limits.nominal) - number)
        return tuple(sorted((name for name in known if name != self._sought.point), key=lambda name: known[name]))


def alike(volts: float, other: float) -> bool:
    """Whether two voltages are too near each other for two points to be told apart by them."""
    return abs(volts - other) <= max(ALIKE_LEAST, ALIKE * max(abs(volts), abs(other)))


def agree(volts: float, other: float) -> bool:
    """Whether two readings in a row may be of one node that has not quite come to rest."""
    return abs(volts - other) <= max(AGREE_LEAST, AGREE * max(abs(volts), abs(other)))


def _accepts(limits: Limits | None, number: float) -> bool:
    return limits is not None and limits.accepts(number)


def _two_ended(limits: Limits | None) -> bool:
    return limits is not None and limits.low is not None and limits.high is not None


def _reaches_zero(limits: Limits | None) -> bool:
    """Whether an open probe could read within these limits."""
    if limits is None:
        return True
    above = limits.low is not None and float(limits.low) > OPEN_BELOW
    below = limits.high is not None and float(limits.high) < -OPEN_BELOW
    return not above and not below
