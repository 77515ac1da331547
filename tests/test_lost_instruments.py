"""Instruments that stop answering: a meter is waited for or done without, a supply is switched off when it can be."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest

from bringup.core.procedure import Channel, Dwell, Log, Measure, OnLost, PowerOff, Step
from bringup.core.quantity import parse_quantity
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult, Kind, Result, StepOutcome
from bringup.runner import measuring as measuring_module
from bringup.runner.emergency import READ_WITHIN
from bringup.runner.looks import SILENT_LOOKS
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.records import Interruption
from bringup.runner.roles import Done
from bringup.runner.setup import AttemptOutcome
from bringup.runner.watch import PATIENCE
from bringup.simulation.instrument import take
from bringup.simulation.person import SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps

APPLY = picked("apply").steps[0]
RAILS = ("5V0", "3V3", "1V8")


def at_step(bench: SimulatedBench, step: int, act: Any) -> Any:
    """Return a `tell` that acts when that step begins."""

    def tell(told: Any) -> None:
        bench.told.append(told)
        if told.kind == "step-begun" and told.step == step:
            act(bench.clock.monotonic())

    return tell


def meter_away(bench: SimulatedBench, seconds: float = math.inf, *, lost: bool = False) -> Any:
    """Return what makes the meter silent (or its link refuse) for so long, from a hundredth of a second on."""

    def act(now: float) -> None:
        troubles = bench.meter_link.troubles
        if lost:
            troubles.lost_at = now + 0.01
            if not math.isinf(seconds):
                bench.clock.at(now + seconds, lambda: setattr(troubles, "lost_at", math.inf), wakes=False)
        else:
            troubles.silent_from, troubles.silent_until = now + 0.01, now + seconds

    return act


def measuring(on_lost: OnLost) -> SimulatedBench:
    step = Step(1, Measure(RAILS), on_lost=on_lost)
    return simulated_bench(with_steps(APPLY, step, Step(2, Dwell(parse_quantity("2 s")))), history=SEEN)


def looks(bench: SimulatedBench) -> list[float]:
    return [sample.monotonic for batch in bench.record.batches for sample in batch if sample.on]


def widest(times: list[float]) -> float:
    return max(after - before for before, after in pairwise(times))


# the meter


@pytest.mark.parametrize("lost", [False, True])
def test_a_lost_meter_ends_the_attempt_where_nothing_is_said(lost: bool) -> None:
    bench = measuring(OnLost.END)

    outcome = bench.run(tell=at_step(bench, 1, meter_away(bench, lost=lost)))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.cause.startswith("the meter is lost: ")
    assert outcome.off_verified is True
    assert [each.result for each in outcome.readings if each.step == 1] == [Result.NO_VALUE]
    assert outcome.readings[-1].point == "5V0"


def test_a_step_may_go_on_without_its_meter() -> None:
    bench = measuring(OnLost.GO_ON)

    # The simulated probe is moved through the supply's link: the meter's is gone.
    outcome = bench.run(tell=at_step(bench, 1, meter_away(bench)), simulated_link=bench.supply_link)

    assert outcome.result is AttemptResult.INCOMPLETE
    assert [each.result for each in outcome.readings if each.step == 1] == [Result.NO_VALUE] * 3
    assert widest(looks(bench)) < 0.5


def test_a_dead_meter_is_left_alone_for_ever_longer() -> None:
    many = Log(
        tuple(Channel(name, Kind.VOLTAGE, name) for name in RAILS), parse_quantity("60 s"), parse_quantity("1 s")
    )
    bench = simulated_bench(with_steps(APPLY, Step(1, many, on_lost=OnLost.GO_ON)), history=SEEN)

    outcome = bench.run(tell=at_step(bench, 1, meter_away(bench)), simulated_link=bench.supply_link)

    asked = [text for text in bench.meter_link.sent if text == "*IDN?"]
    assert outcome.result is AttemptResult.INCOMPLETE
    assert 4 <= len(asked) <= 9
    assert len([value for _, value in bench.record.samples if value is None]) > 90
    assert widest(looks(bench)) < 0.5


@pytest.mark.parametrize(("seconds", "lost"), [(20.0, False), (20.0, True), (100.0, True)])
def test_a_meter_that_is_waited_for_comes_back_with_the_supply_watched_meanwhile(seconds: float, lost: bool) -> None:
    bench = measuring(OnLost.WAIT)

    outcome = bench.run(tell=at_step(bench, 1, meter_away(bench, seconds, lost=lost)))

    assert outcome.result is AttemptResult.PASSED
    assert [each.point for each in outcome.readings if each.step == 1] == list(RAILS)
    assert widest(looks(bench)) < 0.5
    texts = {kind: text for kind, text, _ in bench.record.events}
    assert "it is waited for, the supply being watched; q calls off" in texts["meter-lost"]
    assert texts["meter-back"].startswith("the meter answers again after ")


def test_a_meter_that_is_back_is_set_up_anew_as_part_of_a_reading() -> None:
    bench = measuring(OnLost.WAIT)

    bench.run(tell=at_step(bench, 1, meter_away(bench, 20.0)))

    sent = bench.meter_link.sent
    back = len(sent) - 1 - sent[::-1].index("*IDN?")
    after = [text for text in sent[back:] if not text.startswith("SIM")]
    assert after[1].startswith("CONF:VOLT:DC")
    assert "READ?" in after[2:6]


def test_waiting_for_a_meter_can_be_called_off() -> None:
    bench = measuring(OnLost.WAIT)
    person = SimulatedPerson(attended=True, clock=bench.clock)
    person.press("q", 60.0)

    outcome = bench.run(ask=person, tell=at_step(bench, 1, meter_away(bench)))

    assert outcome.result is AttemptResult.CALLED_OFF
    assert outcome.off_verified is True
    assert 60.0 <= bench.clock.monotonic() < 62.0


@pytest.mark.parametrize(("attended", "bound"), [(True, 120.0), (False, 40.0)])
def test_an_output_does_not_stay_on_for_ever_for_a_meter(
    attended: bool, bound: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(measuring_module, "WITH_SOMEBODY", 120.0)
    monkeypatch.setattr(measuring_module, "ALONE", 40.0)
    bench = measuring(OnLost.WAIT)
    person = SimulatedPerson(attended=attended, clock=bench.clock)

    outcome = bench.run(ask=person, tell=at_step(bench, 1, meter_away(bench, lost=True)))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.off_verified is True
    assert bound <= bench.clock.monotonic() < bound + 35.0


def test_ohms_without_a_meter_end_the_attempt_with_nothing_powered() -> None:
    bench = simulated_bench(with_steps(Step(0, Resistance(("3V3", "5V0"))), APPLY))

    outcome = bench.run(tell=at_step(bench, 0, meter_away(bench, lost=True)))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "OUTP ON" not in bench.supply_link.sent


# the supply


def losing(*, back_after: float = math.inf, attended: bool = True) -> tuple[SimulatedBench, SimulatedPerson]:
    """Return a bench whose supply's link dies one second into a dwell."""
    bench = simulated_bench(with_steps(APPLY, Step(1, Dwell(parse_quantity("60 s")))), history=SEEN)
    person = SimulatedPerson(attended=attended, clock=bench.clock)

    def lose(now: float) -> None:
        troubles = bench.supply_link.troubles
        troubles.lost_at = now + 1.0
        if not math.isinf(back_after):
            bench.clock.at(now + 1.0 + back_after, lambda: setattr(troubles, "lost_at", math.inf), wakes=False)

    bench.changes |= {"ask": person, "tell": at_step(bench, 1, lose)}
    return bench, person


