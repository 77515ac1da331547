"""The simulated board in time: starting, steady state, overload, discharge, each number computed by hand."""

from __future__ import annotations

from math import exp, log

import pytest

from bringup.core.board import Board
from bringup.core.faults import Fault, FaultKind
from bringup.core.solver import solve
from bringup.simulation.physics import LeadsAt, OutputMode
from tests.built_boards import amps, board, buoy, converter, ohms, rail
from tests.built_worlds import MEGOHMS, bench, demo_board, first, moments


@pytest.fixture(scope="module")
def demo() -> Board:
    return demo_board()


@pytest.mark.parametrize("state", ["blank", "programmed", "asleep", "transmitting"])
def test_steady_state_is_what_the_solver_finds(demo: Board, state: str) -> None:
    world = bench(demo, limit=1.0)
    world.state(state)
    found = solve(demo, {"VIN": world.input_volts("VIN", 2.0)}, state=state)
    for name in demo.rails:
        assert world.point_volts(name, 2.0) == pytest.approx(found.volts[name], rel=1e-6)
    assert world.terminal_amps(1, 2.0) == pytest.approx(found.input_amps["VIN"], rel=1e-6)


@pytest.mark.parametrize(
    "fault",
    [
        Fault("3V3", FaultKind.SHORTED_THROUGH, 2.0),
        Fault("12V0", FaultKind.UPPER_OPEN),
        Fault("12V0", FaultKind.LOWER_OPEN),
        Fault("5V0", FaultKind.LOWER_VALUE, 22e3),
        Fault("5V0", FaultKind.NOT_FITTED),
        Fault("1V8", FaultKind.EXCESS_LOAD, 0.2),
        Fault("3V3", FaultKind.BACK_FED, 2.8),
    ],
    ids=lambda fault: f"{fault.point}-{fault.kind}",
)
def test_steady_state_with_a_fault_is_what_the_solver_finds(demo: Board, fault: Fault) -> None:
    world = bench(demo, fault, limit=1.5)
    found = solve(demo, {"VIN": world.input_volts("VIN", 3.0)}, state="blank", faults=[fault])
    for name in demo.rails:
        assert world.point_volts(name, 3.0) == pytest.approx(found.volts[name], rel=1e-4, abs=2e-3), name
    assert world.terminal_amps(1, 3.0) == pytest.approx(found.input_amps["VIN"], rel=1e-4)


@pytest.mark.parametrize("serial", ["MBL-0001", "MBL-0002", "MBL-0042"])
def test_sound_board_starts_without_alarm(demo: Board, serial: str) -> None:
    world = bench(demo, volts=1.0, limit=0.4, serial=serial)
    world.set_over_voltage(1, 31.5, 0.0)
    world.set_over_current(1, 0.4, 0.2, 0.0)
    assert world.mode(1, 0.5) is OutputMode.VOLTAGE
    world.set_voltage(1, 18.0, 0.5)
    limiting = [now for now in moments(0.5, 0.7, 1e-3) if world.mode(1, now) is OutputMode.CURRENT]
    # At most 100 uF * 17 V / 0.4 A = 4.3 ms of charging (less where the supply's own slewing needs less than the
    # limit), and the soft starts behind it
    assert 0.001 <= len(limiting) * 1e-3 <= 0.040
    world.set_voltage(1, 24.0, 1.0)
    highest = max(world.input_volts("VIN", now) for now in moments(1.0, 1.1, 5e-4))
    assert highest < 24.5
    assert world.is_on(1, 2.0)
    for name, nominal in {"12V0": 12.0, "5V0": 5.0, "3V3": 3.3, "1V8": 1.8, "VREF": 2.5, "N12V": -12.0}.items():
        assert world.point_volts(name, 2.0) == pytest.approx(nominal, rel=0.03)


def one_buck(soft_start: float = 0.004, **facts: float) -> Board:
    made = converter("buck", starts_at=14, soft_start=soft_start, efficiency=80, **facts)
    return board(rail("12V0", "VIN", made, volts=12.0, capacitance=100e-6, loads=(amps(0.02),)), capacitance=10e-6)


@pytest.mark.parametrize("soft_start", [0.004, 0.040])
def test_soft_start_is_a_ramp_of_its_stated_length(soft_start: float) -> None:
    world = bench(one_buck(soft_start), volts=24.0, limit=2.0)
    times = moments(0.0, 0.1, 2e-5)
    tenth = first(world, "12V0", 1.2, times)
    nine_tenths = first(world, "12V0", 10.8, times)
    assert nine_tenths - tenth == pytest.approx(0.8 * soft_start, rel=0.02)


