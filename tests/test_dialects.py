"""How operations are spelt and replies understood, and that the dialects that ship say what they must."""

from __future__ import annotations

import locale
import math
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.dialect import Dialect, Operation, can_ask, can_tell
from bringup.core.replies import ReplyKind
from bringup.core.spelling import DECIMALS, ask, number_text, spell
from bringup.core.understanding import understand_number, understand_switch, understand_word
from bringup.files.dialect_file import find_dialect, shipped_dialects


def texts(dialect: Dialect, operation: str, **values: object) -> list[str]:
    return [message.text for message in spell(dialect, operation, **values)]


@given(st.floats(-1e9, 1e9))
def test_a_number_is_spelt_in_plain_decimals_and_means_what_was_asked(value: float) -> None:
    text = number_text(value)
    assert re.fullmatch(r"-?(0|[1-9][0-9]*)(\.[0-9]{0,5}[1-9])?", text)
    assert abs(Decimal(text) - Decimal(value)) <= Decimal(1).scaleb(-DECIMALS)


@pytest.mark.parametrize(
    ("value", "text"),
    [(24, "24"), (0.1, "0.1"), (1e-5, "0.00001"), (-0.0, "0"), (4e-7, "0"), (1e6, "1000000"), (0.1 + 0.2, "0.3")],
)
def test_numbers_have_no_exponent_and_no_noise(value: float, text: str) -> None:
    assert number_text(value) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 9.9e37])
def test_what_is_no_setting_is_never_spelt(value: float) -> None:
    with pytest.raises(ValueError, match="must never be sent"):
        number_text(value)


def test_the_locale_changes_no_number() -> None:
    before = locale.setlocale(locale.LC_NUMERIC)
    wanted = next((name for name in ("de_DE.UTF-8", "fr_FR.UTF-8", "C") if known(name)), "C")
    try:
        locale.setlocale(locale.LC_NUMERIC, wanted)
        assert number_text(1234.5) == "1234.5"
    finally:
        locale.setlocale(locale.LC_NUMERIC, before)


def known(name: str) -> bool:
    before = locale.setlocale(locale.LC_NUMERIC)
    try:
        locale.setlocale(locale.LC_NUMERIC, name)
    except locale.Error:
        return False
    locale.setlocale(locale.LC_NUMERIC, before)
    return True


def test_the_base_supply_is_spelt_as_scpi_1999_has_it() -> None:
    supply = find_dialect("single-output", ".")
    assert texts(supply, "set_voltage", output=1, value=24.0) == ["VOLT 24"]
    assert texts(supply, "switch", output=1, on=True) == ["OUTP ON"]
    assert texts(supply, "over_current_state", output=1, on=False) == ["CURR:PROT:STAT OFF"]
    assert texts(supply, "set_remote_sense", output=1, on=True) == ["VOLT:SENS:SOUR EXT"]
    assert ask(supply, "measure_current", output=1).text == "MEAS:CURR?"
    assert ask(supply, "error").expects is ReplyKind.ERROR


def test_a_numbered_output_is_named_where_the_text_has_a_place_for_it() -> None:
    supply = find_dialect("select-by-number", ".")
    assert texts(supply, "select", output=3) == ["INST:NSEL 3"]
    assert texts(supply, "all_off", output=2) == ["INST:NSEL 2", "OUTP OFF"]
    assert ask(supply, "mode", output=2).text == "STAT:QUES:INST:ISUM2:COND?"


def test_the_base_meter_takes_a_function_a_range_and_an_integration_time() -> None:
    meter = find_dialect("configure-and-read", ".")
    assert texts(meter, "configure", function="dc volts", range=10.0) == ["CONF:VOLT:DC 10"]
    assert texts(meter, "configure", function="ohms", range=None) == ["CONF:RES DEF"]
    assert texts(meter, "integration", function="dc amps", nplc=0.2) == ["CURR:DC:NPLC 0.2"]
    assert ask(meter, "read", extra_time=0.5).timeout == meter.timeout + 0.5
    assert meter.ranges["dc volts"] == (0.1, 1, 10, 100, 1000)


@pytest.mark.parametrize(
    ("line", "word"),
    [("0", "unregulated"), ("1", "current"), ("+2", "voltage"), ("3", "unregulated"), ("6", "voltage"), ("512", None)],
)
def test_condition_bits_become_a_mode_by_the_first_entry_that_fits(line: str, word: str | None) -> None:
    assert understand_word(find_dialect("single-output", "."), "mode", line) == word


def test_a_reply_that_makes_no_sense_is_neither_on_nor_off() -> None:
    supply = find_dialect("single-output", ".")
    assert understand_switch(supply, "switch", "1") is True
    assert understand_switch(supply, "switch", "OFF") is False
    assert understand_switch(supply, "switch", "2") is None
    assert understand_switch(supply, "switch", None) is None
    assert understand_switch(supply, "set_remote_sense", "ext") is True
    assert understand_switch(supply, "set_remote_sense", "1") is None


def test_numbers_are_taken_from_their_field_and_over_range_is_none() -> None:
    dialect = Dialect(
        "all-in-one",
        "supply",
        {"look": Operation(query="MEAS:ALL?", reply=ReplyKind.NUMBERS, field=1)},
        over_range_from=1e9,
    )
    assert understand_number(dialect, "look", "24.01,0.110,2.64").number == 0.110
    assert understand_number(dialect, "look", "1,1E9").over_range == 1
    assert understand_number(dialect, "look", "24.01").number is None
    assert understand_number(dialect, "look", None).why == "no reply"


def test_what_a_dialect_has_not_cannot_be_asked_or_told() -> None:
    meter = find_dialect("configure-and-read", ".")
    assert not can_tell(meter, "set_voltage")
    assert can_tell(meter, "configure")
    assert not can_ask(meter, "configure")
    with pytest.raises(KeyError, match="no query for configure"):
        ask(meter, "configure")
    with pytest.raises(KeyError, match="value"):
        spell(find_dialect("single-output", "."), "set_voltage", output=1)


@pytest.mark.parametrize("name", sorted(shipped_dialects()))
def test_every_dialect_that_ships_says_what_it_was_checked_against_and_sends_one_command_a_message(name: str) -> None:
    dialect = find_dialect(name, ".")
    assert dialect.checked_against
    assert "identify" in dialect.operations
    for operation in dialect.operations.values():
        assert not any(";" in text for text in (*operation.send, operation.query))
        assert not any("?" in text for text in operation.send)
