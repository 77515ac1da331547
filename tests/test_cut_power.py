"""Power that was cut for a damaging voltage: the reading is kept, the Trip told, and nothing goes on without it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.procedure import Dwell, Measure, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, Result
from bringup.errors import LogbookError
from bringup.runner import measuring as measuring_module
from bringup.runner.actions import measure as measure_module
from bringup.runner.hand_meter import HandMeter
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps

APPLY = picked("apply").steps[0]
SOON = 3.0
"""Seconds of output-on time after which the rail rises: it was measured twice by then."""
TOO_HIGH = Fault("12V0", FaultKind.UPPER_OPEN, after=SOON)


def measuring(times: int = 4) -> Procedure:
    """Return steps that measure a rail over and over, so many times each, and then go on with power."""
    steps = (Step(1 + index, Measure(("12V0",) * times)) for index in range(16 // times))
    return with_steps(APPLY, *steps, Step(20, Dwell(parse_quantity("3 s"))))


def run(procedure: Procedure, *faults: Fault, **changes: Any) -> tuple[SimulatedBench, AttemptOutcome]:
    bench = simulated_bench(procedure, history=SEEN, faults=faults)
    outcome = bench.run(**changes)
    assert not bench.on()
    assert outcome.off_verified is True
    return bench, outcome


def assert_tripped_once(bench: SimulatedBench, outcome: AttemptOutcome) -> None:
    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.startswith("12V0 reads ")
    assert outcome.cause.endswith("above the 14 V that damage it")
    assert [text for kind, text, _ in bench.record.events if kind == "trip"] == [outcome.cause]


@pytest.mark.parametrize("amps", [0.3, 0.35, 0.4])
def test_a_damaging_rail_is_a_trip_also_while_the_supply_is_in_current_limit(amps: float) -> None:
    bench, outcome = run(measuring(), TOO_HIGH, Fault("12V0", FaultKind.EXCESS_LOAD, amps, after=SOON))

    assert_tripped_once(bench, outcome)
    last = bench.record.readings[-1]
    assert last.value is not None
    assert last.value > 14.0
    assert last.result is Result.FAIL


def typing(bench: SimulatedBench, at_12v0: Callable[[], None] = lambda: None) -> tuple[AttemptOutcome, SimulatedPerson]:
    """Run with a person who reads 19.3 V at 12V0."""
    assert bench.bench.meter is not None

    def typed(prompt: Prompt) -> str:
        if prompt.text.startswith("VIN:"):
            return "23.98"
        at_12v0()
        return "19.3"

    person = SimulatedPerson(attended=True, clock=bench.clock, value=typed)
    return bench.run(ask=person, meter=HandMeter(bench.bench.meter, person, limits={})), person


def test_a_damaging_voltage_that_a_person_types_is_not_asked_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measuring_module, "limited_at", lambda _, point, __: point == "12V0")
    bench = simulated_bench(with_steps(APPLY, Step(1, Measure(("12V0",)))), history=SEEN)

    outcome, person = typing(bench)

    assert_tripped_once(bench, outcome)
    assert [prompt.text.split(":", 1)[0] for prompt, _ in person.asked].count("12V0") == 1
    assert bench.record.readings[-1].raw == "19.3"


def no_room_for_12v0(bench: SimulatedBench) -> None:
    kept = bench.record.reading

    def reading(reading: Any) -> None:
        if reading.point == "12V0" and reading.value > 14.0:
            raise LogbookError("the disk is full")
        kept(reading)

    bench.record.reading = reading  # type: ignore[method-assign]


def test_a_logbook_that_fails_at_a_typed_reading_does_not_hide_the_trip() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Measure(("12V0",)))), history=SEEN)
    no_room_for_12v0(bench)

    typing(bench)

    (trip,) = (text for kind, text, _ in bench.record.events if kind == "trip")
    assert "above the 14 V that damage it" in trip


def test_a_supply_that_falls_silent_at_a_typed_reading_does_not_hide_the_trip() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Measure(("12V0",)))), history=SEEN)
    troubles = bench.supply_link.troubles

    def lose() -> None:
        troubles.silent_from = bench.clock.monotonic()
        troubles.silent_until = troubles.silent_from + 4.0

    typing(bench, at_12v0=lose)

    (trip,) = (text for kind, text, _ in bench.record.events if kind == "trip")
    assert "above the 14 V that damage it" in trip


def test_a_logbook_that_fails_at_a_corrected_reading_does_not_hide_the_trip() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Measure(("12V0", "5V0")))), history=SEEN)
    assert bench.bench.meter is not None
    no_room_for_12v0(bench)
    typed = {"VIN": "23.98", "12V0": "12.02", "5V0": "c"}
    script = [Scripted(Answer("19.3"), PromptKind.TEXT, "12V0"), Scripted(Answer("19.3"), PromptKind.TEXT, "12V0")]
    person = SimulatedPerson(
        attended=True, clock=bench.clock, script=script, value=lambda prompt: typed[prompt.text.split(":", 1)[0]]
    )

    outcome = bench.run(ask=person, meter=HandMeter(bench.bench.meter, person, limits={}))

    assert "the disk is full" in outcome.cause
    (trip,) = (text for kind, text, _ in bench.record.events if kind == "trip")
    assert "above the 14 V that damage it" in trip


@pytest.mark.parametrize("times", [1, 4])
def test_what_power_was_cut_for_ends_the_attempt_even_if_whoever_cut_it_forgets(
    times: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(measure_module, "trip_if_damaging", lambda *_: None)

    bench, outcome = run(measuring(times), TOO_HIGH)

    assert_tripped_once(bench, outcome)
    assert (bench.record.readings[-1].value or 0.0) > 14.0


def test_a_logbook_that_fails_at_that_reading_does_not_hide_the_trip() -> None:
    bench = simulated_bench(measuring(), history=SEEN, faults=[TOO_HIGH])
    no_room_for_12v0(bench)

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "the logbook cannot be written: the disk is full" in outcome.cause
    assert len(outcome.unrecorded) == 1
    (trip,) = (text for kind, text, _ in bench.record.events if kind == "trip")
    assert "above the 14 V that damage it" in trip


def test_at_the_free_leads_it_is_what_the_reading_comes_to_and_no_trip_of_the_unit() -> None:
    bench = simulated_bench(picked("leads", "apply"), history=SEEN)

    def tell(told: Any) -> None:
        if told.kind == "power" and told.data.get("on") == "yes":
            bench.meter_link.troubles.garbage["READ?"] = "+4.00000000E+01"

    outcome = bench.run(tell=tell)

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "VIN at the free leads voltage 40" in outcome.cause
    assert "trip" not in bench.record.kinds()
    assert outcome.off_verified is True
