"""Temperatures beside a `log`: typed by a person when they are due, or read by the meter with a sensor.

Nothing waits for what is typed: samples go on meanwhile, for hours, and the key `t` brings the question when somebody
is there. Only at the end of the log the last ones are waited for, the supply being watched.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from bringup.core.beside_log import Temperature
from bringup.core.entry import read_entry
from bringup.core.limits import Limits
from bringup.core.marks import Marks
from bringup.core.procedure import Channel, Log
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.statistics_of_log import MAXIMUM, MINIMUM
from bringup.core.wording import listed
from bringup.core.words import UNIT_OF, How, Kind, LimitsFrom
from bringup.errors import NotationError
from bringup.runner.in_volts import not_in_volts
from bringup.runner.log_trace import JudgeOf, Trace, derived, when
from bringup.runner.measuring import read_once
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.roles import Function
from bringup.runner.wait import Offer
from bringup.runner.work import Judged, Work

UNIT = UNIT_OF[Kind.TEMPERATURE]
LOWEST, HIGHEST = -60.0, 100.0
"""degC between which most spots on a board at work lie (common practice, no source); beyond, it is asked once more."""
JUMP = 15.0
"""degC by which one differs from the last so much that it is asked once more (common practice, no source)."""
ROOM = 23.0
"""degC that a simulated person types where `--ambient` states none."""


class Temperatures:
    """All temperatures of one log. Moments are monotonic seconds."""

    def __init__(self, work: Work, action: Log, begun: float, marks: Marks) -> None:
        self._work, self._action, self._begun, self._marks = work, action, begun, marks
        self._every = math.inf if action.temperatures_every is None else action.temperatures_every.number
        self._end = begun + action.duration.number
        self._next = begun if action.temperatures else math.inf
        self._traces: dict[str, Trace] = {each.spot: _trace(work, each) for each in action.temperatures}
        self._due: list[Temperature] = []
        """To be typed."""
        self._offer: Offer | None = None
        self._doubted = ""
        """What was typed and looked like a slip."""
        self._read = any(each.by_meter for each in action.temperatures)
        self._fitted = False

    @property
    def next_due(self) -> float:
        """When the next are due; infinite: no more are."""
        return self._next

    def wait_until(self, until: float) -> None:
        """Wait until then, or until the question that is open was answered."""
        if self._offer is None:
            self._work.waits.sleep_until(until)
        else:
            self._work.waits.until_answered(self._offer, until)

    def serve(self) -> None:
        """Take an answer that has come; read and ask for what is due."""
        self._take_answer()
        now = self._work.waits.clock.monotonic()
        if now < self._next:
            return
        while self._next <= now:
            self._next += self._every
        if self._next >= self._end:
            self._next = math.inf  # the last ones are asked for at the end
        self._round(last=False)

    def press(self) -> None:
        """Put the question, by the key: of what is due, else of all that is typed."""
        self._due = self._due or [each for each in self._action.temperatures if not each.by_meter]
        if not self._due:
            self._work.journal.show("event", "t: the meter reads the temperatures of this log", kind="key")
        elif self._offer is None or not self._work.waits.stands(self._offer):
            self._ask()

    def finish(self) -> None:
        """At the end of the log: read the last ones, and wait for those that a person types."""
        if not self._action.temperatures:
            return
        self._next = math.inf
        self._round(last=True)
        while self._due:
            open_now = self._offer is not None and self._work.waits.stands(self._offer)
            offer = self._offer if open_now and self._offer is not None else self._ask()
            self._work.waits.until_answered(offer, math.inf)
            if self._take_answer():
                self._due.pop(0)  # there will be no other time for it
        # Only here: whatever ends a log otherwise switches the outputs off before all else.
        self._back_in_volts()

    def close(self) -> None:
        """Take the question off the screen."""
        if self._offer is not None:
            self._work.waits.take_back(self._offer)
            self._offer = None

    def sum_up(self) -> None:
        """Keep the statistics of each, judged by the limits that stand under its name."""
        for each in self._action.temperatures:
            _sum_up(self._work, self._action, each, self._traces[each.spot], self._begun)

    # one round

    def _round(self, *, last: bool) -> None:
        """Read what the meter reads; say that the others are due."""
        self._read_by_meter()
        still_open = self._offer is not None and self._work.waits.stands(self._offer)
        asked = self._due[:1] if still_open else []
        missed = [each.spot for each in self._due if each not in asked]
        # What is on the screen stays what it is about: the answer to it may be half typed.
        self._due = asked + [each for each in self._action.temperatures if not each.by_meter and each not in asked]
        if missed:
            self._work.journal.event("untyped", f"nobody typed the temperature of {listed(missed)} when it was due")
        if not self._due:
            return
        if still_open:
            return
        if last or not self._work.waits.attended:
            self._ask()
            return
        text = f"temperature of {listed(each.spot for each in self._due)} is due: t types it, samples go on"
        self._work.journal.show("event", text, kind="due")

    def _read_by_meter(self) -> None:
        work = self._work
        for each in self._action.temperatures:
            if not each.by_meter:
                continue
            if not self._fitted and work.setup.bench.probing_by_hand:
                text = f"Meter's leads off the board, on the temperature sensor at {each.spot}"
                work.waits.answer(Prompt(PromptKind.GO, text, suggestion="done"))
            self._fitted = True
            moment = work.waits.clock.monotonic()
            self._take(each, read_once(work, Function.TEMPERATURE, each.spot), moment)

    def _take(self, each: Temperature, value: Value, moment: float) -> None:
        self._work.journal.sample(each.text, UNIT, value.number, value.raw, moment)
        self._traces[each.spot].take(value, moment, self._marks)

    def _back_in_volts(self) -> None:
        """Have the meter in volts again, where it was on a sensor."""
        if self._fitted and (why := not_in_volts(self._work.setup.meter, self._work.waits, self._work.journal)):
            self._work.journal.event("instrument", f"the meter is not known to be back in volts: {why}")

    # what is typed

    def _ask(self, *lines: str) -> Offer:
        each, ambient = self._due[0], self._work.setup.ambient
        text = f"Temperature of {each.spot}, in °C? (Enter alone: not now)"
        suggestion = format_quantity(ROOM if ambient is None else ambient, UNIT)
        prompt = Prompt(PromptKind.TEXT, text, lines, unit=UNIT, suggestion=suggestion, optional=True)
        offer = self._offer = self._work.waits.put(prompt)
        return offer

    def _take_answer(self) -> bool:
        """Take what was typed, and ask for the next one. Returns whether Enter alone left the rest for later."""
        while (offer := self._offer) is not None:
            if not offer.pending.done:
                if not self._work.waits.stands(offer):
                    self._offer = None  # another question took its place; the key brings it back
                return False
            self._offer = None
            if not (typed := offer.pending.value().text.strip()):
                return True
            if remark := self._typed(self._due[0], typed):
                self._ask(*remark)
                continue
            self._due.pop(0)
            if self._due:
                self._ask()
        return False

    def _typed(self, each: Temperature, text: str) -> tuple[str, ...]:
        """Take what was typed of a spot; return what is wrong with it, where it is to be typed again."""
        try:
            entry = read_entry(text, Kind.TEMPERATURE)
        except NotationError as error:
            return (error.message, *filter(None, (error.what_to_do,)))
        if entry.unit != UNIT or entry.value is None:
            return (f"{text} is no temperature in °C",)
        if text != self._doubted and (doubt := self._doubt(each, entry.value)):
            self._doubted = text
            return (f"{text}: {doubt}", "Look again, and type what is shown.")
        self._doubted = ""
        self._take(each, Value(entry.value, text, entry.resolution), self._work.waits.clock.monotonic())
        return ()

    def _doubt(self, each: Temperature, value: float) -> str:
        if not LOWEST <= value <= HIGHEST:
            return f"outside {LOWEST:g} °C .. {HIGHEST:g} °C"
        line = self._traces[each.spot].seen
        if line.count and abs(value - line.mean) > JUMP:
            return f"far from the {line.mean:.1f} °C that it was so far"
        return ""


def _trace(work: Work, each: Temperature) -> Trace:
    return Trace(Channel(each.spot, Kind.TEMPERATURE, each.text), None, work.this_step.expect.get(each.text))


def _named(action: Log, text: str) -> Mapping[str, Mapping[str, Limits]]:
    """Return what is judged of this one; limits without a name are for what the log follows."""
    return {statistic: {text: of[text]} for statistic, of in action.judging.items() if text in of}


def _sum_up(work: Work, action: Log, each: Temperature, trace: Trace, begun: float) -> None:
    limits = work.this_step.expect.get(each.text)
    origin = LimitsFrom.NONE if limits is None else LimitsFrom.PROCEDURE
    instrument = "meter" if each.by_meter else "person"
    least, most = trace.least, trace.most
    if trace.missed:
        work.tally.missing.append(f"{each.text}: {trace.missed} of {trace.missed + trace.seen.count} have no value")
    if least is None or most is None:
        why = "the meter gave none" if each.by_meter else "nobody typed it"
        nothing = Value(None, "", why=why)
        work.keep(
            None, Kind.TEMPERATURE, nothing, Judged(limits, origin), instrument=instrument, aspect=f"at {each.spot}"
        )
        return
    judging = _named(action, each.text)
    judge = JudgeOf(judging, trace.channel, Judged(limits, origin), limited=False)
    how = How.READ if each.by_meter and not work.meter.by_hand else How.TYPED
    for aspect, value, moment, mark in (
        (MINIMUM, least, trace.least_at, trace.least_mark),
        (MAXIMUM, most, trace.most_at, trace.most_mark),
    ):
        judged, name = judge.of(aspect, when(moment - begun, mark)), f"{aspect} at {each.spot}"
        work.keep(None, Kind.TEMPERATURE, value, judged, instrument=instrument, how=how, aspect=name, at=moment)
    for aspect, value in derived(trace, judging):
        name = f"{aspect} at {each.spot}"
        work.keep(
            None, Kind.TEMPERATURE, value, judge.of(aspect, ""), instrument=instrument, how=How.DERIVED, aspect=name
        )
