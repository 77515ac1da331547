"""What a dialect's words mean: formats of numbers, status words in four notations, patterns, models and variants."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.dialect import Dialect, Message, Operation, Variant
from bringup.core.models import as_model, fit, pick
from bringup.core.replies import ReplyKind, can_answer, read_hex
from bringup.core.spelling import ask, filled, number_text, spell
from bringup.core.status_words import read_condition, status_word
from bringup.core.understanding import can_be_answer, understand_number, understand_output, understand_switch
from bringup.core.understanding import understand_word as word_of
from bringup.errors import NotationError
from bringup.files.dialect_file import find_dialect, shipped_dialects


def with_operation(operation: Operation, **facts: Any) -> Dialect:
    return Dialect("own", "supply", {"it": operation}, **facts)


@pytest.mark.parametrize(
    ("value", "form", "text"),
    [
        (5.0, ".3f", "5.000"),
        (5.0, "05.2f", "05.00"),
        (12.345, "05.2f", "12.34"),
        (100.0, "05.2f", "100.00"),
        (-0.0004, ".3f", "0.000"),
        (0.1 + 0.2, ".0f", "0"),
    ],
)
def test_a_number_is_spelt_in_the_format_that_the_dialect_gives(value: float, form: str, text: str) -> None:
    assert number_text(value, form) == text


@given(st.floats(0, 999), st.integers(0, 6))
def test_a_formatted_number_is_within_half_a_digit_of_what_was_asked(value: float, digits: int) -> None:
    assert abs(float(number_text(value, f".{digits}f")) - value) <= 0.5000001 * 10**-digits


def test_a_format_that_does_not_exist_is_never_spelt() -> None:
    with pytest.raises(ValueError, match="no format"):
        number_text(5.0, ".3e")


def test_outputs_have_names_and_addresses_two_digits() -> None:
    dialect = with_operation(Operation(send=("INST {name}", "V{output:02d} {value:.1f}")), output_names={2: "P25V"})

    assert [each.text for each in spell(dialect, "it", output=2, value=1.0)] == ["INST P25V", "V02 1.0"]
    assert filled("ADR {address:02d}", address=6) == "ADR 06"
    with pytest.raises(KeyError):
        spell(dialect, "it", output=3, value=1.0)


def test_what_is_sent_for_on_is_never_a_bit_of_the_answer() -> None:
    operation = Operation(send=("OUT{on}",), query="S?", words={"bit 6": "on"}, otherwise="off")

    assert [each.text for each in spell(with_operation(operation), "it", on=True)] == ["OUTON"]
    spelt = Operation(send=("OUT{on}",), words={"bit 6": "on"}, spelt={"on": "1", "off": "0"})
    assert [each.text for each in spell(with_operation(spelt), "it", on=False)] == ["OUT0"]


@pytest.mark.parametrize(
    ("kind", "reply", "word"),
    [
        (ReplyKind.INTEGER, "+20", 0x14),
        (ReplyKind.INTEGER, "-1", None),
        (ReplyKind.HEX, "0x14", 0x14),
        (ReplyKind.HEX, "00008C", 0x8C),
        (ReplyKind.HEX, "#H14", 0x14),
        (ReplyKind.HEX, "14 V", None),
        (ReplyKind.BYTE, "Q", 0x51),
        (ReplyKind.BYTE, "\n", 10),
        (ReplyKind.BYTE, "QQ", None),
        (ReplyKind.BITS, "00110101", 0x35),
        (ReplyKind.BITS_FROM_0, "10101100", 0x35),
        (ReplyKind.BITS, "00110102", None),
    ],
)
def test_a_status_word_is_read_in_the_notation_of_its_kind(kind: ReplyKind, reply: str, word: int | None) -> None:
    assert status_word(kind, reply) == word
    assert can_answer(kind, reply) == (word is not None or reply == "-1")


def test_a_raw_byte_is_one_byte_to_wait_for_and_not_a_line() -> None:
    assert ask(with_operation(Operation(query="STATUS?", reply=ReplyKind.BYTE)), "it").bytes == 1
    assert ask(with_operation(Operation(query="STATUS?", gap=0.4)), "it").gap == 0.4


@given(st.text(max_size=20))
def test_no_text_is_more_than_a_hexadecimal_number_or_nothing(text: str) -> None:
    number = read_hex(text)
    assert number is None or 0 <= number < 2**32


def test_bits_speak_of_one_output_or_of_any() -> None:
    operation = Operation(query="S?", reply=ReplyKind.HEX, words={"bit 4 of output 1": "on"}, otherwise="off")
    dialect = with_operation(operation)

    assert understand_switch(dialect, "it", "0x10", 1) is True
    assert understand_switch(dialect, "it", "0x20", 1) is False
    assert understand_switch(dialect, "it", "0x10", 3) is None, "of output 3 the word says nothing"
    assert understand_switch(dialect, "it", "rubbish", 1) is None, "what was not read is not off"
    assert understand_switch(dialect, "it", None, 1) is None


@given(st.integers(0, 255))
def test_a_condition_holds_exactly_where_its_bits_are_as_it_says(word: int) -> None:
    condition = read_condition("bit 0 and not bit 3 of output 2")

    assert condition.output == 2
    assert condition.holds(word) == (word % 2 == 1 and word // 8 % 2 == 0)


@pytest.mark.parametrize("text", ["bit 32", "bit", "bit 0 or bit 1", "bits 0", "not bit x", "bit 1 of output"])
def test_a_condition_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(NotationError):
        read_condition(text)


def test_the_word_of_a_mode_depends_on_several_bits() -> None:
    dialect = find_dialect("letter-and-number", ".")

    assert [word_of(dialect, "mode", line, 1) for line in ("1", "2", "3", "4", "x")] == [
        "voltage", "current", None, None, None,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("line", "number"),
    [("V1 5.000", 5.0), ("V2 0.25", 0.25), ("5.000", None), ("V1 five", None), ("V1", None), ("V1 5" + " " * 600, 5.0)],
)
def test_a_header_is_taken_off_by_the_pattern_and_belongs_there(line: str, number: float | None) -> None:
    value = understand_number(find_dialect("letter-and-number", "."), "set_voltage", line)

    assert value.number == number
    assert value.raw == line


@pytest.mark.parametrize(("line", "number"), [("43.50V", 43.5), ("0.500 V", 0.5), ("20mV", 0.02), ("43.5A", None)])
def test_a_unit_may_follow_where_the_dialect_says_which(line: str, number: float | None) -> None:
    assert understand_number(find_dialect("lock-first", "."), "set_voltage", line).number == number
    query = ask(find_dialect("lock-first", "."), "set_voltage")
    assert can_be_answer(query, line) == (number is not None)


def test_a_quoted_pair_is_read_by_pattern_and_field() -> None:
    operation = Operation(query="APPL?", reply=ReplyKind.NUMBERS, pattern='"([^"]*)"', field=1)
    dialect = with_operation(operation)

    assert understand_number(dialect, "it", '"5.000,0.500"').number == 0.5
    assert can_be_answer(ask(dialect, "it"), '"5.000,0.500"')
    assert not can_be_answer(ask(dialect, "it"), "5.000,0.500")
    assert not can_be_answer(Message("TOLD"), "anything")


def test_the_selected_output_is_known_by_number_or_name() -> None:
    by_name = find_dialect("select-by-name", ".")
    by_number = find_dialect("select-by-number", ".")

    assert [understand_output(by_name, line) for line in ("P25V", '"p6v"', "N25V", None)] == [2, 1, None, None]
    assert [understand_output(by_number, line) for line in ("+2", "OUT2")] == [2, None]


IDENTITIES = {
    "Keysight Technologies,E36312A,MY1,1.0": "channel-list",
    "Agilent Technologies,E3646A,0,1.7": "select-by-number",
    "HEWLETT-PACKARD,E3631A,0,2.1-5.0-1.0": "select-by-name",
    "HEWLETT-PACKARD,E3632A,0,1.1": "single-output",
    "RIGOL TECHNOLOGIES,DP832,DP8C1,00.01": "channel-parameter",
    "Siglent Technologies,SPD3303X-E,SPD3X,1.01": "channel-prefix",
    "ROHDE&SCHWARZ,HMP4040,102,2.41": "select-and-master",
    "GW INSTEK,GPP-4323,SN1,V1": "number-in-keyword",
    "THURLBY THANDAR, CPX400DP, 1, 1.0": "letter-and-number",
    "KORADKA3005PV2.0": "set-colon",
    "GW INSTEK,GPD-3303S,SN:1,V2.0": "set-colon-bits",
    "KEITHLEY INSTRUMENTS,2230-30-1,1,1.0": "select-by-name-and-master",
    "BK Precision,9130B,1,1.0": "select-by-ordinal",
    "B&K Precision,9174B,1,1.0": "number-in-keyword",
    "LAMBDA,GEN30-50": "addressed-line",
    "EA Elektro-Automatik,PS 9080-100,1,V1": "lock-first",
    "EA Elektro-Automatik GmbH & Co. KG, PSI 9080-60 2U, 1, 1": "lock-first",
    "CHROMA,62012P-80-60,1,1": "output-under-conf",
    "HEWLETT-PACKARD,6632B,0,A.01": "single-output",
    "GW-INSTEK,PSW30-36,1,1": "single-output",
    "Siglent Technologies,SPD1305X,1,1": "channel-prefix",
    "UNI-T,UDP3305S,1,1": "channel-parameter",
    "Keithley instruments,2220-30-1,1,1": "select-by-name-and-master",
    "HEWLETT-PACKARD,34401A,0,11-5-2": "configure-and-read",
    "Keysight Technologies,34461A,1,A.02": "configure-and-read",
    "FLUKE, 8846A, 1, 08/02/10": "configure-and-read",
    "KEITHLEY INSTRUMENTS INC.,MODEL 2110,1,01.02": "configure-and-read",
    "KEITHLEY INSTRUMENTS,MODEL DMM6500,0,1.7": "function-and-read",
    "RIGOL TECHNOLOGIES,DM3068,DM3,01.01": "select-and-query",
    "FLUKE, 8808A, 1, 1.1": "short-words",
    "OWON,XDM1041,1,V4": "configure-and-value",
    "BK PRECISION,5492B,1,1.0": "function-and-fetch",
    "RIGOL TECHNOLOGIES,DS1104Z,DS1,00.04.04": "item-by-channel",
    "RIGOL TECHNOLOGIES,MSO5074,MS5,00.01.03": "item-by-channel",
    "Siglent Technologies,SDS2104X Plus,SDS2,1.3": "simple-item",
    "KEYSIGHT TECHNOLOGIES,DSO-X 2024A,MY1,02.65": "vpp-by-channel",
    "Rohde&Schwarz,RTB2004,1333,02.400": "measurement-place",
}


@pytest.mark.parametrize(("identity", "name"), IDENTITIES.items())
def test_the_dialect_is_picked_by_what_an_instrument_says_it_is(identity: str, name: str) -> None:
    # Identities from memory: what such families answer, serial numbers made up.
    shipped = [find_dialect(each, ".") for each in shipped_dialects()]

    assert [each.name for each in pick(identity, shipped)] == [name]


def test_nothing_is_picked_for_a_stranger_and_two_that_fit_alike_are_both_named() -> None:
    shipped = [find_dialect(each, ".") for each in shipped_dialects()]
    one, other = (Dialect(name, "supply", {}, identity_pattern="BUOY WORKS,PS") for name in ("one", "other"))
    closer = Dialect("closer", "supply", {}, identity_pattern="BUOY WORKS,PS-3")

    assert pick("BUOY WORKS,PS-3,1,1", shipped) == ()
    assert pick("BUOY WORKS,PS-3,1,1", [one, other]) == (one, other)
    assert pick("BUOY WORKS,PS-3,1,1", [one, closer, other]) == (closer,)


def test_the_variant_that_fits_the_longest_stretch_counts_and_can_take_an_operation_away() -> None:
    base = Dialect(
        "own",
        "supply",
        {"mode": Operation(query="M?"), "clear_trip": Operation(send=("C",))},
        variants=(
            Variant("PS-3303X", {"mode": None}, outputs=2),
            Variant("PS-3303X-E", {"mode": Operation(query="N?")}, outputs=3, output_scope="all"),
        ),
    )

    assert set(as_model(base, "BUOY WORKS,PS-3303X,1,1").operations) == {"clear_trip"}
    model = as_model(base, "BUOY WORKS,PS-3303X-E,1,1")
    assert (model.operations["mode"].query, model.outputs, model.output_scope) == ("N?", 3, "all")
    assert as_model(base, "BUOY WORKS,PS-1,1,1") is base


def test_what_only_fills_up_pins_down_nothing() -> None:
    assert fit(".*", "BUOY WORKS,PS-3") == 0
    assert fit("(buoy).*,PS", "BUOY WORKS,PS-3") == len("BUOY WORKS,PS")
    assert fit("LAND", "BUOY WORKS,PS-3") is None