def test_soft_start_takes_the_current_that_charges_the_output() -> None:
    world = bench(one_buck(0.1), volts=24.0, limit=2.0)
    half = first(world, "12V0", 6.0, moments(0.0, 0.1, 1e-4))
    # (100 uF * 12 V / 100 ms + 20 mA) * 6 V / 0.8 / 24 V = 10 mA, the supply having settled long before
    assert world.terminal_amps(1, half) == pytest.approx(0.032 * 6.0 / 0.8 / 24.0, rel=0.02)


def test_converter_starts_and_stops_at_different_voltages() -> None:
    world = bench(one_buck(stops_at=10.0), volts=13.5)
    assert world.point_volts("12V0", 1.0) == 0.0
    world.set_voltage(1, 15.0, 1.0)
    assert world.point_volts("12V0", 2.0) == pytest.approx(12.0)
    world.set_voltage(1, 11.0, 2.0)
    assert world.point_volts("12V0", 3.0) == pytest.approx(11.0, rel=1e-3)
    world.set_voltage(1, 9.5, 3.0)
    assert world.point_volts("12V0", 4.0) < 0.1


def test_current_limit_too_near_keeps_a_board_from_starting() -> None:
    # 12 V * 100 mA / 0.8 / 24 V = 62.5 mA in steady state, but 107 mA at the 14 V at which it starts
    made = converter("buck", starts_at=14, soft_start=0.004, efficiency=80)
    design = board(rail("12V0", "VIN", made, volts=12.0, capacitance=100e-6, loads=(amps(0.1),)), capacitance=100e-6)
    stuck = bench(design, limit=0.07)
    assert {stuck.mode(1, now) for now in (0.5, 1.0, 1.5)} == {OutputMode.CURRENT}
    assert all(stuck.input_volts("VIN", now) < 18.0 for now in moments(0.5, 1.0, 0.01))
    free = bench(design, limit=0.2)
    assert free.point_volts("12V0", 1.0) == pytest.approx(12.0)
    assert free.terminal_amps(1, 1.0) == pytest.approx(0.0625, rel=1e-3)


def test_overloaded_buck_hiccups_and_an_average_shows_little() -> None:
    world = bench(one_buck(current_limit=1.5), Fault("12V0", FaultKind.SHORTED_THROUGH, 0.2), limit=1.0)
    world.probe("12V0", 1.0)
    seen = [abs(world.point_volts("12V0", now)) > 0.25 for now in moments(1.0, 4.12, 1e-3)]
    starts = [index for index in range(1, len(seen)) if seen[index] and not seen[index - 1]]
    assert len(starts) >= 5
    # each burst ends 20 ms after its limit was met (the ramp meets it in 0.1 ms), 500 ms later the next begins
    assert (starts[-1] - starts[0]) / (len(starts) - 1) == pytest.approx(520, abs=3)
    # 1.5 A * 0.2 ohm = 0.3 V for 20 of 520 ms = 11.5 mV over four periods
    assert world.probe_volts(4.12, 2.08, MEGOHMS) == pytest.approx(0.0115, rel=0.1)


def test_overloaded_linear_holds_its_limit() -> None:
    made = converter("linear", current_limit=0.5)
    design = board(rail("3V3", "VIN", made, volts=3.3), vin=5.0)
    world = bench(design, Fault("3V3", FaultKind.SHORTED_THROUGH, 1.0), volts=5.0, limit=1.0)
    assert [world.point_volts("3V3", now) for now in (0.5, 1.0, 1.5)] == pytest.approx([0.5, 0.5, 0.5])
    assert world.terminal_amps(1, 1.5) == pytest.approx(0.5)


def test_rail_below_its_minimum_load_reads_six_percent_high() -> None:
    world = bench(one_buck(minimum_load=0.1))
    assert world.point_volts("12V0", 1.0) == pytest.approx(12.72)


def test_fault_appears_after_its_output_on_time() -> None:
    world = bench(buoy(), Fault("5V0", FaultKind.NOT_FITTED, after=1.0))
    assert world.point_volts("5V0", 0.6) == pytest.approx(5.0, abs=0.02)
    world.switch(1, False, 0.6)
    world.switch(1, True, 5.0)
    # 0.6 s on so far: 0.4 s are left
    assert world.point_volts("5V0", 5.39) == pytest.approx(5.0, abs=0.02)
    assert world.point_volts("5V0", 5.6) < 2.0


