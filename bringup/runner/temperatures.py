"""Temperatures beside a `log`: typed by a person when they are due, or read by the meter with a sensor.

Nothing waits for what is typed: samples go on meanwhile, for hours, and the key `t` brings the question when somebody
is there. Only at the end of the log the last ones are waited for, the supply being watched. What was typed last can be
put right while the log goes on and afterwards; the wrong samples stay in the logbook.
"""

from __future__ import annotations

import math

from bringup.core.beside_log import Temperature
from bringup.core.marks import Marks
from bringup.core.procedure import Log
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.replies import Value
from bringup.core.wording import listed
from bringup.runner.in_volts import not_in_volts
from bringup.runner.key_words import CORRECT
from bringup.runner.log_trace import Trace, summed_anew
from bringup.runner.measuring import read_once
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.roles import Function
from bringup.runner.temperature_sums import (
    UNIT,
    Entry,
    asked_again,
    named,
    outside,
    read_temperature,
    sum_up,
    trace_of,
)
from bringup.runner.wait import Offer
from bringup.runner.work import Work

JUMP = 15.0
"""degC by which one differs from the last so much that it is asked once more (common practice, no source)."""
ROOM = 23.0
"""degC that a simulated person types where `--ambient` states none."""
LOOK_AGAIN = "Look again, and type what is shown."


class Temperatures:
    """All temperatures of one log. Moments are monotonic seconds."""

    def __init__(self, work: Work, action: Log, begun: float, marks: Marks) -> None:
        self._work, self._action, self._begun, self._marks = work, action, begun, marks
        self._every = math.inf if action.temperatures_every is None else action.temperatures_every.number
        self._end = begun + action.duration.number
        self._next = begun if action.temperatures else math.inf
        self._traces: dict[str, Trace] = {each.spot: trace_of(work, each) for each in action.temperatures}
        self._due: list[Temperature] = []
        """To be typed."""
        self._entries: list[Entry] = []
        self._wrong: Entry | None = None
        """What the question on the screen puts right; None: it is about what is due."""
        self._resumed = False
        """Whether what is due is asked for once that was put right."""
        self._kept: dict[str, dict[str, Reading]] = {}
        """What each came to, once the log is over."""
        self._step = work.this_step.index
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
            kept = sum_up(self._work, self._action, each, self._traces[each.spot], self._begun)
            self._kept[each.spot] = kept

    # putting right

    def typed_last(self) -> float:
        """When one was typed last, or put right; minus infinity: none was."""
        return max((each.entered for each in self._entries), default=-math.inf)

    def correct(self) -> None:
        """Have the one that was typed last typed again."""
        entry = max(self._entries, key=lambda each: each.entered)
        if not self._kept:
            self._put_right_meanwhile(entry)
            return
        remark: tuple[str, ...] = ()
        while text := self._work.waits.answer(asked_again(entry, remark)).text.strip():
            if not (remark := self._put_right(entry, text)):
                return

    def _put_right_meanwhile(self, entry: Entry, *, remark: tuple[str, ...] = ()) -> None:
        self._resumed = self._resumed or (self._offer is not None and self._work.waits.stands(self._offer))
        self._wrong = entry
        self._offer = self._work.waits.put(asked_again(entry, remark))

    def _put_right(self, entry: Entry, text: str) -> tuple[str, ...]:
        """Take the right one in its place; return what is wrong with it, where it is to be typed again."""
        value = read_temperature(text)
        if not isinstance(value, Value):
            return value
        if text != self._doubted and (doubt := outside(value)):
            self._doubted = text
            return (f"{text}: {doubt}", LOOK_AGAIN)
        self._doubted = ""
        work, each, was = self._work, entry.of, entry.value.raw
        entry.value, entry.entered = value, work.waits.clock.monotonic()
        work.journal.sample(each.text, UNIT, value.number, text, entry.moment, step=self._step)
        said = f"{each.text}: {was} was typed, {text} is right; both are kept"
        work.journal.event("taken-back", said, {"first": was, "then": text})
        trace = self._traces[each.spot] = trace_of(work, each, self._traces[each.spot])
        for other in self._entries:
            if other.of == each:
                trace.take(other.value, other.moment, self._marks)
        if self._kept:
            self._kept[each.spot] = summed_anew(
                work, named(self._action, each.text), trace, self._begun, self._kept[each.spot]
            )
        return ()

    # one round

    def _round(self, *, last: bool) -> None:
        """Read what the meter reads; say that the others are due."""
        self._read_by_meter()
        still_open = self._offer is not None and self._work.waits.stands(self._offer)
        asked = self._due[:1] if still_open and self._wrong is None else []
        missed = [each.spot for each in self._due if each not in asked]
        # What is on the screen stays what it is about: the answer to it may be half typed.
        self._due = asked + [each for each in self._action.temperatures if not each.by_meter and each not in asked]
        if missed:
            self._work.journal.event("untyped", f"nobody typed the temperature of {listed(missed)} when it was due")
        if not self._due:
            return
        if still_open:
            self._resumed = self._resumed or (last and self._wrong is not None)
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
                    self._offer = self._wrong = None  # another question took its place; the key brings it back
                return False
            self._offer = None
            typed, wrong, self._wrong = offer.pending.value().text.strip(), self._wrong, None
            if wrong is not None:
                if typed and (remark := self._put_right(wrong, typed)):
                    self._put_right_meanwhile(wrong, remark=remark)
                elif self._resumed and self._due:
                    self._resumed = False
                    self._ask()
                continue
            if typed == CORRECT and self._entries:
                self._resumed = True
                self.correct()
                continue
            if not typed:
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
        value = read_temperature(text)
        if not isinstance(value, Value):
            return value
        if text != self._doubted and (doubt := self._doubt(each, value)):
            self._doubted = text
            return (f"{text}: {doubt}", LOOK_AGAIN)
        self._doubted = ""
        moment = self._work.waits.clock.monotonic()
        self._take(each, value, moment)
        self._entries.append(Entry(each, value, moment, moment))
        return ()

    def _doubt(self, each: Temperature, value: Value) -> str:
        line = self._traces[each.spot].seen
        if not (why := outside(value)) and line.count and abs((value.number or 0.0) - line.mean) > JUMP:
            return f"far from the {line.mean:.1f} °C that it was so far"
        return why
