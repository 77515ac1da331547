"""Watching the supply while an output is on: when to look, and what a look means.

The wait point calls `service` whenever it wakes; nothing here blocks. A look that shows something the unit must not
do raises Trip, a supply that does not answer raises SupplyLost, a hand at its panel raises CalledOff. Switching off
is the business of whoever catches them.
"""

from __future__ import annotations

from dataclasses import dataclass

from bringup.core.quantity import format_quantity
from bringup.core.wording import shown
from bringup.errors import LinkError
from bringup.runner.endings import BrokenOff, CalledOff, FoundOff, SupplyLost, Trip
from bringup.runner.journal import Journal
from bringup.runner.pending import Pending
from bringup.runner.protocols import Clock, Guard
from bringup.runner.records import PollSample
from bringup.runner.roles import Protection, Supply
from bringup.runner.unguarded import Unguarded

SILENT_LOOKS = 2
"""So many looks without an answer in a row mean that the supply is lost."""
PATIENCE = 1.0
"""Seconds after which a look that is still unanswered counts as one without an answer (and again as a second)."""
VOLTS_ALIKE = (0.002, 0.005)
AMPS_ALIKE = (0.002, 0.002)
"""Set points differ when they are further apart than this part of the value plus this many V or A: the set point is
read with the same query each time, so anything more is a hand at the knob."""
HELD = (0.05, 0.2)
"""Out of current limit, a supply holds its voltage within this part of it plus this many V, its own error included."""
LIMIT_REACHED = 0.98
"""Where the dialect cannot tell the mode: this part of the current limit, with the volts below this part of the set
voltage, is taken for current limit."""


@dataclass(slots=True)
class Watched:
    """An output that is on, or about to be, and what must hold for it."""

    output: int
    input: str
    set_volts: float
    set_amps: float
    limit_time: float
    trip_current: float | None = None
    damage_above: float | None = None
    start_up_until: float = 0.0
    """Currents above `trip_current` are start-up until then: the supply's own limit bounds them."""
    valid_from: float = 0.0
    """Looks asked for before this moment may still show the previous setting or the output off."""
    due: float = 0.0
    asked: float = 0.0
    pending: Pending[PollSample] | None = None
    silent: int = 0
    patience_spent: int = 0
    """How often the look under way has been counted as silent."""
    limit_since: float | None = None
    above_trip: bool = False
    adrift: bool = False
    """Whether the last look showed a voltage that is not the set one."""
    latest: PollSample | None = None


class Watch:
    """Looks at every watched output at an interval, without waiting for the answers."""

    def __init__(self, supply: Supply | None, clock: Clock, journal: Journal, interval: float) -> None:
        self._supply = supply
        self._clock = clock
        self._journal = journal
        self._interval = interval
        self._watched: dict[int, Watched] = {}
        self.guard: Guard = Unguarded()
        """Who hears of every good look, and who must be there while an output is on."""

    def add(self, watched: Watched) -> None:
        """Watch an output from now on. By hand there is nothing to poll."""
        assert self._supply is not None, "watching without a supply"
        if not self._supply.by_hand:
            watched.due = self._clock.monotonic()
            self._watched[watched.output] = watched

    def remove(self, output: int) -> None:
        """Watch it no longer; an answer on its way is dropped."""
        self._watched.pop(output, None)

    def clear(self) -> None:
        """Watch nothing any more."""
        self._watched.clear()

    @property
    def busy(self) -> bool:
        """Whether any output is being watched."""
        return bool(self._watched)

    def of(self, output: int) -> Watched | None:
        """Return what is being watched of an output."""
        return self._watched.get(output)

    def look(self, output: int) -> Pending[PollSample] | None:
        """Return a look at a watched output that is asked for now (or is on its way); None if it is not watched."""
        watched = self._watched.get(output)
        if watched is None:
            return None
        if watched.pending is None:
            self._ask(watched, self._clock.monotonic())
        return watched.pending

    def next_due(self) -> float:
        """Return the monotonic time at which `service` has something to do even if nothing is answered."""
        times = [
            w.due if w.pending is None else min(w.pending.deadline, w.asked + PATIENCE * (w.patience_spent + 1))
            for w in self._watched.values()
        ]
        return min(times, default=float("inf"))

    def service(self) -> None:
        """Take in the looks that were answered, judge them, ask for those that are due. Raises an Ending."""
        if self._watched and self.guard.lost:
            raise BrokenOff(f"the guardian is gone while an output is on: {self.guard.lost}")
        for watched in list(self._watched.values()):
            self._take(watched)
            now = self._clock.monotonic()
            if watched.pending is None and now >= watched.due:
                self._ask(watched, now)
        self._journal.write_polls()

    def _ask(self, watched: Watched, now: float) -> None:
        assert self._supply is not None
        watched.asked, watched.due, watched.patience_spent = now, now + self._interval, 0
        try:
            watched.pending = self._supply.poll(watched.output)
        except LinkError as error:
            raise SupplyLost(f"the supply is lost while {watched.input} is on: {error.message}") from error

    def _take(self, watched: Watched) -> None:
        pending, now = watched.pending, self._clock.monotonic()
        if pending is None:
            return
        if not pending.done:
            overdue = now >= pending.deadline or now >= watched.asked + PATIENCE * (watched.patience_spent + 1)
            if overdue:
                if now >= pending.deadline:
                    watched.pending = None
                watched.patience_spent += 1
                count_silent(watched, "no answer in time")
            return
        watched.pending = None
        try:
            sample = pending.value()
        except LinkError as error:
            raise SupplyLost(f"the supply is lost while {watched.input} is on: {error.message}") from error
        self._journal.poll(sample)
        if sample.strays:
            data = {"instrument": "supply", "strays": "\n".join(sample.strays)}
            self._journal.event("instrument", "supply: lines that answer nothing that was asked", data)
        if judge_look(watched, sample):
            watched.due = now
        if watched.latest is sample:
            # Only a look that brought everything it should is a sign that supply, wire and tool are well.
            self.guard.beat()


