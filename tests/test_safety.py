from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.bench import Bench, Ceiling, SupplyRole
from bringup.core.board import Board, Converter, ConverterKind, Input, Rail
from bringup.core.procedure import (
    Action,
    Inspect,
    Leads,
    Log,
    Measure,
    Note,
    OnlyIf,
    PowerOff,
    Procedure,
    Question,
    Step,
)
from bringup.core.safety import Finding, examine
from bringup.core.simulate import Simulate
from bringup.core.unpowered import Resistance
from tests.small_board import (
    BUCK,
    RAILS,
    VIN,
    apply,
    bench,
    by_hand_bench,
    lim,
    log,
    procedure,
    q,
    simulated_bench,
    small_board,
    sound,
    tiny_board,
    with_converter,
    with_input,
    with_rail,
)


def refusals(given: Procedure, on: Bench | None = None) -> list[str]:
    refused = [finding for finding in examine(given, on) if finding.refused]
    alone = [finding for finding in examine(given, on, warnings=False) if finding.refused]
    assert alone == refused, "what is left out where warnings are not wanted refuses nothing"
    return [finding.message for finding in refused]


def warnings(given: Procedure, on: Bench | None = None) -> list[str]:
    return [finding.message for finding in examine(given, on) if not finding.refused]


def only(messages: list[str]) -> str:
    assert len(messages) == 1, messages
    return messages[0]


def test_a_sound_procedure_has_nothing_against_it() -> None:
    assert examine(sound(), bench()) == ()
    assert examine(sound(), None) == ()
    assert examine(sound(), simulated_bench()) == ()


def test_findings_come_in_the_order_of_the_steps_refusals_first() -> None:
    found = examine(procedure(Measure(("12V0",)), apply("12 V", "24 V", limit="2 A")), bench())

    places = [len(found) if one.step is None else one.step for one in found]
    assert places == sorted(places)
    assert [one.refused for one in found if one.step == 1] == sorted(
        (one.refused for one in found if one.step == 1), reverse=True
    )


def test_a_finding_says_where_it_is_and_what_to_do() -> None:
    finding = Finding(2, "the limit is wrong", "Correct it.", refused=True)

    assert str(finding) == "step 3: the limit is wrong\n  Correct it."
    assert Finding(None, "a", "b", refused=False).where == "the procedure"


@pytest.mark.parametrize(
    "given", [replace(apply("24 V"), input="9V0"), Leads("9V0"), Measure(("9V0",)), Resistance(("9V0",)), log("9V0")]
)
def test_an_unknown_name_is_refused_with_the_names_there_are(given: Action) -> None:
    found = only(refusals(procedure(given)))

    assert "'9V0' is no input" in found
    assert "it has VIN" in found


