"""One quantity that a `log` follows: what it has shown so far, without keeping the samples, and what that comes to.

Memory does not grow with the log: sums, the extremes with their moments, and the line through the samples are carried
on from sample to sample. The samples themselves are in the logbook.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from bringup.core.expectation import limits_of
from bringup.core.limits import Limits
from bringup.core.line import StraightLine
from bringup.core.marks import Marks
from bringup.core.placement import loosened
from bringup.core.procedure import Channel, Log
from bringup.core.reading import Reading, new_id
from bringup.core.replies import Value
from bringup.core.running import Running
from bringup.core.safety_bench import by_meter
from bringup.core.statistics_of_log import (
    DEVIATION,
    HOUR,
    JUDGED_AS_SAMPLES,
    MAXIMUM,
    MEAN,
    MINIMUM,
    PEAK_TO_PEAK,
    SLOPE,
    Judging,
    deviation_resolution,
    mean_resolution,
    own_limits,
    slope_resolution,
)
from bringup.core.wording import duration
from bringup.core.words import How, LimitsFrom, Result
from bringup.runner.astray import Astray, drawn_by
from bringup.runner.still_there import proves_itself
from bringup.runner.uncertain import anew
from bringup.runner.work import RECORDED, Judged, Work, judged_result

AT_LOAD = " at the load"
"""Added to the statistics of what the load reads: the meter may follow the same rail."""


@dataclass(slots=True)
class Trace:
    """What a channel has shown so far."""

    channel: Channel
    around: float | None
    limits: Limits | None
    collapse: float | None = None
    """Volts below which a rail that stood has collapsed."""
    stood: bool = False
    low: int = 0
    """How many samples in a row were below that."""
    seen: Running = field(default_factory=Running)
    line: StraightLine = field(default_factory=StraightLine)
    least: Value | None = None
    most: Value | None = None
    least_at: float = 0.0
    most_at: float = 0.0
    """Monotonic seconds of their samples, the first ones where several are alike."""
    least_mark: str = ""
    most_mark: str = ""
    """Behind which mark they lie, and how far, in words."""
    resolution: float | None = None
    """Weight of the last digit of the finest reply, for some instruments leave zeros at the end out; None: unknown."""
    standard: float | None = None
    """Largest standard uncertainty of a sample that was worked out (watts); None: not known, or samples are read."""
    missed: int = 0
    limited: bool = False
    shared: bool = False
    """Whether the meter goes to other points between two samples: each that may be of another was asked about."""
    astray: Astray | None = None
    """Looks for samples that stay outside the limits; None: the log goes on whatever is read."""

    @property
    def certain(self) -> bool:
        """Whether it has failed for certain, so that the log need not go on."""
        return self.astray is not None and self.astray.certain

    def take(self, value: Value, moment: float, marks: Marks) -> None:
        """Take one sample of that moment (monotonic seconds), with or without a value."""
        if value.number is None:
            self.missed += 1
            return
        self.resolution = min((each for each in (self.resolution, value.resolution) if each), default=None)
        if value.standard is not None:
            self.standard = max(value.standard, self.standard or 0.0)
        self.seen.add(value.number)
        self.line.add(moment, value.number)
        if self.least is None or self.least.number is None or value.number < self.least.number:
            self.least, self.least_at, self.least_mark = value, moment, marks.behind(moment)
        if self.most is None or self.most.number is None or value.number > self.most.number:
            self.most, self.most_at, self.most_mark = value, moment, marks.behind(moment)


def instrument_of(work: Work, channel: Channel) -> str:
    """Return the role that reads it."""
    if channel.by_load:
        return "load"
    return "supply" if channel.point in work.board.inputs else "meter"


def believed(work: Work, trace: Trace) -> bool:
    """Whether what the meter read came from the point; else `work.hands.amiss` says why not."""
    ends = [each for each in (trace.least, trace.most) if each is not None]
    if (
        trace.shared
        or not by_meter(trace.channel, work.board)
        or not ends
        or all(proves_itself(each, trace.around) for each in ends)
    ):
        return True
    return not work.hands.confirm()


def sum_up(work: Work, action: Log, trace: Trace, begun: float) -> dict[str, Reading]:
    """Keep the statistics, each judged by limits of its own; else what lies among the samples as they are.

    Returns them by name; nothing where there are none.
    """
    channel = trace.channel
    limits, origin = limits_of(work.this_step, channel.text, work.board, work.state)
    limits = loosened(work.lacking.known, channel.point, channel.kind, limits)
    if limits is not None and trace.least is not None:
        limits = drawn_by(work.board, channel, limits, trace.least)
    instrument = instrument_of(work, channel)
    by_hand = {"supply": work.power.by_hand, "load": False}.get(instrument)
    by_hand = work.meter.by_hand if by_hand is None else by_hand
    if not believed(work, trace):
        work.tally.missing.append(f"{channel.text}: {work.hands.amiss}")
        nothing = Value(None, "", why=work.hands.amiss)
        work.keep(channel.point, channel.kind, nothing, Judged(limits, origin), instrument=instrument)
        return {}
    if trace.missed:
        total = trace.missed + trace.seen.count
        work.tally.missing.append(f"{channel.text}: {trace.missed} of {total} samples have no value")
    least, most = trace.least, trace.most
    if least is None or most is None:
        nothing = Value(None, "", why="no sample has a value")
        work.keep(channel.point, channel.kind, nothing, Judged(limits, origin), instrument=instrument)
        return {}
    if trace.limited:
        work.tally.missing.append(f"{channel.text}: the supply was in current limit")
    judge = JudgeOf(action.judging, channel, Judged(limits, origin), limited=trace.limited)
    how = How.TYPED if by_hand else How.READ
    place = AT_LOAD if channel.by_load else ""
    return {
        aspect: work.keep(
            channel.point,
            channel.kind,
            value,
            judge.of(aspect, note),
            instrument=instrument,
            how=How.DERIVED if at is None else how,
            aspect=aspect + place,
            at=at,
        )
        for aspect, value, note, at in statistics(trace, action.judging, begun)
    }


def statistics(trace: Trace, judging: Judging, begun: float) -> Iterator[tuple[str, Value, str, float | None]]:
    """Yield each statistic with its value, what there is to say of it, and its moment where it has one."""
    assert trace.least is not None
    assert trace.most is not None
    yield MINIMUM, trace.least, when(trace.least_at - begun, trace.least_mark), trace.least_at
    yield MAXIMUM, trace.most, when(trace.most_at - begun, trace.most_mark), trace.most_at
    for aspect, value in derived(trace, judging):
        yield aspect, value, "", None


def summed_anew(
    work: Work, judging: Judging, trace: Trace, begun: float, kept: Mapping[str, Reading]
) -> dict[str, Reading]:
    """Keep the statistics again in the place of those that one wrong sample was in."""
    now = dict(kept)
    for aspect, value, note, _ in statistics(trace, judging, begun):
        if (old := kept.get(aspect)) is None:
            continue
        at, monotonic = work.journal.now()
        judged = Judged(old.limits, old.limits_from, Result.NOT_JUDGED if old.result is Result.NOT_JUDGED else None)
        new = replace(
            old,
            id=new_id(),
            replaces=old.id,
            value=value.number,
            raw=value.raw,
            resolution=value.resolution,
            result=judged_result(value, judged, unsettled=False),
            note=note or value.why,
            at=at,
            monotonic=monotonic,
        )
        now[aspect] = anew(work, new, value, None)
        work.replace(old, now[aspect])
    return now


def when(after: float, mark: str) -> str:
    """Say when an extreme fell, in seconds from the start, and behind which mark."""
    return ", ".join(filter(None, (f"at {duration(round(after, 3))}", mark)))


@dataclass(slots=True)
class JudgeOf:
    """By what each statistic of a channel is judged."""

    judging: Judging
    channel: Channel
    as_samples: Judged
    limited: bool

    def of(self, statistic: str, note: str) -> Judged:
        """Return it for one statistic, with what there is to say of it."""
        limits, origin = own_limits(self.judging, statistic, self.channel.text), LimitsFrom.PROCEDURE
        if limits is None and statistic in JUDGED_AS_SAMPLES:
            limits, origin = self.as_samples.limits, self.as_samples.limits_from
        if self.limited and statistic in JUDGED_AS_SAMPLES:
            said = "; ".join(filter(None, ("the supply was in current limit", note)))
            return Judged(limits, origin, Result.NOT_JUDGED, said)
        if limits is None:
            return Judged(note=note) if note else RECORDED
        result = Result.NOT_JUDGED if self.limited else None
        return Judged(limits, origin, result, note)


def derived(trace: Trace, judging: Judging) -> list[tuple[str, Value]]:
    """Return what is computed from the samples; a statistic that is judged has no value rather than none at all."""
    seen, resolution, text = trace.seen, trace.resolution, trace.channel.text
    assert trace.least is not None
    assert trace.most is not None
    deviation = seen.deviation
    repeats = None if deviation is None else (deviation / math.sqrt(seen.count), seen.count - 1)
    digit = mean_resolution(deviation, resolution)
    # What the instruments are off by they are off by in every sample: a mean is no surer of that than each.
    sure = None if trace.standard is None else math.hypot(trace.standard, 0.0 if repeats is None else repeats[0])
    found = [(MEAN, Value(seen.mean, f"mean of {seen.count} samples", digit, standard=sure, repeats=repeats))]
    if deviation is not None:
        digit = deviation_resolution(deviation, resolution)
        found.append((DEVIATION, Value(deviation, f"of {seen.count} samples", digit)))
    assert trace.least.number is not None
    assert trace.most.number is not None
    if seen.count > 1:
        found.append((PEAK_TO_PEAK, Value(trace.most.number - trace.least.number, "maximum - minimum", resolution)))
    if (slope := trace.line.slope) is not None:
        raw = f"least squares over {duration(trace.line.span)}"
        found.append((SLOPE, Value(slope * HOUR, raw, slope_resolution(trace.line, resolution))))
    named = {aspect for aspect, _ in found}
    wanted = [each for each in (DEVIATION, PEAK_TO_PEAK, SLOPE) if each not in named]
    return found + [
        (each, Value(None, "", why="takes two samples")) for each in wanted if own_limits(judging, each, text)
    ]
