"""Power cycling: one go for all, each start judged and counted, stopped at the first failure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Apply, Step
from bringup.core.quantity import parse_quantity
from bringup.core.reading import Reading
from bringup.core.safety import examine
from bringup.core.safety_cycle import examine_cycles
from bringup.core.under_load import PowerCycle
from bringup.core.words import AttemptResult, Result, StepOutcome
from bringup.runner.listening import Listening
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.protocols import Told
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import BENCH, ROOT, SEEN, SimulatedBench, simulated_bench, the_bench, with_steps
from tests.test_load_attempt import APPLY, drawing
from tests.test_load_attempt import BENCH as LOADED

CYCLE = PowerCycle(
    "VIN", 3, (parse_quantity("300 ms"), parse_quantity("2 s")), parse_quantity("200 ms"), rails=("3V3",)
)
NOT_FITTED = Fault("3V3", FaultKind.NOT_FITTED)


def bench_of(step: Step) -> SimulatedBench:
    return simulated_bench(with_steps(APPLY, step), history=SEEN)


def starts(outcome: AttemptOutcome) -> Reading:
    return next(each for each in outcome.readings if each.aspect == "starts")


def breaks_in(bench: SimulatedBench, cycle: int) -> Callable[[Told], None]:
    """Return a `tell` that takes the regulator off while the input is off for that cycle."""

    def tell(told: Told) -> None:
        bench.told.append(told)
        if f"cycle {cycle} of" in told.text and "off for" in told.text and told.kind == "going":
            bench.world.plant(NOT_FITTED)

    return tell


def test_each_start_is_judged_and_counted_by_one_go() -> None:
    bench = bench_of(Step(0, CYCLE))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert (starts(outcome).value, starts(outcome).raw, starts(outcome).unit) == (100.0, "3 of 3 starts", "%")
    aspects = [each.aspect for each in outcome.readings if each.step == 1 and each.point == "3V3"]
    assert aspects == [
        "cycle 1 of 3, off for 300 ms",
        "cycle 2 of 3, off for 2 s",
        "cycle 3 of 3, off for 300 ms",
    ]
    assert isinstance(bench.ask, SimulatedPerson)
    goes = [
        prompt.text
        for prompt, _ in bench.ask.asked
        if prompt.kind is PromptKind.GO and "times off and on" in prompt.text
    ]
    assert len(goes) == 1
    assert "3 times off and on, not asked for again" in goes[0]
    power = [text for kind, text, _ in bench.record.events if kind == "power"]
    assert power.count("VIN OFF, verified by asking") == 4
    assert power.count("VIN ON at 24 V") == 4


def test_the_first_start_that_fails_ends_it() -> None:
    bench = bench_of(Step(0, replace(CYCLE, times=5)))

    outcome = bench.run(tell=breaks_in(bench, 2))

    assert outcome.result is AttemptResult.FAILED
    assert starts(outcome).raw == "1 of 2 starts, 5 wanted"
    assert starts(outcome).result is Result.FAIL
    assert "3V3 cycle 2 of 5, off for 2 s voltage" in outcome.cause
    assert outcome.off_verified


def test_where_the_step_goes_on_every_start_is_counted() -> None:
    bench = bench_of(replace(Step(0, CYCLE), end_on_fail=False))

    outcome = bench.run(tell=breaks_in(bench, 2))

    assert starts(outcome).raw == "1 of 3 starts"
    assert starts(outcome).value == pytest.approx(33.3, abs=0.1)


def test_it_waits_for_a_discharge_and_judges_the_current_by_what_the_step_states() -> None:
    cycle = replace(
        CYCLE, times=1, discharged_below=parse_quantity("1 V"), expect_current=parse_limits("10 mA .. 20 mA"), rails=()
    )
    bench = bench_of(replace(Step(0, cycle), end_on_fail=False))

    outcome = bench.run()

    found = {each.aspect: each for each in outcome.readings if each.step == 1}
    assert abs(found["after power off"].value or 9.0) < 1.0
    assert found["cycle 1 of 1, off for 300 ms"].result is Result.FAIL
    assert starts(outcome).raw == "0 of 1 starts"


def test_a_cycle_that_is_left_out_leaves_the_input_off() -> None:
    bench = bench_of(Step(0, CYCLE))
    script = (Scripted(Answer("enough of them"), containing="why leave out"),)
    bench.ask = SimulatedPerson(attended=True, clock=bench.clock, script=script)

    def leave(told: Told) -> None:
        if told.kind == "going" and "cycle 2 of 3, on" in told.text:
            bench.ask.press("l", bench.clock.monotonic())  # type: ignore[attr-defined]

    bench.run(tell=leave)

    assert bench.record.ended_steps[-1][:2] == (1, StepOutcome.LEFT_OUT)
    assert not bench.on()


@pytest.mark.parametrize(
    ("steps", "path", "message"),
    [
        ((Step(0, CYCLE),), BENCH, "VIN is cycled though nothing has powered it"),
        (
            (APPLY, drawing(), Step(0, CYCLE)),
            LOADED,
            "the load would still draw from 3V3: it goes off with the first cycle, and stays off",
        ),
        (
            (APPLY, Step(0, CYCLE)),
            ROOT / "fixtures/benches/handheld.yaml",
            "a power cycle is asked of a supply that is switched by hand",
        ),
        (
            (APPLY, Step(0, replace(CYCLE, expect_current=parse_limits("< 500 mA")))),
            BENCH,
            "up to 500 mA is expected of VIN, above the current limit of 400 mA of its `apply`",
        ),
    ],
)
def test_what_must_not_be_cycled_is_refused(steps: tuple[Step, ...], path: Path, message: str) -> None:
    found = examine(with_steps(*steps), the_bench(path))

    assert message in [each.message for each in found if each.refused]


def test_a_rework_entered_while_the_input_is_off_asks_for_the_gate_and_the_go_again() -> None:
    bench = bench_of(Step(0, CYCLE))
    lines = ("R12", "105 kΩ", "100 kΩ", "it reads too high")
    script = [Scripted(Answer(line), kind=PromptKind.TEXT) for line in lines]
    person = SimulatedPerson(attended=True, script=script, clock=bench.clock)

    def tell(told: Told) -> None:
        bench.told.append(told)
        if told.kind == "going" and "cycle 2 of 3, off for" in told.text:
            person.press("w", bench.clock.monotonic() + 0.1)

    bench.run(tell=tell, ask=person)

    (reason,) = [text for kind, text, _ in bench.record.events if kind == "override" and "5V0" in text]
    assert "a good resistance of 5V0" in reason
    goes = [prompt.text for prompt, _ in person.asked if prompt.kind is PromptKind.GO and "cycle 2 of 3" in prompt.text]
    assert len(goes) == 1


def test_what_the_board_said_before_a_start_answers_no_later_step(monkeypatch: pytest.MonkeyPatch) -> None:
    restarts: list[bool] = []
    monkeypatch.setattr(Listening, "restarting", lambda _: restarts.append(True))

    bench_of(Step(0, CYCLE)).run()

    assert len(restarts) == 1 + CYCLE.times


def test_an_input_that_stays_charged_is_not_switched_on_again() -> None:
    bench = bench_of(Step(0, replace(CYCLE, discharged_below=parse_quantity("1 V"))))

    def charged(told: Told) -> None:
        if "cycle 1 of" in told.text and told.kind == "going":
            bench.meter_link.troubles.garbage["READ?"] = "+5.00000000E+00"

    outcome = bench.run(tell=charged)

    assert outcome.result is AttemptResult.FAILED
    assert "VIN still carries 5.0" in outcome.cause
    power = [text for kind, text, _ in bench.record.events if kind == "power"]
    assert [text for text in power if text.startswith("VIN ON")] == ["VIN ON at 24 V"]
    assert outcome.off_verified is True


def test_an_input_is_not_cycled_while_one_that_comes_after_it_is_on() -> None:
    board = with_steps().board
    other = replace(board.inputs["VIN"], name="AUX", after=("VIN",))
    assert isinstance(APPLY.action, Apply)
    aux = Step(0, replace(APPLY.action, input="AUX"))
    procedure = replace(
        with_steps(APPLY, aux, Step(0, CYCLE)), board=replace(board, inputs={**board.inputs, "AUX": other})
    )

    found = [each for each in examine_cycles(procedure, None) if "powered after it" in each.message]

    assert [(each.step, each.refused) for each in found] == [(2, True)]


def test_a_start_of_a_unit_that_misses_a_part_is_not_failed_for_drawing_too_little() -> None:
    whole = bench_of(Step(0, CYCLE))
    board = whole.procedure.board
    rails = {**board.rails, "3V3": replace(board.rails["3V3"], parts=("U3",))}
    cycle = replace(CYCLE, times=1, rails=(), expect_current=parse_limits("300 mA .. 390 mA"))
    procedure = with_steps(APPLY, Step(0, cycle))
    bench = simulated_bench(
        replace(procedure, board=replace(board, rails=rails)), history=replace(SEEN, parts={"U3": "missing"})
    )

    outcome = bench.run()

    (amps,) = [each for each in outcome.readings if each.step == 1 and each.unit == "A"]
    assert amps.result is Result.NOT_JUDGED, "too few amperes are excused by what is missing"
