"""Each action on its own, on a simulated board: what it reads, what it refuses to judge, what it says."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from bringup.core.board import Board
from bringup.core.decision import DecisionRule, RuleKind
from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Apply, Channel, Leads, Log, Measure, PowerOff, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.solver import solve
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult, Kind, LimitsFrom, Result
from bringup.files.board_file import load_board
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.roles import Protection
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import ROOT, SEEN, SimulatedBench, picked, simulated_bench, with_steps

APPLY = picked("apply").steps[0]
LOG = Log((Channel("VIN", Kind.CURRENT, "VIN current"),), parse_quantity("10 s"), parse_quantity("200 ms"))
TIDE_BENCH = ROOT / "fixtures/benches/simulated-tide-gauge.yaml"


def with_board(procedure: Procedure, **rails: dict[str, Any]) -> Procedure:
    """Change fields of rails of the procedure's board."""
    board = procedure.board
    changed = {name: replace(rail, **rails.get(name, {})) for name, rail in board.rails.items()}
    return replace(procedure, board=replace(board, rails=changed))


def person(bench: SimulatedBench, *script: Scripted) -> SimulatedPerson:
    return SimulatedPerson(attended=True, clock=bench.clock, script=script)


# resistance


def test_resistance_is_taken_with_the_output_off_and_the_leads_off_the_board() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Resistance(("1V8",)))), history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    sent = bench.meter_link.sent
    off_board = sent.index("SIMulate:LEADs OFF")
    assert sent.index('SIMulate:PROBe "1V8"') > off_board
    assert not bench.on()
    waited = [told.text for told in bench.told if told.kind == "going"]
    assert "the supply's terminals discharge" in waited


def test_a_point_meant_to_stay_live_is_not_measured_in_ohms_and_is_no_fault() -> None:
    procedure = with_board(
        with_steps(Step(0, Resistance(("3V3",)))), **{"3V3": {"stays_live": parse_limits("0 V .. 3.6 V")}}
    )
    bench = simulated_bench(procedure, faults=[Fault("3V3", FaultKind.BACK_FED, 3.3)])

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    assert [(each.kind, each.aspect, each.result) for each in outcome.readings] == [
        (Kind.VOLTAGE, "stays live", Result.PASS)
    ]


@pytest.mark.parametrize(
    ("answer", "result"),
    [("it is meant to be so", AttemptResult.PASSED), ("no, it is a fault", AttemptResult.FAILED)],
)
def test_a_low_resistance_without_limits_is_asked_about(answer: str, result: AttemptResult) -> None:
    procedure = with_board(with_steps(Step(0, Resistance(("1V8",)))), **{"1V8": {"ground": None}})
    bench = simulated_bench(procedure)
    asked = person(bench, Scripted(Answer(answer), kind=PromptKind.CHOICE))

    outcome = bench.run(ask=asked)

    assert outcome.result is result
    found = re.match(r"1V8 has only ([\d.]+) Ω to ground", asked.asked[0][0].text)
    assert found is not None
    assert float(found[1]) == pytest.approx(2.1, abs=0.01)
    assert outcome.readings[-1].limits_from is LimitsFrom.RULE


def test_no_more_than_the_leads_without_limits_is_a_short() -> None:
    procedure = with_board(with_steps(Step(0, Resistance(("1V8",)))), **{"1V8": {"ground": None}})
    bench = simulated_bench(procedure, faults=[Fault("1V8", FaultKind.SHORTED_THROUGH, 0.05)])

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert outcome.readings[-1].note == "no more than the leads themselves: a short"


# leads and several inputs


@pytest.fixture(scope="module")
def tide() -> Board:
    return load_board(ROOT / "fixtures/boards/tide-gauge.yaml")


def two_inputs(board: Board, *actions: Any) -> Procedure:
    steps = tuple(Step(index, action) for index, action in enumerate(actions))
    return replace(picked("apply"), board=board, board_state=None, steps=steps)


