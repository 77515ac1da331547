"""What must stand still in a step that is marked steady: the current of every input that is on, and what is logged.

A creep is told once for each quantity, and ends the attempt only where the step says so: parts warm up, and much that
creeps is in order. What counts as one is core.creep's to say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from bringup.core.creep import Creep, Creeping
from bringup.core.procedure import Step
from bringup.core.replies import Value, read_number
from bringup.core.wording import duration, shown
from bringup.core.words import UNIT_OF, Kind
from bringup.runner.endings import Trip
from bringup.runner.journal import Journal
from bringup.runner.looks import Watched
from bringup.runner.records import PollSample
from bringup.runner.watch import Watch


class Steadiness:
    """Looks for creep in what one step reads. A step that is not steady has nothing looked at."""

    def __init__(self, step: Step, journal: Journal, end: Callable[[Trip], None]) -> None:
        self._step = step
        self._journal = journal
        self._end = end
        """What raises the Trip, unless power is spared now."""
        self._of: dict[str, Creep] = {}
        self._told: set[str] = set()

    def take(self, name: str, kind: Kind, moment: float, value: Value) -> None:
        """Take a reading of something. Raises Trip for a creep where the step ends by it."""
        if self._step.steady is None or value.number is None or name in self._told:
            return
        creep = self._of.setdefault(name, Creep(self._step.steady))
        found = creep.feed(moment, value.number, value.resolution)
        if found is None:
            return
        self._told.add(name)
        text = in_words(name, UNIT_OF[kind], found)
        if self._step.end_on_creep:
            self._end(Trip(text))
            return
        self._journal.event("creep", text, {"quantity": name})

    def look(self, watched: Watched, sample: PollSample) -> None:
        """Take the current of a look at an input."""
        if sample.amps is not None:
            resolution = read_number(sample.amps_raw).resolution if sample.amps_raw else None
            value = Value(sample.amps, sample.amps_raw, resolution)
            self.take(f"{watched.input} current", Kind.CURRENT, sample.monotonic, value)


@contextmanager
def steadily(step: Step, watch: Watch, journal: Journal) -> Iterator[Steadiness]:
    """Have the looks at the supply watched for creep meanwhile."""
    steadiness, before = Steadiness(step, journal, watch.unless_spared), watch.on_look
    watch.on_look = steadiness.look
    try:
        yield steadiness
    finally:
        watch.on_look = before


def in_words(name: str, unit: str, found: Creeping) -> str:
    """Say what creeps, from where to where, and how fast."""
    start, end = shown(found.start, unit, 4), shown(found.end, unit, 4)
    per_minute = shown(abs(found.per_minute), unit, 2)
    way = "up" if found.end > found.start else "down"
    return f"{name} creeps {way}: from {start} to {end} within {duration(found.seconds)}, {per_minute} per minute"
