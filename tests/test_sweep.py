"""Sweeps of an input's voltage and of a load's current: refused before anything is opened, carried out, summed up."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.loading import load
from bringup.core.accuracy import parse_accuracy
from bringup.core.bench import Ceiling
from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import Limits, parse_limits
from bringup.core.preview import look_ahead
from bringup.core.preview_text import text_of
from bringup.core.procedure import Apply, Measure, OnlyIf, Sink, Step
from bringup.core.quantity import parse_quantity
from bringup.core.reading import Reading
from bringup.core.replies import Value
from bringup.core.safety import examine
from bringup.core.under_load import PowerCycle, Sweep
from bringup.core.words import AttemptResult, Kind, Result, StepOutcome
from bringup.files.board_file import load_board
from bringup.files.sweep_checks import points_of
from bringup.runner.feed import Feed
from bringup.runner.pending import Pending
from bringup.runner.power import Power
from bringup.runner.prompts import Answer
from bringup.runner.protocols import Told
from bringup.runner.roles import Done, Protection, Trouble
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import ROOT, SEEN, SimulatedBench, simulated_bench, the_bench, with_steps
from tests.test_load_attempt import BENCH, drawing

APPLY = Apply(
    "VIN",
    (parse_quantity("24 V"),),
    parse_quantity("400 mA"),
    short_check=parse_quantity("1 V"),
    over_voltage=parse_quantity("31.5 V"),
)
WIDE = Step(0, APPLY)


def points(start: str, end: str, step: str) -> tuple[object, ...]:
    return points_of(*(parse_quantity(text) for text in (start, end, step)))


def of_input(start: str, end: str, step: str, *rails: str, **changes: object) -> Step:
    sweep = Sweep(points(start, end, step), rails, input="VIN", formula="ends over nominal")  # type: ignore[arg-type]
    return Step(0, replace(sweep, **changes))  # type: ignore[arg-type]


def of_load(start: str, end: str, step: str, **changes: object) -> Step:
    sweep = Sweep(points(start, end, step), ("3V3",), load="3V3", formula="ends over full load")  # type: ignore[arg-type]
    return Step(0, replace(sweep, **changes))  # type: ignore[arg-type]


def refused(*steps: Step) -> list[str]:
    return [each.message for each in examine(with_steps(*steps), the_bench(BENCH)) if each.refused]


def bench_of(*steps: Step) -> SimulatedBench:
    return simulated_bench(with_steps(WIDE, *steps), history=SEEN, bench_path=BENCH)


def figures(readings: tuple[Reading, ...]) -> dict[str, Reading]:
    return {f"{each.point} {each.aspect}": each for each in readings}


def test_the_points_reach_both_ends_exactly() -> None:
    assert [str(each) for each in points_of(*map(parse_quantity, ("18 V", "19 V", "300 mV")))] == [
        "18 V",
        "18.3 V",
        "18.6 V",
        "18.9 V",
        "19 V",
    ]
    assert [str(each) for each in points_of(*map(parse_quantity, ("2 A", "1 A", "500 mA")))] == ["2 A", "1.5 A", "1 A"]


# before anything is opened


@pytest.mark.parametrize(
    ("step", "message"),
    [
        (of_input("24 V", "34 V", "2 V", "3V3"), "VIN is set to 34 V, above the 33 V that damage VIN"),
        (of_input("24 V", "32 V", "2 V", "3V3"), "VIN would get 32 V, above this bench's ceiling of 30 V"),
        (of_input("16 V", "24 V", "2 V", "3V3"), "the ramp rests at 16 V, below 18 V (the lowest working input)"),
        (of_load("0 A", "900 mA", "300 mA"), "900 mA would be drawn from 3V3 at 3.37 V, above the load's ceiling"),
        (of_load("0 A", "480 mA", "240 mA"), "with 480 mA from 3V3, VIN is expected to draw"),
        (
            of_input("24 V", "1 V", "1 V", "3V3", looks_for="stop"),
            "at 13 V VIN is expected to draw",
        ),
    ],
)
def test_each_point_is_examined(step: Step, message: str) -> None:
    tight = Step(0, replace(APPLY, current_limit=parse_quantity("115 mA")))
    found = refused(tight, step)

    assert any(each.startswith(message) for each in found), found


def test_an_input_is_swept_only_after_its_apply_and_within_its_protection() -> None:
    usual = Step(0, replace(APPLY, over_voltage=None))
    stated = Step(0, replace(APPLY, over_voltage=parse_quantity("26 V")))
    sweep = of_input("24 V", "30 V", "2 V", "3V3")

    assert refused(WIDE, sweep) == []
    assert refused(usual, sweep) == []
    assert "the voltage of VIN is swept while it is off" in refused(sweep)
    (tripping,) = refused(stated, sweep)
    assert tripping.startswith("VIN is swept up to 30 V, but the `apply` before states 26 V")


def test_a_sweep_that_leaves_no_room_for_the_supplys_own_protection_is_refused() -> None:
    usual = Step(0, replace(APPLY, over_voltage=None))
    procedure = with_steps(usual, of_input("24 V", "32 V", "2 V", "3V3"))
    bench = the_bench(BENCH)
    assert bench.supply is not None
    bench = replace(bench, supply=replace(bench.supply, ceiling=Ceiling()))

    (found,) = [each.message for each in examine(procedure, bench) if each.refused]

    assert found.startswith("VIN is swept up to 32 V: no room for over-voltage protection")


def test_the_start_region_is_entered_only_where_that_is_what_is_looked_for_and_nothing_is_loaded() -> None:
    falling = of_input("18 V", "10 V", "2 V", "12V0", looks_for="stop")

    assert refused(WIDE, falling) == []
    (loaded,) = refused(WIDE, drawing(), falling)
    assert loaded == "3V3 would be loaded while VIN is where rails stop"


def test_a_file_is_read_and_told_beforehand(tmp_path: Path) -> None:
    path = tmp_path / "sweep.yaml"
    path.write_text(
        f"""procedure: Look
