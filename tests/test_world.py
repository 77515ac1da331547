"""The simulated bench as a whole: units, states, refusals, what it costs, and that it repeats itself."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.core.board import Board
from bringup.core.faults import Fault, FaultKind
from bringup.errors import BenchError
from bringup.files.board_file import load_board
from bringup.simulation.physics import LeadsAt, OutputMode, World
from bringup.simulation.world import BoardWorld
from tests.built_boards import amps, board, buoy, converter, ohms, rail
from tests.built_worlds import DEMO_BOARDS, bench, demo_board, moments


@pytest.fixture(scope="module")
def demo() -> Board:
    return demo_board()


def test_it_is_a_world() -> None:
    world: World = bench(buoy())
    assert world.mode(1, 0.0) is OutputMode.VOLTAGE


def test_another_unit_is_discharged_and_has_other_parts(demo: Board) -> None:
    world = bench(demo, serial="MBL-0001")
    one = world.point_volts("12V0", 1.0)
    with pytest.raises(BenchError, match=r"cannot be changed while an output is on.*\n.*Switch every output off"):
        world.unit("MBL-0002")
    world.switch(1, False, 1.0)
    world.unit("MBL-0002")
    assert world.point_volts("12V0", 1.0) == 0.0
    world.switch(1, True, 1.0)
    two = world.point_volts("12V0", 2.0)
    assert one != two
    assert world.point_volts("12V0", 2.0) == bench(demo, serial="MBL-0002").point_volts("12V0", 1.0)


def test_board_state_changes_the_current_at_once(demo: Board) -> None:
    world = bench(demo)
    awake = world.terminal_amps(1, 1.0)
    world.state("asleep")
    assert world.terminal_amps(1, 1.1) < awake / 3


def test_what_the_board_does_not_have_is_refused_in_words(demo: Board) -> None:
    world = bench(demo)
    with pytest.raises(BenchError, match=r"no state 'flying'.\n.*It has blank, programmed, asleep, transmitting"):
        world.state("flying")
    with pytest.raises(BenchError, match=r"no point 'TP99'"):
        world.probe("TP99", 0.0)
    with pytest.raises(BenchError, match=r"no point '9V0'"):
        world.plant(Fault("9V0", FaultKind.NOT_FITTED))
    with pytest.raises(BenchError, match=r"belongs to an input"):
        bench(demo, Fault("3V3", FaultKind.LEADS_REVERSED))


def test_board_file_without_a_tree_reads_its_stated_volts_when_powered() -> None:
    design = board(rail("3V3", None, volts=3.3), rail("-5V", None, volts=-5.0), rail("X", None))
    world = bench(design)
    assert world.point_volts("3V3", 1.0) == pytest.approx(3.3)
    assert world.point_volts("-5V", 1.0) == pytest.approx(-5.0)
    assert world.point_volts("X", 1.0) == 0.0
    world.set_voltage(1, 10.0, 1.0)
    world.switch(1, False, 1.0)
    assert abs(world.point_volts("3V3", 60.0)) < 0.01


def test_two_inputs_hang_on_two_outputs() -> None:
    one = board(rail("5V0", "VIN", converter("linear"), volts=5.0, loads=(amps(0.05),)), vin=12.0)
    aux = replace(one.inputs["VIN"], name="VAUX")
    design = replace(one, inputs={"VIN": one.inputs["VIN"], "VAUX": aux})
    world = BoardWorld(design, outputs={"VIN": 1, "VAUX": 2})
    for output, volts in ((1, 12.0), (2, 9.0)):
        world.set_current_limit(output, 0.5, 0.0)
        world.set_voltage(output, volts, 0.0)
    world.switch(2, True, 0.0)
    assert world.input_volts("VIN", 1.0) == 0.0
    assert world.input_volts("VAUX", 1.0) == pytest.approx(9.0)
    world.switch(1, True, 1.0)
    assert world.terminal_amps(1, 2.0) == pytest.approx(0.05)
    assert world.terminal_amps(2, 2.0) == pytest.approx(0.0, abs=1e-9)


def test_inputs_that_share_an_output_share_its_limit() -> None:
    one = board(loads=(ohms(100.0),))
    design = replace(one, inputs={"VIN": one.inputs["VIN"], "VAUX": replace(one.inputs["VIN"], name="VAUX")})
    world = BoardWorld(design, outputs={"VIN": 1, "VAUX": 1})
    world.set_current_limit(1, 0.1, 0.0)
    world.set_voltage(1, 24.0, 0.0)
    world.switch(1, True, 0.0)
    assert world.terminal_amps(1, 1.0) == pytest.approx(0.1, rel=1e-6)
    assert world.input_volts("VIN", 1.0) == pytest.approx(5.0, rel=1e-3)


def test_hour_of_steady_state_costs_no_steps(demo: Board) -> None:
    world = bench(demo)
    world.is_on(1, 10.0)
    before = world._bench.steps
    assert world.point_volts("3V3", 3610.0) == pytest.approx(3.3, rel=1e-3)
    assert world._bench.steps == before


def test_start_takes_a_few_hundred_steps(demo: Board) -> None:
    world = bench(demo)
    world.is_on(1, 0.1)
    assert world._bench.steps < 400


def test_same_calls_give_the_same_values(demo: Board) -> None:
    def story() -> list[float]:
        world = bench(demo, Fault("3V3", FaultKind.SHORTED_THROUGH, 2.0, after=0.5), serial="MBL-0003")
        return [world.terminal_amps(1, now) + world.point_volts("3V3", now) for now in moments(0.0, 1.0, 0.01)]

    assert story() == story()


@settings(max_examples=8, deadline=None)
@given(st.lists(st.floats(1e-5, 0.9), max_size=12))
def test_looking_at_other_moments_does_not_change_where_it_settles(looks: list[float]) -> None:
    quiet, watched = bench(buoy()), bench(buoy())
    for now in sorted(looks):
        watched.terminal_amps(1, now)
    for name in buoy().rails:
        assert watched.point_volts(name, 2.0) == pytest.approx(quiet.point_volts(name, 2.0), rel=1e-7)
    assert watched.terminal_amps(1, 2.0) == pytest.approx(quiet.terminal_amps(1, 2.0), rel=1e-6)


def test_clock_of_any_origin_gives_the_same_course() -> None:
    early, late = bench(buoy()), BoardWorld(buoy(), outputs={"VIN": 1})
    origin = 8_000_000.0
    late.set_current_limit(1, 0.4, origin)
    late.set_voltage(1, 24.0, origin)
    late.switch(1, True, origin)
    for now in moments(0.001, 0.05, 0.001):
        assert late.input_volts("VIN", origin + now) == pytest.approx(early.input_volts("VIN", now), abs=0.05)


def test_hour_of_hiccup_is_passed_over_and_hiccups_still() -> None:
    world = bench(buoy(), Fault("12V0", FaultKind.SHORTED_THROUGH, 0.2))
    seen = [world.point_volts("12V0", 3600.0 + later) for later in moments(0.0, 1.04, 0.005)]
    assert world._bench.steps < 30_000
    # 20 of 520 ms, twice
    assert sum(volts > 0.1 for volts in seen) == pytest.approx(8, abs=3)


def test_fault_that_comes_late_comes_in_spite_of_a_hiccup() -> None:
    faults = (Fault("12V0", FaultKind.SHORTED_THROUGH, 0.2), Fault("VIN", FaultKind.SHORTED_THROUGH, 1.0, after=3000.0))
    world = bench(buoy(), *faults)
    assert world.input_volts("VIN", 2999.0) == pytest.approx(24.0, abs=0.1)
    assert world.input_volts("VIN", 3600.0) == pytest.approx(0.4, rel=0.01)


def test_board_that_names_no_input_is_powered_by_others() -> None:
    world = BoardWorld(load_board(DEMO_BOARDS / "buoy-lamp.yaml"), outputs={})
    assert world.point_volts("3V3", 1.0) == pytest.approx(3.3)


COMMANDS = st.one_of(
    st.tuples(st.just("set_voltage"), st.sampled_from([0.0, 1.0, 18.0, 24.0, 60.0])),
    st.tuples(st.just("set_current_limit"), st.sampled_from([0.0, 0.06, 0.4, 3.0])),
    st.tuples(st.just("set_over_voltage"), st.sampled_from([None, 5.0, 30.0])),
    st.tuples(st.just("switch"), st.booleans()),
    st.tuples(st.just("leads"), st.sampled_from(sorted(LeadsAt))),
    st.tuples(st.just("probe"), st.sampled_from([None, "VIN", "12V0", "-12V"])),
    st.tuples(st.just("plant"), st.sampled_from([FaultKind.SHORTED_THROUGH, FaultKind.BACK_FED, FaultKind.CHARGED])),
)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([0.0, 1e-4, 0.003, 0.1]), COMMANDS), max_size=12))
def test_whatever_is_done_values_are_finite_and_an_output_that_is_off_gives_nothing(
    story: list[tuple[float, tuple[str, object]]],
) -> None:
    world = bench(buoy())
    now = 0.0
    for wait, (name, value) in story:
        now += wait
        if name == "plant":
            world.plant(Fault("12V0", FaultKind(str(value)), 5.0))
        elif name in {"leads", "probe"}:
            getattr(world, name)(value, now)
        else:
            getattr(world, name)(1, value, now)
        values = [world.point_volts(point, now) for point in ("VIN", *buoy().rails)]
        assert all(isfinite(volts) for volts in (*values, world.probe_volts(now, 0.02, 1e7)))
        assert all(volts >= 0.0 for volts in values[:-1])
        assert values[-1] <= 0.0
        if not world.is_on(1, now):
            assert world.terminal_amps(1, now + 1e-3) == 0.0
            now += 1e-3
        elif world.tripped(1, now):
            pytest.fail("a tripped output is on")
