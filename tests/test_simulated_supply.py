"""The simulated supplies, over a world that is a resistor."""

from __future__ import annotations

import pytest

from bringup.simulation.instrument import take
from bringup.simulation.physics import LeadsAt
from bringup.simulation.supply import MEASURING_TIME, SWITCHING_TIME, select_by_number, single_output
from tests.fake_instrument import FakeWorld
from tests.test_status import Talk


@pytest.fixture
def world() -> FakeWorld:
    return FakeWorld(load=100.0)


@pytest.fixture
def supply(world: FakeWorld) -> Talk:
    return Talk(single_output(world))


def test_it_starts_off_at_zero_volts_with_protections_off(supply: Talk, world: FakeWorld) -> None:
    assert supply("VOLT?;CURR?;OUTP?") == "0.000;3.0000;0"
    assert supply("VOLT:PROT?;PROT:STAT?;:CURR:PROT?;PROT:STAT?;DEL?") == "39.600;0;3.3000;0;0.000"
    assert (world.outputs[1].on, world.outputs[1].over_voltage, world.outputs[1].over_current) == (False, None, None)


def test_settings_reach_the_power_stage_in_whole_steps(supply: Talk, world: FakeWorld) -> None:
    supply("VOLT 23.99961;CURR 123.46 MA")

    assert (world.outputs[1].volts, world.outputs[1].amps) == pytest.approx((24.0, 0.1235), abs=1e-12)
    assert supply("VOLT?;CURR?") == "24.000;0.1235"
    supply("APPL 5,0.25")
    assert supply("VOLT?;CURR?") == "5.000;0.2500"


@pytest.mark.parametrize("message", ["VOLT 36.01", "VOLT -1", "CURR 3.001", "VOLT:PROT 39.61", "APPL 5,9", "APPL 50,1"])
def test_what_the_rating_does_not_allow_is_refused_and_changes_nothing(supply: Talk, message: str) -> None:
    supply("APPL 5,0.25;VOLT:PROT 12")
    supply(message)

    assert supply("SYST:ERR?") == '-222,"Data out of range"'
    assert supply("VOLT?;CURR?;VOLT:PROT?") == "5.000;0.2500;12.000"


def test_limits_of_a_setting_can_be_asked(supply: Talk) -> None:
    assert supply("VOLT? MAX;VOLT? MIN;CURR? MAX;VOLT:PROT? MAX") == "36.000;0.000;3.0000;39.600"
    supply("VOLT MAX")
    assert supply("VOLT?") == "36.000"


def test_switching_on_takes_its_time_and_is_seen_at_the_power_stage(supply: Talk, world: FakeWorld) -> None:
    supply("VOLT 24;CURR 1")
    before = supply.now
    supply("OUTP ON")

    assert supply.now - before >= SWITCHING_TIME
    assert world.outputs[1].on
    assert supply("OUTP?;:SIM:OUTP? 1") == "1;1"
    supply("OUTP OFF")
    assert supply("OUTP?;:SIM:OUTP? 1") == "0;0"
    assert not world.outputs[1].on


def test_read_back_has_steps_and_is_near_the_truth(supply: Talk) -> None:
    supply("VOLT 24;CURR 1;:OUTP ON")
    before = supply.now

    volts, amps = str(supply("MEAS:VOLT?;CURR?")).split(";")
    assert supply.now - before >= 2 * MEASURING_TIME
    assert float(volts) == pytest.approx(24.0, abs=0.01)
    assert len(volts.split(".")[1]) == 3
    assert float(amps) == pytest.approx(0.24, abs=0.001)
    assert len(amps.split(".")[1]) == 4


def test_the_mode_is_told_by_the_questionable_bits(supply: Talk) -> None:
    assert supply("STAT:QUES:COND?") == "0"
    supply("VOLT 24;CURR 1;:OUTP ON")
    assert supply("STAT:QUES:COND?") == "2"
    supply("CURR 0.1")
    assert supply("STAT:QUES:COND?") == "1"


def test_a_trip_latches_with_the_output_off_until_it_is_cleared(supply: Talk, world: FakeWorld) -> None:
    supply("VOLT 24;CURR 1;:VOLT:PROT 20;PROT:STAT ON;:OUTP ON")

    assert supply("OUTP?;:VOLT:PROT:TRIP?;:CURR:PROT:TRIP?") == "0;1;0"
    supply("OUTP ON")
    assert supply("SYST:ERR?") == '-221,"Settings conflict;protection tripped"'
    supply("VOLT 5;VOLT:PROT:CLE")
    assert supply("OUTP?;:VOLT:PROT:TRIP?") == "0;0"
    supply("OUTP ON")
    assert world.outputs[1].on


def test_over_current_protection_has_a_level_a_delay_and_a_trip(supply: Talk, world: FakeWorld) -> None:
    supply("VOLT 24;CURR 1;:CURR:PROT 0.2;PROT:DEL 50 MS;:CURR:PROT:STAT ON")
    assert supply("CURR:PROT:DEL?;STAT?") == "0.050;1"
    supply("OUTP ON")

    assert supply("CURR:PROT:TRIP?;:OUTP?") == "1;0"
    supply("CURR:PROT:STAT OFF;CLE")
    assert world.outputs[1].over_current is None
    assert supply("CURR:PROT:TRIP?") == "0"


