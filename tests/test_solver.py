"""The static operating point, against cases computed by hand: the arithmetic stands beside each expectation."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bringup.core.board import Board, ConverterKind, LoadKind
from bringup.core.circuit import circuit_of
from bringup.core.design_values import nominal_volts, start_volts
from bringup.core.elements import Stage
from bringup.core.faults import Fault, FaultKind
from bringup.core.parts import NOMINAL, parts_of
from bringup.core.solver import solve
from bringup.errors import BenchError
from tests.built_boards import amps, board, buoy, converter, near, ohms, one_rail, rail, watts

# feedback networks


def test_feedback_network_gives_the_data_sheet_output() -> None:
    # worked example of a data sheet (from memory, recomputed): 1.24 V * (1 + 3.6 M / 1.18 M) = 5.0230508475 V
    made = converter("linear", reference=(1.24, 1), upper=(3.6e6, 1), lower=(1.18e6, 1))
    found = solve(board(rail("5V0", "VIN", made)), {"VIN": 12.0})
    assert found.volts["5V0"] == near(5.0230508475, 1e-10)


def test_three_terminal_regulator_network_gives_5_volts() -> None:
    # 1.25 V * (1 + 720 / 240) = 5 V exactly, adjustment current neglected
    made = converter("linear", reference=(1.25, 1), upper=(720, 1), lower=(240, 1))
    assert solve(board(rail("5V0", "VIN", made)), {"VIN": 12.0}).volts["5V0"] == near(5.0)


@given(st.floats(1e3, 1e6), st.floats(1e3, 1e6), st.floats(1.001, 3.0))
def test_larger_upper_resistor_never_lowers_the_output(upper: float, lower: float, factor: float) -> None:
    def output(ohms_up: float) -> float:
        made = converter("buck", starts_at=3, reference=(0.6, 1), upper=(ohms_up, 1), lower=(lower, 1))
        return solve(board(rail("X", "VIN", made)), {"VIN": 24.0}).volts["X"]

    assert output(upper * factor) >= output(upper)


# converters


def test_buck_draws_output_power_over_efficiency() -> None:
    # 12 V * 0.1 A = 1.2 W; / 0.88 = 1.363636 W; / 24 V = 56.8182 mA
    found = solve(one_rail(efficiency=88, starts_at=14), {"VIN": 24.0})
    assert found.input_amps["VIN"] == near(1.2 / 0.88 / 24)
    assert found.rail_amps["12V0"] == near(0.1)
    assert found.losses["12V0"] == near(1.2 / 0.88 - 1.2)


def test_efficiency_of_the_published_example_comes_back() -> None:
    # published example (from memory): 12.0 V, 0.95 A in; 5.0 V, 2.0 A out: 10 W / 11.4 W = 87.719298 %, 1.4 W lost
    made = converter("buck", efficiency=100 * 10 / 11.4, current_limit=3)
    found = solve(board(rail("5V0", "VIN", made, volts=5.0, loads=(amps(2.0),)), vin=12), {"VIN": 12.0})
    assert found.input_amps["VIN"] == near(0.95)
    assert found.losses["5V0"] == near(1.4)


def test_buck_below_its_output_voltage_passes_its_input() -> None:
    # started at 5 V, aims at 12 V: full duty, 10 V in gives 10 V out
    assert solve(one_rail(starts_at=5), {"VIN": 10.0}).volts["12V0"] == near(10.0)


def test_linear_dissipates_the_published_path() -> None:
    # a maker's course on linear regulators (from memory): (3.6 V - 1.8 V) * 0.1 A = 0.18 W, quiescent neglected
    made = converter("linear", dropout=0.3)
    found = solve(board(rail("1V8", "VIN", made, volts=1.8, loads=(amps(0.1),)), vin=3.6), {"VIN": 3.6})
    assert found.losses["1V8"] == near(0.18)
    assert found.input_amps["VIN"] == near(0.1)


def test_linear_quiescent_current_adds_to_the_input() -> None:
    # 100 mA + 2 mA; (3.6 - 1.8) * 0.1 + 3.6 * 0.002 = 0.1872 W
    made = converter("linear", quiescent=0.002)
    found = solve(board(rail("1V8", "VIN", made, volts=1.8, loads=(amps(0.1),)), vin=3.6), {"VIN": 3.6})
    assert found.input_amps["VIN"] == near(0.102)
    assert found.losses["1V8"] == near(0.1872)


def test_linear_in_dropout_follows_its_input() -> None:
    # 3.4 V - 0.3 V = 3.1 V
    made = converter("linear", dropout=0.3)
    found = solve(board(rail("3V3", "VIN", made, volts=3.3, loads=(amps(0.01),)), vin=5), {"VIN": 3.4})
    assert found.volts["3V3"] == near(3.1)


def test_boost_that_runs_raises_and_one_that_does_not_passes_its_input_less_a_diode() -> None:
    made = converter("boost", starts_at=3, efficiency=80)
    design = board(rail("12V0", "VIN", made, volts=12.0, loads=(amps(0.1),)), vin=5)
    # 12 V * 0.1 A / 0.8 / 5 V = 300 mA
    runs = solve(design, {"VIN": 5.0})
    assert (runs.volts["12V0"], runs.input_amps["VIN"]) == (near(12.0), near(0.3))
    # 2.5 V is below its start voltage: 2.5 - 0.4 = 2.1 V; 0.1 A fades below 3 V: 0.1 * (2.1 / 3)^2 = 49 mA
    idle = solve(design, {"VIN": 2.5})
    assert (idle.volts["12V0"], idle.input_amps["VIN"]) == (near(2.1), near(0.049))
    assert idle.running == frozenset()


def test_inverting_rail_is_negative_and_its_current_a_magnitude() -> None:
    # 12 V * 0.01 A / 0.75 / 24 V = 6.6667 mA
    made = converter("inverting", starts_at=5, efficiency=75)
    found = solve(board(rail("-12V", "VIN", made, volts=-12.0, loads=(amps(0.01),))), {"VIN": 24.0})
    assert found.volts["-12V"] == near(-12.0)
    assert found.rail_amps["-12V"] == near(0.01)
    assert found.input_amps["VIN"] == near(0.12 / 0.75 / 24)


def test_linear_hanging_on_a_negative_rail_is_negative() -> None:
    design = board(
        rail("-12V", "VIN", converter("inverting", efficiency=80), volts=-12.0),
        rail("-5V", "-12V", converter("linear"), volts=-5.0, loads=(ohms(500.0),)),
    )
    found = solve(design, {"VIN": 24.0})
    # 5 V / 500 ohm = 10 mA through both; 12 V * 10 mA / 0.8 / 24 V = 6.25 mA
    assert found.volts["-5V"] == near(-5.0)
    assert found.rail_amps["-12V"] == near(0.01)
    assert found.input_amps["VIN"] == near(0.00625)


def test_chain_of_converters_adds_up_from_the_leaves() -> None:
    # 1V8: 1.8 V / 90 ohm = 20 mA. 3V3: 20 + 35 = 55 mA, linear. 5V0: 55 mA out at 5 V - 0.02 * 0.055 = 4.9989 V
    # -> 4.9989 * 0.055 / 0.9 / 12 = 25.458 mA from 12V0. -12V: 12 * 0.005 / 0.75 / 12 = 6.6667 mA from 12V0.
    # 12V0: 20 mA of its own; sum * 12 / 0.88 / 24 into the board.
    found = solve(buoy(), {"VIN": 24.0})
    five = 5.0 - 0.02 * 0.055
    twelve = 0.020 + five * 0.055 / 0.9 / 12 + 0.06 / 0.75 / 12
    assert found.volts["5V0"] == near(five)
    assert found.rail_amps["3V3"] == near(0.055)
    assert found.rail_amps["12V0"] == near(twelve)
    assert found.input_amps["VIN"] == near(twelve * 12 / 0.88 / 24)
    assert found.running == {"12V0", "5V0", "3V3", "1V8", "-12V"}


def test_nothing_starts_at_the_short_check_voltage() -> None:
    found = solve(buoy(), {"VIN": 1.0})
    assert found.running == frozenset()
    assert found.input_amps["VIN"] == near(0.0)


def test_converter_pulled_below_its_stop_voltage_by_what_it_feeds_stays_off() -> None:
    # 5V0 has 10 ohm: 0.3 A pulls it to 2 V, below the 3.6 V at which 3V3 stops; off, it draws nothing and 5V0 is 5 V
    design = board(
        rail("5V0", "VIN", converter("linear", output_resistance=10), volts=5.0),
        rail("3V3", "5V0", converter("buck", starts_at=4, stops_at=3.6), volts=3.3, loads=(amps(0.4),)),
    )
    found = solve(design, {"VIN": 12.0})
    assert "3V3" not in found.running
    assert found.volts["5V0"] == near(5.0)


# loads


@pytest.mark.parametrize(("vin", "expected"), [(24.0, 0.25), (12.0, 0.5)])
def test_constant_power_draws_more_at_a_lower_input(vin: float, expected: float) -> None:
    # 6 W / 24 V = 0.25 A, 6 W / 12 V = 0.5 A
    assert solve(board(loads=(watts(6.0),)), {"VIN": vin}).input_amps["VIN"] == near(expected)


def test_no_load_draws_current_from_nothing() -> None:
    design = board(loads=(watts(6.0), amps(0.1), ohms(100.0)))
    assert solve(design, {"VIN": 0.0}).input_amps["VIN"] == 0.0


def test_resistive_load_on_an_output_resistance_divides() -> None:
    # 12 V behind 1 ohm into 23 ohm: 12 / 24 = 0.5 A, 11.5 V
    made = converter("buck", starts_at=14, output_resistance=1)
    found = solve(board(rail("X", "VIN", made, volts=12.0, loads=(ohms(23.0),))), {"VIN": 24.0})
    assert found.volts["X"] == near(11.5)
    assert found.rail_amps["X"] == near(0.5)


def test_board_state_selects_the_loads() -> None:
    made = converter("linear")
    design = board(rail("3V3", "VIN", made, volts=3.3, loads=(amps(0.03, asleep=0.001),)), states=("blank", "asleep"))
    assert solve(design, {"VIN": 5.0}, state="blank").rail_amps["3V3"] == near(0.03)
    assert solve(design, {"VIN": 5.0}, state="asleep").rail_amps["3V3"] == near(0.001)


def test_output_below_its_minimum_load_reads_high_and_is_named() -> None:
    # 1 mA of a minimum of 10 mA: 12 V + 6 % = 12.72 V; at 20 mA all is well
    light = solve(one_rail(load=0.001, minimum_load=0.010), {"VIN": 24.0})
    assert light.volts["12V0"] == near(12.72)
    assert light.below_minimum_load == {"12V0"}
    heavy = solve(one_rail(load=0.020, minimum_load=0.010), {"VIN": 24.0})
    assert heavy.volts["12V0"] == near(12.0)
    assert heavy.below_minimum_load == frozenset()


def test_plain_connection_carries_what_hangs_from_it() -> None:
    design = board(
        rail("3V3", "VIN", converter("linear"), volts=3.3, loads=(amps(0.010),)),
        rail("3V3A", "3V3", None, loads=(amps(0.004),)),
        rail("1V8", "3V3A", converter("linear"), volts=1.8, loads=(amps(0.006),)),
    )
    found = solve(design, {"VIN": 5.0})
    assert found.volts["3V3A"] == near(3.3)
    assert found.rail_amps["3V3A"] == near(0.010)
    assert found.rail_amps["3V3"] == near(0.020)


# what a small board file leaves open


def test_rail_without_a_source_is_absent_instead_of_guessed() -> None:
    found = solve(board(rail("3V3", None, volts=3.3)), {"VIN": 5.0})
    assert "3V3" not in found.volts


def test_rail_that_cannot_be_a_plain_connection_is_absent_with_all_below_it() -> None:
    design = board(rail("3V3", "VIN", None, volts=3.3), rail("1V8", "3V3", converter("linear"), volts=1.8))
    assert set(solve(design, {"VIN": 24.0}).volts) == {"VIN"}


def test_converter_of_an_unknown_output_is_absent() -> None:
    assert set(solve(board(rail("X", "VIN", converter("buck"))), {"VIN": 24.0}).volts) == {"VIN"}


def test_rails_in_a_ring_are_absent() -> None:
    design = board(rail("A", "B", None), rail("B", "A", None))
    assert set(solve(design, {"VIN": 24.0}).volts) == {"VIN"}
    assert nominal_volts(design, "A") is None


def test_unknown_input_is_refused() -> None:
    with pytest.raises(KeyError, match="VAUX"):
        solve(buoy(), {"VAUX": 5.0})


def test_default_start_voltages() -> None:
    design = board(
        rail("12V0", "VIN", converter("buck"), volts=12.0),
        rail("1V2", "12V0", converter("buck"), volts=1.2),
        rail("3V3", "1V2", converter("boost"), volts=3.3),
        rail("1V0", "12V0", converter("linear"), volts=1.0),
    )
    found = {name: start_volts(design, one) for name, one in design.rails.items()}
    # a buck: its output, at least 2.5 V; anything at most 80 % of what feeds it; a linear regulator follows from 0
    assert found == {"12V0": 12.0, "1V2": 2.5, "3V3": near(0.96), "1V0": 0.0}


# laws

CURRENT = st.floats(0.0, 0.5)
VOLTS = st.floats(0.0, 33.0)


def loaded(chain: float, twelve: float, three: float) -> Board:
    design = buoy()
    rails = dict(design.rails)
    rails["12V0"] = replace(rails["12V0"], loads=(amps(chain), watts(twelve)))
    rails["3V3"] = replace(rails["3V3"], loads=(amps(three),))
    return replace(design, rails=rails)


@given(CURRENT, CURRENT, CURRENT, VOLTS, st.text("ABC0123456789-", min_size=1, max_size=8))
def test_no_board_gives_more_power_than_it_takes(a: float, b: float, c: float, vin: float, serial: str) -> None:
    design = loaded(a, b, c)
    found = solve(design, {"VIN": vin}, parts=parts_of(design, serial))
    assert min(found.losses.values()) >= -1e-6, found.losses
    used = sum(
        abs(found.volts[name]) * load.default
        for name, one in design.rails.items()
        for load in one.loads
        if load.kind is LoadKind.CURRENT
    )
    if found.running == set(design.rails) and not found.limiting:
        assert vin * found.input_amps["VIN"] > used


@given(CURRENT, CURRENT, CURRENT, st.floats(14.0, 33.0))
def test_more_load_never_lowers_the_input_current(a: float, b: float, more: float, vin: float) -> None:
    less = solve(loaded(a, 0.0, b), {"VIN": vin})
    loaded_more = solve(loaded(a + more, 0.0, b), {"VIN": vin})
    assert loaded_more.input_amps["VIN"] >= less.input_amps["VIN"] - 1e-9


@given(CURRENT, VOLTS)
def test_same_question_same_answer(load: float, vin: float) -> None:
    assert solve(loaded(load, load, load), {"VIN": vin}) == solve(loaded(load, load, load), {"VIN": vin})


@given(st.sampled_from(sorted(FaultKind)), st.sampled_from(["VIN", "12V0", "5V0", "-12V"]), st.floats(0.01, 1e6), VOLTS)
def test_every_single_fault_has_an_operating_point(kind: FaultKind, point: str, value: float, vin: float) -> None:
    try:
        found = solve(buoy(), {"VIN": vin}, faults=[Fault(point, kind, value)])
    except BenchError as refused:
        assert "cannot be planted" in str(refused)  # noqa: PT017 - which faults are possible is tested above
    else:
        assert all(-2e6 < volts < 2e6 for volts in found.volts.values())
        assert set(found.volts) == {"VIN", *buoy().rails}


# what makes a search short


@given(
    kind=st.sampled_from(list(ConverterKind)),
    target=st.floats(0.5, 50.0),
    dropout=st.floats(0.0, 2.0),
    minimum=st.sampled_from([0.0, 0.01]),
    vin=st.floats(0.0, 60.0),
    more=st.floats(0.0, 60.0),
    amps_out=st.floats(0.0, 2.0),
    running=st.booleans(),
)
def test_a_converter_that_its_input_does_not_matter_to_gives_the_very_same_at_a_higher_one(
    kind: ConverterKind, target: float, dropout: float, minimum: float, vin: float, more: float,
    amps_out: float, running: bool,
) -> None:  # fmt: skip
    stage = Stage(
        rail="X", kind=kind, sign=1.0, nominal=target, target=target, fitted=True, start=4.0, stop=3.6,
        soft_start=0.0, efficiency=0.9, dropout=dropout, resistance=0.1, minimum_load=minimum, quiescent=0.0, limit=1.0,
    )  # fmt: skip

    def gives(volts: float) -> tuple[float, ...]:
        return (
            stage.idle(volts),
            stage.ceiling(volts) if running else 0.0,
            stage.output(volts, amps_out) if running else 0.0,
        )

    assume(stage.regardless(vin, running=running))

    assert gives(vin) == gives(vin + more)


def test_a_buck_with_enough_input_is_one_that_its_input_does_not_matter_to() -> None:
    stage = circuit_of(one_rail(efficiency=88, starts_at=14), None, (), NOMINAL).nets[1].stage
    assert stage is not None

    assert [stage.regardless(volts, running=True) for volts in (12.0, 13.0)] == [False, True]