board: {ROOT / "fixtures/boards/mooring-buoy-logger.yaml"}
steps:
  - apply: {{input: VIN, short_check: 1 V, then: [18 V, 24 V], current_limit: 400 mA}}
  - sweep: {{load: 3V3, from: 0 A, to: 100 mA, step: 50 mA, load_regulation: < 1 %}}
""",
        encoding="utf-8",
    )

    procedure, bench = load(path, BENCH)

    told = text_of(look_ahead(procedure, bench))
    assert "load 3V3 with constant current from 0 A to 100 mA in 3 points, then off" in told
    assert "load regulation, ends over full load: 100 % *" in told
    assert "load regulation: < 1 %" in told
    assert not [each for each in examine(procedure, bench) if each.refused]


# carried out


def test_line_regulation_comes_of_kept_points_and_the_input_goes_back() -> None:
    judging = {"line regulation": {"3V3": parse_limits("-0.1 % .. 0.1 %")}}
    bench = bench_of(of_input("30 V", "18 V", "6 V", "3V3", judging=judging))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    found = figures(outcome.readings)
    volts = {at: found[f"3V3 with VIN at {at} V"].value for at in (30, 24, 18)}
    line = found["3V3 line regulation"]
    assert line.value == pytest.approx(100 * ((volts[30] or 0) - (volts[18] or 0)) / 3.3)
    assert (line.kind, line.unit, line.result) == (Kind.RATIO, "%", Result.PASS)
    assert "V at highest input" in line.raw
    assert [text for kind, text, _ in bench.record.events if kind == "power"][-2] == "VIN set to 24 V"


def test_start_and_stop_are_found_between_two_points() -> None:
    stop = of_input("18 V", "11 V", "1 V", "12V0", looks_for="stop", judging={"dropout": {"": parse_limits("< 6 V")}})
    start = of_input("11 V", "15 V", "1 V", "12V0", looks_for="start")

    found = figures(bench_of(stop, start).run().readings)

    assert found["12V0 stops at"].value == 12.0, "the board file says 12.5 V"
    assert found["12V0 starts at"].value == 14.0, "the board file says 14 V"
    assert found["12V0 with VIN at 11 V"].result is Result.RECORDED
    assert found["12V0 dropout"].value == pytest.approx(13.0 - 12.08, abs=0.02)


def test_a_load_is_swept_from_nothing_off_at_the_end_with_efficiency_at_each_point() -> None:
    bench = bench_of(of_load("0 A", "100 mA", "50 mA", judging={"load regulation": {"": parse_limits("< 1 %")}}))

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    found = figures(outcome.readings)
    least, full = (found[f"3V3 with {at} drawn"].value or 0.0 for at in ("0 A", "100 mA"))
    assert found["3V3 load regulation"].value == pytest.approx(100 * (least - full) / full)
    at_full = found["3V3 efficiency with 100 mA drawn"]
    assert at_full.value == pytest.approx(100 * full * 0.1 / (24.0 * (at_full.input_amps or 0.0)), rel=5e-3)
    assert "not at the board" not in at_full.note
    assert not bench.world.loads.is_on(2)
    assert outcome.load_off


def test_an_efficiency_is_as_sure_as_the_four_readings_it_is_worked_out_from() -> None:
    bench = bench_of(of_load("0 A", "100 mA", "50 mA"))
    described = bench.bench
    assert described.supply is not None
    assert described.meter is not None
    assert described.load is not None
    volts, amps = parse_accuracy("1 %"), parse_accuracy("2 %", "A")
    unknown = figures(bench.run().readings)["3V3 efficiency with 100 mA drawn"]
    bench = bench_of(of_load("0 A", "100 mA", "50 mA"))
    bench.bench = replace(
        described,
        supply=replace(described.supply, current_accuracy=amps),
        meter=replace(described.meter, accuracy=volts),
        load=replace(described.load, current_accuracy=amps),
    )
    known = figures(bench.run().readings)["3V3 efficiency with 100 mA drawn"]

    assert unknown.uncertainty is None, "an accuracy that nobody states is none"
    # By hand: 1 %, 2 %, 1 % and 2 %, each over sqrt 3, root-sum-square 1.826 % of it, twice that; digits add little.
    assert known.value is not None
    assert known.uncertainty == pytest.approx(0.03651 * known.value, rel=0.02)
    assert known.uncertainty_from == "readings it is worked out from 100 %"


def test_a_regulation_is_as_sure_as_the_readings_at_both_ends() -> None:
    bench = bench_of(of_load("0 A", "100 mA", "50 mA"))
    assert bench.bench.meter is not None
    unknown = figures(bench.run().readings)["3V3 load regulation"]
    bench = bench_of(of_load("0 A", "100 mA", "50 mA"))
    assert bench.bench.meter is not None
    bench.bench = replace(bench.bench, meter=replace(bench.bench.meter, accuracy=parse_accuracy("1 %")))
    known = figures(bench.run().readings)["3V3 load regulation"]

    assert unknown.uncertainty is None
    # By hand: 1 % / sqrt 3 of either reading makes 0.577 % of their ratio each, 0.816 % together, twice that.
    assert known.uncertainty == pytest.approx(1.633, rel=0.02)
    assert known.uncertainty_from == "readings it is worked out from 100 %"


def test_a_rail_out_of_its_limits_ends_the_sweep_and_no_figure_is_made_of_half_of_it() -> None:
    limits = {"3V3": parse_limits("3.2995 V .. 3.4 V")}
    judging = {"load regulation": {"": parse_limits("< 1 %")}}
    bench = bench_of(replace(of_load("0 A", "100 mA", "25 mA", judging=judging), expect=limits))

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.startswith("step 2 (sweep): 3V3 with 50 mA drawn voltage 3.299")
    assert figures(outcome.readings)["3V3 load regulation"].note == "the sweep ended before its last point"
    assert (outcome.off_verified, outcome.load_off) == (True, True)


def test_a_sweep_that_is_left_out_half_way_leaves_the_input_off() -> None:
    script = (Scripted(Answer("the leads are too warm"), containing="why leave out"),)
    bench = bench_of(of_input("24 V", "30 V", "1 V", "3V3"))
    bench.ask = SimulatedPerson(attended=True, clock=bench.clock, script=script)
    on_after: list[bool] = []

    def leave(told: Told) -> None:
        if told.text == "VIN set to 26 V":
            bench.ask.press("l", bench.clock.monotonic())  # type: ignore[attr-defined]
        elif told.kind == "step-ended" and told.step == 1:
            on_after.append(bench.on())

    outcome = bench.run(tell=leave)

    assert bench.record.ended_steps[-1][:2] == (1, StepOutcome.LEFT_OUT)
    assert on_after == [False]
    assert outcome.off_verified


def test_the_input_is_watched_for_what_its_lowest_point_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    levels: list[float] = []
    as_it_is = Power.new_trip

    def noted(self: Power, feed: Feed, level: float) -> None:
        levels.append(level)
        as_it_is(self, feed, level)

    monkeypatch.setattr(Power, "new_trip", noted)
    step = of_input("24 V", "18 V", "3 V", "3V3")
    assert isinstance(step.action, Sweep)
    bench = bench_of(step)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert len(levels) == 2, "once for the points, and as before once it is back"
    assert levels[0] > levels[1]


def protections(bench: SimulatedBench) -> tuple[list[float], list[float | None]]:
    """Note the levels of over-voltage protection, and those of over-current protection (None: off), as they are set."""
    volts: list[float] = []
    amps: list[float | None] = []
    as_it_is = bench.supply.set_protection

    def noted(output: int, protection: Protection, level: float | None, delay: float = 0.0) -> Pending[Done]:
        if protection is Protection.OVER_CURRENT:
            amps.append(level)
        elif level is not None:
            volts.append(level)
        return as_it_is(output, protection, level, delay)

    bench.supply.set_protection = noted  # type: ignore[method-assign]
    return volts, amps


def test_the_supply_guards_against_too_much_current_while_a_voltage_is_held() -> None:
    held = replace(APPLY, then=(parse_quantity("18 V"), parse_quantity("24 V")), hold=parse_quantity("2 s"))
    bench = simulated_bench(with_steps(Step(0, held)), history=SEEN, bench_path=BENCH)
    _, amps = protections(bench)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert [level is not None for level in amps] == [False, True, False, True, False, True]


TOO_HIGH, TOO_LOW = ({"3V3": parse_limits(text)} for text in ("3.1 V .. 3.2 V", "3.5 V .. 3.6 V"))


@pytest.mark.parametrize(
    ("expect", "ends", "way", "read", "last"),
    [
        (TOO_HIGH, True, ("27 V", "30 V"), 1, "VIN set to 27 V"),
        (TOO_LOW, True, ("21 V", "18 V"), 1, "VIN set to 21 V"),
        (TOO_HIGH, False, ("24 V", "30 V"), 1, "VIN set to 24 V"),
        (TOO_HIGH, False, ("30 V", "24 V"), 3, "VIN set to 24 V"),
        (TOO_LOW, False, ("24 V", "30 V"), 3, "VIN set to 24 V"),
        ({"3V3": parse_limits("< 3.2 V")}, False, ("24 V", "30 V"), 1, "VIN set to 24 V"),
        ({"3V3": parse_limits("> 3.4 V")}, False, ("24 V", "30 V"), 3, "VIN set to 24 V"),
    ],
)
def test_a_rail_out_of_its_limits_keeps_the_input_from_being_raised(
    expect: dict[str, Limits], way: tuple[str, str], read: int, last: str, *, ends: bool
) -> None:
    """Where the step ends the attempt it goes off without being set back first."""
    bench = bench_of(replace(of_input(*way, "3 V", "3V3"), expect=expect, end_on_fail=ends))

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert len([each for each in outcome.readings if each.aspect.startswith("with VIN at")]) == read
    power = [text for kind, text, _ in bench.record.events if kind == "power"]
    assert power[-2:] == [last, "VIN OFF, verified by asking"]
    assert outcome.off_verified is True


def test_over_voltage_protection_is_not_put_back_below_what_is_left_at_the_input(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A supply only gives: an input that nothing draws from comes down in its own time."""
    monkeypatch.setattr("bringup.runner.actions.sweep.CLEAR", 1.2)
    bench = simulated_bench(
        with_steps(Step(0, replace(APPLY, over_voltage=None)), of_input("24 V", "30 V", "3 V", "3V3")),
        history=SEEN,
        bench_path=BENCH,
    )
    volts, _ = protections(bench)

    assert bench.run().result is AttemptResult.PASSED
    assert volts == [26.4, 32.34]