def test_two_inputs_go_off_in_reverse_order(tide: Board) -> None:
    q = parse_quantity
    procedure = two_inputs(
        tide,
        Apply("VBAT", (q("3.6 V"),), q("50 mA"), short_check=q("1 V")),
        Apply("VIN", (q("9 V"), q("12 V")), q("200 mA"), short_check=q("1 V")),
        Measure(("VIN", "VBAT", "3V3", "VCLK")),
        PowerOff(q("1 V")),
    )
    bench = simulated_bench(procedure, bench_path=TIDE_BENCH)

    outcome = bench.run(serial="TG-001")

    assert outcome.result is AttemptResult.PASSED
    powers = [text for kind, text, _ in bench.record.events if kind == "power" and "OFF" in text]
    assert powers == ["VIN OFF, verified by asking", "VBAT OFF, verified by asking"]
    vclk = next(each for each in outcome.readings if each.point == "VCLK")
    assert vclk.input_volts == pytest.approx(3.6, abs=0.05)
    assert not bench.on(1)
    assert not bench.on(2)


def test_the_leads_of_each_input_are_read_and_the_gate_knows_which(tide: Board) -> None:
    q = parse_quantity
    procedure = two_inputs(tide, Leads("VIN"), Apply("VBAT", (q("3.6 V"),), q("50 mA"), short_check=q("1 V")))
    bench = simulated_bench(procedure, bench_path=TIDE_BENCH)

    outcome = bench.run(serial="TG-001")

    text = next(text for kind, text, _ in bench.record.events if kind == "override")
    assert "its free leads (`leads: VBAT`)" in text
    assert outcome.readings[0].aspect == "at the free leads"
    assert outcome.readings[0].value == pytest.approx(12.0, abs=0.05)


def test_the_supply_is_at_the_final_voltage_and_a_small_limit_for_the_leads() -> None:
    bench = simulated_bench(picked("leads", "apply"), history=SEEN)

    bench.run()

    sent = [text for text in bench.supply_link.sent if text.startswith(("VOLT ", "CURR ", "OUTP ON"))]
    assert sent[:4] == ["VOLT 0", "CURR 0.05", "VOLT 24", "OUTP ON"]


# measure


def test_a_rail_below_its_minimum_load_is_not_judged() -> None:
    procedure = with_steps(replace(APPLY, board_state="asleep"), Step(1, Measure(("N12V",))))
    assert isinstance(APPLY.action, Apply)
    quiet = replace(APPLY.action, expect_current=None)
    procedure = replace(procedure, steps=(replace(procedure.steps[0], action=quiet), procedure.steps[1]))
    bench = simulated_bench(procedure, history=SEEN)

    outcome = bench.run()

    reading = next(each for each in outcome.readings if each.point == "N12V")
    assert reading.result is Result.NOT_JUDGED
    assert reading.note == "loaded below the minimum of 1 mA"
    assert outcome.result is AttemptResult.PASSED
    said = "N12V was not judged: loaded below the minimum of 1 mA"
    assert [text for kind, text, _ in bench.record.events if kind == "warning"] == [said]
    assert [told.data["warned"] for told in bench.told if told.kind == "attempt-ended"] == [said]


