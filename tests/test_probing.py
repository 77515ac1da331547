"""What the simulated probe finds: means, ripple, and ohms that climb."""

from __future__ import annotations

from math import exp, inf

import pytest

from bringup.core.faults import Fault, FaultKind
from bringup.simulation.physics import LeadsAt
from bringup.simulation.world import BoardWorld
from tests.built_boards import board, buoy, converter, rail
from tests.built_worlds import MEGOHMS, bench


def test_probe_reads_the_mean_over_its_aperture() -> None:
    world = bench(board(capacitance=470e-6), volts=24.0, limit=0.2)
    world.probe("VIN", 0.01)
    early = world.point_volts("VIN", 0.02)
    late = world.point_volts("VIN", 0.04)
    # a straight line while charging: its mean is that of its ends
    assert world.probe_volts(0.04, 0.02, MEGOHMS) == pytest.approx((early + late) / 2, rel=1e-3)


def test_meter_input_discharges_a_floating_point() -> None:
    design = board(rail("12V0", "VIN", converter("buck"), volts=12.0, capacitance=1e-6, unpowered_resistance=1e9))
    world = bench(design, Fault("12V0", FaultKind.CHARGED, 5.0), on=False)
    world.probe("12V0", 0.0)
    world.probe_volts(0.0, 0.0, 100e3)
    # 1 uF into 100 kohm of meter beside 100 kohm of leakage: tau = 50 ms
    assert world.probe_volts(0.05, 0.0, 100e3) == pytest.approx(5.0 / 2.718281828, rel=0.01)


def test_missing_capacitor_rings() -> None:
    noise = {}
    for name, faults in {"sound": (), "missing": (Fault("12V0", FaultKind.CAPACITOR_MISSING),)}.items():
        world = bench(buoy(), *faults)
        world.probe("12V0", 1.0)
        noise[name] = world.probe_noise(1.1)
        assert world.probe_volts(1.1, 0.02, MEGOHMS) == pytest.approx(12.0, rel=1e-3)
    assert noise["sound"] < 0.001
    # 3 % of 12 V
    assert noise["missing"] == pytest.approx(0.36, rel=0.01)


def test_nothing_that_is_off_has_ripple() -> None:
    world = bench(buoy(), on=False)
    assert world.probe_noise(0.0) == 0.0
    world.probe("12V0", 0.0)
    assert world.probe_noise(1.0) == 0.0


def unpowered(resistance: float, farads: float, *faults: Fault) -> BoardWorld:
    made = rail("X", "VIN", converter("linear"), volts=1.0, unpowered_resistance=resistance, capacitance=farads)
    world = bench(board(made), *faults, on=False)
    world.leads(LeadsAt.OFF, 0.0)
    world.probe("X", 1.0)
    return world


def test_two_ohm_rail_reads_two_ohms() -> None:
    assert unpowered(2.0, 47e-6).probe_ohms(1.02, 1e-3, 5.0) == pytest.approx(2.0, rel=1e-3)


def test_bulk_capacitance_makes_a_resistance_climb() -> None:
    world = unpowered(10e3, 100e-6)
    # tau = 1 s: 10 k * (1 - exp(-t))
    for later in (0.1, 0.5, 1.0, 3.0, 10.0):
        expected = 10e3 * (1 - exp(-later))
        assert world.probe_ohms(1.0 + later, 1e-4, 5.0) == pytest.approx(expected, rel=1e-3)


def test_what_the_ohmmeter_charged_is_still_there_for_the_voltmeter() -> None:
    world = unpowered(10e3, 100e-6)
    world.probe_ohms(2.0, 1e-4, 5.0)
    # 1 V * (1 - 1 / e)
    assert world.probe_volts(2.0, 0.0, MEGOHMS) == pytest.approx(0.0)
    assert world.point_volts("X", 2.0) == pytest.approx(1 - exp(-1), rel=1e-3)


def test_short_reads_as_its_parallel_resistance() -> None:
    # 1000 || 0.5 ohm
    world = unpowered(1000.0, 10e-6, Fault("X", FaultKind.SHORTED_THROUGH, 0.5))
    assert world.probe_ohms(1.1, 1e-3, 5.0) == pytest.approx(500 / 1000.5, rel=1e-3)


def test_resistance_beyond_the_test_voltage_is_out_of_range() -> None:
    assert unpowered(1e6, 1e-9).probe_ohms(2.0, 1e-4, 5.0) == inf


def test_free_ends_are_an_open_circuit() -> None:
    world = bench(board(), on=False)
    world.leads(LeadsAt.FREE, 0.0)
    world.probe("VIN", 0.0)
    assert world.probe_ohms(1.0, 1e-4, 5.0) == inf


def test_probe_on_nothing_reads_nothing() -> None:
    world = bench(buoy())
    assert world.probe_volts(1.0, 0.02, MEGOHMS) == 0.0
    assert world.probe_ohms(1.0, 1e-3, 5.0) == inf
