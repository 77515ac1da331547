"""The input at the board by hand: asked for once, and what the leads come to after a value was corrected."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bringup.core.accuracy import parse_accuracy
from bringup.core.faults import Fault, FaultKind
from bringup.core.procedure import Measure
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, How, Kind, Result
from bringup.runner.prompts import Answer, PromptKind
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench
from tests.test_by_hand_attempt import PROCEDURE, HandBench, at_the_bench, correcting

LEADS = "supply leads"
AT_BOARD = "at the board"


def typing_drop(text: str, typed: str) -> str:
    """24.00 V and 69.0 mA at the supply, 23.92 V at the board."""
    if "does the supply show" in text:
        return {"24 V": "24.00", "0.069": "69.0m"}.get(typed, typed)
    return "23.92" if typed == "23.98" else typed


def leads_of(readings: tuple[Reading, ...]) -> list[Reading]:
    return [each for each in readings if each.aspect == LEADS]


def corrected_to(typed: str, *, of: str, shown: str) -> HandBench:
    """A person who corrects one value of the last stage at the next question."""

    def when(reading: Reading) -> bool:
        return reading.step == 3 and reading.raw == of

    to = Scripted(Answer(typed), kind=PromptKind.TEXT, containing=f"was typed as {shown}")
    hands = correcting(when, to, change=typing_drop)
    hands.accuracy = parse_accuracy("0.01 % + 1 mV")
    return hands


def test_what_the_leads_come_to_is_worked_out_again_from_a_corrected_value() -> None:
    outcome = corrected_to("23.90", of="23.92", shown="23.92 V").run()

    old, new = leads_of(outcome.readings)
    assert old.value == pytest.approx(0.08 / 0.069)
    assert new.value == pytest.approx(0.10 / 0.069)
    assert (new.replaces, new.how, new.step) == (old.id, How.DERIVED, old.step)
    assert "23.90" in new.raw


def test_a_drop_that_a_correction_takes_away_leaves_no_resistance_of_the_leads() -> None:
    outcome = corrected_to("23.99", of="23.92", shown="23.92 V").run()

    old, new = leads_of(outcome.readings)
    assert (new.value, new.result, new.replaces) == (None, Result.NOT_JUDGED, old.id)
    assert "no more than supply and meter may differ by" in new.note
    assert outcome.result is AttemptResult.PASSED


def test_a_corrected_current_of_the_supply_is_what_the_leads_are_worked_out_from() -> None:
    outcome = corrected_to("96.0m", of="69.0m", shown="69").run()

    (leads,) = leads_of(outcome.readings)
    assert leads.value == pytest.approx(0.08 / 0.096)


def test_where_a_step_reads_an_input_one_typed_value_serves_as_the_one_at_the_board() -> None:
    hands = at_the_bench()
    steps = tuple(
        replace(step, board_state="sleeping") if isinstance(step.action, Measure) else step for step in PROCEDURE.steps
    )
    states = (*PROCEDURE.board.states, "sleeping")
    hands.bench.procedure = replace(PROCEDURE, steps=steps, board=replace(PROCEDURE.board, states=states))

    outcome = hands.run()

    read = [each for each in outcome.readings if each.point == "VIN" and each.step == 4 and each.kind is Kind.VOLTAGE]
    assert [(each.raw, each.aspect) for each in read] == [("23.98", "")]


# what the difference is worth


def test_instruments_that_may_be_off_by_more_than_the_drop_tell_only_the_most_that_leads_can_have() -> None:
    hands = corrected_to("23.90", of="23.92", shown="23.92 V")
    hands.accuracy = None

    outcome = hands.run()

    assert leads_of(outcome.readings) == []
    texts = [text for kind, text, _ in hands.bench.record.events if kind == "leads"]
    # (0.5 % + 20 mV and 0.5 % + 5 mV of 24 V, with the drop of 0.08 V, later 0.1 V) / 69 mA
    why = "the drop is no more than supply and meter may differ by"
    assert texts == [f"the supply leads of VIN come to < {most} Ω: {why}" for most in (5, 5.3)]


def test_what_the_two_differ_by_at_the_free_leads_is_taken_off_the_drop() -> None:
    bench = simulated_bench(picked("leads", "apply"), history=SEEN, faults=[])

    outcome = bench.run()

    (leads,) = leads_of(outcome.readings)
    (free,) = [each for each in outcome.readings if each.aspect == "at the free leads"]
    assert free.value is not None
    assert free.input_volts is not None
    apart = free.input_volts - free.value
    assert ("apart at the free leads" in leads.raw) == bool(apart)
    assert leads.value == pytest.approx(0.1, abs=0.06)


@pytest.mark.parametrize(("most", "warned"), [(0.5, True), (2.0, False)])
def test_leads_of_more_than_the_bench_permits_are_pointed_out(most: float, *, warned: bool) -> None:
    bench = simulated_bench(picked("leads", "apply"), history=SEEN)
    assert bench.bench.supply is not None
    bench.world._bench.lead_ohms = 1.2
    bench.bench = replace(bench.bench, supply=replace(bench.bench.supply, leads_at_most=most))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    said = str(bench.told[-1].data["warned"])
    assert said.startswith("the supply leads of VIN come to 1.1") == warned


# where the supply senses


def sensing(*faults: Fault) -> SimulatedBench:
    bench = simulated_bench(picked("leads", "apply"), history=SEEN, faults=faults)
    assert bench.bench.supply is not None
    bench.bench = replace(bench.bench, supply=replace(bench.bench.supply, remote_sense=True))
    return bench


def go_lines(bench: SimulatedBench) -> list[str]:
    assert isinstance(bench.ask, SimulatedPerson)
    return [line for prompt, _ in bench.ask.asked if prompt.kind is PromptKind.GO for line in prompt.lines]


def test_whoever_says_go_is_told_where_the_supply_senses() -> None:
    local, remote = simulated_bench(picked("apply"), history=SEEN), sensing()
    local.run()
    outcome = remote.run()

    assert "sense: local, at its terminals (read back)" in go_lines(local)
    assert "sense: remote, at the board (read back)" in go_lines(remote)
    assert outcome.result is AttemptResult.PASSED
    assert leads_of(outcome.readings) == []


def test_a_supply_that_senses_at_the_board_reads_there_however_long_its_leads_are() -> None:
    bench = sensing()
    bench.world._bench.lead_ohms = 2.0

    outcome = bench.run()

    (shown,) = [each for each in outcome.readings if each.aspect == "24 V" and each.kind is Kind.VOLTAGE]
    (board,) = [each for each in outcome.readings if each.aspect == "at the board"]
    assert outcome.result is AttemptResult.PASSED
    assert shown.value == pytest.approx(24.0, abs=0.01)
    assert board.value == pytest.approx(24.0, abs=0.01)
    assert "sense lead" not in str(bench.told[-1].data["warned"])


def test_an_open_sense_lead_is_found_at_the_free_leads_with_no_board_on_them() -> None:
    bench = sensing(Fault("VIN", FaultKind.SENSE_OPEN))

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "a sense lead that is open, loose or not joined to the same end does that" in outcome.cause
    assert "the board was not connected" in outcome.cause


def test_a_supply_that_senses_something_else_than_the_board_has_is_a_warning() -> None:
    bench = sensing(Fault("VIN", FaultKind.WRONG_VOLTAGE, 23.7, after=1.0))
    bench.procedure = picked("apply")
    assert bench.bench.supply is not None
    assert bench.bench.meter is not None
    exact = parse_accuracy("0.01 % + 1 mV")
    bench.bench = replace(
        bench.bench,
        supply=replace(bench.bench.supply, accuracy=exact),
        meter=replace(bench.bench.meter, accuracy=exact),
    )

    bench.run()

    assert str(bench.told[-1].data["warned"]).endswith("a sense lead is open, loose or on another point")
