"""What instruments answer, and what can be an answer at all."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.replies import (
    ReplyKind,
    can_answer,
    read_boolean,
    read_error,
    read_identity,
    read_integer,
    read_number,
    read_numbers,
)
from bringup.core.response import read_block, read_string, split_fields

IDENTITY = "BRINGUP SIMULATED,SUPPLY-2,SIM0001,1.0"
ERRORS = [
    '0,"No error"',
    '+0,"No error"',
    "0,No Error",
    "0  No Error",
    "+0, No error",
    "-113,Undefined header,MEAS:POW?",
    '-113,"Undefined header;ABCD"',
]
NUMBERS = ["273", "0.273", "2.73E+2", "+5.00000000E+00", "1.2e000", "5.280e000", "+.5", "-10.5", "5.", "+9.9E37", "OL"]


@pytest.mark.parametrize(
    ("line", "number", "resolution"),
    [
        # NR1, NR2, NR3 as in makers' programming guides.
        ("273", 273.0, 1.0),
        ("0.273", 0.273, 0.001),
        ("2.73E+2", 273.0, 1.0),
        ("1.2e-1", 0.12, 0.01),
        ("+.5", 0.5, 0.1),
        ("-10.5", -10.5, 0.1),
        ("1.5E12", 1.5e12, 1e11),
        # Forms recorded from instruments: signs, long exponents, a full stop without digits after it.
        ("+5.00000000E+00", 5.0, 1e-8),
        ("1.2e000", 1.2, 0.1),
        ("5.280e000", 5.28, 0.001),
        ("5.", 5.0, 1.0),
        ("  3.306\r\n", 3.306, 0.001),
        ("3.306\r\x00\x00", 3.306, 0.001),
        ("-0.00", 0.0, 0.01),
    ],
)
def test_reads_a_number_and_the_weight_of_its_last_digit(line: str, number: float, resolution: float) -> None:
    value = read_number(line)
    assert value.number == number
    assert value.resolution == resolution
    assert value.raw == line


# SCPI-1999 volume 1, 7.2.1, as makers' guides cite it.
@pytest.mark.parametrize("line", ["9.91E37", "+9.91000000E+37", "9.910000E+37", "-9.91E37", "NAN"])
def test_not_a_number_is_no_value_and_not_over_range(line: str) -> None:
    value = read_number(line)
    assert (value.number, value.over_range) == (None, 0)
    assert "no number" in value.why


@pytest.mark.parametrize(
    ("line", "sign"),
    [("9.9E37", 1), ("+9.90000000E+37", 1), ("-9.9E37", -1), ("1E38", 1), ("-OL", -1), ("OL", 1), ("INF", 1)],
)
def test_over_range_is_no_value_and_keeps_its_sign(line: str, sign: int) -> None:
    value = read_number(line)
    assert (value.number, value.over_range, value.why) == (None, sign, "over range")


def test_a_dialect_may_put_its_over_range_lower() -> None:
    assert read_number("+9.99999E+9", over_range_from=9e9).over_range == 1
    assert read_number("1E+9", over_range_from=9.8e8).over_range == 1
    assert read_number("9.91E37", over_range_from=9e9).over_range == 0
    assert read_number("9.9E37", over_range_from=1e39).over_range == 1


@pytest.mark.parametrize(
    "line",
    ["", "   ", "\x00", "V1 5.000", "3,306,", "1e99999999", "****", "4k7", "5.000V", "0x10", "1_000", "٣", "1" * 500],
)
def test_what_is_no_number_is_no_value(line: str) -> None:
    value = read_number(line, field=1) if "," in line else read_number(line)
    assert value.number is None or (line == "3,306," and value.number == 306)
    if value.number is None:
        assert value.why


def test_a_number_too_large_for_floating_point_is_over_range() -> None:
    assert read_number("1e400").over_range == 1
    assert read_number("1e-400").number == 0.0


def test_a_decimal_comma_is_two_fields_and_no_number() -> None:
    assert not can_answer(ReplyKind.NUMBER, "3,306")


@pytest.mark.parametrize(
    ("line", "unit", "number", "resolution"),
    [
        ("43.50V", "V", 43.5, 0.01),
        ("1.2mV", "V", 0.0012, 0.0001),
        ("+20.44mV", "V", 0.02044, 0.00001),
        ("100 OHM", "ohm", 100.0, 1.0),
        ("+0.7K Ohm", "ohm", 700.0, 100.0),
        ("2MOHM", "ohm", 2e6, 1e6),
        ("1.23 VDC", "V", 1.23, 0.01),
        ("5.000", "V", 5.0, 0.001),
    ],
)
def test_reads_units_where_that_is_asked_for(line: str, unit: str, number: float, resolution: float) -> None:
    value = read_number(line, unit=unit)
    assert value.number == pytest.approx(number, rel=1e-12)
    assert value.resolution == pytest.approx(resolution)
    assert can_answer(ReplyKind.NUMBER, line, unit=unit)


def test_a_unit_of_another_kind_is_no_value() -> None:
    assert read_number("1.5A", unit="V").number is None
    assert read_number("4k7", unit="ohm").number is None


def test_reads_one_field_of_a_list() -> None:
    line = "12.000,0.499,5.988\n"
    assert [value.number for value in read_numbers(line)] == [12.0, 0.499, 5.988]
    assert read_number(line, field=2).number == 5.988
    assert read_number(line, field=2).raw == line
    assert "has 3 values, number 4" in read_number(line, field=3).why
    assert read_number("0.00,5,", field=1).number == 5.0
    assert read_number("1", field=-1).number is None


@pytest.mark.parametrize(
    ("line", "integer"),
    # Radix forms as in the public tests of an open SCPI parser.
    [
        ("4", 4),
        ("+4", 4),
        ("-113", -113),
        ("#H20", 32),
        ("#Q20", 16),
        ("#B11", 3),
        ("+4.00000000E+00", 4),
        ("4.5", None),
        ("", None),
        ("#H", None),
        ("9.9E37", None),
        ("OL", None),
        ("1E20", None),
    ],
)
def test_reads_integers_in_every_radix(line: str, integer: int | None) -> None:
    assert read_integer(line) == integer


@pytest.mark.parametrize(
    ("line", "truth"),
    [
        ("1", True),
        ("+1", True),
        ("0", False),
        ("ON\r\n", True),
        ("off", False),
        ("YES", True),
        ("NO", False),
        ("2", None),
        ("", None),
        ("NONE", None),
        ("1.0", None),
    ],
)
def test_reads_booleans_in_every_spelling(line: str, truth: bool | None) -> None:
    assert read_boolean(line) is truth


def test_an_instruments_own_words_come_first() -> None:
    words = {"EXT": "on", "INT": "off", "0": "on"}
    assert read_boolean("ext", words) is True
    assert read_boolean("INT", words) is False
    assert read_boolean("0", words) is True


@pytest.mark.parametrize(
    ("line", "code", "text"),
    [
        ('0,"No error"', 0, "No error"),
        ('+0,"No error"', 0, "No error"),
        ("0,No Error", 0, "No Error"),
        ("0  No Error", 0, "No Error"),
        ("+0, No error", 0, "No error"),
        ("-113,Undefined header,MEAS:POW?", -113, "Undefined header,MEAS:POW?"),
        # Device-dependent text after a semicolon: SCPI-1999 volume 2, 21.8, through an open parser's table.
        ('-113,"Undefined header;ABCD"\r\n', -113, "Undefined header;ABCD"),
        ('-222,"Data ""out"" of range"', -222, 'Data "out" of range'),
        ('201,"Output 1 tripped"', 201, "Output 1 tripped"),
        ("0", 0, ""),
        ('0,""', 0, ""),
    ],
)
def test_reads_error_entries_by_their_leading_integer(line: str, code: int, text: str) -> None:
    entry = read_error(line)
    assert entry is not None
    assert (entry.code, entry.text, entry.raw) == (code, text, line)


@pytest.mark.parametrize("line", ["", "No error", "3.306", "+5.0E+00", "1,2,3", "12,0.5", IDENTITY, "1" * 5000, "5 V"])
def test_other_lines_are_no_error_entries(line: str) -> None:
    assert read_error(line) is None


def test_reads_an_identity() -> None:
    assert read_identity(" " + IDENTITY + "\r\n\x00").simulated
    # From the public tests of an open SCPI parser.
    identity = read_identity("MA, IN,0,VER")
    assert (identity.maker, identity.model, identity.serial, identity.firmware) == ("MA", "IN", "0", "VER")
    assert identity.text == "MA, IN,0,VER"
    assert read_identity("MA,IN,0,1.0,2.0").firmware == "1.0,2.0"
    assert read_identity("SUPPLY3005V2.0").maker == "SUPPLY3005V2.0"
    assert read_identity("").maker == ""


# Blocks as in the public tests of an open SCPI parser; the indefinite form from memory.
@pytest.mark.parametrize(
    ("line", "data"),
    [
        ("#11a", "a"),
        ("#204ABCD", "ABCD"),
        ("#211X1234567890", "X1234567890"),
        ("#13a\r\n", "a\r\n"),
        ("#13a\r\n\n", "a\r\n"),
        ("#10", ""),
        ("#0ABCD\n", "ABCD"),
        ("#210ABCD", None),
        ("#11ab", None),
        ("#", None),
        ("#3", None),
        ("#2a0", None),
        ("#²11", None),
        ("ABCD", None),
    ],
)
def test_reads_blocks_whole_or_not_at_all(line: str, data: str | None) -> None:
    assert read_block(line) == data


def test_reads_strings_with_doubled_quotes() -> None:
    assert read_string('"VOLT:DC"\n') == "VOLT:DC"
    assert read_string('"say ""on"""') == 'say "on"'
    assert read_string("'it''s'") == "it's"
    assert read_string('"open') is None
    assert read_string("VOLT") is None


