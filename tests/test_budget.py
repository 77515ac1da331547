from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from bringup.core.board import Converter, ConverterKind, Load, LoadKind, Rail
from bringup.core.budget import (
    band,
    charge_time,
    default_limit_time,
    dips_to,
    expected_current,
    first_converters,
    lowest_working,
    on_the_node,
    start_up_seconds,
    stop_voltage,
)
from tests.small_board import BUCK, RAILS, q, small_board, tiny_board, with_converter, with_input, with_rail


def test_the_input_current_follows_from_loads_and_efficiencies() -> None:
    # See tests/small_board.py for the arithmetic.
    assert expected_current(small_board(), "VIN", 24.0).amps == pytest.approx(0.0725, rel=1e-9)
    assert expected_current(small_board(), "VIN", 18.0).amps == pytest.approx(0.0908333333, rel=1e-9)


def test_converters_draw_constant_power_so_a_lower_input_draws_more() -> None:
    low, high = (expected_current(small_board(), "VIN", volts).amps for volts in (18.0, 30.0))

    assert low is not None
    assert high is not None
    assert low > high


def test_below_every_start_voltage_only_the_inputs_own_loads_draw() -> None:
    budget = expected_current(small_board(), "VIN", 1.0)

    assert budget.amps == pytest.approx(1 / 2400)
    assert budget.running == frozenset()


def test_the_current_depends_on_the_board_state() -> None:
    # transmitting: 5V0 draws 180 mA instead of 20 mA, so 12V0 gives 260 mA: 12 * 0.26 / (0.8 * 24) + 0.01 = 172.5 mA
    assert expected_current(small_board(), "VIN", 24.0, "transmitting").amps == pytest.approx(0.1725, rel=1e-9)
    # asleep: 12V0 gives 80 mA: 50 mA + 10 mA
    assert expected_current(small_board(), "VIN", 24.0, "asleep").amps == pytest.approx(0.06, rel=1e-9)


def test_the_start_up_current_adds_what_the_soft_starts_charge() -> None:
    # 12V0: 100 uF * 12 V / 4 ms = 300 mA, seen at 24 V through 80 %: * 12 / 19.2 = 187.5 mA
    # N12V: 20 uF * 12 V / 3 ms = 80 mA, * 12 / (0.75 * 12) * 12 / 19.2 = 66.667 mA
    # 5V0 states no soft start. Steady 72.5 mA: 326.667 mA together.
    assert expected_current(small_board(), "VIN", 24.0).start_up == pytest.approx(0.3266666667, rel=1e-9)


def test_a_capacitor_on_a_plain_connection_charges_with_the_converter_that_feeds_it() -> None:
    # 50 uF more behind 12V0 * 12 V / 4 ms = 150 mA, * 12 / 19.2 = 93.75 mA more
    board = small_board(rails=(*RAILS, Rail("12V0_SENSOR", "12V0", capacitance=q("50 uF"))))

    more = expected_current(board, "VIN", 24.0).start_up
    assert more == pytest.approx(0.3266666667 + 0.09375, rel=1e-9)


def test_the_band_is_thirty_percent_and_at_least_five_milliamperes() -> None:
    wide, narrow = band(0.1), band(0.0004)

    assert (wide.low, wide.nominal, wide.high) == (Decimal("0.07"), Decimal("0.1"), Decimal("0.13"))
    assert (narrow.low, narrow.high) == (Decimal("-0.0046"), Decimal("0.0054"))


@pytest.mark.parametrize(
    ("board", "volts", "why"),
    [
        (tiny_board(), 24.0, "does not say what feeds 5V0 and 3V3"),
        (
            small_board(rails=(replace(RAILS[0], loads=()),), inputs=with_input(loads=()).inputs),
            24.0,
            "states no loads",
        ),
        (with_converter("12V0", efficiency=None), 24.0, "does not state the efficiency of 12V0's converter"),
        (
            small_board(
                rails=tuple(
                    replace(rail, converter=replace(rail.converter, efficiency=None)) if rail.converter else rail
                    for rail in RAILS
                )
            ),
            24.0,
            "does not state the efficiency of the converters of 12V0 and N12V",
        ),
        (with_converter("12V0", starts_at=None), 1.0, "does not state at which voltage 12V0 starts"),
        (with_rail("5V0", converter=None), 24.0, "does not say how 5V0 is made from 12V0"),
    ],
)
def test_what_the_board_file_does_not_hold_is_said_and_not_guessed(board: object, volts: float, why: str) -> None:
    budget = expected_current(board, "VIN", volts)  # type: ignore[arg-type] # a table of boards

    assert (budget.amps, budget.limits, budget.start_up) == (None, None, None)
    assert why in budget.unknown


