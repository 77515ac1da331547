"""Watching the load while a channel draws: when to look, and what a look means.

Beside the watch over the supply (watch.py), which asks for it whenever the wait point wakes; nothing here blocks.
Switching off is the business of whoever catches what is raised.
"""

from __future__ import annotations

from dataclasses import dataclass

from bringup.core.dialect import LOAD_MODES
from bringup.core.frozen import frozen
from bringup.core.loaded import LoadProtection
from bringup.core.quantity import format_quantity
from bringup.errors import LinkError
from bringup.runner.endings import BrokenOff, CalledOff, Trip
from bringup.runner.load_role import Load, LoadSample
from bringup.runner.pending import Pending
from bringup.runner.protocols import Clock, Guard

EVERY = 0.5
"""Seconds between two looks at a channel: the supply, which feeds it, is looked at more often."""
PATIENCE = 2.0
"""Seconds after which a look that is still unanswered counts as one without an answer ..."""
LOOKS_OF_PATIENCE = 2.0
"""... or so many times what a look took before it drew, where that is longer."""
SILENT_LOOKS = 2
"""So many looks without an answer in a row mean that the load is lost."""
LONGEST_PATIENCE = 2.2
"""... but where the load itself is what is guarded, two looks of patience must end before the guardian's 5 s do."""
LONGEST_LOOK = 2.0
"""Seconds that a look may take there: a slower load cannot be watched."""
LEVEL_ALIKE = (0.005, 0.001)
"""Levels differ when they are further apart than this part of the value plus this many A, W, V or ohm."""
OF_ITS_OWN = ("over-temperature",)
"""Trips that say nothing of the unit."""


@frozen
class Draw:
    """What one channel is to draw, and from where. `mode` and level as in core.dialect.LOAD_MODES."""

    channel: int
    point: str
    mode: str
    level: float
    stop_voltage: float | None = None
    damage_above: float | None = None
    """Volts at the point, by magnitude, above which something is damaged."""
    protection: LoadProtection | None = None
    """Levels of the load's own protections, where it has some."""

    @property
    def words(self) -> str:
        """The draw in words: 'constant current 200 mA'."""
        return f"constant {self.mode} {format_quantity(self.level, LOAD_MODES[self.mode])}"


class Damaging(Trip):
    """Volts at the load that damage something, or may: they cut power even in an irreversible step."""


class LoadLost(BrokenOff):
    """The load does not answer any more while it may draw."""


@dataclass(slots=True)
class _Watched:
    draw: Draw
    due: float
    asked: float = 0.0
    silent: int = 0
    pending: Pending[LoadSample] | None = None
    patience: float = PATIENCE


