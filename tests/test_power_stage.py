"""The simulated supply and its leads in time, each number computed by hand."""

from __future__ import annotations

import pytest

from bringup.core.board import Board
from bringup.core.faults import Fault, FaultKind
from bringup.simulation.physics import LeadsAt, OutputMode
from bringup.simulation.world import BoardWorld
from tests.built_boards import amps, board, ohms
from tests.built_worlds import MEGOHMS, bench, demo_board, first, moments


@pytest.fixture(scope="module")
def demo() -> Board:
    return demo_board()


def test_turning_on_overshoots_by_a_few_percent_and_settles() -> None:
    world = bench(board(), volts=10.0)
    peak = max(world.terminal_volts(1, now) for now in moments(0.0, 0.05, 1e-4))
    # damping 0.75: exp(-pi * 0.75 / sqrt(1 - 0.75^2)) = 2.84 %
    assert peak == pytest.approx(10.284, abs=0.01)
    assert world.terminal_volts(1, 0.06) == pytest.approx(10.0, abs=1e-9)


def test_input_capacitance_charges_through_the_current_limit() -> None:
    world = bench(board(capacitance=470e-6), volts=24.0, limit=0.2)
    times = moments(0.0, 0.2, 1e-4)
    two = first(world, "VIN", 2.0, times)
    assert world.mode(1, two) is OutputMode.CURRENT
    assert world.terminal_amps(1, two) == pytest.approx(0.2, rel=1e-6)
    twenty = first(world, "VIN", 20.0, times)
    # C * dV / I = 470 uF * 18 V / 0.2 A = 42.3 ms
    assert twenty - two == pytest.approx(0.0423, rel=0.01)
    assert world.mode(1, 0.2) is OutputMode.VOLTAGE


def test_current_limit_crosses_over_into_a_resistive_load() -> None:
    # 24 V into 100 ohm would be 240 mA: at a limit of 100 mA it is 10 V, less 0.1 A * 0.1 ohm of the leads
    world = bench(board(loads=(ohms(100.0),)), limit=0.1)
    assert world.mode(1, 1.0) is OutputMode.CURRENT
    assert world.input_volts("VIN", 1.0) == pytest.approx(10.0, rel=1e-6)
    assert world.terminal_volts(1, 1.0) == pytest.approx(10.01, rel=1e-6)
    world.set_current_limit(1, 0.5, 1.0)
    # 24 V * 100 / 100.1
    assert world.input_volts("VIN", 2.0) == pytest.approx(24 * 100 / 100.1, rel=1e-6)
    assert world.mode(1, 2.0) is OutputMode.VOLTAGE


def test_output_capacitor_empties_into_a_short_past_the_limit() -> None:
    world = bench(board(capacitance=100e-6), Fault("VIN", FaultKind.SHORTED_THROUGH, 0.5, after=0.2), limit=0.4)
    assert world.terminal_amps(1, 0.2) < 0.01
    assert world.terminal_amps(1, 0.2001) > 4.0
    # 200 uF * 0.5 ohm = 0.1 ms: after 2 ms nothing but the limit is left, 0.4 A * 0.5 ohm = 0.2 V
    assert world.terminal_amps(1, 0.202) == pytest.approx(0.4, rel=1e-3)
    assert world.input_volts("VIN", 0.3) == pytest.approx(0.2, rel=1e-6)


def test_over_voltage_protection_trips_in_a_tenth_of_a_millisecond() -> None:
    world = bench(board(), volts=20.0)
    world.set_over_voltage(1, 22.0, 0.1)
    world.set_voltage(1, 24.0, 0.1)
    times = moments(0.1, 0.2, 1e-5)
    over = next(now for now in times if world.terminal_volts(1, now) > 22.0)
    tripped = next(now for now in times if world.tripped(1, now))
    assert tripped - over == pytest.approx(1e-4, abs=5e-5)
    assert world.tripped(1, 0.3) == "over-voltage"
    assert not world.is_on(1, 0.3)
    # the crowbar: 110 uF through 5 ohm is 0.55 ms, so below a volt in 2 ms
    assert world.terminal_volts(1, tripped + 0.002) < 1.0


def test_over_voltage_level_below_the_present_voltage_trips_at_once() -> None:
    world = bench(board(), volts=20.0)
    world.set_over_voltage(1, 15.0, 0.1)
    assert world.is_on(1, 0.10005)
    assert not world.is_on(1, 0.1002)


def test_tripped_output_stays_off_until_cleared() -> None:
    world = bench(board(), volts=20.0)
    world.set_over_voltage(1, 15.0, 0.1)
    world.switch(1, True, 0.2)
    assert not world.is_on(1, 0.2)
    world.clear_trip(1, 0.3)
    assert not world.is_on(1, 0.3)
    world.set_over_voltage(1, None, 0.3)
    world.switch(1, True, 0.3)
    assert world.is_on(1, 0.5)