class TestLevels:
    def test_a_voltage_above_the_benchs_ceiling_is_refused(self) -> None:
        low = bench(supply=SupplyRole("x", outputs={"VIN": 1}, ceiling=Ceiling(q("20 V"), q("1 A"))))
        found = refusals(sound(), low)

        assert found == [
            "VIN's free leads would get 24 V, above this bench's ceiling of 20 V",
            "VIN would get 24 V, above this bench's ceiling of 20 V",
        ]

    def test_a_voltage_at_the_ceiling_is_permitted(self) -> None:
        assert refusals(sound(power=apply("18 V", "30 V")), bench()) == []

    def test_a_voltage_above_damage_above_is_refused(self) -> None:
        found = only(refusals(sound(power=apply("18 V", "34 V"))))

        assert found == "VIN is set to 34 V, above the 33 V that damage VIN"

    def test_damage_is_a_magnitude_on_negative_inputs_too(self) -> None:
        board = with_input(damage_above=q("-20 V"), working=None)

        assert "above the 20 V that damage VIN" in only(refusals(sound(power=apply("24 V"), board=board)))

    def test_a_rail_that_would_reach_its_damage_level_is_refused(self) -> None:
        # 0.8 V * (1 + 150 / 10) = 12.8 V
        board = with_converter("12V0", upper=lim("150 kΩ ± 1 %"))
        rails = tuple(
            replace(rail, damage_above=q("12.5 V")) if rail.name == "12V0" else rail for rail in board.rails.values()
        )

        found = refusals(sound(board=small_board(rails=rails)))
        assert found == ["with VIN at 24 V, 12V0 reaches 12.8 V: more than the 12.5 V that damage it"]

    def test_a_negative_rail_that_would_reach_its_damage_level_is_refused(self) -> None:
        # 1.2 V * (1 + 240 / 20) = 15.6 V, below ground
        found = refusals(sound(board=with_converter("N12V", upper=lim("240 kΩ ± 1 %"))))

        assert found == ["with VIN at 24 V, N12V reaches -15.6 V: more than the 14 V that damage it"]

    def test_limits_that_reach_beyond_damage_are_warned_about(self) -> None:
        found = warnings(sound(board=with_rail("5V0", damage_above=q("5.05 V"))))

        assert found == ["5V0 may reach 5.1 V by its limits, yet more than 5.05 V damages it"]

    def test_a_current_limit_above_the_ceiling_is_refused(self) -> None:
        found = refusals(sound(power=apply(limit="1.5 A")), bench())

        assert found == ["the current limit is 1.5 A, above this bench's ceiling of 1 A"]

    def test_a_nominal_voltage_outside_its_own_range_is_refused(self) -> None:
        found = refusals(sound(board=with_input(voltage=q("12 V"))))

        assert "the nominal voltage of VIN, 12 V, lies outside its own range 18 V .. 30 V" in found

    def test_a_voltage_above_the_working_range_is_warned_about(self) -> None:
        found = warnings(sound(power=apply("18 V", "30.5 V")))

        assert "VIN is set to 30.5 V, above its working range 18 V .. 30 V" in found

    def test_a_voltage_that_is_not_above_zero_is_refused(self) -> None:
        assert "`then` names -24 V; a supply's output is set to a voltage above 0 V" in refusals(
            sound(power=apply("-24 V"))
        )

    @pytest.mark.parametrize(
        ("level", "words"),
        [
            ("24 V", "not above the 24 V that the step applies"),
            ("33 V", "not below the 33 V that damage VIN"),
            ("35 V", "not below the 33 V that damage VIN"),
        ],
    )
    def test_an_over_voltage_level_that_cannot_protect_is_refused(self, level: str, words: str) -> None:
        assert words in only(refusals(sound(power=apply(over_voltage=q(level)))))

    @pytest.mark.parametrize(
        ("level", "words"),
        [
            ("25.1 V", "so near the 24 V that the step applies"),
            ("32.5 V", "less than 2 % below the 33 V that damage VIN"),
        ],
    )
    def test_an_over_voltage_level_that_may_not_protect_is_warned_about(self, level: str, words: str) -> None:
        assert words in only(warnings(sound(power=apply(over_voltage=q(level)))))

    @pytest.mark.parametrize("level", ["25.2 V", "32.34 V"])
    def test_an_over_voltage_level_in_between_is_in_order(self, level: str) -> None:
        assert examine(sound(power=apply(over_voltage=q(level))), bench()) == ()

    def test_an_over_voltage_level_must_allow_for_the_drop_in_sensed_leads(self) -> None:
        # 400 mA through 0.1 ohm on top of 24 V and 5 %: 25.24 V
        supply = SupplyRole("x", outputs={"VIN": 1}, ceiling=Ceiling(q("30 V"), q("1 A")), remote_sense=True)
        found = examine(sound(power=apply(over_voltage=q("25.21 V"))), bench(supply=supply))

        assert [finding.what_to_do[:23] for finding in found] == ["State at least 25.24 V,"]

    def test_no_room_for_over_voltage_protection_is_warned_about(self) -> None:
        found = warnings(sound(board=with_input(damage_above=q("25 V"), working=lim("18 V .. 24.5 V"))))

        assert "no room for over-voltage protection" in only(found)


