"""The static operating point with a fault, capacitance and unpowered resistance, against cases computed by hand."""

from __future__ import annotations

from math import inf

import pytest

from bringup.core.circuit import circuit_of
from bringup.core.faults import Fault, FaultKind
from bringup.core.parts import NOMINAL
from bringup.core.solver import capacitance_at, solve, unpowered_resistance
from bringup.errors import BenchError
from tests.built_boards import amps, board, buoy, converter, near, ohms, one_rail, rail


@pytest.mark.parametrize(
    ("kind", "value", "expected"),
    [
        (FaultKind.UPPER_OPEN, None, 24.0),  # no feedback: towards the input
        (FaultKind.LOWER_SHORTED, None, 24.0),
        (FaultKind.LOWER_OPEN, None, 0.8),  # unity: the reference
        (FaultKind.UPPER_SHORTED, None, 0.8),
        (FaultKind.UPPER_VALUE, 14e3, 1.92),  # 0.8 * (1 + 14 / 10)
        (FaultKind.LOWER_VALUE, 20e3, 6.4),  # 0.8 * (1 + 140 / 20)
        (FaultKind.LOWER_VALUE, 1e3, 24.0),  # 0.8 * 141 = 112.8 V: the input is the end
        (FaultKind.NOT_FITTED, None, 0.0),
    ],
)
def test_single_fault_of_a_buck_reads(kind: FaultKind, value: float | None, expected: float) -> None:
    found = solve(one_rail(starts_at=14), {"VIN": 24.0}, faults=[Fault("12V0", kind, value)])
    assert found.volts["12V0"] == near(expected)


def test_linear_without_feedback_ends_a_dropout_below_its_input() -> None:
    design = one_rail("linear", dropout=0.5)
    found = solve(design, {"VIN": 24.0}, faults=[Fault("12V0", FaultKind.UPPER_OPEN)])
    assert found.volts["12V0"] == near(23.5)


@pytest.mark.parametrize(("kind", "sign"), [("boost", 1.0), ("inverting", -1.0)])
def test_boost_or_inverting_without_feedback_ends_at_twice_its_output(kind: str, sign: float) -> None:
    design = one_rail(kind, vin=5.0, starts_at=3, load=0.01)
    found = solve(design, {"VIN": 5.0}, faults=[Fault("12V0", FaultKind.LOWER_SHORTED)])
    assert found.volts["12V0"] == near(sign * 24.0)


def test_boost_that_is_not_fitted_passes_its_input_less_a_diode() -> None:
    design = one_rail("boost", vin=5.0, starts_at=3, load=0.01)
    assert solve(design, {"VIN": 5.0}, faults=[Fault("12V0", FaultKind.NOT_FITTED)]).volts["12V0"] == near(4.6)


def test_short_pulls_a_linear_into_its_limit_and_the_input_current_up() -> None:
    # limit 0.5 A into 0.2 ohm: 0.1 V (the load of 10 mA has faded: 0.01 * (0.1 / 0.825)^2 = 0.15 mA less)
    made = converter("linear", current_limit=0.5)
    design = board(rail("3V3", "VIN", made, volts=3.3, loads=(amps(0.010),)), vin=5)
    found = solve(design, {"VIN": 5.0}, faults=[Fault("3V3", FaultKind.SHORTED_THROUGH, 0.2)])
    assert found.volts["3V3"] == near(0.1, 1e-3)
    assert found.input_amps["VIN"] == near(0.5)
    assert found.limiting == {"3V3"}


def test_short_behind_a_buck_raises_the_input_current() -> None:
    design = one_rail(starts_at=14, current_limit=1.0, efficiency=88, load=0.02)
    sound = solve(design, {"VIN": 24.0})
    found = solve(design, {"VIN": 24.0}, faults=[Fault("12V0", FaultKind.SHORTED_THROUGH, 0.2)])
    # 1 A into 0.2 ohm is 0.2 W; the losses of 1 A at half of 12 V stay: 1 * 6 * (1 / 0.88 - 1) = 0.818 W
    assert found.input_amps["VIN"] == near((0.2 + 6 * (1 / 0.88 - 1)) / 24, 1e-4)
    assert found.input_amps["VIN"] > sound.input_amps["VIN"]


def test_unstated_limit_is_one_ampere_or_three_times_the_largest_load() -> None:
    small = one_rail(starts_at=14, load=0.02)
    large = one_rail(starts_at=14, load=2.0)
    for design, expected in [(small, 1.0), (large, 6.0)]:
        found = solve(design, {"VIN": 24.0}, faults=[Fault("12V0", FaultKind.SHORTED_THROUGH, 0.01)])
        assert found.rail_amps["12V0"] == near(expected)


