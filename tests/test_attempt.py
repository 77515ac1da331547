"""An attempt as a whole: who is refused before anything, what is left out, what the results are, what is never lost."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from bringup.core.bench import Ceiling
from bringup.core.board import check_serial
from bringup.core.calibration import calibration, day_at
from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Apply, Channel, Dwell, Inspect, Log, Measure, Note, OnLost, OnlyIf, Question, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, How, Kind, Result, StepOutcome
from bringup.errors import BenchError, CommandError, ExitCode, LogbookError, SafetyRefused
from bringup.runner.actions.inspect import EXPLAINED
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.records import InstrumentInfo
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.scpi_supply import ScpiSupply
from bringup.simulation.instrument import take
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps

APPLY = picked("apply").steps[0]
LOG = Log((Channel("VIN", Kind.CURRENT, "VIN current"),), parse_quantity("1 s"), parse_quantity("200 ms"))


def person(bench: SimulatedBench, *script: Scripted, attended: bool = True) -> SimulatedPerson:
    return SimulatedPerson(attended=attended, clock=bench.clock, script=script)


# who is refused before anything


@pytest.mark.parametrize("serial", ["MBL-1", "MBL-00011", "xMBL-0001", "MBL-0001 ", "mbl-0001", ""])
def test_a_serial_number_must_match_as_a_whole(serial: str) -> None:
    with pytest.raises(CommandError, match=r"serial number .* does not match the board's pattern MBL-\[0-9\]\{4\}"):
        check_serial(serial, "MBL-[0-9]{4}")


def test_a_wrong_serial_number_sends_nothing() -> None:
    bench = simulated_bench(picked("apply"))

    with pytest.raises(CommandError):
        bench.run(serial="MBL-1")

    assert bench.supply_link.sent == bench.meter_link.sent == []


class NotSimulated:
    """A role whose instrument says that it is a real one."""

    def __init__(self, role: ScpiSupply | ScpiMeter) -> None:
        self._role = role

    def __getattr__(self, name: str) -> Any:
        return getattr(self._role, name)

    @property
    def info(self) -> InstrumentInfo:
        return replace(self._role.info, simulated=False)


def real(bench: SimulatedBench, **changes: Any) -> dict[str, Any]:
    """Make the bench look like a real one."""
    return {"supply": NotSimulated(bench.supply), "meter": NotSimulated(bench.meter), **changes}  # type: ignore[arg-type]


def test_a_real_bench_with_nobody_there_is_refused_with_every_reason() -> None:
    bench = simulated_bench(picked("apply"), attended=False)

    with pytest.raises(SafetyRefused, match=r"nobody is at this bench: `--unattended` was not given; .* says|does not"):
        bench.run(**real(bench))

    assert bench.record.started == []
    assert not [text for text in bench.supply_link.sent if text.startswith(("VOLT ", "OUTP "))]


@pytest.mark.parametrize("missing", ["option", "procedure", "history", "what was rescued", "quarantine"])
def test_each_condition_for_an_unattended_attempt_counts(missing: str) -> None:
    procedure = replace(picked("apply", "measure"), unattended_after_first_power=missing != "procedure")
    unread = ("bringup.db.rescue-00000000.jsonl",) if missing == "what was rescued" else ()
    history = replace(SEEN, first_power_passed=missing != "history", not_taken_in=unread)
    history = replace(history, held="in quarantine" if missing == "quarantine" else "")
    bench = simulated_bench(procedure, history=history, attended=False)

    with pytest.raises(SafetyRefused, match="nobody is at this bench"):
        bench.run(**real(bench, unattended=missing != "option"))


def test_an_unattended_attempt_that_is_permitted_runs_without_asking() -> None:
    procedure = replace(picked("apply", "measure", "power_off"), unattended_after_first_power=True)
    bench = simulated_bench(procedure, history=SEEN, attended=False)
    asked = person(bench, attended=False)

    outcome = bench.run(**real(bench, unattended=True, ask=asked))

    assert outcome.result is AttemptResult.PASSED
    assert asked.asked == []
    assert bench.record.started[0].attended is False


def test_unattended_a_question_ends_it_incomplete_with_the_output_off() -> None:
    procedure = replace(with_steps(APPLY, Step(1, Question("Is the lamp lit?"))), unattended_after_first_power=True)
    bench = simulated_bench(procedure, history=SEEN, attended=False)

    outcome = bench.run(**real(bench, unattended=True))

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "nobody is here to answer: Is the lamp lit?" in outcome.cause
    assert outcome.off_verified is True


def test_a_simulated_bench_answers_by_itself_and_says_so() -> None:
    bench = simulated_bench(picked("inspect", "apply"), history=SEEN, attended=False)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    assert ("answered by", "the simulated bench") in [
        item for _, _, data in bench.record.events for item in data.items()
    ]
    assert bench.record.started[0].simulated is True


def test_an_instrument_that_does_not_answer_is_a_bench_error() -> None:
    bench = simulated_bench(picked("apply"))
    bench.supply_link.troubles.silent_from = 0.0

    with pytest.raises(BenchError, match="does not answer"):
        bench.run()

    assert bench.record.started == []


def test_an_overdue_calibration_is_said() -> None:
    bench = simulated_bench(with_steps(Step(0, Note("hello"))))
    late = replace(bench.bench.meter, calibration_due=date(2020, 1, 1))  # type: ignore[type-var]
    bench.meter._role = late  # type: ignore[attr-defined]

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    assert ("calibration", "meter: its calibration was due on 2020-01-01") in [
        (kind, text) for kind, text, _ in bench.record.events
    ]
    assert bench.record.notes == ["hello"]


@pytest.mark.parametrize(("zone", "said"), [("UTC+12", False), ("UTC-12", True)])
def test_a_calibration_is_due_by_the_date_where_the_person_is(
    monkeypatch: pytest.MonkeyPatch, zone: str, said: bool
) -> None:
    """The same day for the refusal before anything is opened and for what is kept."""
    bench = simulated_bench(with_steps(Step(0, Note("hello"))))
    day = bench.clock.utc().date() - timedelta(days=1)
    assert bench.clock.utc().hour < 12, "twelve hours back it is the day before, on which it is due"
    late = replace(bench.bench.meter, calibration_due=day)  # type: ignore[type-var]
    bench.meter._role = late  # type: ignore[attr-defined]
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        overdue = calibration(day, day_at(bench.clock.utc())) == "overdue"
        bench.run()
    finally:
        monkeypatch.undo()
        time.tzset()

    texts = [text for kind, text, _ in bench.record.events if kind == "calibration"]
    assert overdue == said
    assert any(" was due on " in text for text in texts) == said


# an output found on


def found_on(bench: SimulatedBench) -> None:
    now = bench.clock.monotonic()
    for text in ("INST:NSEL 1", "VOLT 12", "CURR 1", "OUTP ON"):
        take(bench.supply_link._instrument, text.encode(), now)
    bench.clock.wait(now + 0.5)


def test_an_output_found_on_is_shown_and_switched_off_on_the_persons_word() -> None:
    bench = simulated_bench(picked("apply"), history=SEEN)
    found_on(bench)
    asked = person(bench)

    outcome = bench.run(ask=asked)

    prompt = asked.asked[0][0]
    assert prompt.kind is PromptKind.CHOICE
    assert "output 1 is ON, set to 12 V, 1 A; it carries 12" in prompt.text
    assert "found-on" in bench.record.kinds()
    assert outcome.result is AttemptResult.PASSED


def test_an_output_found_on_that_is_to_stay_on_ends_it_untouched() -> None:
    bench = simulated_bench(picked("apply"), history=SEEN)
    found_on(bench)
    stay = Scripted(Answer("leave it on and stop here"), kind=PromptKind.CHOICE)

    with pytest.raises(BenchError, match=r"an output was found on: output 1 is ON, set to 12 V"):
        bench.run(ask=person(bench, stay))

    assert bench.on()
    assert bench.record.started == []


def test_an_output_found_on_with_nobody_there_is_refused_untouched() -> None:
    procedure = replace(picked("apply"), unattended_after_first_power=True)
    bench = simulated_bench(procedure, history=SEEN, attended=False)
    found_on(bench)

    with pytest.raises(BenchError, match="found on"):
        bench.run(**real(bench, unattended=True))

    assert bench.on()


# the gate


def test_power_without_leads_and_resistance_takes_a_reason_that_is_kept() -> None:
    bench = simulated_bench(picked("apply"))
    reason = Scripted(Answer("bare board, checked on another bench"), kind=PromptKind.REASON)

    outcome = bench.run(ask=person(bench, reason))

    kind, text, data = next(event for event in bench.record.events if event[0] == "override")
    assert kind == "override"
    assert "a good reading of its free leads" in text
    assert "a good resistance of 12V0, 5V0, 3V3, 1V8, VREF, N12V" in text
    assert data["reason"] == "bare board, checked on another bench"
    assert outcome.result is AttemptResult.PASSED


def test_the_gate_is_open_after_leads_and_resistance_in_this_attempt() -> None:
    bench = simulated_bench(picked("resistance", "leads", "apply"))

    bench.run()

    assert "override" not in bench.record.kinds()


def test_the_gate_names_only_what_is_missing() -> None:
    history = replace(SEEN, resistance_seen=SEEN.resistance_seen - {"3V3"})
    bench = simulated_bench(picked("leads", "apply"), history=history)

    bench.run()

    text = next(text for kind, text, _ in bench.record.events if kind == "override")
    assert "a good resistance of 3V3 (" in text
    assert "leads" not in text.split("Reason")[0]


def test_leads_of_an_earlier_attempt_open_no_gate_for_leads_are_plugged_anew() -> None:
    bench = simulated_bench(picked("apply"), history=SEEN)
    reason = Scripted(Answer("plugged in since yesterday"), kind=PromptKind.REASON)

    bench.run(ask=person(bench, reason))

    (text,) = [text for kind, text, _ in bench.record.events if kind == "override"]
    assert text.startswith("VIN is to be powered without: a good reading of its free leads (`leads: VIN`). Reason: plu")


@pytest.mark.parametrize(
    ("where", "result"), [("Simulated bench", AttemptResult.PASSED), ("Attic bench", AttemptResult.INCOMPLETE)]
)
def test_with_nobody_there_the_leads_count_that_the_unit_passed_with_on_this_bench(
    where: str, result: AttemptResult
) -> None:
    procedure = replace(picked("apply"), unattended_after_first_power=True)
    bench = simulated_bench(procedure, history=replace(SEEN, leads_seen=frozenset({(where, "VIN")})), attended=False)

    outcome = bench.run(**real(bench, unattended=True))

    assert outcome.result is result
    if result is AttemptResult.INCOMPLETE:
        assert "a good reading of its free leads (`leads: VIN`). Nobody is here to give a reason" in outcome.cause


# steps


def outcomes(bench: SimulatedBench) -> list[tuple[StepOutcome, str]]:
    return [(outcome, result) for _, outcome, result, _, _ in bench.record.ended_steps]


def test_a_failed_step_ends_the_attempt_and_says_what_was_not_reached() -> None:
    narrow = replace(picked("measure").steps[0], action=Measure(("5V0",)), expect={"": parse_limits("3.3 V ± 2 %")})
    bench = simulated_bench(with_steps(APPLY, narrow, Step(2, Note("never"))), history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert outcome.exit_code is ExitCode.FAILED
    assert outcome.cause.startswith("step 2 (measure): 5V0 voltage 4.9")
    assert outcome.cause.endswith("wanted 3.3 V ± 2 %")
    assert outcomes(bench)[1:] == [(StepOutcome.DONE, "fail"), (StepOutcome.NOT_REACHED, "")]
    assert [told.text for told in bench.told if told.kind == "step-ended"][-1] == "step 3 not reached: note: never"
    assert bench.record.notes == []


def test_on_fail_go_on_goes_on_and_fails_in_the_end() -> None:
    narrow = Step(1, Measure(("5V0",)), expect={"": parse_limits("3.3 V ± 2 %")}, end_on_fail=False)
    bench = simulated_bench(with_steps(APPLY, narrow, Step(2, Note("reached"))), history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert bench.record.notes == ["reached"]


@pytest.mark.parametrize(
    ("condition", "why"),
    [
        (OnlyIf(attended=False), "somebody is at the bench"),
        (OnlyIf(board_state="programmed"), "the board is blank, not programmed"),
        (OnlyIf(variant="long range"), "the unit is of variant (none given), not long range"),
        (OnlyIf(step=0, result="fail"), "step 1 has the result pass, wanted fail"),
    ],
)
def test_a_condition_that_does_not_hold_leaves_the_step_out_and_says_why(condition: OnlyIf, why: str) -> None:
    bench = simulated_bench(with_steps(Step(0, Note("first")), Step(1, Note("second"), only_if=condition)))

    outcome = bench.run()

    assert bench.record.notes == ["first"]
    assert bench.record.ended_steps[1][1:] == (StepOutcome.LEFT_OUT, "", why, "the tool")
    assert outcome.result is AttemptResult.PASSED


def test_a_condition_that_holds_does_the_step() -> None:
    condition = OnlyIf(attended=True, board_state="blank", variant="short range", step=0, result="pass")
    bench = simulated_bench(with_steps(Step(0, Note("first")), Step(1, Note("second"), only_if=condition)))

    bench.run(variant="short range")

    assert bench.record.notes == ["first", "second"]


def test_a_step_may_bring_the_board_into_a_state() -> None:
    procedure = with_steps(Step(0, Note("program it"), board_state="programmed"), APPLY, Step(2, Measure(("1V8",))))
    bench = simulated_bench(procedure, history=SEEN)

    outcome = bench.run()

    assert 'SIMulate:STATe "programmed"' in bench.meter_link.sent
    assert {reading.board_state for reading in outcome.readings} == {"programmed"}


def test_the_key_l_leaves_a_step_out_with_a_reason_and_the_attempt_is_incomplete() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Dwell(parse_quantity("60 s"))), Step(2, LOG)), history=SEEN)
    asked = person(bench, Scripted(Answer("no time"), kind=PromptKind.TEXT))
    asked.press("l", 6.0)

    outcome = bench.run(ask=asked)

    assert bench.record.ended_steps[1][1:] == (StepOutcome.LEFT_OUT, "", "no time", "the person")
    assert outcome.result is AttemptResult.INCOMPLETE
    assert outcome.cause == "step 2 (dwell) was left out: no time"
    assert len(bench.record.samples) == 6
    assert bench.clock.monotonic() < 10.0


def test_leaving_out_the_power_switches_off_and_leaves_out_what_needs_it() -> None:
    bench = simulated_bench(with_steps(replace(APPLY, action=_slow(APPLY)), Step(1, Measure(("3V3",)))), history=SEEN)
    asked = person(bench, Scripted(Answer("smells"), kind=PromptKind.TEXT))
    asked.press("l", 6.0)

    outcome = bench.run(ask=asked)

    assert outcome.result is AttemptResult.INCOMPLETE
    assert [step[1] for step in bench.record.ended_steps] == [StepOutcome.LEFT_OUT, StepOutcome.LEFT_OUT]
    assert "VIN is not powered" in bench.record.ended_steps[1][3]
    assert not bench.on()


def _slow(step: Step) -> Any:
    assert isinstance(step.action, Apply)
    return replace(step.action, hold=parse_quantity("10 s"))


def test_the_key_n_takes_a_note_while_the_step_goes_on() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Dwell(parse_quantity("5 s")))), history=SEEN)
    asked = person(bench, Scripted(Answer("the lamp flickers"), kind=PromptKind.TEXT))
    asked.press("n", 4.0)

    outcome = bench.run(ask=asked)

    assert bench.record.notes == ["the lamp flickers"]
    assert outcome.result is AttemptResult.PASSED


# cautions


def test_cautions_are_acknowledged_once_per_sitting() -> None:
    procedure = with_steps(Step(0, Note("a"), cautions=("hot parts",)), Step(1, Note("b"), cautions=("hot parts",)))
    sitting: set[str] = set()
    asked: list[SimulatedPerson] = []
    for _ in range(2):
        bench = simulated_bench(procedure)
        asked.append(person(bench))
        bench.run(ask=asked[-1], acknowledged=sitting)

    assert [prompt.text for one in asked for prompt, _ in one.asked] == ["hot parts"]


def test_sixty_volts_are_cautioned_about_every_time() -> None:
    board = picked("apply").board
    rail = replace(board.rails["12V0"], expect=parse_limits("60 V ± 2 %"))
    high = replace(board, rails={**board.rails, "12V0": rail})
    steps = [Step(index, Measure(("3V3",)), end_on_fail=False) for index in range(2)]
    procedure = replace(with_steps(*steps), board=high)
    bench = simulated_bench(procedure)
    asked = person(bench)

    bench.run(ask=asked, acknowledged=set())

    warned: list[Prompt] = [prompt for prompt, _ in asked.asked if prompt.kind is PromptKind.CAUTION]
    assert [prompt.danger for prompt in warned] == [True, True]
    assert "DANGEROUS VOLTAGE" in warned[0].text
    assert "12V0 6" in warned[0].text


# instruments that go away


def test_a_silent_meter_is_no_value_and_the_step_decides() -> None:
    bench = simulated_bench(
        with_steps(APPLY, Step(1, Measure(("5V0",)), end_on_fail=False, on_lost=OnLost.GO_ON), Step(2, LOG)),
        history=SEEN,
    )

    def silence(told: Any) -> None:
        bench.told.append(told)
        if told.kind == "step-begun" and told.step == 1:
            bench.meter_link.troubles.silent_from = bench.clock.monotonic() + 0.01

    outcome = bench.run(tell=silence)

    reading = next(each for each in outcome.readings if each.step == 1)
    assert (reading.value, reading.result) == (None, Result.NO_VALUE)
    assert outcome.result is AttemptResult.INCOMPLETE
    assert "no value" in outcome.cause
    assert len(bench.record.samples) == 6
    assert outcome.off_verified is True


def test_a_meter_that_talks_nonsense_gives_no_value() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Measure(("5V0",)))), history=SEEN)

    def spoil(told: Any) -> None:
        if told.kind == "step-begun" and told.step == 1:
            bench.meter_link.troubles.garbage["READ?"] = "?!%"

    outcome = bench.run(tell=spoil)

    assert next(each for each in outcome.readings if each.step == 1).result is Result.NO_VALUE
    assert outcome.result is AttemptResult.INCOMPLETE


def test_why_a_current_is_not_judged_is_said_once_a_step_and_not_beside_one_that_is() -> None:
    procedure = picked("apply")
    rails = dict(procedure.board.rails)
    assert rails["12V0"].converter is not None
    rails["12V0"] = replace(rails["12V0"], converter=replace(rails["12V0"].converter, efficiency=None))
    (step,) = procedure.steps
    assert isinstance(step.action, Apply)
    steps = (replace(step, action=replace(step.action, expect_current=None)),)
    bench = simulated_bench(replace(procedure, board=replace(procedure.board, rails=rails), steps=steps), history=SEEN)

    currents = [each for each in bench.run().readings if each.kind is Kind.CURRENT]

    why = "the board file does not state the efficiency of 12V0's converter"
    assert [(each.result, each.note) for each in currents] == [
        (Result.PASS, ""),
        (Result.RECORDED, why),
        (Result.RECORDED, ""),
    ]


def test_a_lost_supply_link_breaks_the_attempt_off_and_says_that_off_is_unknown() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, LOG)), history=SEEN)

    def lose(told: Any) -> None:
        bench.told.append(told)
        if told.kind == "step-begun" and told.step == 1:
            bench.supply_link.troubles.lost_at = bench.clock.monotonic() + 0.5

    outcome = bench.run(tell=lose)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.exit_code is ExitCode.STOPPED
    assert outcome.off_verified is False
    assert "off-unknown" in bench.tell_kinds()
    assert len(bench.record.readings) == len(outcome.readings) > 0


def test_a_supply_that_is_lost_for_a_moment_is_switched_off_when_it_is_back() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Dwell(parse_quantity("60 s")))), history=SEEN)

    def lose(told: Any) -> None:
        if told.kind == "step-begun" and told.step == 1:
            now = bench.clock.monotonic()
            bench.supply_link.troubles.silent_from, bench.supply_link.troubles.silent_until = now + 1, now + 6

    outcome = bench.run(tell=lose)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.off_verified is True
    assert not bench.on()


# the logbook


def test_a_logbook_that_cannot_begin_powers_nothing() -> None:
    bench = simulated_bench(picked("apply"), history=SEEN)
    bench.record.fail_from = 1

    with pytest.raises(LogbookError, match="the disk is full"):
        bench.run()

    assert not [text for text in bench.supply_link.sent if text.startswith(("VOLT ", "OUTP "))]


def test_a_full_disk_at_any_moment_switches_off_and_loses_no_reading_silently() -> None:
    procedure = with_steps(APPLY, Step(1, Measure(("3V3",))), Step(2, LOG))
    undisturbed = simulated_bench(procedure, history=SEEN)
    undisturbed.run()
    for failing in range(2, undisturbed.record.writes + 1, 6):
        bench = simulated_bench(procedure, history=SEEN)
        bench.record.fail_from = failing

        outcome = bench.run()

        assert not bench.on(), failing
        assert outcome.result is AttemptResult.BROKEN_OFF
        assert "the disk is full" in outcome.cause
        assert outcome.off_verified is not False
        assert [each.id for each in outcome.readings] == [each.id for each in bench.record.readings]
        for lost in outcome.unrecorded:
            assert str(lost.value) in outcome.cause


def test_a_reading_is_shown_only_after_it_was_kept() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Measure(("3V3",)))), history=SEEN)

    def check(told: Any) -> None:
        if told.reading is not None:
            assert told.reading in bench.record.readings

    outcome = bench.run(tell=check)

    assert outcome.readings


def test_the_bounds_of_bench_and_board_are_looked_at_once_more_before_power() -> None:
    bench = simulated_bench(picked("apply"), history=SEEN)
    assert bench.bench.supply is not None
    low = replace(bench.bench.supply, ceiling=Ceiling(parse_quantity("12 V"), None))

    outcome = bench.run(bench=replace(bench.bench, supply=low))

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "VIN: 18 V exceeds the bench's ceiling, 12 V" in outcome.cause
    assert outcome.off_verified is True


# what a person answers


def test_an_exception_in_an_inspection_fails_with_its_remark() -> None:
    bench = simulated_bench(with_steps(Step(0, Inspect(("polarity", "no bridges", "clean")))))
    bad = Scripted(Answer("bridge at U3", exceptions=(1,)), kind=PromptKind.CHECKLIST)

    outcome = bench.run(ask=person(bench, bad))

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause == "step 1 (inspect): not as it should be: 2. no bridges (bridge at U3)"


def test_an_exception_that_the_remark_explains_is_kept_and_gone_on_with() -> None:
    bench = simulated_bench(with_steps(Step(0, Inspect(("polarity", "no bridges", "clean")))))
    bad = Scripted(Answer("R12 fitted by hand", exceptions=(2,)), kind=PromptKind.CHECKLIST)
    explained = Scripted(Answer(EXPLAINED), kind=PromptKind.CHOICE, containing="3. clean (R12 fitted by hand)")

    outcome = bench.run(ask=person(bench, bad, explained))

    assert outcome.result is AttemptResult.PASSED
    (text,) = [text for kind, text, _ in bench.record.events if kind == "inspected"]
    assert text == "gone on with: 3. clean (R12 fitted by hand)"


def test_a_letter_typed_instead_of_an_answer_does_what_the_key_does() -> None:
    question = Question("What is the radio's current?", unit="A")
    bench = simulated_bench(with_steps(Step(0, question)))
    asked = person(bench, Scripted(Answer("q"), kind=PromptKind.VALUE))

    assert bench.run(ask=asked).result is AttemptResult.CALLED_OFF


def test_a_move_of_the_leads_is_told_in_plain_english() -> None:
    bench = simulated_bench()

    bench.run()

    moves = [told.text for told in bench.told if told.text.startswith("simulated: the supply's leads")]
    assert moves == [
        "simulated: the supply's leads are off the board, touching nothing",
        "simulated: the supply's leads are unplugged, the meter across their free ends",
        "simulated: the supply's leads are plugged into the board",
    ]


def test_an_exception_without_a_remark_is_explained_by_nothing() -> None:
    bench = simulated_bench(with_steps(Step(0, Inspect(("polarity", "no bridges", "clean")))))
    asked = person(bench, Scripted(Answer("", exceptions=(0, 2)), kind=PromptKind.CHECKLIST))

    outcome = bench.run(ask=asked)

    assert outcome.cause == "step 1 (inspect): not as it should be: 1. polarity; 3. clean"
    assert len(asked.asked) == 1


@pytest.mark.parametrize(("answer", "result"), [("green", AttemptResult.PASSED), ("red", AttemptResult.FAILED)])
def test_a_choice_passes_or_fails(answer: str, result: AttemptResult) -> None:
    bench = simulated_bench(with_steps(Step(0, Question("Lamp?", ("green", "red"), ("green",)))))

    outcome = bench.run(ask=person(bench, Scripted(Answer(answer), kind=PromptKind.CHOICE)))

    assert outcome.result is result


def test_a_value_that_is_asked_for_is_a_typed_reading() -> None:
    question = Step(0, Question("Case temperature?", unit="degC"), expect={"": parse_limits("< 50 degC", "degC")})
    bench = simulated_bench(with_steps(question))
    first = Scripted(Answer("warm"), kind=PromptKind.VALUE)
    second = Scripted(Answer("41.5"), kind=PromptKind.VALUE)

    outcome = bench.run(ask=person(bench, first, second))

    reading = outcome.readings[0]
    assert (reading.value, reading.unit, reading.how, reading.instrument) == (41.5, "degC", How.TYPED, "person")
    assert reading.result is Result.PASS
    assert reading.raw == "41.5"


def test_a_trip_is_remembered_by_its_event_and_its_result() -> None:
    fault = Fault("VIN", FaultKind.SHORTED_THROUGH, 1.0, after=2.0)
    bench = simulated_bench(with_steps(APPLY, Step(1, LOG)), history=SEEN, faults=[fault])

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert bench.record.kinds()[-1] == "trip"


def test_an_input_that_another_supply_feeds_is_not_switched_on_at_this_one() -> None:
    bench = simulated_bench(picked("apply"), history=SEEN)
    assert bench.bench.supply is not None
    elsewhere = replace(bench.bench, supply=replace(bench.bench.supply, outputs={"VIN": 2}))

    outcome = bench.run(bench=elsewhere)

    assert outcome.cause == "VIN is fed by no output of the supply that was met: nothing was set"
    assert not any(text.startswith(("VOLT ", "CURR ", "OUTP ON")) for text in bench.supply_link.sent)
