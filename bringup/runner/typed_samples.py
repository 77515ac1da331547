"""Samples of a `log` that a person types, the meter or the supply being by hand: the last one can be put right.

Both stay in the logbook as samples; what the log comes to is worked out again, and acted on as when it was typed first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

from bringup.core.entry import doubts, read_entry
from bringup.core.line import StraightLine
from bringup.core.marks import Marks
from bringup.core.procedure import Log
from bringup.core.quantity import format_reading
from bringup.core.reading import Reading
from bringup.core.replies import Value
from bringup.core.running import Running
from bringup.core.words import UNIT_OF, Kind
from bringup.errors import NotationError
from bringup.runner.claims import cut_if_shown
from bringup.runner.damage import cut_if_damaging
from bringup.runner.endings import Trip
from bringup.runner.log_trace import Trace, instrument_of, summed_anew
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.records import PollSample
from bringup.runner.work import Work


@dataclass(slots=True)
class _Entry:
    trace: Trace
    value: Value
    moment: float
    entered: float


class TypedSamples:
    """What was typed in one log. Moments are monotonic seconds."""

    def __init__(self, work: Work, action: Log, begun: float, marks: Marks) -> None:
        self._work, self._action, self._begun, self._marks = work, action, begun, marks
        self._step = work.this_step.index
        self._entries: list[_Entry] = []
        self.kept: dict[str, dict[str, Reading]] = {}
        """What each channel came to, once the log is over."""

    def add(self, trace: Trace, value: Value, moment: float) -> None:
        """Remember a sample, if a person typed it."""
        role = instrument_of(self._work, trace.channel)
        typed = {"supply": self._work.power.by_hand, "meter": self._work.setup.meter is not None}.get(role, False)
        if role == "meter" and typed:
            typed = self._work.meter.by_hand
        if typed and value.raw:
            self._entries.append(_Entry(trace, value, moment, self._work.waits.clock.monotonic()))

    def typed_last(self) -> float:
        """When one was typed last, or put right; minus infinity: none was."""
        return max((each.entered for each in self._entries), default=-math.inf)

    def correct(self) -> None:
        """Have the one that was typed last typed again; one that looks like a slip is asked for once more."""
        entry = max(self._entries, key=lambda each: each.entered)
        channel, unit = entry.trace.channel, UNIT_OF[entry.trace.channel.kind]
        shown = format_reading(entry.value.number, unit, entry.value.resolution)
        lines: tuple[str, ...] = ()
        doubted = False
        while True:
            asked = f"{channel.text} was typed as {shown}. What is it? (Enter keeps it)"
            text = self._work.waits.answer(Prompt(PromptKind.TEXT, asked, lines, optional=True)).text.strip()
            if not text:
                return
            try:
                typed = read_entry(text, channel.kind)
            except NotationError as error:
                lines = tuple(filter(None, (error.message, error.what_to_do)))
                continue
            if typed.unit != unit:
                lines = (f"{text} is in {typed.unit}, not in {unit}",)
                continue
            slips = doubts(typed, channel.kind, entry.trace.limits)
            if slips and not doubted:
                doubted, lines = True, (f"{text}: {'; '.join(slips)}", "Look again, and type what is shown.")
                continue
            why = "over range" if typed.over_range else ""
            self._put_right(entry, Value(typed.value, text, typed.resolution, typed.over_range, why=why))
            return

    def _put_right(self, entry: _Entry, value: Value) -> None:
        work, channel, was = self._work, entry.trace.channel, entry.value.raw
        entry.value, entry.entered = value, work.waits.clock.monotonic()
        unit = UNIT_OF[channel.kind]
        trip = self._cut(entry, value)
        work.journal.sample(channel.text, unit, value.number, value.raw, entry.moment, step=self._step)
        said = f"{channel.text}: {was} was typed, {value.raw} is right; both are kept"
        work.journal.event("taken-back", said, {"first": was, "then": value.raw})
        self._take_anew(entry.trace)
        if (kept := self.kept.get(channel.text)) and entry.trace.least is not None:
            judging = self._action.judging
            self.kept[channel.text] = summed_anew(work, judging, entry.trace, self._begun, kept)
        if trip is not None:
            raise trip

    def _cut(self, entry: _Entry, value: Value) -> Trip | None:
        """Cut power for what the board does not bear. Returns the Trip."""
        work, channel = self._work, entry.trace.channel
        if instrument_of(work, channel) == "meter":
            return cut_if_damaging(work, channel.point, value)
        if (feed := work.power.feed_of(channel.point)) is None:
            return None
        volts = value.number if channel.kind is Kind.VOLTAGE else None
        amps = value.number if channel.kind is Kind.CURRENT else None
        over = bool(value.over_range)
        return cut_if_shown(work, feed, PollSample(entry.entered, feed.output, volts, amps, over_range=over))

    def _take_anew(self, trace: Trace) -> None:
        """Work out anew what the channel has shown, in place: the log goes on with it."""
        fresh = replace(
            trace, seen=Running(), line=StraightLine(), least=None, most=None, resolution=None, standard=None, missed=0
        )
        for each in self._entries:
            if each.trace is trace:
                fresh.take(each.value, each.moment, self._marks)
        for each_field in fields(trace):
            setattr(trace, each_field.name, getattr(fresh, each_field.name))
