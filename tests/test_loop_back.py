"""`bringup bench --loop-back`: what agrees, what does not, and that power is held as in an attempt."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.commands.loop_back import check_before
from bringup.commands.main import main
from bringup.core.accuracy import OF_METER, OF_SUPPLY, Accuracy, parse_accuracy
from bringup.core.bench import Bench, Ceiling
from bringup.core.faults import Fault, FaultKind
from bringup.core.loop_back import (
    LOCAL,
    REMOTE,
    allowed,
    apart,
    checked_on,
    current_limit,
    meant,
    outputs_of,
    over_voltage,
    procedure_of,
    refusal,
)
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult
from bringup.errors import NotationError, SafetyRefused
from bringup.files.bench_file import load_bench
from bringup.runner.attempt import run_attempt
from bringup.runner.by_hand import HandSupply
from bringup.runner.hand_meter import HandMeter
from bringup.runner.loop_back import LoopBack
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.records import Interruption
from bringup.runner.setup import AttemptOutcome
from bringup.runner.unguarded import Unguarded
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SimulatedBench, simulated_bench
from tests.served_bench import BENCHES, served_bench
from tests.two_supplies import two_supplies


@pytest.fixture(autouse=True)
def _own_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))


def built(faults: Sequence[Fault] = (), *, remote: bool = False) -> SimulatedBench:
    bench = simulated_bench(faults=faults)
    assert bench.bench.supply is not None
    assert bench.bench.meter is not None
    # Nobody states an accuracy here unless a test does.
    supply = replace(bench.bench.supply, remote_sense=remote, accuracy=None)
    bench.bench = replace(bench.bench, supply=supply, meter=replace(bench.bench.meter, accuracy=None))
    return bench


def check(bench: SimulatedBench, **changes: Any) -> AttemptOutcome:
    setup = bench.setup(procedure=procedure_of(bench.bench), serial="", **changes)
    outcome = run_attempt(setup, LoopBack)
    assert not bench.on()
    return outcome


def test_a_sound_bench_agrees_and_is_left_off() -> None:
    bench = built()

    outcome = check(bench)

    assert (outcome.result, outcome.off_verified) == (AttemptResult.PASSED, True)
    assert [(each.instrument, str(each.result)) for each in outcome.readings] == [("supply", "pass"), ("meter", "pass")]
    assert all(each.value == pytest.approx(1.0, abs=0.01) for each in outcome.readings)


def test_the_highest_that_is_ever_set_is_1_volt_at_50_milliamps() -> None:
    bench, seen = built(), list[tuple[float | None, float | None]]()

    check(bench, tell=lambda told: seen.append((told.poll.set_volts, told.poll.set_amps)) if told.poll else None)

    assert seen
    assert {pair for pair in seen if pair != (None, None)} == {(1.0, 0.05)}


def test_a_supply_that_carries_something_else_than_it_says_is_found() -> None:
    outcome = check(built([Fault("VIN", FaultKind.WRONG_VOLTAGE, 1.1)]))

    assert (outcome.result, outcome.off_verified) == (AttemptResult.FAILED, True)
    assert outcome.exit_code == 1
    assert "VIN as the meter reads it voltage 1.1" in outcome.cause
    assert "wanted 965 mV .. 1.035 V" in outcome.cause


def test_supply_and_meter_are_compared_with_each_other_too() -> None:
    bench = built([Fault("VIN", FaultKind.WRONG_VOLTAGE, 1.03)])
    bench.bench = replace(bench.bench, meter=replace(bench.bench.meter, accuracy=parse_accuracy("1 mV")))  # type: ignore[type-var]

    outcome = check(bench)

    assert outcome.result is AttemptResult.FAILED
    assert apart(1.004, 1.03, Decimal("0.026")) == ""
    assert "26 mV apart, where 25 mV is permitted" in apart(1.004, 1.03, Decimal("0.025"))


def test_an_open_sense_lead_is_found_by_the_second_part() -> None:
    outcome = check(built([Fault("VIN", FaultKind.SENSE_OPEN)], remote=True))

    assert (outcome.result, outcome.off_verified) == (AttemptResult.FAILED, True)
    assert [str(each.result) for each in outcome.readings][:2] == ["pass", "pass"]
    assert outcome.cause.startswith("VIN at 1 V into the meter, sensing at the meter: ")
    assert "a sense lead is open, loose or swapped" in outcome.cause


def test_sound_sense_leads_pass_and_hands_are_asked_for_with_everything_off() -> None:
    bench, asked = built(remote=True), list[tuple[str, bool]]()

    def tell(told: Any) -> None:
        if told.kind == "prompt-answered":
            asked.append((told.text, bench.on()))

    assert check(bench, tell=tell).result is AttemptResult.PASSED
    assert len(bench.record.readings) == 4
    assert [on for text, on in asked if "sense leads to the same ends" in text] == [False]
    assert not any(on for _, on in asked)


def test_a_sense_lead_that_makes_the_protection_trip_is_named_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bringup.runner.loop_back.over_voltage", lambda _role: Decimal("1.03"))

    outcome = check(built([Fault("VIN", FaultKind.SENSE_OPEN)], remote=True))

    assert (outcome.result, outcome.off_verified) == (AttemptResult.FAILED, True)
    assert "over-voltage protection tripped" in outcome.cause
    assert "a sense lead that is open, loose or swapped does that" in outcome.cause


def test_an_output_that_the_person_leaves_out_is_off_and_makes_the_check_incomplete() -> None:
    bench = built()
    why = Scripted(Answer("it is wired elsewhere"), PromptKind.TEXT, "Why leave out step 1")
    person = SimulatedPerson(script=[why], clock=bench.clock)
    bench.ask = person

    def tell(told: Any) -> None:
        if told.kind == "power" and "ON at" in told.text:
            person.press("l", at=bench.clock.monotonic() + 0.01)

    outcome = check(bench, tell=tell)

    assert (outcome.result, outcome.exit_code, outcome.off_verified) == (AttemptResult.INCOMPLETE, 1, True)
    assert "left out: it is wired elsewhere" in outcome.cause


def test_outputs_that_one_switch_powers_together_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "bench.yaml"
    supply = "{resource: 'TCPIP0::127.0.0.1::9::SOCKET', dialect: set-colon, outputs: {VIN: 1, VBAT: 2}}"
    file.write_text(f"bench: B\nsupply: {supply}\nmeter: by hand\n", encoding="utf-8")

    with pytest.raises(SafetyRefused, match="they would all be powered at once"):
        check_before(load_bench(file))


@pytest.mark.parametrize("interruption", [Interruption.CTRL_C, Interruption.TERMINATE, Interruption.OFF_ASKED])
def test_what_interrupts_it_while_it_is_on_switches_off(interruption: Interruption) -> None:
    bench = built()

    def tell(told: Any) -> None:
        if told.kind == "power" and "ON at" in told.text:
            bench.clock.interrupt(interruption, bench.clock.monotonic() + 0.01)

    outcome = check(bench, tell=tell)

    assert (outcome.result, outcome.off_verified) == (AttemptResult.CALLED_OFF, True)
    assert outcome.exit_code == 3


def test_a_meter_that_is_lost_ends_it_with_the_output_off() -> None:
    bench = built()

    def tell(told: Any) -> None:
        if told.kind == "power" and "ON at" in told.text:
            bench.meter_link.troubles.lost_at = bench.clock.monotonic()

    outcome = check(bench, tell=tell)

    assert (outcome.result, outcome.off_verified) == (AttemptResult.BROKEN_OFF, True)
    assert "the meter is lost" in outcome.cause


def test_without_the_go_nothing_is_switched_on() -> None:
    bench, ever = built(), list[bool]()
    no_go = Scripted(Answer(), PromptKind.GO, "Enter switches it ON", delay=math.inf)
    person = SimulatedPerson(script=[no_go], clock=bench.clock)
    bench.ask = person
    person.press("q", at=60.0)

    outcome = check(bench, tell=lambda _: ever.append(bench.on()))

    assert (outcome.result, outcome.exit_code) == (AttemptResult.CALLED_OFF, 3)
    assert bench.clock.monotonic() >= 60.0
    assert not any(ever)


def test_the_guardian_hears_before_the_output_goes_on_and_when_it_is_off() -> None:
    bench, heard = built(), list[tuple[str, bool]]()

    class Listening(Unguarded):
        def on(self) -> Any:
            heard.append(("on", bench.on()))
            return super().on()

        def off(self) -> None:
            heard.append(("off", bench.on()))

    check(bench, guard=Listening())

    assert heard[0] == ("on", False)
    assert heard[-1] == ("off", False)
    assert len([word for word, _ in heard if word == "on"]) == 1


def test_the_bench_s_ceiling_holds() -> None:
    supply = load_bench(BENCHES / "simulated.yaml").supply
    assert supply is not None
    low = replace(supply, ceiling=Ceiling(parse_quantity("1.5 V"), parse_quantity("20 mA")))
    assert current_limit(supply) == Decimal("0.05")
    assert current_limit(low) == Decimal("0.02")
    ceilings = {"1 V": "1.1", "1.5 V": "1.5", "5 V": "2", "30 V": "6"}
    for written, level in ceilings.items():
        assert over_voltage(replace(supply, ceiling=Ceiling(parse_quantity(written)))) == Decimal(level)
    assert over_voltage(replace(supply, ceiling=Ceiling())) == 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("supply: by hand", "the bench has no meter"),
        ("meter: by hand", "the bench has no supply"),
        (
            "supply: {resource: by hand, ceiling: {voltage: 500 mV}}\nmeter: by hand",
            "the check is done at 1 V, and the bench's ceiling is 500 mV",
        ),
        ("supply: by hand\nmeter: by hand", "nobody is at this bench, and it is a real one"),
        (
            "calibration: {overdue: refuse}\nsupply: by hand\nmeter: {resource: by hand, calibration_due: 2020-01-31}",
            "the meter's calibration was due 2020-01-31",
        ),
    ],
)
def test_what_is_refused_before_anything_is_opened(text: str, says: str, tmp_path: Path) -> None:
    file = tmp_path / "bench.yaml"
    file.write_text(f"bench: B\n{text}\n", encoding="utf-8")

    with pytest.raises(SafetyRefused, match=says):
        check_before(load_bench(file))


def test_a_real_bench_without_a_terminal_exits_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "--loop-back", "--bench", str(BENCHES / "corner-bench.yaml")]) == 2
    assert "a loop-back check takes a person's hands and go" in capsys.readouterr().err


def typed(prompt: Prompt) -> str:
    return "50 mA" if prompt.unit == "A" else "1.00 V" if "Set the supply" in prompt.text else "1.01 V"


def test_by_hand_both_are_typed() -> None:
    bench = built()
    person = SimulatedPerson(attended=True, value=typed, clock=bench.clock)
    roles = bench.bench = load_bench(BENCHES / "handheld.yaml")
    assert roles.supply is not None
    assert roles.meter is not None
    limits = {"output 1": allowed(roles).around(Decimal("0.05"))}
    hands = {"supply": HandSupply(roles.supply, person), "meter": HandMeter(roles.meter, person, limits=limits)}

    outcome = check(bench, ask=person, simulated_link=None, **hands)

    assert outcome.result is AttemptResult.PASSED
    assert [(each.instrument, str(each.how)) for each in outcome.readings] == [("supply", "typed"), ("meter", "typed")]


def test_on_the_command_line_everybody_is_shown_and_the_check_is_in_the_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path, meter="accuracy: 2 mV") as bench:
        code = main(["bench", "--loop-back", "--json", "--bench", str(bench.file)])
        assert bench.outputs_on()[0] == "0"
    data = json.loads(capsys.readouterr().out)
    assert code == 0
    assert data["loop_back"]["result"] == "passed"
    assert data["loop_back"]["outputs_off"] is True
    assert [each["instrument"] for each in data["loop_back"]["readings"]] == ["supply", "meter"]
    assert "meter 0 % + 2 mV (stated)" in data["loop_back"]["accuracy"]


def test_a_load_of_the_bench_that_is_found_on_goes_off_as_in_an_attempt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path, load="dialect: function-by-channel-list, channels: {3V3: 2}") as bench:
        bench.tell("load", "INP ON,(@2)", "INP? (@2)")
        assert main(["bench", "--loop-back", "--bench", str(bench.file)]) == 0
        assert (bench.outputs_on()[0], bench.tell("load", "INP? (@2)")) == ("0", ["0"])
    assert "channel 2 of the load was found on and switched off" in capsys.readouterr().out


def test_the_bound_of_a_pair_is_the_sum_of_both_errors() -> None:
    bounds = allowed(built().bench)

    assert bounds.supply == Decimal("0.05")
    assert bounds.meter == Decimal("0.035")
    assert "assumed" in bounds.said


@pytest.mark.parametrize(
    ("meter", "set_wrong", "remote", "says"),
    [
        (0.001, False, False, "nothing arrives"),
        (-1.0, False, False, "the leads are reversed"),
        (1.05, True, True, "sense lead"),
        (1.05, True, False, "the supply's setting"),
        (1.05, False, False, "the meter or its leads"),
        (None, False, False, ""),
    ],
)
def test_what_is_most_likely_wrong_is_said(meter: float | None, set_wrong: bool, remote: bool, says: str) -> None:
    assert says in meant(meter, set_wrong=set_wrong, remote=remote)


def test_inputs_on_one_output_are_checked_once() -> None:
    supply = load_bench(BENCHES / "corner-bench.yaml").supply
    assert supply is not None
    assert outputs_of(replace(supply, outputs={"VIN": 1, "VAUX": 1, "VBAT": 2})) == {"VIN": 1, "VBAT": 2}
    assert outputs_of(replace(supply, outputs={})) == {"output 1": 1}


@pytest.mark.parametrize(
    ("text", "percent", "volts"),
    [("0.05 % + 10 mV", "0.05", "0.01"), ("±2 mV", "0", "0.002"), ("0.5 %", "0.5", "0"), ("3 mV + 1 %", "1", "0.003")],
)
def test_an_accuracy_is_read_as_a_data_sheet_writes_it(text: str, percent: str, volts: str) -> None:
    assert parse_accuracy(text) == Accuracy(Decimal(percent), Decimal(volts))


@pytest.mark.parametrize("text", ["", "0.05", "0,05 %", "10 mA", "1 % + 1 %", "-1 mV", "0 V", "1 mV + 2 mV + 1 %"])
def test_what_is_no_accuracy_is_refused(text: str) -> None:
    with pytest.raises(NotationError):
        parse_accuracy(text)


@given(st.decimals(0, 5, places=3), st.decimals("0.001", "0.1", places=4))
def test_an_accuracy_reads_back_as_it_is_written(percent: Decimal, volts: Decimal) -> None:
    assert parse_accuracy(str(Accuracy(percent, volts))) == Accuracy(percent, volts)


def test_the_assumed_accuracies_notice_a_sense_lead_that_is_off_by_a_twentieth() -> None:
    assert OF_SUPPLY.at(Decimal(1)) + OF_METER.at(Decimal(1)) < Decimal("0.05")


def two(**changes: Any) -> Bench:
    bench = load_bench(BENCHES / "simulated-two-supplies.yaml")
    return replace(bench, more_supplies=(replace(bench.more_supplies[0], **changes),))


def test_outputs_of_every_supply_are_checked_each_within_its_own_ceiling_and_accuracy() -> None:
    bench = two(
        ceiling=Ceiling(parse_quantity("26 V"), parse_quantity("20 mA")),
        accuracy=parse_accuracy("1 mV"),
        remote_sense=True,
    )

    steps = procedure_of(bench).steps
    assert [(step.action.input, str(step.action.current_limit), step.name) for step in steps] == [  # type: ignore[union-attr]
        ("VIN", "50 mA", LOCAL),
        ("VDRV", "20 mA", LOCAL),
        ("VDRV", "20 mA", REMOTE),
    ]
    assert {name: number for name, (_, number) in checked_on(bench).items()} == {"VIN": 1, "VDRV": 102}
    assert (allowed(bench, "VIN").supply, allowed(bench, "VDRV").supply) == (Decimal("0.05"), Decimal("0.002"))
    assert allowed(bench).said.startswith("supply 0.5 % + 20 mV (assumed")
    assert "supply drive 0 % + 1 mV (stated)" in allowed(bench).said


def test_what_speaks_against_the_check_of_a_second_supply_is_said_of_it() -> None:
    assert refusal(two()) == ""
    assert refusal(two(ceiling=Ceiling(parse_quantity("500 mV")))) == (
        "the check is done at 1 V, and the supply drive's ceiling is 500 mV"
    )
    assert refusal(two(leave_alone=(2,))) == "VDRV is an output that the bench file says to leave alone"
    assert refusal(two(leave_alone=(1,))) == ""


def test_on_the_command_line_every_supply_is_checked_and_judged_by_its_own_accuracy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with two_supplies(tmp_path, second=", accuracy: 1 mV") as bench:
        code = main(["bench", "--loop-back", "--json", "--bench", str(bench.bench)])
        assert bench.on == (False, False)
    checked = json.loads(capsys.readouterr().out)["loop_back"]
    assert (code, checked["outputs_off"]) == (0, True)
    taken = [(each["input"], each["instrument"], each["low"]) for each in checked["readings"]]
    assert taken == [
        ("VIN", "supply", 0.95),
        ("VIN", "meter", 0.965),
        ("VDRV", "supply drive", 0.998),
        ("VDRV", "meter", 0.989),
    ]