def test_commas_inside_quotes_and_parentheses_do_not_split() -> None:
    assert split_fields("\"a,b\", 2 ,(@1,2),'c,d',") == ('"a,b"', "2", "(@1,2)", "'c,d'")
    assert split_fields("1,,2") == ("1", "", "2")
    assert split_fields('1,"open,2') == ("1", '"open,2')


@pytest.mark.parametrize(("kind", "line"), list(product([ReplyKind.NUMBER, ReplyKind.NUMBERS], [IDENTITY, *ERRORS])))
def test_an_identity_or_error_is_never_taken_for_a_number(kind: ReplyKind, line: str) -> None:
    assert not can_answer(kind, line)


@pytest.mark.parametrize("line", NUMBERS)
def test_a_number_is_taken_for_neither_identity_nor_words(line: str) -> None:
    assert can_answer(ReplyKind.NUMBER, line)
    assert can_answer(ReplyKind.NUMBERS, line)
    for kind in (ReplyKind.IDENTITY, ReplyKind.STRING, ReplyKind.BLOCK):
        assert not can_answer(kind, line)


@pytest.mark.parametrize(
    ("kind", "line", "fits"),
    [
        (ReplyKind.NUMBER, "1,2", False),
        (ReplyKind.NUMBERS, "1,2,OL", True),
        (ReplyKind.NUMBERS, "1,,2", False),
        (ReplyKind.NUMBERS, "", False),
        (ReplyKind.INTEGER, "17", True),
        (ReplyKind.INTEGER, "1.5", False),
        (ReplyKind.BOOLEAN, "ON", True),
        (ReplyKind.BOOLEAN, "CV", False),
        (ReplyKind.ERROR, '0,"No error"', True),
        (ReplyKind.ERROR, "3.306", False),
        (ReplyKind.ERROR, IDENTITY, False),
        (ReplyKind.IDENTITY, IDENTITY, True),
        (ReplyKind.IDENTITY, "SUPPLY3005V2.0", True),
        (ReplyKind.IDENTITY, "ON", False),
        (ReplyKind.IDENTITY, '0,"No error"', False),
        (ReplyKind.IDENTITY, "-113,Undefined header,MEAS:POW?", False),
        (ReplyKind.IDENTITY, "", False),
        (ReplyKind.STRING, '"VOLT"', True),
        (ReplyKind.STRING, "VOLT", False),
        (ReplyKind.BLOCK, "#204ABCD", True),
        (ReplyKind.BLOCK, "#204ABC", False),
        (ReplyKind.TEXT, "CV", True),
        (ReplyKind.TEXT, " \r\n", False),
    ],
)
def test_only_a_fitting_line_can_answer(kind: ReplyKind, line: str, fits: bool) -> None:
    assert can_answer(kind, line) is fits


