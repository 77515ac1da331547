from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.board import Converter, ConverterKind, Rail
from bringup.core.design_limits import feedback_limits
from bringup.core.expectation import Doubt, limits_of, resistance_doubt, states_of
from bringup.core.limits import Limits
from bringup.core.procedure import Measure, Note, Question, Step
from bringup.core.unpowered import Resistance
from bringup.core.words import LimitsFrom
from tests.small_board import (
    RAILS,
    lim,
    log,
    procedure,
    q,
    small_board,
    tiny_board,
    with_converter,
    with_input,
)


def measured(point: str, **expect: str) -> Step:
    return Step(0, Measure((point,)), expect={key.strip("_"): lim(text) for key, text in expect.items()})


def divider(**changes: str) -> Converter:
    parts = {"reference": "0.6 V ± 1 %", "upper": "45.3 kΩ ± 1 %", "lower": "10 kΩ ± 1 %"} | changes
    reference, upper, lower = (lim(parts[name]) for name in ("reference", "upper", "lower"))
    return Converter(ConverterKind.BUCK, reference=reference, upper=upper, lower=lower)


def test_the_worst_case_of_a_feedback_network_is_taken_at_its_exact_corners() -> None:
    # 0.6 V ± 1 %, 45.3 kohm and 10 kohm ± 1 %, by hand:
    #   nominal 0.6 * (1 + 4.53) = 3.318
    #   low  0.594 * (1 + 44847 / 10100) = 3.2315364356     high 0.606 * (1 + 45753 / 9900) = 3.4066381818
    limits = feedback_limits(divider())

    assert limits is not None
    assert limits.nominal == Decimal("3.318")
    assert float(limits.low or 0) == pytest.approx(3.2315364356, rel=1e-9)
    assert float(limits.high or 0) == pytest.approx(3.4066381818, rel=1e-9)


def test_the_corners_are_near_the_linear_sensitivity_formula() -> None:
    # k = 1 - Vref / Vout = 1 - 0.6 / 3.318; worst case fraction = tref + k (tR1 + tR2) = 2.638336 %
    limits = feedback_limits(divider())

    assert limits is not None
    linear = 0.01 + (1 - 0.6 / 3.318) * 0.02
    assert linear == pytest.approx(0.02638336, rel=1e-6)
    assert (float(limits.high or 0) - float(limits.low or 0)) / (2 * 3.318) == pytest.approx(linear, rel=1e-3)


def test_an_inverting_rail_has_its_limits_below_zero_and_the_right_way_round() -> None:
    # 1.2 * (1 + 9) = 12; corners 1.188 * (1 + 178200 / 20200) = 11.668277, 1.212 * (1 + 181800 / 19800) = 12.340364
    limits, origin = limits_of(measured("N12V"), "N12V", small_board())

    assert origin is LimitsFrom.COMPUTED
    assert limits is not None
    assert limits.nominal == Decimal(-12)
    assert float(limits.low or 0) == pytest.approx(-12.340363636, rel=1e-9)
    assert float(limits.high or 0) == pytest.approx(-11.668277228, rel=1e-9)
    assert limits.accepts(-12.0)
    assert not limits.accepts(12.0)


def test_a_reference_stated_as_a_negative_voltage_gives_the_same_magnitudes() -> None:
    negative = replace(divider(reference="-0.6 V ± 1 %"), kind=ConverterKind.INVERTING)
    limits, positive = feedback_limits(negative, -1.0), feedback_limits(divider())

    assert limits is not None
    assert positive is not None
    assert (limits.low, limits.high) == (-(positive.high or 0), -(positive.low or 0))


@given(
    reference=st.decimals("0.2", "5", places=3),
    upper=st.integers(0, 1_000_000),
    lower=st.integers(100, 1_000_000),
    tolerance=st.decimals("0", "5", places=2),
)
def test_computed_limits_hold_the_nominal_value_and_grow_with_the_tolerance(
    reference: Decimal, upper: int, lower: int, tolerance: Decimal
) -> None:
    def wide(percent: Decimal) -> Limits:
        def part(value: Decimal, unit: str) -> Limits:
            return Limits(unit, value * (1 - percent / 100), value * (1 + percent / 100), value)

        network = Converter(
            ConverterKind.BUCK,
            reference=part(reference, "V"),
            upper=part(Decimal(upper), "ohm"),
            lower=part(Decimal(lower), "ohm"),
        )
        limits = feedback_limits(network)
        assert limits is not None
        return limits

    narrow, wider = wide(tolerance), wide(tolerance + 1)
    assert narrow.nominal is not None
    assert narrow.accepts(narrow.nominal)
    assert wider.low is not None
    assert narrow.low is not None
    assert wider.low < narrow.low
    assert (narrow.high or 0) < (wider.high or 0)


def test_a_network_that_is_not_stated_in_full_gives_no_limits() -> None:
    assert feedback_limits(replace(divider(), lower=None)) is None
    assert limits_of(measured("12V0"), "12V0", with_converter("12V0", upper=None)) == (None, LimitsFrom.NONE)


def test_the_drop_in_an_output_resistance_widens_the_limits_towards_zero_only() -> None:
    # 1 ohm; at most 60 mA own + 180 mA of 5V0 transmitting + 20 mA for N12V = 260 mA, 30 % more is 0.338 A: 0.338 V.
    # Corners of 0.8 V, 140 kohm, 10 kohm at 1 %: low 0.792 * (1 + 138600 / 10100) = 11.660436, high 12.348727.
    plain, _ = limits_of(measured("12V0"), "12V0", small_board())
    limits, origin = limits_of(measured("12V0"), "12V0", with_converter("12V0", output_resistance=q("1 Ω")))

    assert origin is LimitsFrom.COMPUTED
    assert limits is not None
    assert plain is not None
    assert float(plain.low or 0) == pytest.approx(11.660435644, rel=1e-9)
    assert float(limits.low or 0) == pytest.approx(11.660435644 - 0.338, rel=1e-6)
    assert limits.high == plain.high