def events(bench: SimulatedBench, kind: str) -> list[str]:
    return [text for found, text, _ in bench.record.events if found == kind]


def ended(bench: SimulatedBench) -> tuple[AttemptOutcome, float]:
    outcome = bench.run()
    return outcome, bench.clock.monotonic()


@pytest.mark.parametrize("back_after", [40.0, 600.0])
def test_a_lost_supply_is_switched_off_when_it_is_back_however_late(back_after: float) -> None:
    bench, _ = losing(back_after=back_after)

    outcome, now = ended(bench)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.off_verified is True
    assert not bench.on()
    assert back_after <= now < back_after + 45.0
    assert "It is tried again and again; q ends that" in events(bench, "off-unknown")[0]
    assert events(bench, "tried-on")[0].startswith("the supply is reached again after ")
    assert events(bench, "power")[-1] == "every output OFF, verified by asking"
    clear = [told for told in bench.told if told.kind == "power"][-1]
    assert str(clear.data["why"]).startswith("the supply is reached again after ")


@pytest.mark.parametrize("back_after", [10.0, math.inf])
def test_a_board_that_nobody_saw_for_long_may_have_tripped_and_nothing_carries_over(back_after: float) -> None:
    bench, _ = losing(back_after=back_after, attended=False)

    outcome, _ = ended(bench)

    assert outcome.result is AttemptResult.BROKEN_OFF
    (taken,) = events(bench, "trip")
    assert "taken for a trip, since nobody saw what happened meanwhile" in taken


