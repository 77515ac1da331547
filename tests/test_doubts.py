"""What an attempt must not rely on: doubted evidence, old trip levels, claims, a view, a call that hangs."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.procedure import Apply, Channel, Dwell, Log, Note, Step
from bringup.core.quantity import parse_quantity
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult, How, Kind, Result
from bringup.errors import LinkError
from bringup.runner.hand_meter import HandMeter
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.protocols import Told
from bringup.runner.records import Interruption, PollSample
from bringup.runner.typed import corrected
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps
from tests.logbook_samples import volts
from tests.test_attempt import found_on
from tests.test_by_hand_attempt import at_the_bench, correcting
from tests.test_wait import Desk

APPLY = picked("apply").steps[0]


def person(bench: SimulatedBench, *script: Scripted) -> SimulatedPerson:
    return SimulatedPerson(attended=True, clock=bench.clock, script=script)


# evidence


def test_an_earlier_attempt_does_not_vouch_for_a_point_that_was_just_found_bad() -> None:
    bad = Step(0, Resistance(("3V3",)), end_on_fail=False)
    short = Fault("3V3", FaultKind.SHORTED_THROUGH, 1.0)
    bench = simulated_bench(with_steps(bad, APPLY), history=SEEN, faults=[short])

    bench.run(ask=person(bench))

    (text,) = [text for kind, text, _ in bench.record.events if kind == "override"]
    assert "a good resistance of 3V3 (`resistance`)" in text


def test_a_correction_that_fails_takes_the_evidence_back() -> None:
    correction = Scripted(Answer(text="0.8"), kind=PromptKind.TEXT, containing="3V3 resistance was typed as")
    hands = correcting(lambda reading: reading.point == "3V3" and reading.kind is Kind.RESISTANCE, correction)

    outcome = hands.run()

    assert outcome.result is AttemptResult.FAILED
    assert "3V3 resistance" in outcome.cause
    assert outcome.off_verified is None


def test_what_was_not_judged_is_not_judged_after_a_correction_either() -> None:
    old = replace(volts(), result=Result.NOT_JUDGED)

    assert corrected(old, "3.3", at=old.at, monotonic=2.0).result is Result.NOT_JUDGED


def test_a_failure_without_limits_is_not_made_good_by_a_correction() -> None:
    old = replace(volts(), limits=None, result=Result.FAIL)

    assert corrected(old, "3.3", at=old.at, monotonic=2.0).result is Result.FAIL


def test_one_value_typed_for_one_that_never_settled_does_not_pass() -> None:
    old = replace(volts(), unsettled=True, lowest=3.1, highest=3.5, result=Result.FAIL)

    new = corrected(old, "3.3", at=old.at, monotonic=2.0)

    assert (new.unsettled, new.lowest, new.highest, new.result) == (True, 3.1, 3.5, Result.FAIL)


@pytest.mark.parametrize(("typed", "result"), [("12", AttemptResult.FAILED), ("860", AttemptResult.PASSED)])
def test_a_corrected_resistance_is_judged_as_a_first_one(typed: str, result: AttemptResult) -> None:
    correction = Scripted(Answer(text=typed), kind=PromptKind.TEXT, containing="3V3 resistance was typed as")
    slip = Scripted(Answer("it is a fault"), kind=PromptKind.CHOICE, containing="is expected")
    again = replace(correction)
    hands = correcting(
        lambda reading: reading.point == "3V3" and reading.kind is Kind.RESISTANCE, correction, slip, again
    )

    outcome = hands.run()

    assert outcome.result is result


def test_a_corrected_current_above_the_trip_level_is_a_trip() -> None:
    again = [Scripted(Answer(text="390 mA"), kind=PromptKind.TEXT, containing="current was typed as") for _ in "12"]
    hands = correcting(lambda reading: reading.kind is Kind.CURRENT and "18 V" in reading.aspect, *again)
    hands.person._script.insert(0, Scripted(Answer(""), containing="was the answer to"))

    outcome = hands.run()

    assert outcome.result is AttemptResult.FAILED
    assert "VIN: the supply shows 390 mA, above" in outcome.cause


# trip levels


def test_another_board_state_has_another_trip_level_while_the_input_is_on() -> None:
    level = {"apply": math.nan}
    busy = Step(2, Note("it transmits now"), board_state="transmitting")
    bench = simulated_bench(with_steps(APPLY, busy, Step(3, Dwell(parse_quantity("2 s")))), history=SEEN)
    sent = bench.supply_link.sent

    outcome = bench.run(tell=lambda told: level.setdefault(told.kind, len(sent)))

    (text,) = [text for kind, text, _ in bench.record.events if kind == "trip-level"]
    assert text.startswith("VIN: from here on switched off above ")
    assert outcome.result is AttemptResult.PASSED
    assert len([each for each in sent if each.startswith("CURR:PROT ")]) == 2


# claims


def test_a_person_who_sees_more_than_damages_the_board_is_told_to_switch_off() -> None:
    hands = at_the_bench(
        change=lambda text, typed: "34" if "voltage does the supply show" in text and typed == "24 V" else typed
    )

    outcome = hands.run()

    assert (outcome.result, outcome.off_verified) == (AttemptResult.FAILED, True)
    assert "VIN: the supply shows 34 V, above 33 V (what damages it)" in outcome.cause
    assert any(each.value == 34.0 for each in outcome.readings)


@pytest.mark.parametrize("typed", ["what?", "OL"])
def test_a_setting_that_nobody_can_tell_is_no_setting(typed: str) -> None:
    hands = at_the_bench(change=lambda text, shown: typed if "Set the supply's voltage" in text else shown)

    outcome = hands.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "nobody has said what voltage the supply shows" in outcome.cause
    assert not any("output ON now" in prompt.text for prompt, _ in hands.person.asked)


def test_a_meter_read_by_hand_is_not_judged_while_the_supply_limits_the_current() -> None:
    slow = replace(APPLY.action, limit_time=parse_quantity("60 s"), trip_current=parse_quantity("1 A"))  # type: ignore[arg-type]
    assert isinstance(slow, Apply)
    bench = simulated_bench(
        with_steps(replace(APPLY, action=slow)),
        history=SEEN,
        faults=[Fault("VIN", FaultKind.SHORTED_THROUGH, 3.0, after=1.5)],
    )
    typist = SimulatedPerson(attended=True, clock=bench.clock, value=lambda _: "1.2", delay=2.0)
    assert bench.bench.meter is not None
    meter = HandMeter(bench.bench.meter, typist)

    class Quiet:
        def __getattr__(self, name: str) -> Any:
            return getattr(bench.supply, name)

        def can_protect(self, output: int, protection: object) -> bool:
            del output, protection
            return False

    outcome = bench.run(meter=meter, ask=typist, supply=Quiet())

    (typed,) = [each for each in outcome.readings if each.how is How.TYPED]
    assert (typed.aspect, typed.result) == ("at the board", Result.NOT_JUDGED)
    assert typed.input_amps == pytest.approx(0.4, abs=0.01)
    assert not bench.on()


# what damages


def test_a_logged_rail_beyond_what_damages_it_is_a_trip() -> None:
    log = Log((Channel("12V0", Kind.VOLTAGE, "12V0"),), parse_quantity("20 s"), parse_quantity("500 ms"))
    bench = simulated_bench(with_steps(APPLY, Step(1, log)), history=SEEN)

    def spoil(told: Told) -> None:
        if told.kind == "step-begun" and told.step == 1:
            bench.meter_link.troubles.garbage["READ?"] = "14.2"

    outcome = bench.run(tell=spoil)

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause == "12V0 reads 14.2 V, above the 14 V that damage it"
    assert bench.clock.monotonic() < 10
    assert not bench.on()


# leads


class Voiceless:
    """A supply that does not tell its volts while it is off."""

    def __init__(self, bench: SimulatedBench) -> None:
        self._bench = bench

    def __getattr__(self, name: str) -> Any:
        return getattr(self._bench.supply, name)

    def poll(self, output: int) -> Pending[PollSample]:
        return self._bench.supply.poll(output).then(lambda look: replace(look, volts=None, over_range=True))


def test_leads_are_not_moved_while_nobody_knows_what_the_terminals_carry() -> None:
    bench = simulated_bench(picked("resistance"))

    outcome = bench.run(supply=Voiceless(bench))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "its terminals still carry an unknown voltage" in outcome.cause


# ways out


def test_an_output_that_was_to_be_switched_off_goes_off_even_if_the_logbook_fails_first() -> None:
    bench = simulated_bench(picked("apply"), history=SEEN)
    found_on(bench)
    bench.record.fail_from = 2

    outcome = bench.run(ask=person(bench))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert not bench.on()


@pytest.mark.parametrize("broken_from", [1, 40])
def test_a_view_that_breaks_for_good_leaves_nothing_on_and_the_attempt_closed(broken_from: int) -> None:
    bench = simulated_bench(picked("apply", "measure"), history=SEEN)
    told: list[Told] = []

    def view(each: Told) -> None:
        told.append(each)
        if len(told) >= broken_from:
            raise ZeroDivisionError("a broken view")

    with pytest.raises(ZeroDivisionError):
        bench.run(tell=view)

    assert not bench.on()
    assert "a broken view" in bench.record.ends[0][1]


def test_everything_is_kept_before_the_process_is_stopped() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Dwell(parse_quantity("9 s")))), history=SEEN)
    bench.clock.interrupt(Interruption.SUSPEND, 4.0)
    ended: list[int] = []

    bench.run(suspend=lambda: ended.append(len(bench.record.ends)))

    assert ended == [1]


def test_a_call_that_hangs_is_left_behind_by_the_next_try() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Dwell(parse_quantity("60 s")))), history=SEEN)
    bench.clock.interrupt(Interruption.CTRL_C, 4.0)
    tries: list[float] = []

    class Hanging:
        def __getattr__(self, name: str) -> Any:
            return getattr(bench.supply, name)

        def all_off(self) -> Pending[Any]:
            tries.append(bench.clock.monotonic())
            return bench.supply.all_off() if len(tries) > 1 else Pending(bench.clock.monotonic() + 60.0)

    outcome = bench.run(supply=Hanging())

    assert tries == [4.0, pytest.approx(9.0)]
    assert outcome.off_verified is True
    assert not bench.on()


# waits


def test_what_did_not_come_is_named_with_whom_it_was_asked_of() -> None:
    desk = Desk()

    with pytest.raises(LinkError, match="the meter did not answer in time: dc volts at 3V3") as caught:
        desk.waits.result(desk.later(9.0, deadline=2.0), "meter", "dc volts at 3V3")

    assert caught.value.instrument == "meter"


def test_a_question_of_a_role_by_hand_is_withdrawn_when_something_overtakes_it() -> None:
    hands = at_the_bench(Scripted(Answer("x"), containing="what does the meter show", delay=1e9))
    withdrawn: list[float] = []
    hands.person.withdraw = lambda: withdrawn.append(hands.bench.clock.monotonic())  # type: ignore[method-assign]
    hands.bench.clock.interrupt(Interruption.CTRL_C, 500.0)

    outcome = hands.run()

    assert withdrawn == [500.0]
    assert outcome.result is AttemptResult.CALLED_OFF


def test_the_remaining_time_of_a_log_is_that_of_the_whole_log() -> None:
    log = Log((Channel("VIN", Kind.CURRENT, "VIN current"),), parse_quantity("2 s"), parse_quantity("200 ms"))
    bench = simulated_bench(with_steps(APPLY, Step(1, log)), history=SEEN)

    bench.run()

    (going,) = [told for told in bench.told if told.kind == "going" and told.step == 1]
    assert (going.text, going.data["seconds"]) == ("log VIN current for 2 s", 2.0)