def test_whether_a_rail_is_loaded_enough_is_worked_out_at_the_volts_that_were_set(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = simulated_bench(with_steps(at_20_volts(), Step(1, Measure(("N12V",)))), history=SEEN)
    asked: list[dict[str, float]] = []

    def solving(board: Board, volts: dict[str, float], **others: Any) -> Any:
        asked.append(volts)
        return solve(board, volts, **others)

    monkeypatch.setattr("bringup.runner.actions.measure.solve", solving)
    outcome = bench.run()

    assert (outcome.cause, asked) == ("", [{"VIN": 20.0}])


def at_20_volts() -> Step:
    assert isinstance(APPLY.action, Apply)
    return replace(APPLY, action=replace(APPLY.action, then=(parse_quantity("20 V"),), expect_current=None))


def test_a_second_apply_starts_from_off_and_discharged() -> None:
    bench = simulated_bench(with_steps(APPLY, APPLY), history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    changes = [text for text in bench.supply_link.sent if text in ("OUTP ON", "OUTP OFF", "VOLT 24", "VOLT 1")]
    assert changes == 2 * ["OUTP OFF", "VOLT 1", "OUTP ON", "VOLT 24", "OUTP OFF"]


class Unprotected:
    """A supply that has no protections of its own."""

    def __init__(self, supply: Any) -> None:
        self._supply = supply

    def __getattr__(self, name: str) -> Any:
        return getattr(self._supply, name)

    def can_protect(self, output: int, protection: Protection) -> bool:
        return False


def test_a_rail_is_never_judged_while_the_supply_is_in_current_limit() -> None:
    """Excess load that keeps the supply in current limit ends as a trip, and no rail was judged meanwhile."""
    slow = replace(APPLY.action, limit_time=parse_quantity("3 s"), trip_current=parse_quantity("1 A"))  # type: ignore[arg-type]
    bench = simulated_bench(
        with_steps(replace(APPLY, action=slow), Step(1, Measure(("12V0", "5V0", "3V3")))),
        history=SEEN,
        faults=[Fault("VIN", FaultKind.SHORTED_THROUGH, 3.0, after=1.5)],
    )

    outcome = bench.run(supply=Unprotected(bench.supply))

    assert outcome.result is AttemptResult.FAILED
    assert "stayed in current limit" in outcome.cause
    assert not [each for each in outcome.readings if each.step == 1 and each.result is Result.FAIL]
    assert any("to leave current limit" in told.text for told in bench.told if told.kind == "going")


def test_the_supplys_own_protection_is_on_after_start_up_and_its_trip_is_read() -> None:
    fault = Fault("VIN", FaultKind.SHORTED_THROUGH, 3.0, after=1.5)
    slow = replace(APPLY.action, limit_time=parse_quantity("3 s"), trip_current=parse_quantity("1 A"))  # type: ignore[arg-type]
    bench = simulated_bench(with_steps(replace(APPLY, action=slow), Step(1, LOG)), history=SEEN, faults=[fault])

    outcome = bench.run()

    assert (outcome.result, outcome.cause) == (
        AttemptResult.FAILED,
        "the supply's over-current protection tripped on VIN",
    )
    assert outcome.off_verified is True


# log


def test_a_log_takes_every_kind_of_channel() -> None:
    channels = (
        Channel("3V3", Kind.VOLTAGE, "3V3"),
        Channel("VIN", Kind.VOLTAGE, "VIN voltage"),
        Channel("VIN", Kind.CURRENT, "VIN current"),
        Channel("VIN", Kind.POWER, "VIN power"),
    )
    step = Step(1, Log(channels, parse_quantity("1 s"), parse_quantity("250 ms")))
    bench = simulated_bench(with_steps(APPLY, step), history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    assert len(bench.record.samples) == 20
    means = {(each.point, each.kind): each.value for each in outcome.readings if each.aspect == "mean"}
    assert means["3V3", Kind.VOLTAGE] == pytest.approx(3.3, abs=0.05)
    assert means["VIN", Kind.POWER] == pytest.approx(24 * 0.069, rel=0.05)


def test_samples_without_a_value_are_kept_as_that_and_make_it_incomplete() -> None:
    log = Log((Channel("3V3", Kind.VOLTAGE, "3V3"),), parse_quantity("2 s"), parse_quantity("500 ms"))
    bench = simulated_bench(with_steps(APPLY, Step(1, log)), history=SEEN)

    def spoil(told: Any) -> None:
        if told.kind == "sample" and len(bench.record.samples) == 2:
            bench.meter_link.troubles.garbage["READ?"] = "9.91E37"

    outcome = bench.run(tell=spoil)

    assert [value is None for _, value in bench.record.samples] == [False, False, True, True, True]
    assert outcome.result is AttemptResult.INCOMPLETE
    assert "3V3: 3 of 5 samples have no value" in outcome.cause


def test_one_sample_outside_its_limits_fails_the_log() -> None:
    log = Log((Channel("VIN", Kind.CURRENT, "VIN current"),), parse_quantity("2 s"), parse_quantity("200 ms"))
    step = Step(1, log, expect={"": parse_limits("60 mA .. 110 mA")}, end_on_fail=False)
    fault = Fault("VIN", FaultKind.EXCESS_LOAD, 0.1, after=2.0)
    bench = simulated_bench(with_steps(APPLY, step), history=SEEN, faults=[fault])

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.startswith("step 2 (log): VIN maximum current 16")


def test_volts_over_range_count_as_above_what_damages() -> None:
    log = Log((Channel("3V3", Kind.VOLTAGE, "3V3"),), parse_quantity("2 s"), parse_quantity("500 ms"))
    bench = simulated_bench(with_steps(APPLY, Step(1, log)), history=SEEN)

    def spoil(told: Any) -> None:
        if told.kind == "step-begun" and told.step == 1:
            bench.meter_link.troubles.garbage["READ?"] = "9.9E37"

    outcome = bench.run(tell=spoil)

    assert outcome.result is AttemptResult.FAILED
    assert "3V3 is over range: that counts as above what damages it" in outcome.cause
    assert "trip" in bench.record.kinds()


# power_off


def test_power_off_waits_for_the_discharge() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, PowerOff(parse_quantity("1 V")))), history=SEEN)

    outcome = bench.run()

    last = outcome.readings[-1]
    assert (last.point, last.aspect, last.result) == ("VIN", "after power off", Result.PASS)
    assert last.limits is not None
    assert (last.limits.text, last.limits_from) == ("< 1 V", LimitsFrom.PROCEDURE)
    assert last.value is not None
    assert last.value < 1.0
    assert bench.world.input_volts("VIN", bench.clock.monotonic()) < 1.0