def test_an_output_that_never_showed_itself_since_it_was_switched_on_may_have_tripped_too() -> None:
    bench = simulated_bench(with_steps(APPLY), history=SEEN)
    troubles = bench.supply_link.troubles

    def tell(told: Any) -> None:
        bench.told.append(told)
        if told.kind == "power" and told.data.get("on") == "yes" and math.isinf(troubles.lost_at):
            troubles.lost_at = bench.clock.monotonic()
            bench.clock.at(troubles.lost_at + 30.0, lambda: setattr(troubles, "lost_at", math.inf), wakes=False)

    outcome = bench.run(tell=tell)

    assert (outcome.result, outcome.off_verified) == (AttemptResult.BROKEN_OFF, True)
    assert not [told for told in bench.told if told.poll is not None and told.poll.fault is None]
    assert len(events(bench, "trip")) == 1


def test_a_supply_that_is_lost_while_it_is_switched_off_in_order_may_have_tripped_too() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, PowerOff())), history=SEEN)
    troubles, switch = bench.supply_link.troubles, bench.supply.switch

    def lose(output: int, on: bool) -> Pending[Done]:
        if not on and bench.on():
            troubles.lost_at = bench.clock.monotonic()
            bench.clock.at(troubles.lost_at + 30.0, lambda: setattr(troubles, "lost_at", math.inf), wakes=False)
        return switch(output, on)

    bench.supply.switch = lose  # type: ignore[method-assign]

    outcome = bench.run()

    assert (outcome.result, outcome.off_verified) == (AttemptResult.BROKEN_OFF, True)
    assert len(events(bench, "trip")) == 1


def test_a_supply_that_is_lost_long_after_it_was_off_has_not_tripped_anything() -> None:
    steps = (APPLY, Step(1, PowerOff()), Step(2, Dwell(parse_quantity("60 s"))), APPLY)
    bench = simulated_bench(with_steps(*steps), history=SEEN)

    def lose(now: float) -> None:
        bench.supply_link.troubles.lost_at = now
        bench.clock.at(now + 30.0, lambda: setattr(bench.supply_link.troubles, "lost_at", math.inf), wakes=False)

    outcome = bench.run(tell=at_step(bench, 3, lose))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert events(bench, "trip") == []


def test_a_supply_that_is_off_within_seconds_of_the_last_look_has_not_tripped() -> None:
    bench, _ = losing(back_after=2.2)

    outcome, _ = ended(bench)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.off_verified is True
    assert events(bench, "trip") == []


def test_the_screen_says_use_the_switch_before_the_trying_goes_on() -> None:
    bench, _ = losing(back_after=40.0)

    ended(bench)

    told = bench.tell_kinds()
    assert told.index("off-unknown") < len(told) - 1 - told[::-1].index("power")
    first = next(told for told in bench.told if told.kind == "off-unknown")
    assert "OUTPUT STATE UNKNOWN: switch the supply off at its own switch, now" in first.text


def test_the_person_ends_the_trying_once_the_switch_was_used() -> None:
    bench, person = losing()
    person.press("x", 50.0)
    person.press("q", 70.0)

    outcome, now = ended(bench)

    assert 70.0 <= now < 71.0
    assert outcome.off_verified is False
    assert bench.record.ends[0][2] is False
    assert events(bench, "tried-on")[0].startswith("the person ended the trying (q) after ")
    assert len(events(bench, "off-unknown")) == 2