def test_an_unstated_start_voltage_does_not_matter_at_working_voltages() -> None:
    budget = expected_current(with_converter("12V0", starts_at=None), "VIN", 24.0)

    assert budget.amps == pytest.approx(0.0725, rel=1e-9)


def test_the_capacitance_seen_includes_what_runs_behind_the_input() -> None:
    # Nothing runs at 1 V: 200 uF. At 24 V, at nominal voltages: 5V0's 10 uF * 5 / 12 = 4.167 uF and N12V's
    # 20 uF * 1 / 0.75 = 26.667 uF lie beside the 100 uF of 12V0; 130.833 uF * (12 / 24)^2 / 0.8 = 40.885 uF.
    assert expected_current(small_board(), "VIN", 1.0).capacitance == pytest.approx(200e-6)
    assert expected_current(small_board(), "VIN", 24.0).capacitance == pytest.approx(240.8854167e-6, rel=1e-6)
    assert expected_current(with_input(capacitance=None), "VIN", 24.0).capacitance is None


def test_charging_takes_c_dv_over_i_and_twice_that_may_pass_in_current_limit() -> None:
    # From 1 V to 18 V at 0.3 A: (240.885 uF * 18 V - 200 uF * 1 V) / 0.3 A = 13.786 ms; with 20 mF instead of 200 uF
    # about (20.041 mF * 18 - 20 mF * 1) / 0.3 = 1.1358 s, so 2.27 s may pass.
    def seconds(farads: str) -> float | None:
        board = with_input(capacitance=q(farads))
        before, after = (expected_current(board, "VIN", volts) for volts in (1.0, 18.0))
        return charge_time(before, after, 0.3)

    assert seconds("200 uF") == pytest.approx(13.786e-3, rel=1e-3)
    assert default_limit_time(seconds("200 uF")) == 0.2
    assert default_limit_time(seconds("20 mF")) == pytest.approx(2 * 1.13579, rel=1e-4)
    assert default_limit_time(None) == 0.2


def test_the_first_converters_are_those_on_the_input_itself() -> None:
    behind_linear = small_board(
        rails=(
            Rail("VPROT", "VIN"),
            Rail("9V0", "VPROT", converter=Converter(ConverterKind.LINEAR, dropout=q("1 V"))),
            Rail("3V3", "9V0", converter=replace(BUCK, starts_at=q("4 V"))),
            Rail("5V0", "VPROT", converter=replace(BUCK, starts_at=None)),
        )
    )

    assert [(rail.name, start) for rail, start in first_converters(small_board(), "VIN")] == [("12V0", 14.0)]
    # 3V3 starts once 9V0 is at 4 V, so with 1 V of dropout at 5 V of VIN; 5V0 does not say.
    assert [(rail.name, start) for rail, start in first_converters(behind_linear, "VIN")] == [
        ("3V3", 5.0),
        ("5V0", None),
    ]


def test_the_lowest_working_input_is_the_low_end_of_its_range_by_magnitude() -> None:
    assert lowest_working(small_board(), "VIN") == 18.0
    assert lowest_working(with_input(working=None), "VIN") == 24.0


def test_only_plain_connections_share_the_inputs_voltage() -> None:
    fused = small_board(rails=(*RAILS, Rail("VFUSED", "VIN"), Rail("UNSAID", "VIN", expect=RAILS[1].expect)))

    assert [point.name for point in on_the_node(fused, "VIN")] == ["VIN", "VFUSED"]


def test_the_input_capacitor_carries_a_start_up_above_the_limit_for_a_while() -> None:
    # 4 ms of 12V0, then 3 ms of N12V: 7 ms. 0.1 A too much for 7 ms out of 200 uF takes 3.5 V: 24 V -> 20.5 V.
    assert start_up_seconds(small_board(), "VIN") == pytest.approx(7e-3)
    assert dips_to(small_board(), "VIN", 24.0, 0.1) == pytest.approx(20.5)
    assert dips_to(with_input(capacitance=None), "VIN", 24.0, 0.1) == 0.0
    assert stop_voltage(small_board(), "VIN") == 12.5
    assert stop_voltage(with_converter("12V0", stops_at=None), "VIN") == pytest.approx(12.6)  # 90 % of 14 V


def test_a_board_state_that_a_load_does_not_name_takes_its_default() -> None:
    board = with_rail("12V0", loads=(Load("sensors", LoadKind.CURRENT, 0.06, {"asleep": 0.0}),))

    assert expected_current(board, "VIN", 24.0, "blank").amps == pytest.approx(0.0725, rel=1e-9)