class LoadWatch:
    """Looks at every channel that draws, without waiting for the answers."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._load: Load | None = None
        self._watched: dict[int, _Watched] = {}
        self.guard: Guard | None = None
        """Who hears of every good look, where the load alone is guarded: no supply, or one that is set by hand."""

    def add(self, load: Load, draw: Draw, look_takes: float = 0.0) -> None:
        """Watch a channel from now on; `look_takes`: seconds, as measured."""
        self._load = load
        patience = max(PATIENCE, LOOKS_OF_PATIENCE * look_takes)
        if self.guard is not None:
            patience = min(patience, LONGEST_PATIENCE)
        self._watched[draw.channel] = _Watched(draw, self._clock.monotonic(), patience=patience)

    def remove(self, channel: int) -> None:
        """Watch it no longer; an answer on its way is dropped."""
        self._watched.pop(channel, None)

    def clear(self) -> None:
        """Watch nothing any more."""
        self._watched.clear()

    def next_due(self) -> float:
        """Return the monotonic time at which `service` has something to do even if nothing is answered."""
        times = (each.due if each.pending is None else each.asked + each.patience for each in self._watched.values())
        return min(times, default=float("inf"))

    def service(self) -> None:
        """Take in the looks that were answered, judge them, ask for those that are due. Raises an Ending."""
        if self._watched and self.guard is not None and self.guard.lost:
            raise BrokenOff(f"the guardian is gone while the load is on: {self.guard.lost}")
        for watched in list(self._watched.values()):
            now = self._clock.monotonic()
            pending = watched.pending
            if pending is not None and (pending.done or now >= watched.asked + watched.patience):
                watched.pending = None
                self._take(watched, pending)
            if watched.pending is None and now >= watched.due:
                watched.asked, watched.due = now, now + EVERY
                watched.pending = self._ask(watched.draw)

    def _ask(self, draw: Draw) -> Pending[LoadSample]:
        assert self._load is not None
        try:
            return self._load.poll(draw.channel)
        except LinkError as error:
            raise lost(draw, error.message) from error

    def _take(self, watched: _Watched, pending: Pending[LoadSample]) -> None:
        try:
            sample = pending.value() if pending.done else None
        except LinkError as error:
            raise lost(watched.draw, error.message) from error
        if sample is not None:
            judge_damage(watched.draw, sample)  # whatever else of the look is missing
        if sample is None or _empty(sample):
            watched.silent += 1
            if watched.silent >= SILENT_LOOKS:
                why = "no value" if sample is None or sample.fault is None else sample.fault.value
                raise lost(watched.draw, f"{SILENT_LOOKS} looks in a row brought nothing: {why}")
            return
        watched.silent = 0
        judge_load(watched.draw, sample)
        if self.guard is not None:
            self.guard.beat()


def _empty(sample: LoadSample) -> bool:
    return sample.fault is not None or sample.volts is None or sample.amps is None


def lost(draw: Draw, why: str) -> LoadLost:
    """Return the error of a load that does not answer."""
    return LoadLost(f"the load is lost while it draws from {draw.point}: {why}")


def judge_damage(draw: Draw, sample: LoadSample) -> None:
    """Raise Damaging where the volts of a look damage something, or may."""
    if sample.over_range:
        raise Damaging(f"{draw.point}: the load reads over range; that counts as above what damages it")
    if draw.damage_above is not None and sample.volts is not None and abs(sample.volts) > draw.damage_above:
        read, most = format_quantity(sample.volts, "V"), format_quantity(draw.damage_above, "V")
        raise Damaging(f"{draw.point} reads {read} at the load, above the {most} that damage it")


def judge_load(draw: Draw, sample: LoadSample) -> None:
    """Judge a look at a channel that is to draw. Raises Trip for what the unit did, else BrokenOff or CalledOff."""
    judge_damage(draw, sample)
    volts = "unknown volts" if sample.volts is None else format_quantity(sample.volts, "V")
    if sample.tripped:
        text = f"the load's {sample.tripped} protection tripped at {draw.point}, which reads {volts} there"
        raise BrokenOff(text) if sample.tripped in OF_ITS_OWN else Trip(text)
    if draw.stop_voltage and sample.volts is not None and abs(sample.volts) < draw.stop_voltage:
        stop = format_quantity(draw.stop_voltage, "V")
        raise Trip(f"{draw.point} has fallen to {volts} under {draw.words}, below the load's stop voltage of {stop}")
    if sample.on is False:
        raise BrokenOff(
            f"the load at {draw.point} was found off though nobody here switched it: a protection that it does not "
            "report, or a hand at its panel"
        )
    part, least = LEVEL_ALIKE
    other = sample.level is not None and abs(sample.level - draw.level) > part * draw.level + least
    if (sample.mode is not None and sample.mode != draw.mode) or other:
        level = (
            "" if sample.level is None else f" {format_quantity(sample.level, LOAD_MODES[sample.mode or draw.mode])}"
        )
        found = f"constant {sample.mode or draw.mode}{level}"
        raise CalledOff(f"the load at {draw.point} is set to {found}, not to {draw.words}: a hand at its panel")
