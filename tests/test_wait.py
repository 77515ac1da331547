"""The wait point: what every wait wakes for, and what nothing may hold up."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import pytest

from bringup.errors import LinkError
from bringup.runner.endings import BrokenOff, CalledOff, Interrupted, MissingEvidence, Slept, SupplyLost, Trip
from bringup.runner.journal import Journal
from bringup.runner.looks import Watched
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.protocols import Told
from bringup.runner.records import Interruption, PollSample
from bringup.runner.wait import WaitPoint
from bringup.runner.watch import Watch
from bringup.simulation.clock import SimulatedClock
from tests.fakes import RecordFake, SupplyFake


@dataclass
class AskFake:
    """Answers when told to; keys are pressed by the test."""

    clock: SimulatedClock
    questions: list[Prompt] = field(default_factory=list)
    keys: deque[str] = field(default_factory=deque)
    withdrawn: int = 0
    open: Pending[Answer] | None = None
    attended: bool = True

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        self.questions.append(prompt)
        self.open = Pending(math.inf, self.clock.wake)
        return self.open

    def withdraw(self) -> None:
        self.withdrawn += 1
        self.open = None

    def key(self) -> str | None:
        return self.keys.popleft() if self.keys else None

    def answer_at(self, time: float, text: str) -> None:
        def answer() -> None:
            assert self.open is not None
            self.open.settle(Answer(text))

        self.clock.at(time, answer, wakes=False)

    def press_at(self, time: float, key: str) -> None:
        self.clock.at(time, lambda: self.keys.append(key))


class SleepyClock(SimulatedClock):
    """A computer that goes to sleep: the monotonic clock misses it, or jumps; its wall clock can be set."""

    def __init__(self) -> None:
        super().__init__()
        self.slept = 0.0
        self.sleep_at = math.inf
        self.monotonic_stops = True
        self.set_forward = 0.0

    def asleep(self) -> float:
        return self.slept

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.slept + self.set_forward)

    def pass_time(self, seconds: float) -> None:
        """Time goes by while nobody waits: in a commit, or while the process is stopped."""
        self._now += seconds

    def wait(self, until: float) -> None:
        super().wait(until)
        if self.monotonic() >= self.sleep_at:
            self.sleep_at = math.inf
            if self.monotonic_stops:
                self.slept = 600.0
            else:
                self._now += 600.0


class Desk:
    """A wait point with everything around it."""

    def __init__(self, clock: SimulatedClock | None = None) -> None:
        self.clock = clock or SimulatedClock()
        self.told: list[Told] = []
        self.record = RecordFake(clock=self.clock)
        self.ask = AskFake(self.clock)
        self.supply = SupplyFake(self.clock)
        self.journal = Journal(self.record, self.told.append, self.clock)
        self.watch = Watch(self.supply, self.clock, self.journal, 0.2)
        self.waits = WaitPoint(self.clock, self.ask, self.journal, self.watch)

    def switch_on(self, **changes: float) -> Watched:
        watched = Watched(output=1, input="VIN", set_volts=24.0, set_amps=0.4, limit_time=0.3, **changes)  # type: ignore[arg-type]
        self.watch.add(watched)
        return watched

    def later(self, seconds: float, value: str = "value", deadline: float = 5.0) -> Pending[str]:
        pending: Pending[str] = Pending(self.clock.monotonic() + deadline, self.clock.wake)
        self.clock.at(self.clock.monotonic() + seconds, lambda: pending.settle(value), wakes=False)
        return pending


@pytest.fixture
def desk() -> Desk:
    return Desk()


def test_a_result_is_returned_the_moment_it_comes(desk: Desk) -> None:
    assert desk.waits.result(desk.later(0.35)) == "value"
    assert desk.clock.monotonic() == 0.35


def test_a_result_past_its_deadline_is_lost(desk: Desk) -> None:
    with pytest.raises(LinkError, match="did not answer in time"):
        desk.waits.result(desk.later(9.0, deadline=2.0))

    assert desk.clock.monotonic() == 2.0


def test_the_error_of_a_pending_is_raised(desk: Desk) -> None:
    pending: Pending[str] = Pending(1.0)
    pending.fail(LinkError("gone", instrument="meter"))

    with pytest.raises(LinkError, match="gone"):
        desk.waits.result(pending)


def test_the_supply_is_looked_at_while_anything_is_waited_for(desk: Desk) -> None:
    desk.switch_on()

    desk.waits.sleep(2.0, "dwell")

    assert len(desk.supply.polled_at) == pytest.approx(11, abs=1)
    assert "going" in [told.kind for told in desk.told]


def test_the_supply_is_looked_at_while_a_question_is_open(desk: Desk) -> None:
    desk.switch_on()
    desk.ask.answer_at(3.0, "yes")

    answer = desk.waits.answer(Prompt(PromptKind.GO, "Go?"))

    assert answer.text == "yes"
    assert len(desk.supply.polled_at) >= 14


def test_nothing_is_looked_at_while_everything_is_off(desk: Desk) -> None:
    desk.waits.sleep(2.0)

    assert desk.supply.polled_at == []


def test_a_look_never_holds_up_a_result(desk: Desk) -> None:
    desk.supply.answers_after = 0.9
    desk.switch_on()

    desk.waits.result(desk.later(0.05))

    assert desk.clock.monotonic() == 0.05


def test_a_trip_overtakes_an_open_question(desk: Desk) -> None:
    desk.switch_on(damage_above=33.0)
    desk.clock.at(1.0, lambda: desk.supply.show(volts=35.0))

    with pytest.raises(Trip, match=r"VIN reads 35 V, above the 33 V that damage it"):
        desk.waits.answer(Prompt(PromptKind.GO, "Go?"))

    assert desk.ask.withdrawn == 1
    assert desk.clock.monotonic() <= 1.25


@pytest.mark.parametrize("interruption", list(Interruption))
def test_an_interruption_ends_any_wait_and_is_acknowledged(desk: Desk, interruption: Interruption) -> None:
    desk.clock.interrupt(interruption, 0.7)

    with pytest.raises(Interrupted) as caught:
        desk.waits.sleep(60.0)

    assert caught.value.interruption is interruption
    assert desk.clock.monotonic() == 0.7
    assert desk.clock.interruption() is None


def test_in_an_emergency_nothing_but_the_result_counts(desk: Desk) -> None:
    desk.switch_on(damage_above=33.0)
    desk.supply.show(volts=99.0)
    desk.clock.interrupt(Interruption.CTRL_C, 0.1)
    desk.ask.press_at(0.1, "q")

    with desk.waits.emergency(5.0):
        assert desk.waits.result(desk.later(1.0)) == "value"

    assert desk.supply.polled_at == []
    assert desk.clock.interruption() is Interruption.CTRL_C


def test_an_emergency_has_a_hard_end_for_all_its_waits_together(desk: Desk) -> None:
    never: Pending[str] = Pending(math.inf, desk.clock.wake)

    with desk.waits.emergency(3.0):
        for _ in range(3):
            with pytest.raises(LinkError):
                desk.waits.result(never)

    assert desk.clock.monotonic() == 3.0


def test_a_key_reaches_its_handler_and_may_end_the_wait(desk: Desk) -> None:
    def on_key(key: str) -> None:
        raise CalledOff(f"key {key}")

    desk.waits.on_key = on_key
    desk.ask.press_at(1.5, "q")

    with pytest.raises(CalledOff, match="key q"):
        desk.waits.sleep(10.0)

    assert desk.clock.monotonic() == 1.5


def test_a_key_does_not_wait_behind_others_that_came_with_it(desk: Desk) -> None:
    taken: list[str] = []
    desk.waits.on_key = taken.append
    desk.clock.at(1.5, lambda: desk.ask.keys.extend("3.306q"))
    desk.ask.answer_at(2.0, "gone on")

    desk.waits.answer(Prompt(PromptKind.GO, "Go?"))

    assert "".join(taken) == "3.306q"


def test_a_question_put_by_a_key_does_not_lose_the_open_one(desk: Desk) -> None:
    notes: list[str] = []
    desk.waits.on_key = lambda _: notes.append(desk.waits.answer(Prompt(PromptKind.TEXT, "Note")).text)
    desk.ask.press_at(1.0, "n")
    desk.ask.answer_at(2.0, "a loose wire")
    desk.ask.answer_at(3.0, "gone on")

    answer = desk.waits.answer(Prompt(PromptKind.GO, "Go?"))

    assert notes == ["a loose wire"]
    assert answer.text == "gone on"
    assert [prompt.text for prompt in desk.ask.questions] == ["Go?", "Note", "Go?"]


def test_no_key_may_ask_while_a_role_waits_for_a_person(desk: Desk) -> None:
    allowed: list[bool] = []
    desk.waits.on_key = lambda _: allowed.append(desk.waits.may_ask)
    desk.ask.press_at(0.5, "n")
    desk.ask.press_at(1.5, "n")

    desk.waits.result(desk.later(1.0, deadline=math.inf))
    desk.waits.sleep(1.0)

    assert allowed == [False, True]


def test_an_empty_reason_is_asked_for_again(desk: Desk) -> None:
    desk.ask.answer_at(1.0, "  ")
    desk.ask.answer_at(2.0, "the fixture is bent")

    assert desk.waits.reason("Why?").text == "the fixture is bent"
    assert len(desk.ask.questions) == 2


@pytest.mark.parametrize(
    "typed", ["300mA", "300 mA", "24 volts", "4k7", "0.5", "ok", "...", "-12.1 V", "< 500 ohm", "1e-3 ohms"]
)
def test_a_value_or_a_few_letters_are_no_reason(desk: Desk, typed: str) -> None:
    desk.ask.answer_at(1.0, typed)
    desk.ask.answer_at(2.0, "leads were checked with the first unit")

    assert desk.waits.reason("Why?").text == "leads were checked with the first unit"

    (again,) = desk.ask.questions[1].lines
    assert again.startswith(repr(typed))


def test_q_typed_instead_of_a_reason_is_the_key(desk: Desk) -> None:
    def calls_off(key: str) -> None:
        raise CalledOff(key)

    desk.waits.on_key = calls_off
    desk.ask.answer_at(1.0, "q")

    with pytest.raises(CalledOff, match="q"):
        desk.waits.reason("Why?")


def test_a_question_with_nobody_there_ends_the_attempt_incomplete(desk: Desk) -> None:
    desk.waits.somebody = False

    with pytest.raises(MissingEvidence, match=r"nobody is here to answer: Go\?"):
        desk.waits.answer(Prompt(PromptKind.GO, "Go?"))

    assert desk.ask.questions == []


@pytest.mark.parametrize("monotonic_stops", [True, False])
def test_sleep_of_the_computer_is_noticed_while_an_output_is_on(monotonic_stops: bool) -> None:
    clock = SleepyClock()
    clock.sleep_at, clock.monotonic_stops = 1.0, monotonic_stops
    desk = Desk(clock)
    desk.switch_on()

    with pytest.raises(BrokenOff, match=r"the computer slept or the tool hung for 600 s while an output was on"):
        desk.waits.sleep(60.0)


def test_sleep_of_the_computer_does_not_matter_with_everything_off() -> None:
    clock = SleepyClock()
    clock.sleep_at = 1.0
    desk = Desk(clock)
    desk.clock.at(1.0, lambda: None)

    desk.waits.sleep(3.0)

    assert desk.clock.monotonic() == 3.0


@pytest.mark.parametrize("seconds", [3600.0, -3600.0])
def test_a_wall_clock_that_is_set_is_not_taken_for_sleep(seconds: float) -> None:
    clock = SleepyClock()
    desk = Desk(clock)
    desk.switch_on()
    clock.at(1.0, lambda: setattr(clock, "set_forward", seconds))

    desk.waits.sleep(3.0)

    assert clock.monotonic() == 3.0


@pytest.mark.parametrize("asleep", [False, True], ids=["a commit hangs", "the computer sleeps in a commit"])
def test_a_gap_outside_any_wait_is_noticed_by_the_next_one(asleep: bool) -> None:
    clock = SleepyClock()
    desk = Desk(clock)
    desk.switch_on()
    desk.waits.sleep(1.0)

    if asleep:
        clock.slept = 60.0
    else:
        clock.pass_time(60.0)

    with pytest.raises(Slept, match=r"slept or the tool hung for 60 s while an output was on"):
        desk.waits.sleep(1.0)


@pytest.mark.parametrize("gap", ["before it is on", "a short one"])
def test_a_gap_that_left_nothing_unwatched_is_none(gap: str) -> None:
    clock = SleepyClock()
    desk = Desk(clock)
    desk.waits.sleep(1.0)
    if gap == "before it is on":
        clock.pass_time(60.0)
    desk.switch_on()
    desk.waits.sleep(1.0)
    if gap == "a short one":
        clock.pass_time(4.9)

    desk.waits.sleep(1.0)

    assert desk.watch.busy


def test_two_looks_without_an_answer_mean_that_the_supply_is_lost(desk: Desk) -> None:
    desk.switch_on()
    desk.clock.at(1.0, lambda: setattr(desk.supply, "answers_after", math.inf))

    with pytest.raises(SupplyLost, match=r"the supply did not answer 2 looks in a row while VIN is on"):
        desk.waits.sleep(60.0)

    assert desk.clock.monotonic() <= 3.3


def test_one_silent_look_is_not_yet_a_lost_supply(desk: Desk) -> None:
    desk.switch_on()
    desk.clock.at(1.0, lambda: desk.supply.next_samples.append(PollSample(1.0, 1)))

    desk.waits.sleep(3.0)

    assert desk.clock.monotonic() == 3.0


def test_the_poll_trace_is_written_in_fresh_batches(desk: Desk) -> None:
    desk.switch_on()

    desk.waits.sleep(5.0)

    samples: Sequence[PollSample] = [sample for batch in desk.record.batches for sample in batch]
    assert len(samples) >= 20
    for batch, written in zip(desk.record.batches, desk.record.batch_times, strict=True):
        assert written - batch[0].monotonic <= 1.0