def test_the_step_comes_before_the_board_and_its_own_point_before_all_points() -> None:
    board = small_board()
    stated = Step(0, Measure(("5V0",)), expect={"5V0": lim("4.9 V .. 5.1 V"), "": lim("1 V .. 9 V")})

    assert limits_of(stated, "5V0", board) == (lim("4.9 V .. 5.1 V"), LimitsFrom.PROCEDURE)
    assert limits_of(stated, "12V0", board) == (lim("1 V .. 9 V"), LimitsFrom.PROCEDURE)
    assert limits_of(measured("5V0"), "5V0", board) == (lim("5 V ± 2 %"), LimitsFrom.BOARD)


def test_limits_in_another_unit_judge_nothing() -> None:
    stated = Step(0, Measure(("5V0",)), expect={"": lim("60 mA .. 110 mA")})

    assert limits_of(stated, "5V0", small_board()) == (lim("5 V ± 2 %"), LimitsFrom.BOARD)


def test_an_input_is_judged_by_its_range_else_by_a_band_round_nominal() -> None:
    assert limits_of(measured("VIN"), "VIN", small_board()) == (lim("18 V .. 30 V"), LimitsFrom.BOARD)
    limits, origin = limits_of(measured("VIN"), "VIN", with_input(working=None))
    assert origin is LimitsFrom.RULE
    assert limits is not None
    assert (limits.low, limits.high) == (Decimal("21.6"), Decimal("26.4"))  # 24 V ± 10 %
    negative, _ = limits_of(measured("VIN"), "VIN", with_input(working=None, voltage=q("-24 V")))
    assert negative is not None
    assert (negative.low, negative.high) == (Decimal("-26.4"), Decimal("-21.6"))


def test_a_plainly_connected_rail_is_judged_as_what_feeds_it() -> None:
    board = small_board(rails=(*RAILS, Rail("5V0_SENSOR", "5V0"), Rail("LOOSE", None)))

    assert limits_of(measured("5V0_SENSOR"), "5V0_SENSOR", board) == (lim("5 V ± 2 %"), LimitsFrom.COMPUTED)
    assert limits_of(measured("LOOSE"), "LOOSE", board) == (None, LimitsFrom.NONE)


def test_a_tiny_board_still_has_the_limits_it_states() -> None:
    assert limits_of(measured("3V3"), "3V3", tiny_board()) == (lim("3.3 V ± 2 %"), LimitsFrom.BOARD)


def test_resistance_is_judged_by_the_boards_ground_and_never_by_volts() -> None:
    step = Step(0, Resistance(("12V0", "5V0")))

    assert limits_of(step, "12V0", small_board()) == (lim("> 200 Ω"), LimitsFrom.BOARD)
    assert limits_of(step, "5V0", small_board()) == (None, LimitsFrom.NONE)
    stated = replace(step, expect={"12V0": lim("> 1 kΩ")})
    assert limits_of(stated, "12V0", small_board()) == (lim("> 1 kΩ"), LimitsFrom.PROCEDURE)


def test_a_logged_current_is_judged_by_the_step_alone() -> None:
    step = Step(0, log("VIN current", "5V0"), expect={"": lim("60 mA .. 110 mA")})

    assert limits_of(step, "VIN current", small_board()) == (lim("60 mA .. 110 mA"), LimitsFrom.PROCEDURE)
    assert limits_of(step, "5V0", small_board()) == (lim("5 V ± 2 %"), LimitsFrom.BOARD)
    assert limits_of(Step(0, log("VIN current")), "VIN current", small_board()) == (None, LimitsFrom.NONE)
    assert limits_of(Step(0, log("VIN voltage")), "VIN voltage", small_board())[1] is LimitsFrom.BOARD


def test_the_answer_to_a_question_is_judged_by_its_limits() -> None:
    step = Step(0, Question("How warm is it?", unit="degC"), expect={"": lim("< 60 degC")})

    assert limits_of(step, "", small_board()) == (lim("< 60 degC"), LimitsFrom.PROCEDURE)


def test_an_unknown_point_is_an_error_and_not_a_recorded_reading() -> None:
    with pytest.raises(KeyError, match="9V0"):
        limits_of(measured("9V0"), "9V0", small_board())


@pytest.mark.parametrize(
    ("ohms", "leads", "doubt"),
    [
        (0.0, 0.2, Doubt.BLOCK),
        (0.7, 0.2, Doubt.BLOCK),  # 0.2 ohm of leads + 0.5 ohm, the end included
        (0.71, 0.2, Doubt.ASK),
        (2.0, 0.2, Doubt.ASK),
        (9.99, 0.2, Doubt.ASK),
        (10.0, 0.2, Doubt.NONE),
        (1.4, 1.0, Doubt.BLOCK),
        (float("inf"), 0.2, Doubt.NONE),
    ],
)
def test_a_low_resistance_without_limits_asks_and_a_short_blocks(ohms: float, leads: float, doubt: Doubt) -> None:
    assert resistance_doubt(ohms, leads) is doubt


def test_a_board_state_holds_from_its_step_on() -> None:
    steps = (Step(0, Note("a")), Step(1, Note("b"), board_state="asleep"), Step(2, Note("c")))

    assert states_of(procedure(*steps)) == ("blank", "asleep", "asleep")
    assert states_of(procedure(*steps, board_state="transmitting")) == ("transmitting", "asleep", "asleep")
    assert states_of(procedure(*steps, board=tiny_board())) == (None, "asleep", "asleep")
