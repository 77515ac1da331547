"""A missed input current: the rails behind are read before it goes off, where that can do no harm, and only there."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from bringup.core.arming import LOOK_BEHIND
from bringup.core.board import Rail
from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import parse_limits
from bringup.core.procedure import Apply, Measure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.words import AttemptResult, Kind, Result
from bringup.runner.protocols import Told
from tests.fakes import ROOT, SEEN, SimulatedBench, picked, simulated_bench, with_steps

APPLY = picked("apply").steps[0]
NOT_FITTED = Fault("5V0", FaultKind.NOT_FITTED)


def powering(*faults: Fault, **changes: object) -> SimulatedBench:
    assert isinstance(APPLY.action, Apply)
    step = replace(APPLY, action=replace(APPLY.action, **changes))  # type: ignore[arg-type]
    return simulated_bench(with_steps(step), history=SEEN, faults=faults)


def looked(bench: SimulatedBench) -> bool:
    return "look-behind" in bench.record.kinds()


def test_a_missing_converter_is_named_beside_the_current_that_showed_it() -> None:
    bench = powering(NOT_FITTED)

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.startswith("step 1 (apply): VIN 18 V current 57.3 mA, wanted 62 mA .. 115.1 mA; behind it 5V0")
    rails = [(each.point, each.aspect, each.result) for each in outcome.readings if each.instrument == "meter"]
    assert rails == [("12V0", "with VIN at 18 V", Result.PASS), ("5V0", "with VIN at 18 V", Result.FAIL)]
    assert outcome.off_verified is True
    assert not bench.on()


def test_that_it_stays_on_for_a_look_is_in_the_record_before_the_look() -> None:
    bench = powering(NOT_FITTED)
    order: list[str] = []

    def note(told: Told) -> None:
        if told.kind == "event" and "left on" in told.text:
            order.append(told.text)
        elif told.reading is not None and told.reading.instrument == "meter":
            order.append(told.reading.point or "")

    bench.run(tell=note)

    assert order[0] == (
        "VIN draws 57.3 mA, below the trip level of 230.3 mA and not in current limit: "
        "left on for 5 s at most to read the rails behind it"
    )
    assert order[1:] == ["12V0", "5V0"]


def test_a_current_that_is_wrong_though_every_rail_is_right_says_so() -> None:
    outcome = powering(Fault("5V0", FaultKind.EXCESS_LOAD, 0.2)).run()

    assert outcome.cause.endswith("; behind it 12V0, 5V0, 3V3, 1V8, VREF and N12V read as they should")


def test_the_supply_is_looked_at_throughout_and_it_goes_off_within_the_time() -> None:
    bench = powering(Fault("5V0", FaultKind.EXCESS_LOAD, 0.2), Fault("12V0", FaultKind.CAPACITOR_MISSING))
    moments: dict[str, float] = {}

    def note(told: Told) -> None:
        if "left on" in told.text:
            moments["look"] = bench.clock.monotonic()
        elif "VIN OFF" in told.text:
            moments.setdefault("off", bench.clock.monotonic())

    bench.run(tell=note)

    assert moments["off"] - moments["look"] < LOOK_BEHIND + 0.5
    polls = [each.monotonic for batch in bench.record.batches for each in batch]
    inside = [each for each in polls if moments["look"] <= each <= moments["off"]]
    assert max(later - earlier for earlier, later in pairwise(inside)) < 0.4
    assert inside[0] - moments["look"] < 0.4


def test_a_rail_that_the_end_of_the_look_cuts_short_is_not_judged_nor_named_as_the_cause() -> None:
    bench = powering(Fault("5V0", FaultKind.EXCESS_LOAD, 0.2))
    told: list[float] = []

    def unrest(event: Told) -> None:
        if event.reading is None or event.reading.instrument != "meter":
            return
        told.append(bench.clock.monotonic())
        if len(told) == 3:  # what comes now wanders, and time is short
            wander(bench, 1.75)

    outcome = bench.run(tell=unrest)

    rails = [each for each in outcome.readings if each.instrument == "meter"]
    assert [(each.point, each.result, each.unsettled) for each in rails[2:4]] == [
        ("3V3", Result.PASS, False),
        ("1V8", Result.NOT_JUDGED, True),
    ]
    assert rails[3].note == "the time for looking behind the input ended before it settled"
    assert len(rails) == 4, "no further rail is begun in what is left"
    assert outcome.cause.endswith("; behind it 12V0, 5V0 and 3V3 read as they should")
    assert "never settled" not in outcome.cause


def wander(bench: SimulatedBench, volts: float) -> None:
    """Have what the meter reads rise from there by 50 mV a second from now on."""
    begun = bench.clock.monotonic()

    def move() -> None:
        now = bench.clock.monotonic()
        bench.meter_link.troubles.garbage["READ?"] = f"+{volts + 0.05 * (now - begun):.8E}"
        bench.clock.at(now + 0.01, move, wakes=False)

    move()


def test_what_goes_wrong_during_the_look_switches_off_at_once() -> None:
    bench = powering(NOT_FITTED)
    begun: list[float] = []

    def short(told: Told) -> None:
        if "left on" in told.text:
            begun.append(bench.clock.monotonic())
            bench.world.plant(Fault("VIN", FaultKind.SHORTED_THROUGH, 3.0))

    outcome = bench.run(tell=short)

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause == "VIN draws 399.9 mA, above the trip level of 230.3 mA"
    assert bench.clock.monotonic() - begun[0] < 1.5
    assert not bench.on()


def test_a_rail_that_is_damaged_ends_the_look() -> None:
    outcome = powering(Fault("5V0", FaultKind.LOWER_SHORTED)).run()

    assert outcome.result is AttemptResult.FAILED
    assert "5V0" in outcome.cause
    assert "damages it" in outcome.cause


@pytest.mark.parametrize(
    "fault",
    [
        Fault("VIN", FaultKind.SHORTED_THROUGH, 30.0),
        Fault("12V0", FaultKind.EXCESS_LOAD, 0.25),
        Fault("VIN", FaultKind.EXCESS_LOAD, 0.39),
    ],
    ids=["at the short check", "above the trip level", "in current limit"],
)
def test_there_is_no_look_where_it_could_do_harm(fault: Fault) -> None:
    bench = powering(fault)

    outcome = bench.run()

    assert outcome.result in {AttemptResult.FAILED, AttemptResult.INCOMPLETE}
    assert not looked(bench)
    assert not [each for each in outcome.readings if each.instrument == "meter"]
    assert not bench.on()


def test_there_is_no_look_where_a_person_would_have_to_probe() -> None:
    bench = simulated_bench(
        with_steps(APPLY),
        history=SEEN,
        faults=[NOT_FITTED],
        bench_path=ROOT / "fixtures/benches/simulated-by-hand-probing.yaml",
    )

    outcome = bench.run()

    assert outcome.cause == "step 1 (apply): VIN 18 V current 57.3 mA, wanted 62 mA .. 115.1 mA"
    assert not looked(bench)


def test_at_the_final_voltage_the_rails_are_read_unless_the_procedure_goes_on_to_them() -> None:
    narrow = parse_limits("100 mA .. 110 mA")
    ending = powering(expect_current=narrow)
    going_on = simulated_bench(
        with_steps(
            replace(APPLY, action=replace(APPLY.action, expect_current=narrow), end_on_fail=False),  # type: ignore[arg-type]
            Step(1, Measure(("3V3",))),
        ),
        history=SEEN,
    )

    ended, went_on = ending.run(), going_on.run()

    assert "VIN 24 V current" in ended.cause
    assert "read as they should" in ended.cause
    assert not looked(going_on)
    assert any(each.point == "3V3" and each.step == 1 for each in went_on.readings)


def test_a_failed_final_voltage_is_not_held() -> None:
    bench = powering(expect_current=parse_limits("100 mA .. 110 mA"), hold=parse_quantity("2 s"))

    bench.run()

    held = [told.text for told in bench.told if told.kind == "going" and told.text.startswith("hold")]
    assert held == ["hold VIN at 1 V", "hold VIN at 18 V"]


def test_a_rail_that_is_the_input_itself_is_not_judged_below_its_own_voltage() -> None:
    bench = powering(NOT_FITTED)
    board = bench.board
    plain = Rail("VSYS", "VIN", probe="TP1", expect=parse_limits("24 V ± 5 %"))
    bench.procedure = replace(bench.procedure, board=replace(board, rails={"VSYS": plain, **board.rails}))
    bench = simulated_bench(bench.procedure, history=replace(SEEN, resistance_seen=SEEN.resistance_seen | {"VSYS"}))
    bench.world.plant(NOT_FITTED)

    outcome = bench.run()

    volts = {
        each.point: each.result for each in outcome.readings if each.kind is Kind.VOLTAGE and each.aspect[:4] == "with"
    }
    assert volts == {"VSYS": Result.RECORDED, "12V0": Result.PASS, "5V0": Result.FAIL}
