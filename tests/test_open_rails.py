"""Ohms over range, or far from what the board file expects: nothing is shorted, and yet not silently well."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from bringup.core.expectation import unlike
from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Step
from bringup.core.quantity import parse_quantity
from bringup.core.reading import Reading
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult, Kind, Result
from bringup.runner.ohms import AGAIN, FAULT, RIGHT
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.protocols import Told
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SimulatedBench, simulated_bench, with_steps
from tests.test_by_hand_attempt import HandBench, at_the_bench

OPEN = "9.9E37"


def looking_at(point: str, **changes: Any) -> SimulatedBench:
    """A bench whose procedure takes the resistance of one point; `changes` are made to that rail."""
    procedure = with_steps(Step(0, Resistance((point,))))
    board = procedure.board
    rails = {**board.rails, point: replace(board.rails[point], **changes)}
    return simulated_bench(replace(procedure, board=replace(board, rails=rails)))


def over_range_in_ohms(bench: SimulatedBench, until: int = 10_000) -> Any:
    """Have the meter answer over range once the volts were read, the first `until` times."""

    def spoil(told: Told) -> None:
        garbage = bench.meter_link.troubles.garbage
        if told.reading is not None and told.reading.aspect == "before resistance":
            garbage["READ?"] = OPEN
        elif told.kind == "event" and "read again on any range" in told.text and until == 1:
            garbage.pop("READ?", None)

    return spoil


def ohms(readings: tuple[Reading, ...], point: str) -> list[Reading]:
    return [each for each in readings if each.kind is Kind.RESISTANCE and each.point == point]


def test_over_range_against_a_lower_limit_alone_is_not_judged_and_is_no_short() -> None:
    bench = looking_at("VREF", unpowered_resistance=None)

    outcome = bench.run(tell=over_range_in_ohms(bench))

    (reading,) = ohms(outcome.readings, "VREF")
    assert (reading.value, reading.result) == (None, Result.NOT_JUDGED)
    assert reading.note == "over range: open, or more than the meter can show; so not shorted"
    assert outcome.result is AttemptResult.PASSED


def test_a_rail_that_is_open_where_the_board_file_expects_ohms_fails_in_words() -> None:
    bench = looking_at("VREF")

    outcome = bench.run(tell=over_range_in_ohms(bench))

    (reading,) = ohms(outcome.readings, "VREF")
    assert (reading.value, reading.result) == (None, Result.FAIL)
    assert outcome.result is AttemptResult.FAILED
    assert "VREF resistance: over range: open, or more than the meter can show, where about 12 kΩ is expected: " in (
        outcome.cause
    )
    assert "is what hangs on it connected?" in outcome.cause


def test_over_range_on_the_range_that_was_expected_is_read_again_on_any_range() -> None:
    bench = looking_at("VREF")

    outcome = bench.run(tell=over_range_in_ohms(bench, until=1))

    (reading,) = ohms(outcome.readings, "VREF")
    assert reading.value == pytest.approx(12_000, rel=0.05)
    assert outcome.result is AttemptResult.PASSED
    ranges = [text for text in bench.meter_link.sent if text.startswith("CONF:RES")]
    assert ranges[-1] != ranges[0]
    assert any(kind == "range" and "where about 12 kΩ is expected" in text for kind, text, _ in bench.record.events)


def test_what_may_well_be_beyond_a_meter_is_not_judged_when_it_is() -> None:
    bench = looking_at("VREF", unpowered_resistance=parse_quantity("200 MΩ"))

    outcome = bench.run(tell=over_range_in_ohms(bench))

    assert [each.result for each in ohms(outcome.readings, "VREF")] == [Result.NOT_JUDGED]


def test_over_range_above_an_upper_limit_fails_in_words() -> None:
    bench = looking_at("VREF", unpowered_resistance=None, ground=parse_limits("10 kΩ .. 14 kΩ"))

    outcome = bench.run(tell=over_range_in_ohms(bench))

    assert outcome.result is AttemptResult.FAILED
    assert "more than the meter can show, wanted 10 kΩ .. 14 kΩ" in outcome.cause


# a person who reads the meter


def seeing_once(seen: str, instead_of: str, *script: Scripted) -> HandBench:
    """A person who first reads `seen` where a sound board shows `instead_of`."""
    first: list[str] = []

    def change(text: str, typed: str) -> str:
        if typed == instead_of and not first:
            first.append(text)
            return seen
        return typed

    return at_the_bench(*script, change=change)


def test_a_typed_over_range_is_put_to_the_person_and_fails_when_it_stands() -> None:
    hands = seeing_once("OL", "12k")

    outcome = hands.run()

    (asked,) = [prompt for prompt, _ in hands.person.asked if prompt.choices == (FAULT, AGAIN)]
    assert asked.text.startswith("VREF is over range: open")
    assert outcome.result is AttemptResult.FAILED
    assert "where about 12 kΩ is expected" in outcome.cause


def test_a_resistance_far_above_the_expected_one_does_not_pass_silently() -> None:
    hands = seeing_once("7M rising", "850")

    outcome = hands.run()

    (asked,) = [prompt for prompt, _ in hands.person.asked if prompt.choices == (FAULT, AGAIN, RIGHT)]
    assert asked.text == "3V3 has 7 MΩ where about 850 Ω is expected"
    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.endswith("3V3 resistance 7 MΩ: 7 MΩ where about 850 Ω is expected (it is a fault)")


def test_what_the_person_stands_by_is_judged_by_its_limits_and_says_so() -> None:
    hands = seeing_once(
        "7M rising", "850", Scripted(Answer(RIGHT), kind=PromptKind.CHOICE, containing="where about 850")
    )

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED
    (reading,) = ohms(outcome.readings, "3V3")
    assert (reading.value, reading.result) == (7e6, Result.PASS)
    assert reading.note == "7 MΩ where about 850 Ω is expected (it is right all the same)"
    accepted = [(text, data) for kind, text, data in hands.bench.record.events if kind == "accepted"]
    said = "3V3 has 7 MΩ where about 850 Ω is expected: it is right all the same"
    assert accepted == [(said, {"given by": "a person"})]


def test_a_doubted_resistance_that_is_measured_again_stays_beside_the_new_one() -> None:
    hands = seeing_once(
        "7M rising", "850", Scripted(Answer(AGAIN), kind=PromptKind.CHOICE, containing="where about 850")
    )

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED
    first, second = ohms(outcome.readings, "3V3")
    assert [(each.value, each.result) for each in (first, second)] == [(7e6, Result.NOT_JUDGED), (850.0, Result.PASS)]
    assert (first.replaces, second.replaces) == (None, first.id)


def test_a_doubt_is_answered_by_the_simulated_bench_as_a_fault() -> None:
    low = Fault("3V3", FaultKind.SHORTED_THROUGH, 140.0)
    bench = simulated_bench(with_steps(Step(0, Resistance(("3V3",)))), faults=[low])

    outcome = bench.run(ask=SimulatedPerson(clock=bench.clock))

    assert outcome.result is AttemptResult.FAILED
    assert outcome.readings[-1].value == pytest.approx(120, rel=0.05)
    assert "where about 850 Ω is expected (it is a fault)" in outcome.cause


@pytest.mark.parametrize(
    ("found", "rising", "doubted"),
    [
        (850.0, False, False),
        (4250.0, False, False),
        (4251.0, False, True),
        (170.0, False, False),
        (169.0, False, True),
        (169.0, True, False),
        (7e6, True, True),
    ],
)
def test_five_times_either_way_is_far_from_expected_unless_it_still_rises(
    found: float, rising: bool, doubted: bool
) -> None:
    assert unlike(found, 850.0, rising=rising) is doubted
