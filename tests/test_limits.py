"""Limits in data-sheet notation, and judging by them."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bringup.core.limits import Limits, deviation_percent, judge, parse_limits
from bringup.core.quantity import parse_quantity
from bringup.core.words import Result
from bringup.errors import NotationError
from tests.strategies import decimals
from tests.strategies import limits as any_limits


def ends(text: str, unit: str | None = None) -> tuple[str | None, str | None]:
    limits = parse_limits(text, unit)
    low, high = (None if end is None else f"{end.normalize():f}" for end in (limits.low, limits.high))
    return low, high


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("3.3 V ± 2 %", "3.234", "3.366"),
        ("3.3 V +/- 2 %", "3.234", "3.366"),
        ("3.3V±2%", "3.234", "3.366"),
        ("3.3V+/-2%", "3.234", "3.366"),
        ("3.3 V ± 66 mV", "3.234", "3.366"),
        ("3.3 V +5 % -2 %", "3.234", "3.465"),
        ("3.3 V -2 % +5 %", "3.234", "3.465"),
        ("3.3V+5%-2%", "3.234", "3.465"),
        ("3.3 V +100 mV -2 %", "3.234", "3.4"),
        ("-12 V ± 2 %", "-12.24", "-11.76"),
        ("−12 V ± 2 %", "-12.24", "-11.76"),
        ("-12 V +5 % -2 %", "-12.24", "-11.4"),
        ("4.75 V .. 5.25 V", "4.75", "5.25"),
        ("4.75V..5.25V", "4.75", "5.25"),
        ("60 mA .. 110 mA", "0.06", "0.11"),
        ("900 mV .. 1.1 V", "0.9", "1.1"),
        ("-12.6 V .. -11.4 V", "-12.6", "-11.4"),
        ("< 50 mV", None, "0.05"),
        ("<= 50 mV", None, "0.05"),
        ("≤50mV", None, "0.05"),
        ("> 1 k\u03a9", "1000", None),
        ("> 1 k\u2126", "1000", None),
        ("> 1 kohm", "1000", None),
        (">= 4.5 V", "4.5", None),
        ("140 kΩ ± 1 %", "138600", "141400"),
        ("> 80 %", "80", None),
        ("-40 °C .. 85 °C", "-40", "85"),
        ("0 V ± 50 mV", "-0.05", "0.05"),
    ],
)
def test_reads_every_spelling_exactly(text: str, low: str | None, high: str | None) -> None:
    assert ends(text) == (low, high)


def test_reads_letter_code_where_a_resistance_is_due() -> None:
    assert ends("4k7 ± 1 %", "ohm") == ("4653", "4747")
    assert ends("> 200R", "ohm") == ("200", None)
    with pytest.raises(NotationError, match="a letter for its decimal point"):
        parse_limits("4k7 ± 1 %")


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        ("1,5 V ± 2 %", None, "a comma stands"),
        ("3.3 ± 2 %", "V", "'3.3' has no unit"),
        ("3.3 V ± 0.1", "V", "'0.1' has no unit"),
        ("18 .. 30 V", "V", "'18' has no unit"),
        ("< 5", "V", "'5' has no unit"),
        ("3.3 A ± 2 %", "V", "'3.3 A' is in A, where V is due"),
        ("3.3 V ± 2 mA", None, "'2 mA' is in A, where V is due"),
        ("4.75 V .. 5.25 A", None, "'5.25 A' is in A, where V is due"),
        ("< 5 %", "V", "'5 %' is in %, where V is due"),
        ("4.75 V .. 5 %", None, "'5 %' is in %, where V is due"),
        ("5.25 V .. 4.75 V", None, "the lower limit 5.25 V is above the upper one, 4.75 V"),
        ("-11.4 V .. -12.6 V", None, "the lower limit -11.4 V is above the upper one, -12.6 V"),
        ("NaN V ± 2 %", None, "'NaN' is no value"),
        ("< inf V", None, "'inf' is no value"),
        ("3.3 V", None, "one value without a tolerance"),
        ("3.3 V +5 %", None, "says nothing of the other side"),
        ("3.3 V +5 % +2 %", None, "no spelling of limits"),
        ("3.3 V ± -2 %", None, "no spelling of limits"),
        ("± 2 %", None, "no spelling of limits"),
        ("> 1 V < 2 V", None, "no spelling of limits"),
        ("<", None, "no spelling of limits"),
        ("3.3 V to 5 V", None, "stands where a number is due"),
        ("3v3 ± 2 %", "V", "a letter for its decimal point"),
        ("0 V ± 2 %", None, "can be meant in two ways or means nothing"),
        ("88 % ± 2 %", None, "can be meant in two ways or means nothing"),
        ("20 °C ± 2 %", None, "can be meant in two ways or means nothing"),
        ("5V +-3%", "V", r"'\+-' is no sign of a tolerance"),
        ("5 V -/+ 3 %", "V", "'-/\\+' is no sign of a tolerance"),
        ("> 100 R", "ohm", "'R' in '> 100 R' is a letter for ohms that is written without a blank"),
        ("3.3 volt ± 2 %", None, "'volt' in '3.3 volt ± 2 %' is no unit"),
        ("", None, "nothing is written where limits"),
        ("3.3 V ± 1e300 V", None, "out of all proportion"),
        ("3.3 V\n± 2 %", None, "a control character"),
        ("x" * 300, None, "300 characters are no limits"),
    ],
)
def test_refuses_what_would_have_to_be_guessed(text: str, unit: str | None, message: str) -> None:
    with pytest.raises(NotationError, match=message) as caught:
        parse_limits(text, unit)
    assert 0 <= caught.value.offset <= len(text)
    assert caught.value.what_to_do


@pytest.mark.parametrize(
    ("text", "way_out"), [("5V +-3%", "Write ± or +/-"), ("> 100 R", "Write 100 Ω or 100 ohm."), ("< 2 kR", "2 kΩ")]
)
def test_a_spelling_of_elsewhere_is_told_in_ours(text: str, way_out: str) -> None:
    with pytest.raises(NotationError) as caught:
        parse_limits(text)
    assert way_out in caught.value.what_to_do


@pytest.mark.parametrize(
    ("text", "way_out"),
    [
        ("9-15 V", "Write 9 V .. 15 V."),
        ("9 V - 15 V", "Write 9 V .. 15 V."),
        ("9 V\u201315 V", "Write 9 V .. 15 V."),
        ("9 V to 15 V", "Write 9 V .. 15 V."),
        ("9 to 15 V", "Write 9 V .. 15 V."),
        ("9 .. 15 V", "Write 9 V .. 15 V."),
        ("900 mV to 1.1 V", "Write 900 mV .. 1.1 V."),
        ("-12.6 V to -11.4 V", "Write -12.6 V .. -11.4 V."),
    ],
)
def test_two_ends_in_another_spelling_are_told_in_ours_and_not_taken(text: str, way_out: str) -> None:
    with pytest.raises(NotationError) as caught:
        parse_limits(text, "V")
    assert caught.value.what_to_do == way_out
    assert parse_limits(way_out.removeprefix("Write ").removesuffix("."), "V").high is not None


@pytest.mark.parametrize(
    "text", ["-5-5 V", "3.3 V -5 V", "3.3 V -66 mV", "15-9 V", "9 V to 15 A", "60 mA-110 mA", "9-15"]
)
def test_nothing_is_suggested_that_may_not_have_been_meant(text: str) -> None:
    with pytest.raises(NotationError) as caught:
        parse_limits(text, "V")
    assert ".. " not in caught.value.what_to_do


@pytest.mark.parametrize("value", [3.366, 3.234, 3.3, Decimal("3.366")])
def test_a_limit_belongs_to_what_it_permits(value: float | Decimal) -> None:
    assert parse_limits("3.3 V ± 2 %").accepts(value)


@pytest.mark.parametrize("value", [3.3660000000000005, 3.2339999999999995, Decimal("3.3660000000000000001")])
def test_the_next_number_beyond_a_limit_fails(value: float | Decimal) -> None:
    assert not parse_limits("3.3 V ± 2 %").accepts(value)


# Common practice, no source.
@pytest.mark.parametrize(
    ("nominal", "value", "percent", "places"),
    [
        ("12 V", 11.93, -0.58, 2),
        ("15 V", 14.83, -1.13, 2),
        ("6.5 V", 6.422, -1.2, 1),
        ("3.3 V", 3.306, 0.18, 2),
    ],
)
def test_judges_common_readings_within_two_percent(nominal: str, value: float, percent: float, places: int) -> None:
    limits = parse_limits(f"{nominal} ± 2 %")
    deviation = deviation_percent(value, limits)
    assert deviation is not None
    assert round(deviation, places) == percent
    assert judge(value, limits) is Result.PASS


def test_half_an_ampere_at_twelve_volts_is_six_watts() -> None:
    # Common practice, no source.
    watts = parse_quantity("0.5 A").value * parse_quantity("12 V").value
    assert judge(float(watts), parse_limits("6 W ± 0 W")) is Result.PASS


@pytest.mark.parametrize("value", [None, float("nan"), float("inf"), float("-inf")])
def test_what_is_no_value_never_passes(value: float | None) -> None:
    assert judge(value, parse_limits("> 1 kΩ")) is Result.NO_VALUE
    assert judge(value, None) is Result.NO_VALUE


def test_nan_lies_within_nothing() -> None:
    open_ended = Limits("V")
    assert not open_ended.accepts(float("nan"))
    assert not open_ended.accepts(Decimal("NaN"))
    assert open_ended.accepts(0.0)


def test_judges_without_limits_and_beyond_them() -> None:
    assert judge(3.3, None) is Result.RECORDED
    assert judge(3.4, parse_limits("3.3 V ± 2 %")) is Result.FAIL


def test_deviation_of_a_negative_rail_counts_its_magnitude() -> None:
    limits = parse_limits("-12 V ± 2 %")
    assert deviation_percent(-11.9, limits) == pytest.approx(-0.8333, abs=1e-4)
    assert deviation_percent(-12.1, limits) == pytest.approx(0.8333, abs=1e-4)
    assert deviation_percent(3.0, parse_limits("< 5 V")) is None
    assert deviation_percent(0.01, parse_limits("0 V ± 50 mV")) is None


def test_limits_that_exclude_everything_cannot_be_made() -> None:
    with pytest.raises(ValueError, match="the lower limit 2 V is above the upper one, 1"):
        Limits("V", Decimal(2), Decimal(1))


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("3.3 V +/- 2 %", "3.3 V ± 2 %"),
        ("3.3 V ± 10 mV", "3.3 V ± 10 mV"),
        ("-12 V +5 % -2 %", "-12 V +5 % -2 %"),
        ("< 50 mV", "<= 50 mV"),
        (">1000 ohm", ">= 1 kΩ"),
        ("18 V..30 V", "18 V .. 30 V"),
    ],
)
def test_writes_limits_in_their_one_spelling(text: str, written: str) -> None:
    assert str(parse_limits(text)) == written


def test_writes_limits_that_have_no_notation_by_their_ends() -> None:
    assert str(Limits("V", Decimal(1), Decimal(2), Decimal(3))) == "1 V .. 2 V"
    assert str(Limits("V")) == ""


@given(limits=any_limits())
def test_what_is_written_is_read_again_exactly(limits: Limits) -> None:
    again = parse_limits(str(limits), limits.unit)
    assert (again.unit, again.low, again.high, again.nominal) == (
        limits.unit,
        limits.low,
        limits.high,
        limits.nominal,
    )


@given(nominal=decimals(places=3), percent=st.decimals(0, 50, places=2), value=decimals(places=3))
def test_limits_in_percent_are_those_of_exact_arithmetic(nominal: Decimal, percent: Decimal, value: Decimal) -> None:
    assume(nominal != 0)
    limits = parse_limits(f"{nominal} V ± {percent} %")
    assert limits.accepts(value) == (100 * abs(value - nominal) <= percent * abs(nominal))


@given(limits=any_limits(), value=decimals())
def test_a_float_is_judged_as_the_decimal_it_was_written_as(limits: Limits, value: Decimal) -> None:
    assert limits.accepts(float(value)) == limits.accepts(value)


def brought_within(limits: Limits, value: float) -> float:
    """The value, or the end that it lies beyond."""
    low = -math.inf if limits.low is None else float(limits.low)
    high = math.inf if limits.high is None else float(limits.high)
    return min(max(value, low), high)


@given(limits=any_limits(), first=st.floats(-1e7, 1e7), second=st.floats(-1e7, 1e7), share=st.floats(0, 1))
def test_what_lies_between_two_accepted_values_is_accepted(
    limits: Limits, first: float, second: float, share: float
) -> None:
    first, second = (brought_within(limits, value) for value in (first, second))
    assert limits.accepts(first)
    assert limits.accepts(second)
    between = min(max(first + (second - first) * share, min(first, second)), max(first, second))
    assert limits.accepts(between)


@given(limits=any_limits())
def test_both_ends_are_accepted_and_their_neighbours_beyond_are_not(limits: Limits) -> None:
    for end, outwards in ((limits.low, -math.inf), (limits.high, math.inf)):
        if end is not None:
            assert limits.accepts(float(end))
            assert not limits.accepts(math.nextafter(float(end), outwards))


@given(text=st.text(max_size=30) | st.text(alphabet="0123456789. VAm%±+-/<>=Ω,", max_size=24))
def test_any_text_is_either_read_or_refused_with_a_way_out(text: str) -> None:
    try:
        limits = parse_limits(text)
    except NotationError as error:
        helpful = bool(error.message), bool(error.what_to_do), 0 <= error.offset <= len(text)
        assert helpful == (True, True, True)
    else:
        assert limits.low is not None or limits.high is not None


def test_arithmetic_settings_of_the_process_do_not_reach_us() -> None:
    with localcontext() as context:
        context.prec = 2
        limits = parse_limits("-12.3456 V ± 1 %")
        assert (limits.low, limits.high) == (Decimal("-12.469056"), Decimal("-12.222144"))
        assert str(parse_limits("12.3456 V ± 1 %")) == "12.3456 V ± 1 %"