class TestRamp:
    def test_a_rest_between_start_and_lowest_working_input_is_refused(self) -> None:
        found = only(refusals(sound(power=apply("16 V", "24 V"))))

        assert found == "the ramp rests at 16 V, below 18 V (the lowest working input): 12V0 starts at 14 V"

    @pytest.mark.parametrize("volts", ["14 V", "17.9 V"])
    def test_the_ends_of_the_start_region(self, volts: str) -> None:
        assert "12V0 starts at 14 V" in only(refusals(sound(power=apply(volts, "24 V"))))

    @given(st.lists(st.integers(1001, 30000), min_size=1, max_size=4), st.integers(1, 1000))
    def test_only_the_permitted_shape_passes(self, millivolts: list[int], check: int) -> None:
        power = apply(*(f"{one} mV" for one in millivolts), short_check=f"{check} mV")
        rising = all(after > before for before, after in pairwise(millivolts))

        permitted = rising and min(millivolts) >= 18000
        assert (refusals(sound(power=power)) == []) is permitted

    def test_a_rest_below_every_start_voltage_is_no_permitted_ramp_either(self) -> None:
        found = only(refusals(sound(power=apply("5 V", "18 V", "24 V"))))

        assert "the ramp rests at 5 V" in found
        assert "no converter runs there yet" in found

    def test_a_rest_is_refused_when_no_start_voltage_is_stated(self) -> None:
        found = refusals(sound(power=apply("16 V", "24 V"), board=with_converter("12V0", starts_at=None)))

        assert "does not say at which voltage 12V0 starts" in only(found)

    def test_the_lowest_working_input_itself_is_permitted(self) -> None:
        assert refusals(sound(power=apply("18 V", "20 V", "24 V"))) == []

    def test_without_a_range_the_nominal_voltage_is_the_lowest_working_one(self) -> None:
        found = only(refusals(sound(power=apply("16 V", "24 V"), board=with_input(working=None))))

        assert "below 24 V (the nominal voltage, the board file stating no `range` for VIN)" in found

    def test_a_board_without_converters_may_be_ramped_at_will(self) -> None:
        board = small_board(rails=(Rail("VFUSED", "VIN", probe="TP1"),))

        assert refusals(sound(power=apply("5 V", "10 V", "24 V"), board=board)) == []

    def test_a_short_check_above_one_volt_is_refused(self) -> None:
        assert "the short check is at 1.5 V" in only(refusals(sound(power=apply(short_check="1.5 V"))))

    def test_a_short_check_at_a_start_voltage_is_refused(self) -> None:
        found = refusals(sound(board=with_converter("12V0", starts_at=q("0.9 V"), stops_at=q("0.8 V"))))

        assert "the short check at 1 V is not below the 900 mV at which 12V0 starts" in found

    def test_falling_voltages_are_refused(self) -> None:
        assert "`then` goes from 24 V to 18 V" in only(refusals(sound(power=apply("24 V", "18 V"))))

    def test_a_first_power_without_a_short_check_is_refused(self) -> None:
        found = refusals(sound(power=apply(short_check=None)))

        assert found == ["VIN goes to 18 V at once, without a short check"]

    def test_a_recheck_without_a_short_check_is_warned_about(self) -> None:
        given = procedure(apply(short_check=None), PowerOff(), unattended_after_first_power=True)

        assert refusals(given) == []
        assert warnings(given) == ["VIN goes to 18 V at once, without a short check"]

    def test_a_short_check_in_a_step_that_may_be_left_out_does_not_count(self) -> None:
        maybe, later = Step(0, apply(), only_if=OnlyIf(attended=True)), apply(short_check=None)
        surely = replace(maybe, only_if=None)

        assert "without a short check" in only(refusals(procedure(maybe, PowerOff(), later, PowerOff())))
        assert refusals(procedure(surely, PowerOff(), later, PowerOff())) == []