def test_reset_leaves_the_output_off_and_everything_as_at_the_start(supply: Talk, world: FakeWorld) -> None:
    supply("VOLT 24;CURR 1;:VOLT:PROT 30;PROT:STAT ON;:VOLT:SENS:SOUR EXT;:OUTP ON")
    supply("*RST")

    assert supply("OUTP?;VOLT?;CURR?;VOLT:PROT:STAT?;:VOLT:SENS:SOUR?") == "0;0.000;3.0000;0;INT"
    assert (world.outputs[1].on, world.outputs[1].volts, world.outputs[1].remote) == (False, 0.0, False)


def test_remote_sense(supply: Talk, world: FakeWorld) -> None:
    supply("VOLT:SENS:SOUR EXT")

    assert world.outputs[1].remote
    assert supply("VOLT:SENS:SOUR?") == "EXT"


def test_one_of_several_outputs_is_selected_by_its_number(world: FakeWorld) -> None:
    supply = Talk(select_by_number(world))
    supply("INST:NSEL 2")
    supply("VOLT 12;:OUTP ON")

    assert [world.outputs[n].on for n in (1, 2, 3)] == [False, True, False]
    assert [world.outputs[n].volts for n in (1, 2, 3)] == [0.0, 12.0, 0.0]
    assert supply("INST:NSEL?;:INST?;:VOLT?") == "2;OUT2;+1.2000E+01"
    assert supply("STAT:QUES:INST:ISUM1:COND?;:STAT:QUES:INST:ISUM2:COND?") == "0;2"
    supply("INST OUT3;:VOLT 6.5")
    assert supply("SYST:ERR?") == '-222,"Data out of range"'
    supply("INST:NSEL 4")
    assert supply("SYST:ERR?;:INST:NSEL?") == '-222,"Data out of range";3'
    assert supply("INST:CAT?") == '"OUT1","OUT2","OUT3"'


def test_a_single_output_knows_nothing_of_selection(supply: Talk) -> None:
    supply("INST:NSEL 1")

    assert supply("SYST:ERR?") == '-113,"Undefined header;INST:NSEL"'


@pytest.mark.parametrize("off_first", [False, True])
def test_clearing_a_trip_on_the_supply_with_several_outputs_restores_what_it_was_told(
    world: FakeWorld, off_first: bool
) -> None:
    supply = Talk(select_by_number(world))
    supply("VOLT 24;CURR 1;:VOLT:PROT 20;PROT:STAT ON;:OUTP ON")
    assert supply("OUTP?") == "0"
    if off_first:
        supply("OUTP OFF")
    supply("VOLT 5;:VOLT:PROT:CLE")

    assert supply("OUTP?") == str(int(not off_first))


def test_private_commands_move_the_world(supply: Talk, world: FakeWorld) -> None:
    supply('SIM:PROB "3V3";:SIM:LEAD FREE;:SIM:UNIT "MBL-0007";:SIM:STAT "programmed"')

    assert (world.probed, world.where) == ("3V3", LeadsAt.FREE)
    assert (world.serial, world.board_state) == ("MBL-0007", "programmed")
    assert float(str(supply('SIM:POIN? "3V3"'))) == pytest.approx(3.30612345)
    supply("SIMULATE:PROBE NONE;:SIM:LEADS OFF")
    assert (world.probed, world.where) == (None, LeadsAt.OFF)
    assert supply("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize(
    ("message", "error"),
    [
        ('SIM:PROB "9V9"', '-224,"Illegal parameter value;no such point"'),
        ('SIM:POIN? "9V9"', '-224,"Illegal parameter value;no such point"'),
        ('SIM:STAT "molten"', '-224,"Illegal parameter value;no such state"'),
        ("SIM:LEAD SOMEWHERE", '-224,"Illegal parameter value;SOMEWHERE"'),
        ("SIM:PROB 3", '-104,"Data type error"'),
        ("SIM:OUTP? 2", '-222,"Data out of range"'),
    ],
)
def test_private_commands_refuse_what_is_not_there(supply: Talk, message: str, error: str) -> None:
    assert supply(message) is None
    assert supply("SYST:ERR?") == error


def test_no_unit_is_changed_while_an_output_is_on(supply: Talk, world: FakeWorld) -> None:
    supply('VOLT 5;:OUTP ON;:SIM:UNIT "MBL-0007"')

    assert supply("SYST:ERR?") == '-221,"Settings conflict;an output is on"'
    assert world.serial == ""


def test_at_no_pace_everything_is_there_at_once(world: FakeWorld) -> None:
    instrument = single_output(world, pace=0.0)

    for message in (b"VOLT 5", b"OUTP ON", b"MEAS:VOLT?", b"*IDN?"):
        assert take(instrument, message, 7.0).ready_at == 7.0
    assert world.outputs[1].on
