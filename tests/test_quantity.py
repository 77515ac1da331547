"""Quantities in data-sheet notation: what is read, what is refused, what is written."""

from __future__ import annotations

from decimal import Decimal, localcontext

import pytest
import quantiphy
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.quantity import format_quantity, format_reading, parse_quantity
from bringup.errors import NotationError
from tests.strategies import decimals, units

POWER = {"p": -12, "n": -9, "u": -6, "\u00b5": -6, "\u03bc": -6, "m": -3, "": 0, "k": 3, "K": 3, "M": 6, "G": 9}


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("3.3 V", "3.3", "V"),
        ("3.3V", "3.3", "V"),
        ("66 mV", "0.066", "V"),
        ("−12 V", "-12", "V"),
        ("-12 V", "-12", "V"),
        ("+5 V", "5", "V"),
        (".5 A", "0.5", "A"),
        ("140 k\u03a9", "140000", "ohm"),
        ("140 k\u2126", "140000", "ohm"),
        ("140 kohm", "140000", "ohm"),
        ("140 kOhm", "140000", "ohm"),
        ("2.2 MΩ", "2200000", "ohm"),
        ("10 mOhm", "0.010", "ohm"),
        ("10 \u00b5F", "0.000010", "F"),
        ("10 \u03bcF", "0.000010", "F"),
        ("10 uF", "0.000010", "F"),
        ("4 ms", "0.004", "s"),
        ("5 min", "300", "s"),
        ("88 %", "88", "%"),
        ("-40 °C", "-40", "degC"),
        ("85 degC", "85", "degC"),
        ("1e-3 V", "0.001", "V"),
        ("16 MHz", "16000000", "Hz"),
        ("3.3\u00a0V", "3.3", "V"),
        ("  3.3 V ", "3.3", "V"),
    ],
)
def test_reads_a_quantity_exactly(text: str, value: str, unit: str) -> None:
    quantity = parse_quantity(text)
    assert (quantity.value, quantity.unit) == (Decimal(value), unit)


# IEC 60062:2016 as tabulated in an encyclopaedia page on the code; 0R1 and lower case from common use.
@pytest.mark.parametrize(
    ("text", "ohms"),
    [
        ("R47", "0.47"),
        ("4R7", "4.7"),
        ("470R", "470"),
        ("4K7", "4700"),
        ("4k7", "4700"),
        ("47K", "47000"),
        ("47K3", "47300"),
        ("470K", "470000"),
        ("4M7", "4700000"),
        ("0R1", "0.1"),
    ],
)
def test_reads_letter_code_where_a_resistance_is_due(text: str, ohms: str) -> None:
    assert parse_quantity(text, "ohm").value == Decimal(ohms)


@pytest.mark.parametrize(
    ("text", "unit", "offset", "message"),
    [
        ("1,5 V", None, 1, "a comma stands in '1,5 V'"),
        ("3v3", None, 0, "'3v3' has a letter for its decimal point"),
        ("4k7", None, 0, "'4k7' has a letter for its decimal point"),
        ("4k7", "V", 0, "'4k7' has a letter for its decimal point"),
        ("3.3", "V", 3, "'3.3' has no unit"),
        ("3.3 k", None, 5, "'k' alone is only a prefix"),
        ("3.3 A", "V", 4, "'3.3 A' is in A, where V is due"),
        ("5 %", "V", 2, "'5 %' is in %, where V is due"),
        ("3.3 mv", None, 4, "'mv' in '3.3 mv' is no unit"),
        ("3.3 k%", None, 4, "'k%' in '3.3 k%' is no unit"),
        ("nan V", None, 0, "'nan' is no value"),
        ("-inf V", None, 0, "'-inf' is no value"),
        ("", None, 0, "nothing is written"),
        ("   ", None, 0, "nothing is written"),
        ("V", None, 0, "'V' stands where a number is due"),
        ("TP1", "V", 0, "'TP1' stands where a number is due\\n"),
        ("3.3\tV", None, 3, "a control character"),
        ("3.3 V\x00", None, 5, "a control character"),
        ("1" * 200 + " V", None, 0, "202 characters are no quantity"),
        ("1" * 30 + " V", None, 0, "30 digits in one number"),
        ("1e400 V", None, 0, "out of all proportion"),
        ("1e99999999999 V", None, 0, "out of all proportion"),
        ("3.3 V 5 V", None, 6, "'5 V' follows '3.3 V'"),
        ("- 12 V", None, 0, "a space stands between sign and number"),
        ("1_000 V", None, 1, "'_' cannot follow '1'"),
        ("٣ V", None, 0, "stands where a number is due"),
        ("1 MOHM", None, 2, "'MOHM' in '1 MOHM' is no unit"),
    ],
)
def test_refuses_what_would_have_to_be_guessed(text: str, unit: str | None, offset: int, message: str) -> None:
    with pytest.raises(NotationError, match=message) as caught:
        parse_quantity(text, unit)
    assert caught.value.offset == offset
    assert caught.value.what_to_do