class TestCurrents:
    def test_a_limit_below_the_steady_current_is_warned_about_with_the_numbers(self) -> None:
        # 90.833 mA at 18 V
        found = warnings(sound(power=apply(limit="80 mA")))[0]

        assert found.startswith("at 18 V VIN should draw 90.8 mA all the time, but the current limit is 80 mA")

    def test_a_limit_far_above_all_that_may_flow_is_warned_about(self) -> None:
        # Coming up at 18 V takes 429.722 mA at most (the next test); ten times that is 4.297 A.
        found = only(warnings(sound(power=apply(limit="400 A"))))

        assert found.startswith("the current limit is 400 A, but VIN should never draw more than 430 mA: a fault would")
        assert warnings(sound(power=apply(limit="4.2 A"))) == []

    def test_a_start_up_that_pulls_the_input_down_is_warned_about_as_a_latch(self) -> None:
        # At 18 V: charging 250 mA (300 mA * 12 / 14.4) + 88.889 mA (80 mA * 4/3 * 12 / 14.4) + steady 90.833 mA
        # = 429.722 mA.
        # 129.722 mA too much for 7 ms out of 20 uF: 45 V down, so to 0 V.
        found = only(warnings(sound(power=apply(limit="300 mA"), board=with_input(capacitance=q("20 uF")))))

        assert "coming up at 18 V takes up to 430 mA at VIN, but the current limit is 300 mA" in found
        assert "the input may fall to 0 V, below the 12.5 V at which converters stop" in found

    def test_a_start_up_that_the_input_capacitor_carries_is_no_cause_for_alarm(self) -> None:
        # Out of 200 uF the same 129.722 mA for 7 ms take 4.54 V: 18 V -> 13.46 V, above 12.5 V.
        assert warnings(sound(power=apply(limit="300 mA"))) == []

    def test_a_limit_from_which_the_supply_cannot_recover_is_warned_about(self) -> None:
        # At 14 V: 12 * 0.1 / (0.8 * 14) + 14 / 2400 = 112.976 mA
        slow = with_converter("12V0", soft_start=None)
        rails = tuple(replace(rail, capacitance=None) for rail in slow.rails.values())
        found = warnings(sound(power=apply(limit="105 mA"), board=small_board(rails=rails)))

        assert "at 14 V, where 12V0 starts, VIN draws 113 mA, above the current limit of 105 mA" in only(found)

    def test_an_expectation_that_the_board_contradicts_is_warned_about(self) -> None:
        found = only(warnings(sound(power=apply(expect_current=lim("200 mA .. 300 mA")))))

        assert found == "`expect_current` is 200 mA .. 300 mA, but by the board file VIN draws 72.5 mA at 24 V"

    def test_an_expectation_that_reaches_the_limit_is_warned_about(self) -> None:
        found = warnings(sound(power=apply(expect_current=lim("60 mA .. 400 mA"))))

        assert "`expect_current` reaches 400 mA, but the current limit is 400 mA" in only(found)

    def test_a_trip_within_what_is_expected_is_warned_about(self) -> None:
        found = only(warnings(sound(power=apply(trip_current=q("100 mA")))))

        assert found == "the trip current of 100 mA is not above the 118.1 mA that may pass at 18 V"

    @pytest.mark.parametrize(
        ("time", "words"),
        [("2.2 s", "`limit_time` is 2.2 s, and charging takes 10 ms"), ("60 s", "fed for as long")],
    )
    def test_a_limit_time_much_longer_than_charging_is_warned_about(self, time: str, words: str) -> None:
        given = sound(power=apply(limit_time=q(time)))

        assert words in only(warnings(given))
        assert not refusals(given)

    @pytest.mark.parametrize("time", ["61 s", "1000 h"])
    def test_a_limit_time_that_never_switches_off_is_refused(self, time: str) -> None:
        assert "would be fed for as long" in only(refusals(sound(power=apply(limit_time=q(time)))))

    def test_a_limit_time_for_much_capacitance_is_in_order(self) -> None:
        board = with_input(capacitance=q("1.2 F"))

        assert not refusals(sound(power=apply(limit_time=q("150 s")), board=board))

    def test_a_limit_time_shorter_than_charging_is_warned_about(self) -> None:
        board = with_input(capacitance=q("10 mF"))
        found = warnings(sound(power=apply(limit_time=q("300 ms")), board=board))

        assert found == [
            "charging the board keeps the supply in current limit for 427 ms, longer than the `limit_time` of 300 ms"
        ]

    def test_a_tiny_board_gives_one_warning_that_nothing_judges_its_current(self) -> None:
        assert only(warnings(sound(power=apply("24 V"), board=tiny_board()))) == (
            "nothing judges the current of VIN at 24 V, so a unit that draws twice what its sisters do may pass: "
            "the board file does not say what feeds 5V0 and 3V3"
        )

    def test_a_current_that_the_procedure_judges_anywhere_gives_none(self) -> None:
        stated = replace(apply("24 V", limit="100 mA"), expect_current=lim("10 mA .. 20 mA"))
        plain = sound(Measure(("5V0",)), log("VIN current"), power=apply("24 V"), board=tiny_board())
        at = next(step.index for step in plain.steps if isinstance(step.action, Log))
        for key in ("VIN current", ""):
            judged = replace(plain.steps[at], expect={key: lim("< 20 mA")})
            logged = replace(plain, steps=(*plain.steps[:at], judged, *plain.steps[at + 1 :]))
            assert not any("nothing judges" in each for each in warnings(logged))

        assert any("nothing judges" in each for each in warnings(plain))
        assert warnings(sound(power=stated, board=tiny_board())) == []