def test_what_went_off_with_a_step_that_was_left_out_is_read_no_more() -> None:
    """A board with two inputs: the other one is no fault of the unit, and is on again once it is applied anew."""
    bench_path = ROOT / "fixtures/benches/simulated-tide-gauge.yaml"
    board = load_board(ROOT / "fixtures/boards/tide-gauge.yaml")
    amps = parse_quantity("100 mA")
    cell = Apply("VBAT", (parse_quantity("3.6 V"),), amps)
    steps = (
        Apply("VIN", (parse_quantity("12 V"),), amps),
        cell,
        Sweep(points("12 V", "14 V", "1 V"), ("5V0",), input="VIN", formula="ends over nominal"),  # type: ignore[arg-type]
        Measure(("VCLK",)),
        cell,
        Measure(("VCLK",)),
    )
    given = replace(with_steps(*(Step(0, each, end_on_fail=False) for each in steps)), board=board, board_state=None)
    script = (Scripted(Answer("the leads are too warm"), containing="why leave out"),)
    bench = simulated_bench(given, history=SEEN, bench_path=bench_path)
    bench.ask = SimulatedPerson(attended=True, clock=bench.clock, script=script)

    def leave(told: Told) -> None:
        if told.text == "VIN set to 13 V":
            bench.ask.press("l", bench.clock.monotonic())  # type: ignore[attr-defined]

    bench.run(serial="TG-001", tell=leave)

    ended = {each[0]: each[1] for each in bench.record.ended_steps}
    assert (ended[2], ended[3]) == (StepOutcome.LEFT_OUT, StepOutcome.LEFT_OUT)
    assert (ended[4], ended[5]) == (StepOutcome.DONE, StepOutcome.DONE)
    assert [each.result for each in bench.record.readings if each.step == 5] == [Result.PASS]


