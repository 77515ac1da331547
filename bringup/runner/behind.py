"""The rails behind an input whose current was not as expected: read before it goes off, where that can do no harm.

The current alone says that something is wrong; a rail says where. So an input that draws less than the trip level and
is not in current limit stays on for a few seconds more, watched as ever, while a meter that needs nobody's hands reads
the rails in the order in which they feed each other. The first that is wrong is enough: then it goes off.
"""

from __future__ import annotations

from bringup.core.arming import LOOK_BEHIND, Purpose, Stage
from bringup.core.board import Rail
from bringup.core.budget import downstream, lowest_working, maker_of
from bringup.core.expectation import voltage_limits
from bringup.core.reading import Reading
from bringup.core.settling import manner_of
from bringup.core.verdict import sentence
from bringup.core.wording import listed, shown
from bringup.core.words import FAILED, PASSED, Kind, Result
from bringup.runner.actions.measure import below_minimum_load
from bringup.runner.damage import spoiled, trip_if_damaging
from bringup.runner.feed import Feed
from bringup.runner.looks import in_current_limit
from bringup.runner.measuring import IN_LIMIT, settled
from bringup.runner.records import PollSample
from bringup.runner.roles import Function
from bringup.runner.sureness import around_of
from bringup.runner.work import Judged, Work

LEAST_LEFT = 1.0
"""Seconds, and what a look at the supply takes, without which a rail is not begun: it could not settle in less."""
NEARLY = 0.95
"""Cut short is what had less than this part of the time that a voltage may take to settle."""
CUT_SHORT = "the time for looking behind the input ended before it settled"
"""Why a reading is not judged."""


def may_look(work: Work, feed: Feed, stage: Stage, sample: PollSample, current: Reading) -> bool:
    """Whether an input that missed its current may stay on for a look: not limited, well-behaved, nobody's hands."""
    watched = work.watch.of(feed.output)
    if watched is None or in_current_limit(watched, sample) or feed.trip_current is None:
        return False
    amps = [abs(each) for each in (current.value, current.lowest, current.highest) if each is not None]
    harmless = stage.purpose is not Purpose.SHORT_CHECK and bool(amps) and max(amps) < feed.trip_current
    reads = work.setup.meter is not None and not work.meter.by_hand
    reads = reads and bool(_reached(work, feed))
    return current.result in FAILED and harmless and reads


def look_behind(work: Work, feed: Feed, stage: Stage, current: Reading) -> None:
    """Read the rails behind the input until one is wrong or the time is up, and say so beside the missed current."""
    rails = _reached(work, feed)
    if not rails or feed.trip_current is None or current.value is None:
        return
    drawn, most = shown(abs(current.value), "A"), shown(feed.trip_current, "A")
    text = (
        f"{feed.input} draws {drawn}, below the trip level of {most} and not in current limit: "
        f"left on for {LOOK_BEHIND:g} s at most to read the rails behind it"
    )
    work.journal.event("look-behind", text, {"input": feed.input})
    until = work.waits.clock.monotonic() + LOOK_BEHIND
    good: list[str] = []
    for rail in rails:
        left = until - work.waits.clock.monotonic()
        if left < LEAST_LEFT + work.watch.look_takes:
            break
        reading = _read(work, feed, stage, rail, left)
        if reading.result in FAILED:
            work.tally.failed.remove(sentence(reading))
            _add(work, current, f"behind it {sentence(reading)}")
            return
        if reading.result is Result.NO_VALUE:
            break
        good += [rail.name] if reading.result in PASSED else []
    _add(work, current, f"behind it {listed(good)} read as they should" if good else "")


def _reached(work: Work, feed: Feed) -> list[Rail]:
    """Return the rails behind the input that are read without anybody's hands."""
    rails = downstream(work.board, feed.input)
    return [rail for rail in rails if rail.probe and not work.setup.bench.probed_by_hand(rail.name)]


def _add(work: Work, current: Reading, text: str) -> None:
    """Put what was found behind the input beside its missed current."""
    said = sentence(current)
    if text:
        work.tally.failed[:] = [f"{each}; {text}" if each == said else each for each in work.tally.failed]


def _read(work: Work, feed: Feed, stage: Stage, rail: Rail, within: float) -> Reading:
    limits, limits_from = voltage_limits(work.board, rail.name)
    work.hands.probe(rail.name)
    found = settled(work, Function.DC_VOLTS, rail.name, around=around_of(limits), within=within)
    judged = Judged(limits, limits_from)
    if spoiled(work, rail.name, found):
        judged = Judged(limits, limits_from, Result.NOT_JUDGED, IN_LIMIT)
    elif reason := below_minimum_load(work, rail.name):
        judged = Judged(limits, limits_from, Result.NOT_JUDGED, reason)
    elif found.spread is not None and within < NEARLY * manner_of(Kind.VOLTAGE).bound:
        judged = Judged(limits, limits_from, Result.NOT_JUDGED, CUT_SHORT)
    elif not _should_be_there(work, feed, stage, rail):
        judged = Judged(result=Result.RECORDED)  # it need not stand still before its converter runs
    aspect = f"with {feed.input} at {shown(stage.volts, 'V')}"
    reading = work.keep_settled(rail.name, Kind.VOLTAGE, found, judged, aspect=aspect)
    trip_if_damaging(work, rail.name, found.value)
    return reading


def _should_be_there(work: Work, feed: Feed, stage: Stage, rail: Rail) -> bool:
    """Whether the rail's limits hold at this stage: a converter makes it, or the input is at its own voltage."""
    if stage.purpose is Purpose.FINAL:
        return True
    made = maker_of(work.board, rail) is not None
    return made and abs(stage.volts) >= lowest_working(work.board, feed.input)
