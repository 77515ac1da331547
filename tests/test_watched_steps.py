"""What is watched while a step goes on: creep, a rail that collapses or rises, and looks that nothing slow holds up."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from bringup.core.board import Board
from bringup.core.faults import Fault, FaultKind
from bringup.core.procedure import Channel, Dwell, Inspect, Log, Measure, Procedure, Question, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, Kind, Result
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.records import PollSample
from bringup.runner.scpi_meter import ScpiMeter
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.person import Scripted, SimulatedPerson
from bringup.simulation.world import BoardWorld
from tests.benchmarks.false_trips import sound
from tests.fakes import BENCH, SEEN, SimulatedBench, picked, simulated_bench, the_dialect, with_steps

APPLY = picked("apply").steps[0]
CREEP = Fault("12V0", FaultKind.CREEPING_LOAD, 0.002, after=3.0)
SOON = 3.0
"""Seconds of output-on time after which the planted faults appear: a log is under way by then."""


def seconds(text: str) -> Any:
    return parse_quantity(text)


def channels(*names: str) -> tuple[Channel, ...]:
    found = []
    for name in names:
        point, _, word = name.partition(" ")
        found.append(Channel(point, Kind(word) if word else Kind.VOLTAGE, name))
    return tuple(found)


def logging(*names: str, lasting: str = "25 s", every: str = "500 ms", **step: Any) -> Procedure:
    return with_steps(APPLY, Step(1, Log(channels(*names), seconds(lasting), seconds(every)), **step))


def run(procedure: Procedure, *faults: Fault, **changes: Any) -> tuple[SimulatedBench, AttemptOutcome]:
    bench = simulated_bench(procedure, history=SEEN, faults=faults)
    outcome = bench.run(**changes)
    assert not bench.on()
    assert outcome.off_verified is True
    return bench, outcome


def looks(bench: SimulatedBench) -> list[PollSample]:
    return [sample for batch in bench.record.batches for sample in batch if sample.on]


def widest(bench: SimulatedBench) -> float:
    times = [sample.monotonic for sample in looks(bench)]
    return max(after - before for before, after in pairwise(times))


# creep


@pytest.mark.parametrize(
    "step", [Dwell(seconds("25 s")), Log(channels("VIN current"), seconds("25 s"), seconds("1 s"))]
)
def test_a_current_that_creeps_is_a_warning_told_once(step: Any) -> None:
    bench, outcome = run(with_steps(APPLY, Step(1, step, steady=0.01)), CREEP)

    creeps = [text for kind, text, _ in bench.record.events if kind == "creep"]
    assert outcome.result is AttemptResult.PASSED
    assert len(creeps) == 1
    assert creeps[0].startswith("VIN current creeps up: from ")
    assert "per minute" in creeps[0]


def test_a_creep_ends_the_attempt_where_the_step_says_so() -> None:
    bench, outcome = run(with_steps(APPLY, Step(1, Dwell(seconds("40 s")), steady=0.01, end_on_creep=True)), CREEP)

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.startswith("VIN current creeps up: from ")
    assert "trip" in bench.record.kinds()
    assert 13.0 < bench.clock.monotonic() < 20.0


def test_a_step_that_is_not_steady_lets_it_creep() -> None:
    bench, outcome = run(with_steps(APPLY, Step(1, Dwell(seconds("18 s")))), CREEP)

    assert outcome.result is AttemptResult.PASSED
    assert "creep" not in bench.record.kinds()


def test_what_a_step_bears_is_stated_in_it() -> None:
    bench, _ = run(with_steps(APPLY, Step(1, Dwell(seconds("16 s")), steady=0.5)), CREEP)

    assert "creep" not in bench.record.kinds()


def test_a_step_after_a_steady_one_is_not_watched_for_creep_any_more() -> None:
    steady = Step(1, Dwell(seconds("10 s")), steady=0.01, end_on_creep=True)
    later = replace(CREEP, after=15.0)
    _, outcome = run(with_steps(APPLY, steady, Step(2, Dwell(seconds("16 s")))), later)

    assert outcome.result is AttemptResult.PASSED


@pytest.mark.parametrize("number", range(8))
def test_a_sound_attempt_is_never_tripped(number: int) -> None:
    one = sound(number)

    assert (one.outcome.result, one.outcome.cause, one.alarms) == (AttemptResult.PASSED, "", ())
    assert one.outcome.off_verified is True


# rails in a log


def test_a_rail_that_collapses_switches_off_at_the_second_sample() -> None:
    bench, outcome = run(logging("3V3", "VIN current"), Fault("3V3", FaultKind.NOT_FITTED, after=SOON))

    rail = [value for name, value in bench.record.samples if name == "3V3"]
    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.startswith("3V3 has collapsed to ")
    assert outcome.cause.endswith("below 1.62 V, with its input on")
    assert [value is not None and abs(value) < 1.6 for value in rail[-3:]] == [False, True, True]
    assert bench.record.kinds().count("trip") == 1


def with_collapse(procedure: Procedure, name: str, volts: str) -> Procedure:
    board: Board = procedure.board
    rail = replace(board.rails[name], collapse_below=seconds(volts))
    return replace(procedure, board=replace(board, rails={**board.rails, name: rail}))


def test_a_rail_that_may_go_is_only_judged() -> None:
    procedure = with_collapse(logging("3V3", lasting="6 s"), "3V3", "0 V")
    bench, outcome = run(procedure, Fault("3V3", FaultKind.NOT_FITTED, after=SOON))

    assert "trip" not in bench.record.kinds()
    assert re.search(r"3V3 voltage (0 V|-?[0-9]{1,2} µV), expected 3.3 V ± 2 %, for 3 samples from", outcome.cause)
    assert any(each.aspect == "minimum" and each.result is Result.FAIL for each in outcome.readings)


def test_a_rail_that_stood_in_an_earlier_step_may_not_be_gone_when_the_log_begins() -> None:
    between = (Step(1, Measure(("3V3",))), Step(2, Dwell(seconds("4 s"))))
    log = Step(3, Log(channels("3V3"), seconds("10 s"), seconds("1 s")))
    bench, outcome = run(with_steps(APPLY, *between, log), Fault("3V3", FaultKind.NOT_FITTED, after=5.0))

    assert outcome.cause.startswith("3V3 has collapsed to ")
    assert len(bench.record.samples) == 2


def test_a_rail_that_never_stood_does_not_collapse() -> None:
    bench, outcome = run(logging("3V3", lasting="3 s"), Fault("3V3", FaultKind.NOT_FITTED))

    assert outcome.result is AttemptResult.FAILED
    assert "trip" not in bench.record.kinds()


def test_a_single_low_sample_is_no_collapse() -> None:
    bench = simulated_bench(logging("3V3", lasting="5 s"), history=SEEN)
    answers: list[str] = []

    def tell(told: Any) -> None:
        if told.kind == "sample" and told.data["value"] is not None:
            answers.append(told.data["raw"])
            garbage = bench.meter_link.troubles.garbage
            garbage.clear()
            if len(answers) == 4:
                garbage["READ?"] = "+1.00000000E-01"

    outcome = bench.run(tell=tell)

    assert "+1.00000000E-01" in answers
    assert "trip" not in bench.record.kinds()
    assert "minimum voltage 100 mV" in outcome.cause.replace("100.000000", "100")


@pytest.mark.parametrize("step", ["log", "measure"])
def test_a_rail_above_what_damages_it_is_off_before_its_reading_is_kept(step: str) -> None:
    if step == "log":
        procedure = logging("12V0", "VIN current")
    else:
        procedure = with_steps(APPLY, *(Step(1 + index, Measure(("12V0",) * 4)) for index in range(4)))
    bench = simulated_bench(procedure, history=SEEN, faults=[Fault("12V0", FaultKind.UPPER_OPEN, after=SOON)])
    on_when_kept: list[bool] = []

    def tell(told: Any) -> None:
        value = told.data.get("value") if told.kind == "sample" else None
        if told.kind == "reading" and told.reading.point == "12V0":
            value = told.reading.value
        if value is not None and told.text != "VIN current" and value > 14.0:
            on_when_kept.append(bench.on())

    outcome = bench.run(tell=tell)

    assert outcome.result is AttemptResult.FAILED
    assert "above the 14 V that damage it" in outcome.cause
    assert on_when_kept == [False]
    assert outcome.off_verified is True


def test_volts_over_range_count_as_above_what_damages() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Measure(("3V3",)))), history=SEEN)

    def tell(told: Any) -> None:
        if told.kind == "step-begun" and told.step == 1:
            bench.meter_link.troubles.garbage["READ?"] = "+9.90000000E+37"

    outcome = bench.run(tell=tell)

    assert outcome.result is AttemptResult.FAILED
    assert "is over range: that counts as above what damages it" in outcome.cause


def test_an_input_above_what_damages_it_is_off_at_the_look_that_shows_it() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, Dwell(seconds("10 s")))), history=SEEN)

    def tell(told: Any) -> None:
        if told.kind == "step-begun" and told.step == 1:
            bench.supply_link.troubles.garbage["MEAS:VOLT?"] = "+3.40000000E+01"

    outcome = bench.run(tell=tell)

    shown = [sample for sample in looks(bench) if sample.volts == 34.0]
    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause == "VIN reads 34 V, above the 33 V that damage it"
    assert len(shown) == 1


# nothing slow holds up the looks


SLOW = Step(1, Log(channels("3V3", "5V0"), seconds("20 s"), seconds("1 s")))


def slow_meter(bench: SimulatedBench) -> ScpiMeter:
    """Return the meter set to 100 power-line cycles: with its automatic zero, four seconds a reading."""
    assert bench.bench.meter is not None
    return ScpiMeter(bench.bench.meter, the_dialect("configure-and-read", BENCH), bench.meter_link, nplc=100.0)


@pytest.mark.parametrize("step", [SLOW, Step(1, Measure(("3V3",)))])
def test_a_long_integration_does_not_hold_up_the_looks(step: Step) -> None:
    bench = simulated_bench(with_steps(APPLY, step), history=SEEN)

    def tell(told: Any) -> None:
        bench.told.append(told)

    outcome = bench.run(meter=slow_meter(bench), tell=tell)

    assert outcome.result is AttemptResult.PASSED
    assert widest(bench) < 0.3
    assert bench.clock.monotonic() > 15.0


def test_a_log_slower_than_its_interval_keeps_to_its_time_and_says_so() -> None:
    bench = simulated_bench(with_steps(APPLY, SLOW), history=SEEN)
    begun: list[float] = []

    def tell(told: Any) -> None:
        if told.kind == "step-begun" and told.step == 1:
            begun.append(bench.clock.monotonic())

    bench.run(meter=slow_meter(bench), tell=tell)

    assert bench.clock.monotonic() - begun[0] < 32.0
    slow = [text for kind, text, _ in bench.record.events if kind == "log-slow"]
    assert slow
    assert "were due: they take longer than 1 s" in slow[0]


def test_a_short_during_a_long_integration_is_off_within_two_looks() -> None:
    bench = simulated_bench(
        with_steps(APPLY, SLOW), history=SEEN, faults=[Fault("VIN", FaultKind.SHORTED_THROUGH, 1.0, after=8.0)]
    )
    outcome = bench.run(meter=slow_meter(bench))

    high = [sample for sample in looks(bench) if (sample.amps or 0.0) > 0.25]
    assert outcome.result is AttemptResult.FAILED
    assert 1 <= len(high) <= 2


@pytest.mark.parametrize(
    "action", [Question("Is the lamp lit?", ("yes", "no"), ("yes",)), Inspect(("The lamp is lit",))]
)
def test_a_question_does_not_hold_up_the_looks(action: Any) -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, action)), history=SEEN)
    kind = PromptKind.CHOICE if isinstance(action, Question) else PromptKind.CHECKLIST
    script = [Scripted(Answer("yes"), kind=kind, delay=30.0)]
    person = SimulatedPerson(attended=True, clock=bench.clock, script=script)

    outcome = bench.run(ask=person)

    assert outcome.result is AttemptResult.PASSED
    assert bench.clock.monotonic() > 30.0
    assert widest(bench) < 0.3


def test_several_quantities_in_one_log_do_not_hold_up_the_looks() -> None:
    names = ("VIN current", "VIN power", "12V0", "5V0", "3V3", "1V8", "VREF", "N12V")
    bench, outcome = run(logging(*names, lasting="10 s", every="1 s"))

    assert outcome.result is AttemptResult.PASSED
    assert len(bench.record.samples) == 8 * 11
    assert widest(bench) < 0.3


def test_a_creeping_load_is_an_excess_load_that_grows() -> None:
    bench = simulated_bench(picked("apply"))
    world = bench.world
    assert isinstance(world, BoardWorld)
    world.plant(Fault("VIN", FaultKind.CREEPING_LOAD, 0.01, after=1.0))
    world.set_voltage(1, 24.0, 0.0)
    world.set_current_limit(1, 1.0, 0.0)
    world.switch(1, on=True, now=0.0)
    before, amps = world.terminal_amps(1, 0.9), [world.terminal_amps(1, at) for at in (2.01, 3.01, 4.01)]

    assert [round(each - before, 3) for each in amps] == [0.010, 0.020, 0.030]