def test_the_supplys_protections_follow_the_sweep_and_come_back() -> None:
    step = of_input("24 V", "30 V", "3 V", "3V3")
    bench = simulated_bench(
        with_steps(Step(0, replace(APPLY, over_voltage=None)), step), history=SEEN, bench_path=BENCH
    )
    volts, amps = protections(bench)

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert volts == [26.4, 32.34, 26.4], "2 % below the 33 V that damage VIN; as its apply had it before and after"
    apply, swept = amps[:3], amps[3:]
    assert apply[:2] == [None, None]
    assert swept[0::2] == [None] * 4, "off while the voltage changes"
    assert all(level is not None for level in swept[1::2]), "on at each point, and back where it was"
    assert swept[-1] == apply[2]
    assert len(swept) == 8


def test_what_draws_too_much_at_a_point_of_a_sweep_is_cut_by_the_supply_itself() -> None:
    bench = bench_of(of_input("24 V", "30 V", "3 V", "3V3", settle=parse_quantity("5 s")))
    on: list[bool] = []

    def short() -> None:
        on.append(bench.on())
        bench.world.plant(Fault("VIN", FaultKind.SHORTED_THROUGH, 80.0))

    def told(each: Told) -> None:
        if each.text == "VIN set to 27 V":
            bench.clock.at(bench.clock.monotonic() + 2.0, short, wakes=False)

    outcome = bench.run(tell=told)

    assert on == [True]
    assert outcome.result is AttemptResult.FAILED
    assert "over-current protection tripped on VIN" in outcome.cause


