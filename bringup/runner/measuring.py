"""Taking readings: one at a time, or until they have settled, with a look at the supply beside each.

No value is no value: a meter that is silent, late or talks nonsense gives a Value without a number and the reason.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bringup.core.entry import read_entry
from bringup.core.limits import Limits
from bringup.core.procedure import OnLost
from bringup.core.replies import Value, read_number
from bringup.core.settling import Settler, State
from bringup.core.wording import duration
from bringup.errors import LinkError
from bringup.runner.as_powered import expected_as_powered
from bringup.runner.climb import Climb
from bringup.runner.damage import cut_if_damaging, trip_of
from bringup.runner.feed import Feed
from bringup.runner.held import Wished
from bringup.runner.key_words import LETTERS, TYPED_AT_A_POINT, TYPED_ELSEWHERE
from bringup.runner.looks import Watched, in_current_limit
from bringup.runner.lost_meter import ALONE, SILENT_READINGS, WITH_SOMEBODY
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, PollSample
from bringup.runner.roles import KIND_OF, Function, Trouble
from bringup.runner.still_there import confirmed
from bringup.runner.supply_operations import UNHURRIED
from bringup.runner.sureness import as_sure_as_wanted, fixed_by
from bringup.runner.work import Settled, Work

VOLTS = (Function.DC_VOLTS, Function.AC_VOLTS)
"""What damages at the point when there is too much of it: the RMS value of AC is less than its peak."""
IN_LIMIT = "the supply is in current limit"
"""Why a reading is not judged."""
OVER_RANGES = 2
"""So many over-ranges of a voltage in a row are above what damages: a meter may show one while it finds its range."""
LEAST_STEP = 0.01
"""Seconds between two readings of a meter that answers at once."""


def read_once(
    work: Work, function: Function, point: str, *, around: float | None = None, limits: Limits | None = None
) -> Value:
    """Take one fresh reading. Never raises for a silent meter: the step decides what no value means.

    A meter that is lost is waited for where the step says so, the supply being watched on; else it is left alone for a
    while, longer each time, and has no value meanwhile.
    """
    lost, clock = work.lost, work.waits.clock
    if (why := work.hands.amiss) or (lost.resting(clock.monotonic()) and (why := lost.why)):
        return Value(None, "", why=why)
    value, silent = _ask_meter(work, function, point, around, limits)
    until = clock.monotonic() + (WITH_SOMEBODY if work.setup.ask.attended else ALONE)
    while silent:
        lost.count(clock.monotonic(), silent)
        if not lost.lost or work.this_step.on_lost is not OnLost.WAIT or lost.given_up:
            return value
        if lost.silent == SILENT_READINGS:
            text = f"the meter is lost ({silent}): it is waited for, the supply being watched; q calls off"
            work.journal.event("meter-lost", text, {"point": point})
        if clock.monotonic() >= until:
            lost.given_up = True
            return value
        work.waits.sleep_until(lost.next_try, f"waiting for the meter, asked {lost.silent} times")
        value, silent = _ask_meter(work, function, point, around, limits)
    if lost.lost:
        away = duration(clock.monotonic() - lost.since)
        work.journal.event("meter-back", f"the meter answers again after {away}", {"point": point})
        lost.returns += 1
    lost.answered()
    return value


def _ask_meter(
    work: Work, function: Function, point: str, around: float | None, limits: Limits | None
) -> tuple[Value, str]:
    """Return one reading, and why it was not answered; '' where it was, if only with nonsense."""
    try:
        value, troubles = _answered_by_meter(work, function, point, around, limits)
    except LinkError as error:
        work.journal.event("instrument", f"meter: {error.message}", {"instrument": "meter", "sent": error.sent})
        return Value(None, "", why=error.message), error.message
    work.journal.troubles("meter", troubles)
    if value.number is not None or value.over_range:
        return value, ""
    answers = (None, LinkFault.REFUSED)
    silent = (trouble.text for trouble in troubles if trouble.fault not in answers and not trouble.strays)
    return value, next(silent, "")


def _answered_by_meter(
    work: Work, function: Function, point: str, around: float | None, limits: Limits | None
) -> tuple[Value, tuple[Trouble, ...]]:
    """Ask the meter and wait for it. Raises LinkError.

    A person who reads it may type a key's letter instead: that is acted on, and the question put again.
    """
    move = work.hands.move()
    # An open probe shows as such at 10 megohm only: held by hand, it is read like a dead board.
    dead = bool(work.held.seeking) or not expected_as_powered(work, point, around)
    keys = TYPED_AT_A_POINT if work.held.seeking else TYPED_ELSEWHERE
    while True:
        pending = work.meter.read(
            function, around=around, limits=limits, point=point, move=move, dead=dead, keys=keys, fixed=fixed_by(work)
        )
        value, troubles = work.waits.result(pending, "meter", f"{function} at {point}")
        if not work.meter.by_hand or value.raw not in LETTERS:
            return value, troubles
        work.waits.on_key(value.raw)
        if work.held.wish:
            raise Wished


def settled(
    work: Work,
    function: Function,
    point: str,
    *,
    around: float | None = None,
    limits: Limits | None = None,
    within: float = math.inf,
) -> Settled:
    """Read until successive readings agree; by hand, one reading that the person has waited for.

    `limits`: of this reading; a resistance that keeps climbing is taken once well above its only, lower one. `within`:
    seconds after which it counts as never settled, where that is sooner than usual. A damaging voltage cuts power and
    is returned at once: the caller keeps it and raises its Trip.
    """
    if work.meter.by_hand:
        return _typed(work, function, point, around, limits)
    manner = as_sure_as_wanted(work, function, limits)
    manner = replace(manner, bound=min(manner.bound, within))
    clock, returns = work.waits.clock, work.lost.returns
    course = _Course(Settler(manner), Climb(limits), clock.monotonic())
    pending: Pending[PollSample] | None = None
    while True:
        begun = clock.monotonic()
        pending = pending or look_beside(work, point)
        value = read_once(work, function, point, around=around, limits=limits)
        # A meter that reads on meanwhile settles in its own time, however slow the supply.
        if pending is None or pending.done or work.watch.look_takes <= UNHURRIED:
            course.look(work, point, pending)
            pending = None
        if work.lost.returns != returns:
            course.settler, returns = Settler(manner), work.lost.returns
        if (found := _found(work, function, point, course, value)) is not None:
            if pending is not None and work.power.cut_for is None:
                course.look(work, point, pending)
            return confirmed(work, replace(found, beside=course.beside, limited=course.limited), around)
        if clock.monotonic() - begun < LEAST_STEP:
            work.waits.sleep(LEAST_STEP)


@dataclass(slots=True)
class _Course:
    """What was read so far on the way to a settled value."""

    settler: Settler
    climb: Climb
    started: float
    silent: int = 0
    over: int = 0
    """So many readings in a row without an answer, and over range."""
    limited: bool = False
    beside: PollSample | None = None

    def look(self, work: Work, point: str, pending: Pending[PollSample] | None) -> None:
        """Take in a look at the supply, waiting for it."""
        self.beside = looked(work, pending)
        self.limited = self.limited or limited_at(work, point, self.beside)

    def ends(self, value: Value, spread: tuple[float, float] | None = None, *, rising: bool = False) -> Settled:
        """Return this as what it settled at."""
        return Settled(value, spread, self.beside, self.limited, rising=rising)


def _found(work: Work, function: Function, point: str, course: _Course, value: Value) -> Settled | None:
    """Take one more reading; return what it settled at, if that is known now."""
    # When the reply came, not when this thread got round to it: settling is a matter of milliseconds.
    now = work.waits.clock.monotonic() if value.received is None else value.received
    settler = course.settler
    state = settler.feed(now, value)
    course.silent = 0 if value.number is not None or value.over_range else course.silent + 1
    course.over = course.over + 1 if value.over_range else 0
    trip = trip_of(work, point, value) if function in VOLTS else None
    if trip is not None and (not value.over_range or course.over >= OVER_RANGES):
        work.power.cut(trip)
        return course.ends(value)
    if course.silent >= SILENT_READINGS:
        return course.ends(value)
    if state is State.SETTLED and settler.last is not None:
        repeats = None if settler.scatter is None else (settler.scatter, settler.degrees)
        return course.ends(replace(settler.last, repeats=repeats))
    if function is Function.OHMS and course.climb.enough(value, now - course.started):
        return course.ends(value, rising=True)
    if state is State.NEVER:
        low, high = settler.lowest, settler.highest
        spread = None if low is None or high is None else (low, high)
        return course.ends(settler.last or value, spread)
    return None


def _typed(work: Work, function: Function, point: str, around: float | None, limits: Limits | None) -> Settled:
    """Take what a person reads off the meter, who has waited for it to settle."""
    value = read_once(work, function, point, around=around, limits=limits)
    known = point in work.board.inputs or point in work.board.rails
    if known and function in VOLTS and cut_if_damaging(work, point, value) is not None:
        return Settled(value)
    # A person takes as long as it takes: what stands beside the reading is looked at when it has come.
    beside = looked(work, look_beside(work, point))
    rising = value.number is not None and read_entry(value.raw, KIND_OF[function]).rising
    return Settled(value, None, beside, limited_at(work, point, beside), rising=rising)


def sample_volts(sample: PollSample) -> Value:
    """Return the volts of a look as a value, with the reply as it came."""
    return _value_of(sample, sample.volts, sample.volts_raw)


def sample_amps(sample: PollSample) -> Value:
    """Return the amps of a look as a value, with the reply as it came."""
    return _value_of(sample, sample.amps, sample.amps_raw)


def _value_of(sample: PollSample, number: float | None, raw: str) -> Value:
    resolution = read_number(raw).resolution if raw and number is not None else None
    why = ""
    if number is None:
        why = "over range" if sample.over_range else str(sample.fault or "the supply gave no value")
    return Value(number, raw or ("" if number is None else repr(number)), resolution, why=why)


def feed_beside(work: Work, point: str) -> Feed | None:
    """Return the feed that a reading at this point depends on; None if nothing that is known to be on."""
    name = work.board.input_of(point)
    if name is not None:
        return work.power.feed_of(name)
    return work.power.on[0] if len(work.power.on) == 1 else None


def watched_at(work: Work, point: str) -> Watched | None:
    """Return how the input that feeds the point is watched; None where that is not known, or it is off."""
    name = work.board.input_of(point)
    feed = None if name is None else work.power.feed_of(name)
    return None if feed is None else work.watch.of(feed.output)


def look_beside(work: Work, point: str) -> Pending[PollSample] | None:
    """Ask the supply at the same moment as the meter, so that it costs no time."""
    feed = feed_beside(work, point)
    return None if feed is None else work.watch.look(feed.output)


def looked(work: Work, pending: Pending[PollSample] | None) -> PollSample | None:
    """Return the look; None if it does not come: the watch counts silent looks, a reading has nothing beside it."""
    if pending is None:
        return None
    try:
        return work.waits.result(pending, "supply", "a look beside a reading")
    except LinkError:
        return None


def limited_at(work: Work, point: str, beside: PollSample | None) -> bool:
    """Whether the look shows the input that a reading at this point depends on in current limit."""
    feed = feed_beside(work, point)
    watched = None if feed is None else work.watch.of(feed.output)
    return watched is not None and beside is not None and in_current_limit(watched, beside)