def test_discharge_takes_the_published_time() -> None:
    # 470 uF through 10 kohm from 400 V to 50 V: R * C * ln 8 = 9.773375 s (resicalc.com: 9.8 s)
    design = board(capacitance=470e-6, unpowered_resistance=10e3, vin=400.0)
    world = bench(design, volts=400.0, limit=5.0)
    assert world.input_volts("VIN", 1.0) == pytest.approx(400.0, abs=0.1)
    world.leads(LeadsAt.OFF, 1.0)
    start = world.input_volts("VIN", 1.0)
    assert world.input_volts("VIN", 1.0 + 4.7 * log(8)) == pytest.approx(start / 8, rel=1e-3)


def test_board_discharges_with_a_slow_tail() -> None:
    world = bench(buoy())
    assert world.point_volts("3V3", 1.0) == pytest.approx(3.3)
    world.switch(1, False, 1.0)
    volts = [world.point_volts("3V3", 1.0 + later) for later in (0.0, 0.2, 0.5, 2.0, 20.0)]
    assert volts == sorted(volts, reverse=True)
    assert 0.0 < volts[2] < 0.2
    assert volts[4] < 1e-3


def test_input_keeps_its_charge_for_seconds_once_the_leads_are_off() -> None:
    world = bench(board(capacitance=220e-6))
    world.leads(LeadsAt.OFF, 1.0)
    world.switch(1, False, 1.0)
    # nothing but 100 kohm of leakage: tau = 22 s
    assert world.input_volts("VIN", 3.2) == pytest.approx(24.0 * exp(-0.1), rel=1e-3)


def test_residual_charge_is_found_by_the_meter_and_falsifies_ohms() -> None:
    design = board(rail("12V0", "VIN", converter("buck"), volts=12.0, capacitance=100e-6, unpowered_resistance=50e3))
    world = bench(design, Fault("12V0", FaultKind.CHARGED, 2.0), on=False)
    world.leads(LeadsAt.OFF, 0.0)
    world.probe("12V0", 0.0)
    # tau = 50 k * 100 uF = 5 s
    assert world.probe_volts(0.5, 0.001, MEGOHMS) == pytest.approx(2.0 * exp(-0.1), rel=0.01)
    assert world.probe_ohms(0.52, 1e-3, 10.0) > 1500.0


def test_back_fed_rail_is_live_with_the_supply_off() -> None:
    design = board(rail("3V3", "VIN", converter("linear"), volts=3.3, loads=(ohms(1000.0),), capacitance=10e-6))
    world = bench(design, Fault("3V3", FaultKind.BACK_FED, 2.8), on=False)
    world.probe("3V3", 0.0)
    # 100 kohm of leakage counts only beyond what the file knows (1 kohm): 2.8 V * 1000 / 1100 less 0.1 %
    assert world.probe_volts(1.0, 0.02, MEGOHMS) == pytest.approx(2.8 / 1.1, rel=2e-3)


def test_boost_that_is_shorted_pulls_its_input_down_through_its_diode() -> None:
    made = converter("boost", starts_at=3, soft_start=0.005, efficiency=80)
    design = board(rail("12V0", "VIN", made, volts=12.0, capacitance=100e-6), vin=5.0, capacitance=22e-6)
    world = bench(design, Fault("12V0", FaultKind.SHORTED_THROUGH, 0.1), volts=5.0, limit=2.0)
    # 2 A through 0.1 ohm and 0.4 V of diode
    assert world.mode(1, 1.0) is OutputMode.CURRENT
    assert world.point_volts("12V0", 1.0) == pytest.approx(0.2, rel=0.01)
    assert world.input_volts("VIN", 1.0) == pytest.approx(0.6, rel=0.01)


def test_linear_below_its_dropout_follows_an_input_that_charges() -> None:
    made = converter("linear", dropout=0.3)
    design = board(rail("5V0", "VIN", made, volts=5.0, capacitance=400e-6), vin=12.0, capacitance=100e-6)
    world = bench(design, volts=12.0, limit=0.1)
    times = moments(0.0, 0.2, 1e-4)
    two, four = first(world, "VIN", 2.0, times), first(world, "VIN", 4.0, times)
    # both capacitors are charged: 500 uF * 2 V / 0.1 A = 10 ms
    assert four - two == pytest.approx(0.010, rel=0.02)
    # it sees its input one step (0.1 ms at 0.2 V/ms) late
    assert world.point_volts("5V0", four) == pytest.approx(world.input_volts("VIN", four) - 0.3, abs=0.021)
