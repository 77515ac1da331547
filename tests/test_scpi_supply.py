"""The supply over a dialect and a link: what goes out, in what order, and what is made of what comes back."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from bringup.core.bench import Expected, SupplyRole
from bringup.core.dialect import Dialect
from bringup.errors import BenchError
from bringup.files.dialect_file import find_dialect
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault
from bringup.runner.roles import Protection
from bringup.runner.scpi_supply import ScpiSupply
from tests.fake_link import Answer, FakeLink

ONE = find_dialect("single-output", ".")
MANY = find_dialect("select-by-number", ".")


def supply(
    dialect: Dialect = ONE, answers: dict[str, Answer] | None = None, identity: str = "MAKER,MODEL,SN1,1.0", **role: Any
) -> tuple[ScpiSupply, FakeLink]:
    link = FakeLink({"INST:NSEL?": "1", **(answers or {})}, identity)
    named = SupplyRole("TCPIP0::192.0.2.10::5025::SOCKET", dialect.name, **{"outputs": {"VIN": 1}, **role})
    return ScpiSupply(named, dialect, link), link


def done(pending: Pending[Any]) -> Any:
    assert pending.done
    return pending.value()


def test_a_setting_its_error_look_and_its_read_back_are_one_batch() -> None:
    it, link = supply(answers={"VOLT?": "+2.40000E+01"})
    result = done(it.set_voltage(1, 24.0))
    assert link.batches == [["VOLT 24", "SYST:ERR?", "VOLT?"]]
    assert (result.readback, result.troubles, result.faultless) == (24.0, (), True)


def test_the_output_is_selected_before_every_operation_and_the_selection_checked() -> None:
    it, link = supply(MANY, {"CURR?": "0.4", "INST:NSEL?": "2"})
    result = done(it.set_current_limit(2, 0.4))
    assert link.batches == [["INST:NSEL 2", "CURR 0.4", "SYST:ERR?", "CURR?", "INST:NSEL?"]]
    assert (result.readback, result.faultless) == (0.4, True)


def test_a_setting_that_reached_another_output_is_a_fault() -> None:
    it, _ = supply(MANY, {"VOLT?": "24", "INST:NSEL?": "3"})
    result = done(it.set_voltage(1, 24.0))
    assert not result.faultless
    assert result.troubles[0].text == "output 1 was to be selected, the supply says '3'"


def test_an_error_is_kept_with_the_command_that_caused_it_and_the_queue_emptied() -> None:
    it, link = supply(answers={"VOLT?": "5.0"})
    link.errors = ['-222,"Data out of range"', "+17,Something else,with a comma", '0,"No error"', "-1,never read"]
    result = done(it.set_voltage(1, 99.0))
    assert link.batches == [["VOLT 99", "SYST:ERR?", "VOLT?"], ["SYST:ERR?"], ["SYST:ERR?"]]
    (trouble,) = result.troubles
    assert trouble.sent == "VOLT 99"
    assert [error.code for error in trouble.errors] == [-222, 17]
    assert "Data out of range" in trouble.text
    assert not result.faultless
    assert result.readback == 5.0


@pytest.mark.parametrize("none", ['0,"No error"', '+0,"No error"', "0  No Error", "0,An Error, says the text", "-0"])
def test_only_the_leading_integer_decides_whether_there_is_an_error(none: str) -> None:
    it, link = supply(answers={"VOLT?": "5.0"})
    link.errors = [none]
    assert done(it.set_voltage(1, 5.0)).faultless


def test_an_error_queue_that_never_empties_is_bounded_and_said() -> None:
    it, link = supply(answers={"VOLT?": "5", "SYST:ERR?": "-350,Queue overflow"})
    (trouble,) = done(it.set_voltage(1, 5.0)).troubles
    assert len(trouble.errors) == 50
    assert link.sent.count("SYST:ERR?") == 50
    assert trouble.text.endswith("the error queue does not empty")


def test_silence_during_a_setting_is_a_fault_with_the_message_that_was_not_answered() -> None:
    it, _ = supply(answers={"SYST:ERR?": LinkFault.TIMEOUT})
    result = done(it.set_voltage(1, 5.0))
    assert (result.readback, result.faultless) == (None, False)
    assert [(trouble.sent, trouble.fault) for trouble in result.troubles] == [("SYST:ERR?", LinkFault.TIMEOUT)]


def test_over_current_protection_is_delay_then_level_then_enabled_each_looked_at() -> None:
    it, link = supply(answers={"CURR:PROT?": "0.22", "CURR:PROT:DEL?": "0.05", "CURR:PROT:STAT?": "1"})
    result = done(it.set_protection(1, Protection.OVER_CURRENT, 0.22, 0.05))
    assert link.batches == [
        ["CURR:PROT:DEL 0.05", "SYST:ERR?", "CURR:PROT:DEL?"],
        ["CURR:PROT 0.22", "SYST:ERR?", "CURR:PROT?"],
        ["CURR:PROT:STAT ON", "SYST:ERR?", "CURR:PROT:STAT?"],
    ]
    assert (result.readback, result.on, result.faultless) == (0.22, True, True)


def test_a_protection_whose_level_is_refused_is_not_enabled() -> None:
    it, link = supply(answers={"VOLT:PROT?": "60"})
    link.errors = ['-222,"Data out of range"']
    result = done(it.set_protection(1, Protection.OVER_VOLTAGE, 99.0))
    assert not result.faultless
    assert "VOLT:PROT:STAT ON" not in link.sent


def test_a_protection_is_switched_off_without_touching_its_level() -> None:
    it, link = supply(answers={"CURR:PROT:STAT?": "0"})
    assert done(it.set_protection(1, Protection.OVER_CURRENT, None)).on is False
    assert link.sent == ["CURR:PROT:STAT OFF", "SYST:ERR?", "CURR:PROT:STAT?"]


def test_what_the_dialect_has_no_word_for_is_said_and_nothing_sent() -> None:
    bare = replace(
        ONE, operations={k: v for k, v in ONE.operations.items() if "over" not in k and k != "set_remote_sense"}
    )
    it, link = supply(bare)
    assert not it.can_protect(1, Protection.OVER_VOLTAGE)
    assert done(it.set_remote_sense(1, True)).troubles[0].text == (
        "the dialect single-output has no word for set remote sense"
    )
    assert link.sent == []


def test_a_delay_that_cannot_be_set_is_said() -> None:
    bare = replace(ONE, operations={k: v for k, v in ONE.operations.items() if k != "set_over_current_delay"})
    it, _ = supply(bare, {"CURR:PROT?": "0.2"})
    result = done(it.set_protection(1, Protection.OVER_CURRENT, 0.2, 0.1))
    assert "no delay for over-current protection" in result.troubles[0].text
    assert result.readback == 0.2


def test_switching_asks_what_the_output_is_now() -> None:
    it, link = supply(answers={"OUTP?": "0"})
    assert done(it.switch(1, True)).on is False
    assert link.batches == [["OUTP ON", "SYST:ERR?", "OUTP?"]]


def test_all_off_tells_every_output_first_and_spares_what_is_to_be_left_alone() -> None:
    it, link = supply(MANY, {"OUTP?": "0"}, outputs={"VIN": 1, "VBUS": 2}, leave_alone=(3,))
    assert done(it.all_off()).on is False
    assert link.batches == [
        [
            *("INST:NSEL 1", "OUTP OFF", "INST:NSEL 2", "OUTP OFF", "SYST:ERR?"),
            *("INST:NSEL 1", "OUTP?", "INST:NSEL 2", "OUTP?"),
        ]
    ]


@pytest.mark.parametrize(
    ("states", "on"), [(["0", "0"], False), (["0", "1"], True), (["0", "what"], None), (["1", "what"], True)]
)
def test_all_off_is_off_only_if_every_output_says_so(states: list[str], on: bool | None) -> None:
    it, _ = supply(MANY, {"OUTP?": list(states)}, outputs={"VIN": 1, "VBUS": 2})
    assert done(it.all_off()).on is on


def test_all_off_of_a_silent_supply_is_unknown() -> None:
    it, _ = supply(answers={"OUTP?": LinkFault.TIMEOUT})
    result = done(it.all_off())
    assert (result.on, result.faultless) == (None, False)


def test_one_switch_for_all_outputs_cannot_spare_one() -> None:
    together = replace(MANY, output_scope="all")
    with pytest.raises(BenchError, match="outputs 3 left alone, but with the dialect select-by-number one switch"):
        supply(together, leave_alone=(3,))
    it, link = supply(together, {"OUTP?": "0"}, outputs={"VIN": 1, "VBUS": 2})
    assert done(it.all_off()).on is False
    assert link.sent.count("OUTP OFF") == 1


def test_a_look_is_one_batch_and_a_sample() -> None:
    answers: dict[str, Answer] = {
        "MEAS:VOLT?": "+2.39990E+01",
        "MEAS:CURR?": "+8.50000E-02",
        "OUTP?": "1",
        "STAT:QUES:INST:ISUM1:COND?": "2",
        "VOLT?": "24",
        "CURR?": "0.4",
        "VOLT:PROT:TRIP?": "0",
        "CURR:PROT:TRIP?": "0",
    }
    it, link = supply(MANY, answers)
    sample = done(it.poll(1))
    assert link.batches == [["INST:NSEL 1", *answers.keys()]]
    assert (sample.volts, sample.amps, sample.on, sample.mode) == (23.999, 0.085, True, "voltage")
    assert (sample.set_volts, sample.set_amps, sample.tripped, sample.fault) == (24.0, 0.4, None, None)
    assert sample.volts_raw == "+2.39990E+01"


def test_a_trip_is_named_and_an_output_that_is_off_has_no_other_mode() -> None:
    it, _ = supply(answers={"OUTP?": "0", "STAT:QUES:COND?": "0", "VOLT:PROT:TRIP?": "1", "CURR:PROT:TRIP?": "1"})
    sample = done(it.poll(1))
    assert (sample.mode, sample.tripped) == ("off", "over-voltage and over-current")


def test_a_look_at_a_silent_supply_has_no_values_and_a_fault() -> None:
    it, _ = supply(answers={"MEAS:VOLT?": LinkFault.TIMEOUT})
    sample = done(it.poll(1))
    assert (sample.volts, sample.amps, sample.on, sample.mode, sample.set_volts) == (None,) * 5
    assert sample.fault is LinkFault.TIMEOUT


def test_over_range_volts_are_no_number_but_no_silence_either() -> None:
    it, _ = supply(answers={"MEAS:VOLT?": "+9.9E+37"})
    sample = done(it.poll(1))
    assert (sample.volts, sample.over_range, sample.fault) == (None, True, None)


def test_stray_lines_of_a_look_are_handed_on() -> None:
    it, link = supply()
    link.strays = {"OUTP?": ("hello",)}
    assert done(it.poll(1)).strays == ("hello",)


def test_settings_show_a_protection_only_where_it_is_enabled() -> None:
    answers: dict[str, Answer] = {
        "VOLT?": "24",
        "CURR?": "0.4",
        "OUTP?": "0",
        "VOLT:PROT?": "28",
        "CURR:PROT?": "1.1",
        "CURR:PROT:STAT?": "0",
        "VOLT:PROT:STAT?": "1",
    }
    it, link = supply(answers=answers)
    found = done(it.settings(1))
    assert (found.volts, found.amps, found.on) == (24.0, 0.4, False)
    assert (found.over_voltage, found.over_current, found.troubles) == (28.0, None, ())
    assert all(text.endswith("?") for text in link.sent)


def test_attaching_only_asks_and_returns_the_errors_that_were_waiting() -> None:
    it, link = supply()
    link.errors = ['-113,"Undefined header"', "-222,Data out of range"]
    attached = done(it.attach())
    assert [error.code for error in attached.old_errors] == [-113, -222]
    assert attached.identity == link.identity
    assert set(link.sent) == {"*IDN?", "SYST:ERR?"}, "how errors are asked for may depend on the model"
    assert it.info.identity == link.identity
    assert not it.info.simulated


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        (Expected(model="OTHER"), "expects model 'OTHER', but 'MODEL' answers"),
        (Expected(maker="OTHER"), "expects maker 'OTHER', but 'MAKER' answers"),
        (Expected(serial="SN2"), "expects serial number 'SN2', but 'SN1' answers"),
    ],
)
def test_another_instrument_than_the_bench_file_names_is_refused(expected: Expected, words: str) -> None:
    it, _ = supply(expected=expected)
    with pytest.raises(BenchError, match=words):
        done(it.attach())


def test_identity_is_compared_without_regard_to_case_and_only_where_stated() -> None:
    it, _ = supply(expected=Expected(model="model"))
    assert done(it.attach()).old_errors == ()


def test_an_instrument_of_another_dialect_is_refused_but_a_simulated_one_speaks_any() -> None:
    picky = replace(ONE, identity_pattern="^BUOY WORKS,PS")
    it, _ = supply(picky)
    with pytest.raises(BenchError, match="for instruments that answer like '\\^BUOY WORKS,PS', but 'MAKER"):
        done(it.attach())
    it, _ = supply(picky, identity="BRINGUP SIMULATED,MODEL,SN1,1", expected=Expected(maker="BUOY WORKS"))
    assert done(it.attach()).identity.simulated
    assert it.info.simulated


def test_one_that_does_not_answer_is_a_bench_error() -> None:
    it, _ = supply(answers={"SYST:ERR?": LinkFault.LOST})
    with pytest.raises(BenchError, match="supply at nowhere does not answer: as scripted"):
        done(it.attach())


def test_clearing_a_trip_tells_what_the_output_is_afterwards() -> None:
    it, link = supply(answers={"OUTP?": "1"})
    assert done(it.clear_trip(1)).on is True
    assert link.sent == ["VOLT:PROT:CLE", "CURR:PROT:CLE", "SYST:ERR?", "OUTP?"]