class TestOrder:
    def test_a_powered_reading_before_any_apply_is_refused(self) -> None:
        found = only(refusals(procedure(Measure(("12V0",)))))

        assert "the voltage at 12V0" in found
        assert "is read while it is not fed through VIN: nothing was applied before" in found

    def test_a_powered_reading_after_power_off_is_refused(self) -> None:
        found = only(refusals(sound(PowerOff(), Measure(("5V0",)))))

        assert "step 4 switched it off" in found

    def test_a_current_is_not_logged_before_power(self) -> None:
        stated = Step(0, log("VIN current"), expect={"": lim("60 mA .. 110 mA")})

        assert "the current at VIN, expected to be 60 mA .. 110 mA, is read while it is not fed" in only(
            refusals(procedure(stated))
        )

    def test_an_unpowered_reading_that_looks_for_nothing_is_permitted(self) -> None:
        residual = Step(0, Measure(("12V0",)), expect={"": lim("< 50 mV")})

        assert refusals(procedure(residual)) == []

    def test_a_board_without_inputs_is_powered_by_others(self) -> None:
        assert examine(procedure(Measure(("3V3",)), board=replace(tiny_board(), inputs={})), bench()) == ()

    def test_what_stays_live_may_be_read_without_power(self) -> None:
        cell = with_rail("5V0", stays_live=lim("4 V .. 5.1 V"))

        assert refusals(procedure(Measure(("5V0",)), board=cell)) == []

    def test_a_recorded_reading_without_power_is_a_warning_only(self) -> None:
        board = small_board(rails=(*RAILS, Rail("NODE", "12V0", converter=Converter(ConverterKind.LINEAR))))
        found = examine(procedure(Measure(("NODE",)), board=board), None)

        assert [one.refused for one in found] == [False]

    @pytest.mark.parametrize(
        ("action", "words"), [(Resistance(("12V0",)), "resistance is read"), (Leads("VIN"), "free ends")]
    )
    def test_unpowered_steps_are_refused_while_power_may_be_on(self, action: Resistance | Leads, words: str) -> None:
        found = only(refusals(sound(action)))

        assert words in found
        assert "while VIN may be on (applied in step 3)" in found

    @pytest.mark.parametrize(
        ("expect", "words"),
        [
            ("< 24.5 V", "0 V and reversed leads would pass"),
            ("-24.5 V .. 24.5 V", "0 V and reversed leads would pass"),
            ("0 V .. 24.5 V", "0 V and reversed leads would pass"),
            ("> 23 V", "no upper end"),
            ("23 V .. 33 V", "it reaches the 33 V that damage VIN"),
            ("11 V .. 13 V", "the 24 V that the supply is set to are not within it"),
        ],
    )
    def test_an_expectation_that_does_not_tell_good_leads_from_bad_ones_is_refused(
        self, expect: str, words: str
    ) -> None:
        step = Step(0, Leads("VIN"), expect={"VIN": lim(expect)})
        found = only(refusals(procedure(Resistance(tuple(small_board().rails)), step, apply(), PowerOff())))

        assert found.startswith("`expect` of the free leads of VIN is")
        assert words in found

    def test_an_expectation_beyond_what_damages_is_warned_about(self) -> None:
        step = Step(0, Measure(("12V0",)), expect={"12V0": lim("< 20 V")})

        assert "`expect` of 12V0 is" in only(warnings(sound(step)))
        assert "more than 14 V damages it" in only(warnings(sound(step)))

    def test_an_expectation_of_the_leads_within_reason_is_nobodys_business(self) -> None:
        step = Step(0, Leads("VIN"), expect={"": lim("23 V .. 25 V")})

        assert not refusals(procedure(Resistance(tuple(small_board().rails)), step, apply(), PowerOff()))

    def test_a_conditional_power_off_may_be_left_out(self) -> None:
        maybe = Step(0, PowerOff(), only_if=OnlyIf(attended=True))

        assert "while VIN may be on" in only(refusals(sound(maybe, Resistance(("12V0",)))))

    def test_first_power_without_leads_and_resistance_says_that_the_gate_will_ask(self) -> None:
        found = [finding for finding in examine(procedure(apply(), PowerOff()), None) if not finding.refused]

        assert [finding.message for finding in found] == [
            "no `leads` step for VIN comes before this first power",
            "no resistance reading of 12V0, 5V0 and N12V comes before this first power",
        ]
        assert all("typed reason" in finding.what_to_do for finding in found)

    def test_one_rail_without_a_resistance_reading_is_one(self) -> None:
        some = Resistance(("12V0", "5V0"))
        found = examine(procedure(some, Leads("VIN"), apply(), PowerOff()), None)

        hints = [one.what_to_do for one in found if "no resistance reading of N12V " in one.message]
        assert hints[0].startswith("Add it to a `resistance` step")

    def test_a_recheck_that_permits_unattended_attempts_is_not_told_about_the_gate(self) -> None:
        given = procedure(apply(), Measure(("12V0",)), PowerOff(), unattended_after_first_power=True)

        assert examine(given, bench()) == ()

    def test_ohms_across_the_input_are_a_recheck_s_as_well_and_a_rail_s_are_not(self) -> None:
        def told(*points: str) -> list[str]:
            given = procedure(Resistance(points), apply(), Measure(("12V0",)), PowerOff())
            return [one.message for one in examine(replace(given, unattended_after_first_power=True), None)]

        assert not [one for one in told("VIN") if "before this first power" in one]
        assert [one for one in told("VIN", "12V0") if "no resistance reading of 5V0" in one]

    def test_an_output_left_on_at_the_end_is_warned_about(self) -> None:
        given = sound()
        found = warnings(replace(given, steps=given.steps[:-1]))

        assert found == ["VIN may still be on after the last step"]

    def test_applying_again_without_power_off_is_warned_about(self) -> None:
        found = only(warnings(sound(apply())))

        assert "VIN is already on since step 3" in found