def test_short_at_a_plain_connection_is_a_short_of_its_source() -> None:
    design = board(
        rail("3V3", "VIN", converter("linear", current_limit=0.5), volts=3.3),
        rail("3V3A", "3V3", None),
    )
    found = solve(design, {"VIN": 5.0}, faults=[Fault("3V3A", FaultKind.SHORTED_THROUGH, 1.0)])
    assert found.volts["3V3"] == near(0.5)


def test_short_at_the_input_draws_what_it_must() -> None:
    found = solve(board(), {"VIN": 1.0}, faults=[Fault("VIN", FaultKind.SHORTED_THROUGH, 2.0)])
    assert found.input_amps["VIN"] == near(0.5)


def test_excess_load_adds_to_the_rail() -> None:
    found = solve(one_rail(starts_at=14), {"VIN": 24.0}, faults=[Fault("12V0", FaultKind.EXCESS_LOAD, 0.15)])
    assert found.rail_amps["12V0"] == near(0.25)


def test_back_fed_rail_is_live_without_any_input() -> None:
    # 2.8 V through 100 ohm into 1000 ohm: 2.8 * 1000 / 1100 V, 2.545 mA
    design = board(rail("3V3", "VIN", converter("linear"), volts=3.3, loads=(ohms(1000.0),)))
    found = solve(design, {"VIN": 0.0}, faults=[Fault("3V3", FaultKind.BACK_FED, 2.8)])
    assert found.volts["3V3"] == near(2.8 / 1.1)
    assert found.rail_amps["3V3"] == 0.0
    assert found.input_amps["VIN"] == 0.0


def test_back_feeding_above_a_running_rail_lifts_it() -> None:
    # 5 V through 100 ohm into 1000 ohm: 4.545 V, above the 3.3 V that the regulator holds: it gives nothing
    design = board(rail("3V3", "VIN", converter("linear"), volts=3.3, loads=(ohms(1000.0),)))
    found = solve(design, {"VIN": 12.0}, faults=[Fault("3V3", FaultKind.BACK_FED, 5.0)])
    assert found.volts["3V3"] == near(5 / 1.1)


@pytest.mark.parametrize(
    ("fault", "vin", "rail_volts"),
    [
        (Fault("VIN", FaultKind.LEADS_REVERSED), -24.0, 0.0),
        (Fault("VIN", FaultKind.WRONG_VOLTAGE, 15.0), 15.0, 12.0),
        (Fault("VIN", FaultKind.SENSE_OPEN), 25.2, 12.0),  # 24 V + 5 %
    ],
)
def test_fault_at_the_supply_changes_the_input(fault: Fault, vin: float, rail_volts: float) -> None:
    found = solve(one_rail(starts_at=14), {"VIN": 24.0}, faults=[fault])
    assert found.volts == {"VIN": near(vin), "12V0": near(rail_volts)}


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (Fault("5V5", FaultKind.NOT_FITTED), r"no point '5V5'; it has VIN, 12V0"),
        (Fault("VIN", FaultKind.NOT_FITTED), r"not_fitted at VIN: the board file gives it no converter"),
        (Fault("3V3", FaultKind.UPPER_OPEN), r"3V3: the board file gives its converter no reference, upper and lower"),
        (Fault("3V3", FaultKind.SHORTED_THROUGH), r"shorted_through at 3V3 needs a value"),
        (Fault("3V3", FaultKind.SHORTED_THROUGH, 0.0), r"needs a resistance above 0 ohm"),
        (Fault("12V0", FaultKind.LOWER_VALUE, -1.0), r"needs a resistance above 0 ohm"),
    ],
)
def test_fault_that_the_board_cannot_have_is_refused_in_words(fault: Fault, words: str) -> None:
    with pytest.raises(BenchError, match=words):
        solve(buoy(), {"VIN": 24.0}, faults=[fault])


def test_supply_fault_at_a_rail_is_refused() -> None:
    with pytest.raises(BenchError, match="belongs to an input, and 3V3 is a rail"):
        circuit_of(buoy(), None, [Fault("3V3", FaultKind.LEADS_REVERSED)], NOMINAL)


# capacitance and unpowered resistance


