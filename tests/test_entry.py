"""Readings typed by hand, and what makes one look like a slip."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.entry import Entry, doubts, read_entry
from bringup.core.limits import Limits, parse_limits
from bringup.core.words import UNIT_OF, Kind
from bringup.errors import NotationError

RAILS = {
    name: parse_limits(text)
    for name, text in {
        "12V0": "12 V ± 2 %",
        "5V0": "5 V ± 2 %",
        "3V3": "3.3 V ± 2 %",
        "1V8": "1.8 V ± 2 %",
        "N12V0": "-12 V ± 2 %",
    }.items()
}


@pytest.mark.parametrize(
    ("text", "kind", "value", "unit", "resolution"),
    [
        ("3.306", Kind.VOLTAGE, 3.306, "V", 0.001),
        ("3.306 V", Kind.VOLTAGE, 3.306, "V", 0.001),
        ("  3.306v ", Kind.VOLTAGE, 3.306, "V", 0.001),
        ("3.306 VDC", Kind.VOLTAGE, 3.306, "V", 0.001),
        ("3280mV", Kind.VOLTAGE, 3.28, "V", 0.001),
        ("3280 mv", Kind.VOLTAGE, 3.28, "V", 0.001),
        ("-0.02", Kind.VOLTAGE, -0.02, "V", 0.01),
        ("\u221212.1", Kind.VOLTAGE, -12.1, "V", 0.1),
        ("499 mA", Kind.CURRENT, 0.499, "A", 0.001),
        ("499m", Kind.CURRENT, 0.499, "A", 0.001),
        (".5", Kind.CURRENT, 0.5, "A", 0.1),
        ("470", Kind.RESISTANCE, 470.0, "ohm", 1.0),
        ("4.7k", Kind.RESISTANCE, 4700.0, "ohm", 100.0),
        ("4k7", Kind.RESISTANCE, 4700.0, "ohm", 100.0),
        ("470R", Kind.RESISTANCE, 470.0, "ohm", 1.0),
        ("12 Mohm", Kind.RESISTANCE, 12e6, "ohm", 1e6),
        ("1.2 k\u2126", Kind.RESISTANCE, 1200.0, "ohm", 100.0),
        ("25 C", Kind.TEMPERATURE, 25.0, "degC", 1.0),
        ("25.5", Kind.TEMPERATURE, 25.5, "degC", 0.1),
    ],
)
def test_reads_what_a_person_types(text: str, kind: Kind, value: float, unit: str, resolution: float) -> None:
    entry = read_entry(text, kind)
    assert (entry.value, entry.unit, entry.text) == (value, unit, text.strip())
    assert entry.resolution == pytest.approx(resolution)
    assert (entry.over_range, entry.rising) == (0, False)


@pytest.mark.parametrize(
    ("text", "sign"),
    [("OL", 1), ("ol", 1), ("O.L", 1), ("0.L", 1), ("0L", 1), ("-OL", -1), ("OL MΩ", 1), ("overload", 1)],
)
def test_over_range_is_no_value_and_keeps_its_sign(text: str, sign: int) -> None:
    entry = read_entry(text, Kind.RESISTANCE)
    assert (entry.value, entry.over_range) == (None, sign)


@pytest.mark.parametrize("text", ["7M rising", "7 M and rising", "7 Mohm, rising", "7M climbing", "7M ↑"])
def test_a_climbing_resistance_says_so(text: str) -> None:
    entry = read_entry(text, Kind.RESISTANCE)
    assert (entry.value, entry.rising, entry.text) == (7e6, True, text)


def test_a_unit_of_another_kind_is_read_as_what_it_is() -> None:
    entry = read_entry("2 A", Kind.VOLTAGE)
    assert (entry.value, entry.unit) == (2.0, "A")


@pytest.mark.parametrize(
    ("text", "kind", "message", "way_out"),
    [
        ("", Kind.VOLTAGE, "nothing was typed", "such as 3.306 or 3306 mV; OL"),
        ("  ", Kind.CURRENT, "nothing was typed", "such as 0.499 or 499 mA; OL"),
        ("about three", Kind.VOLTAGE, "'about three' stands where a number is due", "Type what the meter shows"),
        ("3,306", Kind.VOLTAGE, "'3,306' has a comma", "Type a decimal point: 3.306"),
        ("-3,306 V", Kind.VOLTAGE, "has a comma", "Type a decimal point: -3.306 V"),
        ("3.3.1", Kind.VOLTAGE, "cannot follow '3.3'", "Type what the meter shows"),
        ("4k7", Kind.VOLTAGE, "has a letter for its decimal point", "Type what the meter shows"),
        ("nan", Kind.VOLTAGE, "is no value", "Type what the meter shows"),
        ("inf", Kind.RESISTANCE, "is no value", "4700 or 4.7k; OL where it is over range"),
        ("3.3 3.4", Kind.VOLTAGE, "follows '3.3'|has no unit|cannot follow", "Type what the meter shows"),
        ("1e999", Kind.VOLTAGE, "out of all proportion", "Type what the meter shows"),
        ("25k", Kind.TEMPERATURE, "only a prefix", "25.0 degC"),
    ],
)
def test_refuses_nonsense_kindly(text: str, kind: Kind, message: str, way_out: str) -> None:
    with pytest.raises(NotationError, match=message) as caught:
        read_entry(text, kind)
    assert way_out in caught.value.what_to_do


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("33.06", "with the decimal point elsewhere, as 3.306 V"),
        ("0.3306", "with the decimal point elsewhere, as 3.306 V"),
        ("3306", "with the decimal point elsewhere, as 3.306 V"),
        ("3.306 mV", "with the decimal point elsewhere, as 3.306 V"),
        ("-3.306", "a minus sign: are the leads or the probes the wrong way round?"),
        ("3.63", "with two digits swapped, as 3.36 V"),
        ("2.334", "with two digits swapped, as 3.234 V"),
        ("5.01", "it would fit 5V0"),
        ("-12.05", "it would fit N12V0"),
        ("0.5 A", "that is in A, where a voltage in V was asked for"),
    ],
)
def test_asks_when_a_value_looks_like_a_slip(text: str, words: str) -> None:
    found = doubts(read_entry(text, Kind.VOLTAGE), Kind.VOLTAGE, RAILS["3V3"], RAILS)
    assert any(words in doubt for doubt in found), found


@pytest.mark.parametrize("text", ["3.306", "3.234", "3.366", "OL", "2.9", "0.0"])
def test_a_sound_or_plainly_wrong_value_raises_no_doubt(text: str) -> None:
    assert doubts(read_entry(text, Kind.VOLTAGE), Kind.VOLTAGE, RAILS["3V3"], RAILS) == ()


def test_a_plain_number_can_be_doubted_too() -> None:
    assert "as 3.306 V" in doubts(33.06, Kind.VOLTAGE, RAILS["3V3"])[0]
    assert doubts(33.06, Kind.VOLTAGE, None) == ()


def test_a_slip_is_only_named_where_it_comes_near_the_nominal_value() -> None:
    knob = Limits("A", Decimal("0.075"), Decimal("0.158"), Decimal("0.15"))

    assert doubts(1.0, Kind.CURRENT, knob) == ()
    assert "as 150 mA" in doubts(1.5, Kind.CURRENT, knob)[0]


def test_one_ended_limits_say_nothing_of_a_slipped_point_or_sign() -> None:
    limits = parse_limits("> 200 ohm")
    assert doubts(2.0, Kind.RESISTANCE, limits) == ()
    assert doubts(-300.0, Kind.RESISTANCE, limits) == ()
    assert doubts(0.012, Kind.CURRENT, parse_limits("<= 5.7 mA")) == ()


def test_kilovolts_on_a_twelve_volt_board_are_doubted_even_without_limits() -> None:
    (doubt,) = doubts(4600.0, Kind.VOLTAGE, None, RAILS)
    assert "was something else read?" in doubt
    assert doubts(0.001, Kind.VOLTAGE, None, RAILS) == ()


def test_a_doubt_about_the_sign_does_not_name_the_value_that_would_pass() -> None:
    (doubt,) = doubts(-24.0, Kind.VOLTAGE, parse_limits("23.52 V .. 24.48 V"))
    assert "24" not in doubt


@given(value=st.floats(3.234, 3.366), others=st.booleans())
def test_a_value_within_its_limits_is_never_doubted(value: float, others: bool) -> None:
    assert doubts(value, Kind.VOLTAGE, RAILS["3V3"], RAILS if others else None) == ()


@given(value=st.floats(allow_nan=False, allow_infinity=False), kind=st.sampled_from(Kind))
def test_any_value_can_be_looked_at(value: float, kind: Kind) -> None:
    found = doubts(Entry(value, UNIT_OF[kind], ""), kind, RAILS["3V3"], RAILS)
    assert all(found)


@given(
    text=st.text(max_size=20) | st.text(alphabet="0123456789.,eEkKmMRVAOLol -+Ωrising", max_size=14),
    kind=st.sampled_from(Kind),
)
def test_any_text_is_either_read_or_refused_with_a_way_out(text: str, kind: Kind) -> None:
    try:
        entry = read_entry(text, kind)
    except NotationError as error:
        helpful = bool(error.message), bool(error.what_to_do), 0 <= error.offset <= len(text)
        assert helpful == (True, True, True)
    else:
        assert (entry.value is None) == bool(entry.over_range)
        assert entry.text == text.strip()
