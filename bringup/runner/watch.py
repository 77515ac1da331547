"""Watching the supply while an output is on: when to look, and what a look means.

The wait point calls `service` whenever it wakes; nothing here blocks. A look that shows something the unit must not
do raises Trip, a supply that does not answer raises SupplyLost, a hand at its panel raises CalledOff. Switching off
is the business of whoever catches them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from math import inf

from bringup.core.wording import shown
from bringup.errors import LinkError, LogbookError
from bringup.runner.endings import BrokenOff, Ending, SupplyLost
from bringup.runner.journal import Journal
from bringup.runner.load_watch import Damaging, LoadWatch
from bringup.runner.looks import (
    Watched,
    check_settings,
    count_silent,
    in_current_limit,
    judge_damage,
    judge_look,
    judge_rest,
)
from bringup.runner.pending import Pending
from bringup.runner.protocols import Clock, Guard
from bringup.runner.records import LinkFault, PollSample
from bringup.runner.roles import Supply
from bringup.runner.unguarded import Unguarded
from bringup.runner.wakefulness import ASLEEP

PATIENCE = 1.0
"""Seconds after which a look that is still unanswered counts as one without an answer (and again as a second) ..."""
LOOKS_OF_PATIENCE = 1.2
"""... or so many times what a look takes, where that is longer: a setting may be under way before it."""
LONGEST_LOOK = 2.0
"""Seconds that a look at all outputs may take. Twice its patience is still less than the 5 s after which the guardian
takes silence for a hang."""


class Watch:
    """Looks at every watched output at an interval, without waiting for the answers."""

    def __init__(self, supply: Supply | None, clock: Clock, journal: Journal, interval: float) -> None:
        self._supply = supply
        self._clock = clock
        self._journal = journal
        self._interval = interval
        self._watched: dict[int, Watched] = {}
        self._seen: dict[int, float] = {}
        """Outputs that are watched no longer, and were not seen off -> when they were seen last, or switched on."""
        self.on_look: Callable[[Watched, PollSample], None] = lambda _watched, _sample: None
        """Called with every good look once start-up is over; may raise an Ending."""
        self.guard: Guard = Unguarded()
        """Who hears of every good look, and who must be there while an output is on."""
        self.owed: Ending | None = None
        """Why power was cut already: raised by every wait until the emergency that follows."""
        self.sparing = False
        """Whether only over-voltage, over-current and a person may end anything now."""
        self.load = LoadWatch(clock)
        """The channels of the load that draw meanwhile."""
        self.look_takes = 0.0
        """Seconds that a look at one output takes, as measured when the supply was met; of several, the slowest one."""
        self._paces: Mapping[str, float] = {}
        self._put_off: Exception | None = None
        self.doubts: list[str] = []
        """What was put off and casts doubt on what the board was fed with meanwhile, in words."""
        journal.unless_spared = self.unless_spared

    @contextmanager
    def power_spared(self) -> Iterator[None]:
        """Within, only over-voltage, over-current and a person end anything; what else would is raised at the end."""
        self.sparing, self._put_off, self.doubts = True, None, []
        try:
            yield
        finally:
            self.sparing = False
        if self._put_off is not None:
            raise self._put_off

    def unless_spared(self, error: Exception) -> None:
        """Raise the error; while power is spared, keep the first one for the end."""
        if not self.sparing:
            raise error
        self._put_off = self._put_off or error

    @contextmanager
    def doubting(self) -> Iterator[None]:
        """Within, a doubt about the supply or its setting ends the attempt; while power is spared, it is remembered."""
        try:
            yield
        except Ending as doubt:
            self._doubt(doubt)

    def _doubt(self, error: Ending) -> None:
        self.unless_spared(error)
        self.doubts.append(error.cause)

    def paced(self, takes: Mapping[str, float]) -> None:
        """Take in how many seconds a look takes at an output of each supply."""
        self._paces, self.look_takes = takes, max(takes.values(), default=0.0)

    def add(self, watched: Watched) -> None:
        """Watch an output from now on. By hand there is nothing to poll."""
        assert self._supply is not None, "watching without a supply"
        if not self._supply.by_hand:
            watched.due = watched.since = self._clock.monotonic()
            watched.supply = self._supply.instrument(watched.output)
            self._watched[watched.output] = watched

    def remove(self, output: int) -> None:
        """Watch it no longer; an answer on its way is dropped."""
        if (watched := self._watched.pop(output, None)) is not None:
            self._seen[output] = watched.since if watched.latest is None else watched.latest.monotonic

    def seen_off(self, output: int) -> None:
        """It was verified off: from now on nothing can happen to a board unseen."""
        self._seen.pop(output, None)

    def clear(self) -> None:
        """Watch nothing any more, and owe nothing: whoever clears it sees to what ended the watching."""
        for output in tuple(self._watched):
            self.remove(output)
        self.load.clear()
        self.owed = None

    def unseen(self, outputs: Collection[int]) -> bool:
        """Whether any of these, watched before, has by now not shown itself for too long."""
        now = self._clock.monotonic()
        return any(now - self._seen.get(output, now) > ASLEEP for output in outputs)

    def raise_owed(self) -> None:
        """Raise what power was cut for, if nobody has: readings of a board without power are worth nothing."""
        if self.owed is not None:
            raise self.owed

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
            watched.due if watched.pending is None else min(watched.pending.deadline, _late(watched))
            for watched in self._watched.values()
        ]
        return min(*times, self.load.next_due(), inf)

    def service(self) -> None:
        """Take in the looks that were answered, judge them, ask for those that are due. Raises an Ending."""
        if self.sparing:
            self.guard.beat()  # a supply that is silent is no reason for the guardian to cut power now
        if self._watched and self.guard.lost:
            self.unless_spared(BrokenOff(f"the guardian is gone while an output is on: {self.guard.lost}"))
        for watched in list(self._watched.values()):
            if not self.sparing:
                check_settings(watched, self._clock.monotonic())
            self._take(watched)
            now = self._clock.monotonic()
            if watched.pending is None and now >= watched.due:
                self._ask(watched, now)
        try:
            self.load.service()
        except Damaging:
            raise
        except Ending as doubt:
            self._doubt(doubt)
        try:
            self._journal.write_polls()
        except LogbookError as error:
            self.unless_spared(error)

    def _ask(self, watched: Watched, now: float) -> None:
        assert self._supply is not None
        watched.asked, watched.due, watched.patience_spent = now, now + self._interval, 0
        # Looks at other outputs of the same supply come first, and all its settings where they are asked for.
        alike = [each for each in self._watched.values() if each.supply == watched.supply]
        takes = self._takes(watched)
        watched.patience = max(PATIENCE, LOOKS_OF_PATIENCE * takes * (len(alike) + (watched.check is not None)))
        try:
            watched.pending = self._supply.poll(watched.output)
        except LinkError as error:
            self._doubt(SupplyLost(f"the {watched.supply} is lost while {watched.input} is on: {error.message}"))

    def _takes(self, watched: Watched) -> float:
        return self._paces.get(watched.supply, self.look_takes)

    def _ask_settings(self, watched: Watched) -> None:
        assert self._supply is not None
        try:
            watched.check = self._supply.settings(watched.output)
        except LinkError as error:
            self._doubt(SupplyLost(f"the {watched.supply} is lost while {watched.input} is on: {error.message}"))

    def _take(self, watched: Watched) -> None:
        pending, now = watched.pending, self._clock.monotonic()
        if pending is None:
            return
        if not pending.done:
            if now >= pending.deadline or now >= _late(watched):
                if now >= pending.deadline:
                    watched.pending, watched.lost = None, True
                watched.patience_spent += 1
                self._silent(watched, now - watched.asked)
            return
        watched.pending = None
        try:
            sample = pending.value()
        except LinkError as error:
            self._doubt(SupplyLost(f"the {watched.supply} is lost while {watched.input} is on: {error.message}"))
            return
        if sample.fault is LinkFault.GAVE_WAY:
            watched.due = now  # Another output was switched off meanwhile: nothing is wrong, and nothing was seen.
            return
        self._journal.poll(sample)
        if self._judge(watched, sample):
            watched.due = now
        if watched.lost and watched.silent == 0 and self._supply is not None:
            watched.lost = False
            self._ask_settings(watched)
        if watched.latest is sample:
            # Only a look that brought everything it should is a sign that supply, wire and tool are well.
            self.guard.beat()
            if sample.monotonic > watched.start_up_until and not in_current_limit(watched, sample):
                self._looked(watched, sample)

    def _judge(self, watched: Watched, sample: PollSample) -> bool:
        """Judge a look. Returns whether to look again at once."""
        if not self.sparing:
            self._keep_strays(watched, sample)
            return judge_look(watched, sample)
        doubtful = judge_damage(watched, sample)
        self._keep_strays(watched, sample)
        with self.doubting():
            doubtful = judge_rest(watched, sample) or doubtful
        return bool(doubtful)

    def _keep_strays(self, watched: Watched, sample: PollSample) -> None:
        if sample.strays:
            data = {"instrument": watched.supply, "strays": "\n".join(sample.strays)}
            self._journal.event("instrument", f"{watched.supply}: lines that answer nothing that was asked", data)

    def _silent(self, watched: Watched, waited: float) -> None:
        takes = self._takes(watched)
        usual = f", where a look took {shown(takes, 's', 2)}" if takes else ""
        with self.doubting():
            count_silent(watched, f"not everything was answered within {shown(waited, 's', 2)}{usual}")

    def _looked(self, watched: Watched, sample: PollSample) -> None:
        try:
            self.on_look(watched, sample)
        except (Ending, LogbookError) as error:
            self.unless_spared(error)


def _late(watched: Watched) -> float:
    """Return when the look under way is late, or late again."""
    return watched.asked + watched.patience * (watched.patience_spent + 1)