def count_silent(watched: Watched, why: str) -> None:
    """Count a look that brought nothing. Raises SupplyLost at the second in a row."""
    watched.silent += 1
    if watched.silent >= SILENT_LOOKS:
        raise SupplyLost(f"the supply did not answer {SILENT_LOOKS} looks in a row while {watched.input} is on: {why}")


def judge_look(watched: Watched, sample: PollSample) -> bool:
    """Judge one look at an output that should be on. Returns whether to look again at once. Raises an Ending."""
    if sample.over_range:
        raise Trip(f"{watched.input}: the supply reads over range; that counts as above what damages the board")
    _judge_volts(watched, sample)
    if sample.fault is not None or sample.volts is None or sample.amps is None:
        count_silent(watched, "no value" if sample.fault is None else sample.fault.value)
        return False
    watched.silent, watched.latest = 0, sample
    if watched.asked >= watched.valid_from:
        _judge_state(watched, sample)
        _judge_set_points(watched, sample)
    _judge_limit(watched, sample)
    doubtful = _judge_amps(watched, sample)
    return _judge_regulation(watched, sample) or doubtful


def in_current_limit(watched: Watched, sample: PollSample) -> bool:
    """Whether the supply limits the current (or cannot hold its voltage) in this look."""
    if sample.mode is not None:
        return sample.mode in ("current", "unregulated")
    if sample.amps is None or sample.volts is None:
        return False
    return sample.amps >= LIMIT_REACHED * watched.set_amps and sample.volts < LIMIT_REACHED * watched.set_volts


def _judge_volts(watched: Watched, sample: PollSample) -> None:
    if watched.damage_above is None or sample.volts is None or abs(sample.volts) <= watched.damage_above:
        return
    found, most = format_quantity(sample.volts, "V"), shown(watched.damage_above, "V")
    raise Trip(f"{watched.input} reads {found}, above the {most} that damage it")


def _judge_state(watched: Watched, sample: PollSample) -> None:
    if sample.tripped == Protection.WATCHDOG:
        raise BrokenOff(f"{watched.input} is off: the supply's {sample.tripped} heard nothing for too long")
    if sample.tripped:
        raise Trip(f"the supply's {sample.tripped} protection tripped on {watched.input}")
    if sample.on is False or (sample.on is None and sample.mode == "off"):
        raise FoundOff(
            f"{watched.input} was found off though nobody here switched it: a protection that the supply does not "
            "report, or a hand at its panel"
        )


def _judge_set_points(watched: Watched, sample: PollSample) -> None:
    pairs = (
        ("voltage", "V", watched.set_volts, sample.set_volts, VOLTS_ALIKE),
        ("current limit", "A", watched.set_amps, sample.set_amps, AMPS_ALIKE),
    )
    for name, unit, ours, found, (part, least) in pairs:
        if found is not None and abs(found - ours) > part * abs(ours) + least:
            raise CalledOff(
                f"the {name} of {watched.input} was changed at the supply: "
                f"set to {format_quantity(ours, unit)}, found at {format_quantity(found, unit)}"
            )


def _judge_limit(watched: Watched, sample: PollSample) -> None:
    if not in_current_limit(watched, sample):
        watched.limit_since = None
        return
    if watched.limit_since is None:
        watched.limit_since = sample.monotonic
    lasted = sample.monotonic - watched.limit_since
    if lasted > watched.limit_time:
        raise Trip(
            f"{watched.input} stayed in current limit ({format_quantity(watched.set_amps, 'A')}) for "
            f"{lasted:.2f} s, longer than the {watched.limit_time:.2f} s that charging may take"
        )


def _judge_amps(watched: Watched, sample: PollSample) -> bool:
    """Return whether a second look must confirm a current above the trip level."""
    assert sample.amps is not None
    above = (
        watched.trip_current is not None
        and abs(sample.amps) > watched.trip_current
        and sample.monotonic > watched.start_up_until
    )
    if above and watched.above_trip:
        assert watched.trip_current is not None
        raise Trip(
            f"{watched.input} draws {shown(sample.amps, 'A')}, "
            f"above the trip level of {shown(watched.trip_current, 'A')}"
        )
    watched.above_trip = above
    return above


def _judge_regulation(watched: Watched, sample: PollSample) -> bool:
    """Return whether a second look must confirm that the supply does not hold its voltage, though it could."""
    assert sample.volts is not None
    part, least = HELD
    adrift = (
        abs(abs(sample.volts) - watched.set_volts) > part * watched.set_volts + least
        and watched.asked >= watched.valid_from
        and sample.monotonic > watched.start_up_until
        and not in_current_limit(watched, sample)
    )
    if adrift and watched.adrift:
        raise BrokenOff(
            f"{watched.input} reads {format_quantity(sample.volts, 'V')} though set to "
            f"{format_quantity(watched.set_volts, 'V')} and not in current limit: another source, or the supply itself"
        )
    watched.adrift = adrift
    return adrift