def test_what_has_discharged_as_far_as_was_waited_for_fails_by_no_decision_rule() -> None:
    below = parse_quantity("1 V")
    steps = with_steps(APPLY, Step(1, PowerOff(below), decision_rule=DecisionRule(RuleKind.GUARD_BAND, Decimal(1000))))

    outcome = simulated_bench(steps, history=SEEN).run()

    last = outcome.readings[-1]
    assert last.aspect.startswith("after power off")
    assert (last.result, last.decision_rule) == (Result.PASS, "simple acceptance")
    assert outcome.result is AttemptResult.PASSED, outcome.cause


def test_a_board_that_stays_charged_is_said_so() -> None:
    bench = simulated_bench(
        with_steps(APPLY, Step(1, PowerOff(parse_quantity("1 mV")), end_on_fail=False)), history=SEEN
    )
    bench.clock.at(3.0, lambda: bench.world.plant(Fault("VIN", FaultKind.BACK_FED, 5.0)))

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert "VIN still carries" in outcome.cause
    assert "keep off the board" in outcome.cause
    assert "not-discharged" in bench.record.kinds()
    assert outcome.off_verified is True


# hands


def test_a_person_is_told_where_the_probe_goes_and_asked_for_no_key() -> None:
    bench = simulated_bench(
        with_steps(APPLY, Step(1, Measure(("3V3", "5V0")))),
        history=SEEN,
        bench_path=ROOT / "fixtures/benches/simulated-by-hand-probing.yaml",
    )
    asked = person(bench)

    outcome = bench.run(ask=asked)

    places = dict.fromkeys(told.text for told in bench.told if told.kind == "probing")
    assert list(places) == ["J1.1 (VIN)", "TP4 (3V3)", "TP3 (5V0)"]
    assert not [prompt.text for prompt, _ in asked.asked if "robe" in prompt.text]
    assert outcome.result is AttemptResult.PASSED


def test_a_simulated_bench_that_refuses_a_move_breaks_the_attempt_off() -> None:
    bench = simulated_bench(with_steps(Step(0, Measure(("3V3",)))))
    bench.meter_link.troubles.garbage["SYSTem:ERRor?"] = '-222,"Data out of range"'

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert 'the simulated bench refuses `SIMulate:UNIT "MBL-0001"`: -222' in outcome.cause