def test_over_current_protection_waits_for_its_delay() -> None:
    world = bench(board(loads=(amps(0.3),)), volts=24.0, limit=1.0)
    world.set_over_current(1, 0.25, 0.15, 1.0)
    assert world.is_on(1, 1.149)
    assert not world.is_on(1, 1.151)
    assert world.tripped(1, 1.151) == "over-current"


def test_over_current_that_does_not_last_does_not_trip() -> None:
    # charging 220 uF to 24 V at 400 mA takes 13 ms; the delay is 50 ms
    world = BoardWorld(board(capacitance=220e-6), outputs={"VIN": 1})
    world.set_current_limit(1, 0.4, 0.0)
    world.set_voltage(1, 24.0, 0.0)
    world.set_over_current(1, 0.4, 0.05, 0.0)
    world.switch(1, True, 0.0)
    assert world.mode(1, 0.008) is OutputMode.CURRENT
    assert world.is_on(1, 1.0)


def test_remote_sense_makes_up_for_the_leads() -> None:
    # 0.5 ohm at 1 A: half a volt
    world = bench(board(loads=(amps(1.0),)), volts=12.0, limit=2.0, lead_resistance=0.5)
    assert world.input_volts("VIN", 1.0) == pytest.approx(11.5, rel=1e-6)
    world.set_remote_sense(1, True, 1.0)
    assert world.input_volts("VIN", 2.0) == pytest.approx(12.0, rel=1e-6)
    assert world._look(1, 2.0).volts == pytest.approx(12.5, rel=1e-6)
    assert world.terminal_volts(1, 2.0) == pytest.approx(12.0, rel=1e-6), "it reads where it senses"


def test_open_sense_lead_raises_the_terminals_by_five_percent_only_while_sensing_is_remote() -> None:
    world = bench(board(), Fault("VIN", FaultKind.SENSE_OPEN), volts=20.0)
    assert world.terminal_volts(1, 1.0) == pytest.approx(20.0, rel=1e-6)
    world.set_remote_sense(1, True, 1.0)
    assert world.terminal_volts(1, 2.0) == pytest.approx(21.0, rel=1e-6)


def test_terminals_that_are_fed_from_the_board_are_unregulated() -> None:
    # a debug lead feeds 24 V through 100 ohm while the supply is set to 5 V; it takes back no more than 20 mA
    world = bench(board(), Fault("VIN", FaultKind.BACK_FED, 24.0), volts=5.0)
    assert world.mode(1, 2.0) is OutputMode.UNREGULATED
    assert world.terminal_volts(1, 2.0) == pytest.approx(24.0 - 0.02 * 100, abs=0.01)
    assert world.terminal_amps(1, 2.0) == pytest.approx(-0.02)


def test_wrong_voltage_is_seen_by_the_meter_and_not_by_the_supply() -> None:
    world = bench(board(), Fault("VIN", FaultKind.WRONG_VOLTAGE, 36.0), volts=24.0)
    world.leads(LeadsAt.FREE, 0.0)
    world.probe("VIN", 0.5)
    assert world.terminal_volts(1, 1.0) == pytest.approx(24.0, rel=1e-6)
    assert world.probe_volts(1.0, 0.02, MEGOHMS) == pytest.approx(36.0, rel=1e-6)


def test_reversed_leads_read_negative_and_nothing_works(demo: Board) -> None:
    world = bench(demo, Fault("VIN", FaultKind.LEADS_REVERSED))
    assert world.input_volts("VIN", 1.0) == pytest.approx(-24.0)
    assert world.terminal_amps(1, 1.0) == 0.0
    assert all(world.point_volts(name, 1.0) == 0.0 for name in demo.rails)
    world.leads(LeadsAt.FREE, 1.0)
    world.probe("VIN", 1.0)
    assert world.probe_volts(1.1, 0.02, MEGOHMS) == pytest.approx(-24.0)


@pytest.mark.parametrize("capacitance", [1e-6, 470e-6, 10e-3])
@pytest.mark.parametrize("real", [10.4, 13.6, 24.0])
def test_a_supply_that_turns_wrong_while_on_believes_in_what_was_set_throughout(
    capacitance: float, real: float
) -> None:
    wrong = Fault("VIN", FaultKind.WRONG_VOLTAGE, real, after=2.0)
    world = bench(board(capacitance=capacitance, loads=(amps(0.05),)), wrong, volts=12.0, limit=1.0)
    world.set_over_voltage(1, 13.2, 1.0)
    shown = [world.terminal_volts(1, now) for now in moments(1.5, 2.5, 1e-3)]
    assert world.tripped(1, 2.5) is None
    assert max(shown) < 12.5
    assert world.terminal_volts(1, 6.0) == pytest.approx(12.0, abs=1e-3)
    assert world.input_volts("VIN", 6.0) == pytest.approx(real, abs=0.02)
