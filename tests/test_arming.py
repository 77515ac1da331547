from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from bringup.core.arming import Purpose, output_for, plan_apply, plan_leads, trip_current
from bringup.core.bench import Bench
from bringup.core.board import Rail
from bringup.core.procedure import Leads, Step
from bringup.core.simulate import Simulate
from bringup.core.words import LimitsFrom
from tests.small_board import (
    RAILS,
    apply,
    bench,
    by_hand_bench,
    lim,
    procedure,
    q,
    simulated_bench,
    small_board,
    tiny_board,
    with_converter,
    with_input,
)


def test_the_stages_are_the_short_check_then_the_ramp_then_the_final_voltage() -> None:
    plan = plan_apply(apply("18 V", "21 V", "24 V"), small_board(), None)

    assert [(stage.volts, stage.purpose) for stage in plan.stages] == [
        (1.0, Purpose.SHORT_CHECK),
        (18.0, Purpose.RAMP),
        (21.0, Purpose.RAMP),
        (24.0, Purpose.FINAL),
    ]
    assert plan.current_limit == 0.4


def test_the_power_budget_judges_the_ramp_and_the_procedure_the_final_voltage() -> None:
    # 90.833 mA ± 30 % at 18 V: 63.583 mA .. 118.083 mA
    plan = plan_apply(apply(expect_current=lim("60 mA .. 110 mA")), small_board(), None)
    ramp, final = plan.stages[1:]

    assert ramp.current_from is LimitsFrom.COMPUTED
    assert ramp.current is not None
    assert float(ramp.current.low or 0) == pytest.approx(0.0635831)
    assert float(ramp.current.high or 0) == pytest.approx(0.1180829)
    assert (final.current, final.current_from) == (lim("60 mA .. 110 mA"), LimitsFrom.PROCEDURE)


def test_without_expect_current_the_budget_judges_the_final_voltage_too() -> None:
    final = plan_apply(apply(), small_board(), None).stages[-1]

    assert final.current_from is LimitsFrom.COMPUTED
    assert final.amps == pytest.approx(0.0725)


def test_the_short_check_allows_next_to_nothing_and_a_short_through_a_resistor_fails_it() -> None:
    # 1 V / 2400 ohm = 0.417 mA and a band of 5 mA: at most 5.417 mA. 1 V through 100 ohm is 10 mA.
    check = plan_apply(apply(), small_board(), None).stages[0]

    assert check.current is not None
    assert check.current.high == Decimal("0.005417")
    assert check.current.accepts(0.0)
    assert not check.current.accepts(1 / 100)


def test_the_short_check_allows_what_the_stated_resistance_to_ground_allows() -> None:
    # > 50 ohm permits 1 V / 50 ohm = 20 mA on top
    check = plan_apply(apply(), with_input(ground=lim("> 50 Ω")), None).stages[0]

    assert check.current is not None
    assert check.current.high == Decimal("0.025417")


def test_the_short_check_never_allows_more_than_half_the_current_limit() -> None:
    known = plan_apply(apply(limit="10 mA"), with_input(ground=lim("> 50 Ω")), None).stages[0]
    unknown = plan_apply(apply(), tiny_board(), None).stages[0]

    assert known.current is not None
    assert known.current.high == Decimal("0.005")
    assert unknown.current is not None
    assert unknown.current.high == Decimal("0.2")
    assert unknown.current_from is LimitsFrom.RULE


def test_a_tiny_board_gets_a_plan_that_says_what_is_not_known() -> None:
    plan = plan_apply(apply("5 V"), tiny_board(), None)

    assert plan.stages[-1].current is None
    assert plan.stages[-1].charge_time is None
    assert plan.stages[-1].limit_time == 0.2
    assert plan.trip_current == 0.4
    assert plan.trip_from == "the current limit: the expected current is not known"
    assert any("does not say what feeds 5V0 and 3V3" in note for note in plan.notes)
    assert any("does not state the capacitance of VIN" in note for note in plan.notes)


def test_what_is_not_known_of_some_voltages_only_is_said_of_these() -> None:
    plan = plan_apply(apply(short_check="1 V"), with_converter("12V0", starts_at=None), None)

    assert [stage.current_from for stage in plan.stages if stage.unknown == ""][-1] is LimitsFrom.COMPUTED
    assert any(
        note.startswith("the expected current at 1 V (the short check) is not known: the board file does not state at")
        for note in plan.notes
    ), plan.notes


def test_the_trip_is_twice_the_expected_maximum_of_all_stages() -> None:
    # At 18 V the budget allows 118.0829 mA, more than the 110 mA stated for 24 V: 2 * 118.0829 mA
    plan = plan_apply(apply(expect_current=lim("60 mA .. 110 mA")), small_board(), None)

    assert plan.trip_current == pytest.approx(0.2361658)
    assert plan.trip_from == "twice the expected maximum"
    assert plan.over_current == pytest.approx(0.2361658)
    assert plan.over_current_delay == 0.2


def test_the_trip_follows_the_board_state() -> None:
    # transmitting: 12V0 gives 260 mA; at 18 V 12 * 0.26 / 14.4 + 7.5 mA = 224.1667 mA, * 1.3 * 2 = 582.833 mA
    amps, _ = trip_current(apply(), small_board(), "transmitting")

    assert amps == pytest.approx(0.5828342, rel=1e-5)


def test_a_stated_trip_stands_and_one_above_the_current_limit_is_noted() -> None:
    stated = plan_apply(apply(trip_current=q("150 mA")), small_board(), None)
    above = plan_apply(apply(limit="200 mA"), small_board(), None)

    assert (stated.trip_current, stated.trip_from) == (0.15, "stated in the procedure")
    assert above.over_current == 0.2
    assert any("current limit of 200 mA comes before the trip current of 236 mA" in note for note in above.notes)