class TestBench:
    def test_an_input_without_an_output_is_refused(self) -> None:
        on = bench(supply=SupplyRole("x", outputs={"VBUS": 2}, ceiling=Ceiling(q("30 V"))))

        assert "gives input VIN no output of the supply; it gives {VBUS: 2}" in refusals(sound(), on)[0]

    def test_an_output_to_be_left_alone_is_refused(self) -> None:
        on = bench(supply=SupplyRole("x", outputs={"VIN": 3}, leave_alone=(3,), ceiling=Ceiling(q("30 V"))))

        assert refusals(sound(), on) == ["VIN is fed from output 3, which the bench file says to leave alone"] * 2

    def test_two_inputs_on_one_output_at_once_are_refused(self) -> None:
        board = replace(small_board(), inputs={"VIN": VIN, "VAUX": Input("VAUX", q("5 V"))})
        auxiliary = replace(apply("5 V"), input="VAUX")
        on = bench(supply=SupplyRole("x", ceiling=Ceiling(q("30 V"))))

        found = refusals(sound(auxiliary, PowerOff(), auxiliary, board=board), on)
        assert found == ["VAUX and VIN are both on output 1: setting one changes the other while it is on"]

        maybe = Step(0, PowerOff(), only_if=OnlyIf(attended=True))
        assert refusals(sound(maybe, auxiliary, board=board), on) == found
        assert refusals(sound(PowerOff(), auxiliary, board=board), on) == []

    def test_a_bench_that_simulates_another_board_is_refused(self) -> None:
        given = sound()
        on = simulated_bench()
        same, other = (
            replace(on, simulate=Simulate("board.yaml", board_name=name)) for name in (given.board.name, "Tide gauge")
        )

        assert refusals(given, same) == []
        assert refusals(given, other) == [
            f"the procedure is for the board '{given.board.name}', and the bench simulates 'Tide gauge'"
        ]

    @pytest.mark.parametrize("role", ["supply", "meter"])
    def test_a_missing_role_is_refused(self, role: str) -> None:
        on = bench(supply=None) if role == "supply" else bench(meter=None)

        assert f"needs a {role}, and the bench file names none" in only(refusals(sound(), on))

    def test_a_meter_is_not_missed_where_nothing_is_probed(self) -> None:
        given = procedure(apply(), log("VIN current"), PowerOff(), unattended_after_first_power=True)

        assert refusals(given, bench(meter=None)) == []

    def test_fast_logging_by_hand_is_refused(self) -> None:
        found = only(refusals(sound(log("VIN current", every="200 ms")), by_hand_bench()))

        assert found == "a reading every 200 ms is asked of a supply that is read by hand"

    def test_slow_logging_by_hand_is_permitted(self) -> None:
        assert refusals(sound(log("VIN current", every="2 s")), by_hand_bench()) == []

    def test_simulated_roles_are_not_by_hand(self) -> None:
        assert refusals(sound(log("VIN current", every="200 ms")), simulated_bench()) == []

    def test_two_points_cannot_be_logged_with_one_probe(self) -> None:
        found = only(refusals(sound(log("12V0", "5V0")), bench(probing_by_hand=True)))

        assert "12V0 and 5V0 are to be logged together, but there is one probe" in found
        assert refusals(sound(log("12V0", "5V0")), bench()) == []

    def test_a_bench_without_a_ceiling_is_warned_about(self) -> None:
        on = bench(supply=SupplyRole("x", outputs={"VIN": 1}))

        assert warnings(sound(), on) == ["the bench file states no `ceiling` for the supply's voltage"]

    def test_the_hint_at_a_missing_ceiling_shows_what_a_supply_by_hand_becomes(self) -> None:
        on = bench(supply=SupplyRole(None, outputs={"VIN": 1}))
        found = [one for one in examine(sound(), on) if "`ceiling`" in one.message]

        assert "`supply: {resource: by hand, ceiling: {voltage: 30 V, current: 1 A}}`" in found[0].what_to_do

    def test_unattended_attempts_that_need_a_person_are_warned_about(self) -> None:
        given = sound(unattended_after_first_power=True)
        looks = procedure(
            Inspect(("All parts fitted",)), Question("How is it?"), Note("n"), unattended_after_first_power=True
        )

        assert "a person is needed in step 1 (a person takes the leads off the board)" in only(warnings(given, bench()))
        assert "step 1 (a person looks at the board) and step 2 (a person answers a question)" in only(warnings(looks))

    def test_steps_for_attended_attempts_only_do_not_count(self) -> None:
        attended = Step(0, Inspect(("All parts fitted",)), only_if=OnlyIf(attended=True))

        assert warnings(procedure(attended, unattended_after_first_power=True)) == []

    def test_probing_by_hand_needs_a_person(self) -> None:
        given = procedure(apply(), Measure(("12V0",)), PowerOff(), unattended_after_first_power=True)

        assert "step 2 (a person holds the probe)" in only(warnings(given, bench(probing_by_hand=True)))