def test_an_interruption_ends_the_trying_only_if_it_comes_after_the_words() -> None:
    bench = dwelling()
    bench.clock.interrupt(Interruption.CTRL_C, 60.0)

    def lose(now: float) -> None:
        bench.supply_link.troubles.lost_at = now + 1.0
        for _ in range(3):
            bench.clock.interrupt(Interruption.CTRL_C, now + 1.0)

    outcome = bench.run(tell=at_step(bench, 1, lose))
    now = bench.clock.monotonic()

    assert outcome.off_verified is False
    assert 60.0 <= now < 61.0
    assert events(bench, "tried-on")[0].startswith("the person ended the trying (Ctrl-C) after ")


@pytest.mark.parametrize("part", [0.0, 0.5, 1.0, 1.9])
def test_an_impatient_second_interruption_does_not_end_the_trying(part: float) -> None:
    bench, _ = losing(back_after=40.0)
    times: list[float] = []

    def tell(told: Any) -> None:
        losing_it(told)
        if told.kind == "off-unknown" and not times:
            times.append(bench.clock.monotonic())
            bench.clock.interrupt(Interruption.CTRL_C, times[0] + part * READ_WITHIN / 2)

    losing_it = bench.changes["tell"]
    outcome = bench.run(tell=tell)

    assert times
    assert outcome.off_verified is True
    assert not bench.on()


@pytest.mark.parametrize("interruption", [each for each in Interruption if each is not Interruption.CTRL_C])
def test_no_signal_of_the_system_is_a_persons_word_that_the_supply_is_off(interruption: Interruption) -> None:
    bench, _ = losing(back_after=90.0)
    bench.clock.interrupt(interruption, 50.0)

    outcome, now = ended(bench)

    assert outcome.off_verified is True
    assert now > 90.0
    assert not bench.on()


@pytest.mark.parametrize(("attended", "bound"), [(True, 3600.0), (False, 120.0)])
def test_the_trying_is_bounded_and_the_logbook_says_that_off_was_not_verified(attended: bool, bound: float) -> None:
    bench, _ = losing(attended=attended)

    outcome, now = ended(bench)

    assert bound <= now < bound + 60.0
    assert outcome.off_verified is False
    assert f"the supply was not reached in {bound:.0f} s" in events(bench, "tried-on")[0]
    assert bench.record.ends[0][2] is False


def test_nothing_is_set_again_at_a_supply_that_was_lost() -> None:
    bench, _ = losing(back_after=100.0)
    before: list[int] = []
    bench.clock.at(20.0, lambda: before.append(len(bench.supply_link.sent)), wakes=False)

    ended(bench)

    told = {text for text in bench.supply_link.sent[before[0] :] if not text.endswith("?")}
    assert told == {"INST:NSEL 1", "OUTP OFF"}


# a supply that is back within two looks


def silent_for_one_look(bench: SimulatedBench, meanwhile: str = "") -> Any:
    """Return a `tell` that loses the link for one look in step 1; `meanwhile` somebody does that at the panel."""
    troubles, panel = bench.supply_link.troubles, bench.supply_link._instrument

    def tell(told: Any) -> None:
        bench.told.append(told)
        if told.kind == "step-begun" and told.step == 1:
            troubles.lost_at = bench.clock.monotonic() + 1.0
        if told.kind == "poll" and told.poll.fault is not None:
            troubles.lost_at = math.inf
            for text in ("INST:NSEL 1", meanwhile):
                take(panel, text.encode(), bench.clock.monotonic())

    return tell


def dwelling() -> SimulatedBench:
    return simulated_bench(with_steps(APPLY, Step(1, Dwell(parse_quantity("6 s")))), history=SEEN)


def test_a_supply_that_is_back_as_it_was_goes_on_and_is_sent_nothing() -> None:
    bench = dwelling()

    outcome = bench.run(tell=silent_for_one_look(bench))

    sent = bench.supply_link.sent
    back = sent[len(sent) - 1 - sent[::-1].index("*IDN?") :]
    assert outcome.result is AttemptResult.PASSED
    assert [text for text in back if not text.endswith("?") and "INST" not in text] == ["OUTP OFF"]
    assert "VOLT:PROT:STAT?" in back