noise = st.one_of(
    st.text(max_size=60),
    st.text(alphabet="0123456789+-.eE#\"',;()@ \r\n\x00OLNAIFVm", max_size=40),
    st.binary(max_size=60).map(lambda data: data.decode("latin-1")),
)


@given(line=noise, unit=st.sampled_from(["", "V", "ohm", "degC"]), field=st.integers(-2, 4))
def test_no_line_whatsoever_raises_or_becomes_a_value_by_chance(line: str, unit: str, field: int) -> None:
    value = read_number(line, field=field, unit=unit)
    assert (value.number is None) == bool(value.why)
    assert value.number is None or abs(value.number) < 9.8e37
    assert value.over_range == 0 or value.number is None
    for kind in ReplyKind:
        can_answer(kind, line, unit=unit)
    read_boolean(line)
    read_identity(line)


@given(
    number=st.floats(-1e30, 1e30, allow_subnormal=False).filter(lambda x: x == 0 or abs(x) > 1e-280),
    digits=st.integers(0, 12),
)
def test_a_number_that_an_instrument_prints_is_read_to_its_last_digit(number: float, digits: int) -> None:
    printed = f"{number:+.{digits}E}"
    value = read_number(printed)
    assert value.number == float(printed)
    assert can_answer(ReplyKind.NUMBER, printed)
    assert read_error(printed) is None
    assert value.resolution == pytest.approx(10.0 ** (int(printed.partition("E")[2]) - digits))