def test_capacitance_joins_plain_connections_and_running_rails() -> None:
    design = board(
        rail("VP", "VIN", None, capacitance=80e-6),
        rail("12V0", "VP", converter("buck", efficiency=80), volts=12.0, capacitance=100e-6),
        rail("5V0", "12V0", converter("linear"), volts=5.0, capacitance=24e-6),
        capacitance=220e-6,
    )
    assert capacitance_at(design, "VIN") == near(300e-6)
    # 5V0 seen from 12V0: 24 u * 5 / 12 = 10 u. 12V0 seen from 24 V: 110 u * (12 / 24)^2 / 0.8 = 34.375 u
    assert capacitance_at(design, "VIN", {"12V0", "5V0"}) == near(334.375e-6)
    assert capacitance_at(design, "12V0", {"5V0"}) == near(110e-6)


def test_unpowered_resistance_is_what_the_file_states_and_shorts_on_top() -> None:
    design = board(rail("3V3", "VIN", converter("linear"), volts=3.3, unpowered_resistance=1000.0, loads=(ohms(90.0),)))
    assert unpowered_resistance(design, "3V3") == near(1000.0)
    # 1000 || 2 ohm = 1.996008
    assert unpowered_resistance(design, "3V3", [Fault("3V3", FaultKind.SHORTED_THROUGH, 2.0)]) == near(2000 / 1002)


def test_unpowered_resistance_unstated_is_network_and_resistors_in_parallel() -> None:
    made = converter("buck", reference=(0.8, 1), upper=(140e3, 1), lower=(10e3, 1))
    design = board(
        rail("12V0", "VIN", made, loads=(ohms(150e3), amps(0.02))),
        rail("12VS", "12V0", None, loads=(ohms(75e3),)),
    )
    # 150k || 150k || 75k = 37.5k from either point; nothing is known of VIN
    assert unpowered_resistance(design, "12V0") == near(37.5e3)
    assert unpowered_resistance(design, "12VS") == near(37.5e3)
    assert unpowered_resistance(design, "VIN") == inf
    # upper open: 50k is left; upper shorted: 10k || 50k = 8333.3; lower shorted: 140k || 50k
    assert unpowered_resistance(design, "12V0", [Fault("12V0", FaultKind.UPPER_OPEN)]) == near(50e3)
    assert unpowered_resistance(design, "12V0", [Fault("12V0", FaultKind.UPPER_SHORTED)]) == near(1 / (1e-4 + 2e-5))
    assert unpowered_resistance(design, "12V0", [Fault("12V0", FaultKind.LOWER_SHORTED)]) == near(
        1 / (1 / 140e3 + 2e-5)
    )
    assert unpowered_resistance(design, "12V0", [Fault("12V0", FaultKind.LOWER_VALUE, 35e3)]) == near(
        1 / (1 / 175e3 + 2e-5)
    )


def test_boost_whose_output_its_diode_carries_takes_what_it_gives() -> None:
    # Its feedback asks for less than the input: it does not switch, so nothing is lost in switching.
    design = one_rail("boost", vin=5.0, starts_at=3, load=0.01, efficiency=80)
    found = solve(design, {"VIN": 5.0}, faults=[Fault("12V0", FaultKind.UPPER_SHORTED)])

    assert found.volts["12V0"] == near(4.6)
    assert found.input_amps["VIN"] == near(0.01)


def test_short_behind_a_boost_is_limited_by_nothing() -> None:
    # the diode passes 5 V - 0.4 V into 2 ohm: 2.3 A, although the converter's own limit is 1 A
    design = one_rail("boost", vin=5.0, starts_at=3, load=0.0)
    found = solve(design, {"VIN": 5.0}, faults=[Fault("12V0", FaultKind.SHORTED_THROUGH, 2.0)])
    assert found.volts["12V0"] == near(4.6)
    assert found.rail_amps["12V0"] == near(2.3)


def test_converter_stopped_while_its_source_was_not_up_yet_gets_a_second_chance() -> None:
    # a debug lead starts 3V3 from 9 V through 100 ohm, which its load pulls down again before 5V0 runs
    design = board(
        rail("5V0", "VIN", converter("buck", starts_at=8), volts=5.0),
        rail("3V3", "5V0", converter("buck", starts_at=4), volts=3.3, loads=(amps(0.3),)),
    )
    found = solve(design, {"VIN": 12.0}, faults=[Fault("5V0", FaultKind.BACK_FED, 9.0)])
    assert found.running == {"5V0", "3V3"}
    assert found.volts["3V3"] == near(3.3)