def high_voltage_board(volts: str = "0.8 V ± 1 %") -> Board:
    """VHT from a boost: 0.8 V * (1 + 1110 / 15) = 60 V."""
    boost = replace(BUCK, kind=ConverterKind.BOOST, reference=lim(volts))
    boost = replace(boost, upper=lim("1.11 MΩ ± 1 %"), lower=lim("15 kΩ ± 1 %"))  # E192 and E24
    return small_board(rails=(*RAILS, Rail("VHT", "VIN", probe="TP9", converter=boost, loads=RAILS[0].loads)))


class TestShock:
    def test_a_point_from_sixty_volts_is_cautioned_about(self) -> None:
        found = only(warnings(sound(board=high_voltage_board(), power=apply(limit="1 A")), bench()))

        assert found == "VHT (60 V): from 60 V DC or 30 V AC RMS a point can shock (ES1 limits of IEC 62368-1)"

    def test_a_point_below_sixty_volts_is_not(self) -> None:
        # 0.79 V * 75 = 59.25 V
        assert warnings(sound(board=high_voltage_board("0.79 V ± 0.1 %"), power=apply(limit="1 A")), bench()) == []

    def test_a_negative_point_counts_by_magnitude(self) -> None:
        # 1.2 V * (1 + 980 / 20) = 60 V, below ground
        board = with_converter("N12V", upper=lim("980 kΩ ± 1 %"))
        rails = tuple(replace(rail, damage_above=None) for rail in board.rails.values())
        found = warnings(sound(board=small_board(rails=rails), power=apply(limit="1 A")))

        assert "N12V (60 V): from 60 V DC or 30 V AC RMS a point can shock (ES1 limits of IEC 62368-1)" in found

    def test_capacitors_above_twenty_joules_are_cautioned_about(self) -> None:
        # 80 mF at 24 V: 0.08 * 24 * 24 / 2 = 23.04 J; 69 mF: 19.87 J
        held = with_input(capacitance=q("80 mF"))

        assert "VIN (23 J): more than 20 J in capacitors can burn and weld" in warnings(sound(board=held))
        assert warnings(sound(board=with_input(capacitance=q("69 mF")))) == []

    def test_probing_such_a_point_by_hand_is_refused(self) -> None:
        given = sound(board=high_voltage_board(), power=apply(limit="1 A"))
        found = [one for one in examine(given, bench(probing_by_hand=True)) if one.refused]

        assert [one.message for one in found] == [
            "VHT carries up to 60 V and would be probed by hand; from 60 V DC or 30 V AC RMS hands stay off"
        ]
        assert "Attach the meter with power off" in found[0].what_to_do
        assert refusals(given, bench()) == []

    @pytest.mark.parametrize(("volts", "hurts"), [("30 V", True), ("29.9 V", False)])
    def test_stated_ac_counts_from_thirty_volts(self, volts: str, hurts: bool) -> None:
        winding = Rail("W1", "VIN", probe="TP9", expect=lim("12 V ± 5 %"), ac=q(volts))
        given = sound(board=small_board(rails=(*RAILS, winding)))

        found = [one for one in examine(given, bench(probing_by_hand=True)) if one.refused]
        assert [one.message for one in found] == (
            ["W1 carries up to 30 V and would be probed by hand; from 60 V DC or 30 V AC RMS hands stay off"] * hurts
        )
        text = "W1 (30 V): from 60 V DC or 30 V AC RMS a point can shock (ES1 limits of IEC 62368-1)"
        assert (text in warnings(given, bench())) is hurts

    def test_a_plain_connection_carries_what_is_applied_to_its_input(self) -> None:
        board = small_board(
            replace(VIN, working=lim("18 V .. 70 V"), damage_above=q("80 V")),
            rails=(Rail("VFUSED", "VIN", probe="TP1"), *RAILS),
        )
        found = warnings(sound(board=board, power=apply("18 V", "61 V")))

        text = "VIN (61 V) and VFUSED (61 V): from 60 V DC or 30 V AC RMS a point can shock (ES1 limits of IEC 62368-1)"
        assert text in found

    def test_a_rail_below_its_minimum_load_counts_with_its_excess(self) -> None:
        # 0.8 V * (1 + 1050 / 15) = 56.8 V, and 6 % more below the minimum load: 60.2 V
        board = high_voltage_board()
        boost = replace(BUCK, kind=ConverterKind.BOOST, minimum_load=q("1 mA"))
        boost = replace(boost, upper=lim("1.05 MΩ ± 1 %"), lower=lim("15 kΩ ± 1 %"))
        rails = tuple(replace(rail, converter=boost) if rail.name == "VHT" else rail for rail in board.rails.values())

        assert "VHT (60.2 V)" in only(
            warnings(sound(board=small_board(rails=rails), power=apply(limit="1 A")), bench())
        )