def test_limit_time_is_twice_the_charge_time_or_what_the_step_states() -> None:
    # 10 mF: (10.041 mF * 18 V - 10 mF * 1 V) / 0.4 A = 426.8 ms, twice that is 853.7 ms
    board = with_input(capacitance=q("10 mF"))

    assert plan_apply(apply(), board, None).stages[1].limit_time == pytest.approx(0.85368, rel=1e-4)
    assert plan_apply(apply(limit_time=q("3 s")), board, None).stages[1].limit_time == 3.0


def test_over_voltage_lies_ten_percent_above_the_highest_voltage_where_there_is_room() -> None:
    plan = plan_apply(apply(), small_board(), None)

    assert plan.over_voltage == pytest.approx(26.4)  # 24 V + 10 %; 33 V damage
    assert "33 V, which damages VIN" in plan.over_voltage_why


def test_over_voltage_stays_two_percent_under_damage() -> None:
    # 30 V needs 31.5 V (5 %) and would like 33 V; 2 % under the 33 V that damage is 32.34 V
    assert plan_apply(apply("18 V", "30 V"), small_board(), None).over_voltage == pytest.approx(32.34)


def test_over_voltage_without_room_is_none_with_the_numbers() -> None:
    # 32 V needs 33.6 V, 32.34 V is the most
    plan = plan_apply(apply("18 V", "32 V"), small_board(), None)

    assert plan.over_voltage is None
    assert "32 V with 5 % for overshoot needs 33.6 V" in plan.over_voltage_why
    assert "33 V that damage VIN is 32.34 V" in plan.over_voltage_why


def test_over_voltage_minds_what_is_plainly_connected_to_the_input() -> None:
    board = small_board(rails=(*RAILS, Rail("VFUSED", "VIN", damage_above=q("26 V"))))
    plan = plan_apply(apply(), board, None)

    assert plan.over_voltage == pytest.approx(25.48)  # 0.98 * 26 V
    assert "VFUSED" in plan.over_voltage_why


def test_over_voltage_without_a_damage_level_says_so() -> None:
    plan = plan_apply(apply(), with_input(damage_above=None), None)

    assert plan.over_voltage == pytest.approx(26.4)
    assert "states no damage_above for VIN" in plan.over_voltage_why


def test_remote_sense_makes_room_for_the_drop_in_the_leads() -> None:
    # 30.7 V needs 32.235 V, which 32.34 V allows; 0.4 A * 0.5 ohm = 0.2 V more does not fit
    remote = bench(simulate=Simulate("board.yaml", lead_resistance=q("0.5 Ω")))
    assert remote.supply is not None
    remote = replace(remote, supply=replace(remote.supply, remote_sense=True))

    assert plan_apply(apply("30.7 V"), small_board(), bench()).over_voltage == pytest.approx(32.34)
    plan = plan_apply(apply("30.7 V"), small_board(), remote)
    assert plan.over_voltage is None
    assert "and the drop in the leads needs 32.44 V" in plan.over_voltage_why


def test_a_stated_over_voltage_is_used_as_it_is() -> None:
    plan = plan_apply(apply(over_voltage=q("25 V")), small_board(), None)

    assert (plan.over_voltage, plan.over_voltage_why) == (25.0, "stated in the procedure")


@pytest.mark.parametrize(
    ("given", "output"),
    [(None, None), (bench(), 1), (by_hand_bench(), 1), (simulated_bench(), 1), (Bench("b", None, None), None)],
)
def test_the_bench_says_which_output_feeds_the_input(given: Bench | None, output: int | None) -> None:
    assert output_for(given, "VIN") == output
    assert plan_apply(apply(), small_board(), given).output == output


def test_an_input_that_the_bench_does_not_map_has_no_output() -> None:
    assert output_for(bench(), "VBUS") is None


def test_leads_are_measured_at_the_last_voltage_of_the_next_apply() -> None:
    leads = Leads("VIN")
    plan = plan_leads(
        leads, procedure(leads, apply("18 V", "24 V", over_voltage=q("28 V")), apply("18 V", "30 V")), bench()
    )

    assert plan.volts == 24.0
    assert (plan.limits.low, plan.limits.high) == (Decimal("23.52"), Decimal("24.48"))  # ± 2 %
    assert not plan.limits.accepts(-24.0)
    assert plan.current_limit == 0.05
    assert plan.over_voltage == 28.0
    assert plan.output == 1


def test_leads_look_at_later_steps_only_and_else_at_nominal() -> None:
    first, second = Leads("VIN"), Leads("VIN", q("10 mA"))
    given = procedure(first, apply("18 V"), second)

    assert plan_leads(first, given, None).volts == 18.0
    later = plan_leads(second, given, None)
    assert later.volts == 24.0
    assert later.current_limit == 0.01
    assert later.notes == ("nothing is applied to VIN later: its nominal voltage is used",)


def test_the_leads_of_a_negative_input_still_read_positive_at_their_free_ends() -> None:
    leads = Leads("VIN")
    plan = plan_leads(leads, procedure(leads, board=with_input(voltage=q("-24 V"), working=None)), None)

    assert plan.volts == 24.0
    assert plan.limits.accepts(24.0)


def test_the_limits_of_leads_can_be_stated() -> None:
    leads = Leads("VIN")
    stated = Step(0, leads, expect={"": lim("23.9 V .. 24.1 V")})
    plan = plan_leads(leads, procedure(stated, apply()), None)

    assert (plan.limits, plan.limits_from) == (lim("23.9 V .. 24.1 V"), LimitsFrom.PROCEDURE)