@pytest.mark.parametrize("thing", [3.3, 3, None, True, b"3.3 V", ["3.3 V"]])
def test_refuses_what_is_no_text(thing: object) -> None:
    with pytest.raises(NotationError, match="where a quantity with a unit is due"):
        parse_quantity(thing)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "unit", "resolution", "text"),
    [
        (3.306, "V", 0.001, "3.306 V"),
        (3.3, "V", 0.001, "3.300 V"),
        (Decimal("3.300"), "V", None, "3.3 V"),
        (-12, "V", None, "-12 V"),
        (0.499, "A", 0.001, "499 mA"),
        (10000, "ohm", None, "10 kΩ"),
        (Decimal("0.00001"), "F", None, "10 µF"),
        (0.1 + 0.2, "V", None, "300 mV"),
        (0.99996, "V", 1e-4, "1.0000 V"),
        (0.0, "V", None, "0 V"),
        (0.0, "V", 0.001, "0.000 V"),
        (0.0, "V", 1e-5, "0.00 mV"),
        (-0.0001, "V", 0.001, "0.000 V"),
        (123456.0, "ohm", 1e3, "123 kΩ"),
        (123456.0, "ohm", 1e4, "0.12 MΩ"),
        (3600.0, "s", None, "3600 s"),
        (0.004, "s", None, "4 ms"),
        (25.34, "degC", 0.1, "25.3 °C"),
        (0.18, "%", 0.01, "0.18 %"),
        (1500.0, "%", None, "1500 %"),
    ],
)
def test_writes_no_digit_finer_than_the_resolution(
    value: float | Decimal, unit: str, resolution: float | None, text: str
) -> None:
    assert format_quantity(value, unit, resolution=resolution) == text


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Decimal("NaN")])
def test_never_writes_a_value_that_is_none(value: float | Decimal) -> None:
    with pytest.raises(ValueError, match="no number that can be written"):
        format_quantity(value, "V")


def test_writes_a_missing_reading_in_words() -> None:
    assert format_reading(None, "V", 0.001) == "no value"
    assert format_reading(float("nan"), "V") == "no value"
    assert format_reading(3.306, "V", 0.001) == "3.306 V"


@given(value=decimals(), unit=units)
def test_what_is_written_is_read_again_exactly(value: Decimal, unit: str) -> None:
    again = parse_quantity(format_quantity(value, unit), unit)
    assert (again.value, again.unit) == (value, unit)


@given(
    digits=st.from_regex(r"-?[0-9]{1,9}(\.[0-9]{1,9})?", fullmatch=True),
    prefix=st.sampled_from(sorted(POWER)),
    unit=st.sampled_from(["V", "A", "ohm", "Ω", "W", "Hz", "F"]),
    space=st.sampled_from(["", " ", "  ", "\u00a0"]),
)
def test_a_prefix_is_worth_its_power_of_ten(digits: str, prefix: str, unit: str, space: str) -> None:
    quantity = parse_quantity(f"{digits}{space}{prefix}{unit}")
    assert quantity.value == Decimal(digits).scaleb(POWER[prefix])
    last = POWER[prefix] - len(digits.partition(".")[2])
    assert quantity.resolution == pytest.approx(10.0**last)


@given(value=st.floats(-1e9, 1e9, allow_subnormal=False), power=st.integers(-9, 6), unit=units)
def test_writing_moves_a_value_by_half_its_resolution_at_most(value: float, power: int, unit: str) -> None:
    written = format_quantity(value, unit, resolution=10.0**power)
    assert abs(parse_quantity(written).value - Decimal(repr(value))) <= Decimal(10) ** power / 2


@given(value=decimals(places=6), other=decimals(places=6), unit=units)
def test_reading_keeps_the_order_of_what_is_written(value: Decimal, other: Decimal, unit: str) -> None:
    first, second = (parse_quantity(format_quantity(one, unit)).number for one in (value, other))
    assert (first < second) == (value < other)


@given(text=st.text(max_size=30) | st.text(alphabet="0123456789.eE+- VAmkΩohs%,±", max_size=20), unit=st.none() | units)
def test_any_text_is_either_read_or_refused_with_a_way_out(text: str, unit: str | None) -> None:
    try:
        quantity = parse_quantity(text, unit)
    except NotationError as error:
        helpful = bool(error.message), bool(error.what_to_do), 0 <= error.offset <= len(text)
        assert helpful == (True, True, True)
    else:
        assert quantity.value.is_finite()
        assert unit is None or quantity.unit == unit


def test_settings_made_for_everybody_do_not_reach_us() -> None:
    quantiphy.Quantity.set_prefs(prec=1, output_sf="", strip_radix=False)
    try:
        assert format_quantity(3306.0, "V", resolution=1.0) == "3.306 kV"
        assert parse_quantity("66 mV").value == Decimal("0.066")
    finally:
        quantiphy.Quantity.reset_prefs()


def test_arithmetic_settings_of_the_process_do_not_reach_us() -> None:
    with localcontext() as context:
        context.prec = 3
        assert parse_quantity("1.23456789 V").value == Decimal("1.23456789")
        assert format_quantity(Decimal("1.23456789"), "V") == "1.23456789 V"


@pytest.mark.parametrize(
    ("text", "words"),
    [("1 MOHM", "mohm or Mohm"), ("5 mv", "mV or MV"), ("5 v", "V"), ("3 KOHM", "kohm"), ("2 hz", "Hz")],
)
def test_a_unit_in_wrong_capitals_is_told_every_unit_it_could_be(text: str, words: str) -> None:
    with pytest.raises(NotationError) as caught:
        parse_quantity(text)

    assert caught.value.what_to_do.startswith(f"Did you mean {words}? ")


@given(
    decimals(),
    st.sampled_from(["p", "n", "u", "m", "", "k", "M", "G"]),
    st.sampled_from(["V", "A", "ohm", "W", "Hz", "F", "s"]),
    st.sampled_from(["", " "]),
)
def test_an_independent_reader_finds_the_same_number(number: Decimal, prefix: str, unit: str, space: str) -> None:
    text = f"{number:f}{space}{prefix}{unit}"

    theirs = quantiphy.Quantity(text)

    assert parse_quantity(text).number == pytest.approx(theirs.real, rel=1e-12)
    assert parse_quantity(text).unit == theirs.units