def test_damaging_volts_at_the_board_are_kept_and_end_a_sweep() -> None:
    bench = bench_of(drawing(), of_input("24 V", "30 V", "3 V", "3V3"))
    read = bench.meter.read

    def misled(*given: Any, **named: Any) -> Pending[tuple[Value, tuple[Trouble, ...]]]:
        def high(taken: tuple[Value, tuple[Trouble, ...]]) -> tuple[Value, tuple[Trouble, ...]]:
            swept = bench.record.begun[-1] == 2 and named["point"] == "VIN"
            return (replace(taken[0], number=40.0, raw="+4.00000000E+01") if swept else taken[0]), taken[1]

        return read(*given, **named).then(high)

    bench.meter.read = misled  # type: ignore[method-assign]

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert "VIN reads 40.0000 V, above the 33 V that damage the board" in outcome.cause
    kept = figures(outcome.readings)["VIN at the board with VIN at 24 V"]
    assert (kept.value, kept.result) == (40.0, Result.RECORDED)


def test_a_load_that_only_a_condition_would_switch_off_counts_as_drawing() -> None:
    perhaps = Step(0, Sink("3V3"), only_if=OnlyIf(attended=True))
    down = of_input("24 V", "23 V", "500 mV", "3V3", looks_for="stop")
    cycle = Step(0, PowerCycle("VIN", 2, (parse_quantity("1 s"),), parse_quantity("1 s")))

    assert any(
        "would be loaded while VIN is where rails stop" in each for each in refused(WIDE, drawing(), perhaps, down)
    )
    assert any("the load would still draw from 3V3" in each for each in refused(WIDE, drawing(), perhaps, cycle))