@pytest.mark.parametrize(
    ("meanwhile", "says"),
    [
        ("VOLT:PROT 30", "since then the over-voltage protection of VIN is 30 V, not the 26.4 V it was set to"),
        ("VOLT:PROT:STAT OFF", "since then the over-voltage protection of VIN is off"),
        ("CURR:PROT:STAT OFF", "since then the over-current protection of VIN is off"),
        ("OUTP OFF", "VIN was found off"),
        ("VOLT 20", "the voltage of VIN was changed at the supply"),
    ],
)
def test_a_supply_that_is_back_as_another_one_is_switched_off(meanwhile: str, says: str) -> None:
    bench = dwelling()

    outcome = bench.run(tell=silent_for_one_look(bench, meanwhile))

    assert says in outcome.cause
    assert outcome.off_verified is True
    assert bench.record.ended_steps[-1][1] is StepOutcome.DONE
    assert bench.clock.monotonic() < 12.0


# when the words come, and when they would be wrong


def test_the_words_come_at_once_when_the_supply_is_known_to_be_lost() -> None:
    """Not after the first try at it, which may take seconds while the screen goes on counting down."""
    bench = simulated_bench(with_steps(APPLY, Step(1, Dwell(parse_quantity("60 s")))), history=SEEN)
    silent, said = list[float](), list[float]()

    def tell(told: Any) -> None:
        then_lost(told)
        if told.kind == "off-unknown":
            said.append(bench.clock.monotonic())
        if told.kind == "poll" and silent:
            silent[0] = bench.clock.monotonic()

    def lose(now: float) -> None:
        bench.supply_link.troubles.silent_from = now + 1.0
        silent.append(now)

    then_lost = at_step(bench, 1, lose)
    outcome = bench.run(tell=tell, ask=SimulatedPerson(attended=False, clock=bench.clock))

    assert outcome.off_verified is False
    patience = SILENT_LOOKS * (PATIENCE + 0.2)
    assert said[0] - silent[0] <= patience, "two looks, and no try at switching off"


def at_the_go(bench: SimulatedBench, disturb: Callable[[float], None]) -> SimulatedPerson:
    """A person who does that while the question stands, and then calls off."""

    class Leaving(SimulatedPerson):
        def ask(self, prompt: Prompt) -> Pending[Answer]:
            if prompt.kind is PromptKind.GO:
                now = bench.clock.monotonic()
                disturb(now)
                bench.clock.interrupt(Interruption.CTRL_C, now + 30.0)
                return Pending(math.inf, bench.clock.wake)
            return super().ask(prompt)

    return Leaving(attended=True, clock=bench.clock)


def test_a_supply_that_falls_silent_at_the_go_is_no_unknown_output_for_it_was_just_verified_off() -> None:
    bench = simulated_bench(with_steps(APPLY), history=SEEN)
    person = at_the_go(bench, lambda now: setattr(bench.supply_link.troubles, "silent_from", now))

    outcome = bench.run(ask=person)

    assert outcome.result is AttemptResult.CALLED_OFF
    assert outcome.off_verified is None, "none was ever switched on"
    assert "off-unknown" not in bench.tell_kinds()
    (text,) = events(bench, "supply-silent")
    assert text.startswith("the supply does not answer any more; every output was OFF, verified by asking")
    assert bench.clock.monotonic() < 60.0, "and it is not tried for an hour"


def test_an_output_that_somebody_switched_on_at_the_go_is_unknown_until_it_is_off() -> None:
    """It answers, so what was verified before is not relied upon."""
    bench = simulated_bench(with_steps(APPLY), history=SEEN)

    def stuck(now: float) -> None:
        del now
        bench.supply_link.troubles.garbage["OUTP?"] = "1"

    person = at_the_go(bench, stuck)
    person.press("q", 90.0)
    outcome = bench.run(ask=person)

    assert outcome.off_verified is False
    assert "off-unknown" in bench.tell_kinds()


def test_an_output_found_on_that_cannot_be_switched_off_is_unknown_though_nothing_was_switched_on_here() -> None:
    bench = simulated_bench(with_steps(APPLY), history=SEEN)
    for text in ("INST:NSEL 1", "VOLT 12", "CURR 1", "OUTP ON"):
        take(bench.supply_link._instrument, text.encode(), bench.clock.monotonic())

    def tell(told: Any) -> None:
        bench.told.append(told)
        if told.kind == "attempt-begun":
            bench.supply_link.troubles.silent_from = bench.clock.monotonic()

    outcome = bench.run(tell=tell, ask=SimulatedPerson(attended=False, clock=bench.clock))

    assert outcome.off_verified is False
    assert "off-unknown" in bench.tell_kinds()
