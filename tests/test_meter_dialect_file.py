"""Dialect files of meters: what must fit together, and one that somebody writes, used from end to end."""

from __future__ import annotations

from pathlib import Path

import pytest

from bringup.core.dialect import UNIT_OF_FUNCTION, configuring
from bringup.core.understanding import can_be_answer, understand_number
from bringup.errors import FileError
from bringup.files.dialect_file import find_dialect, load_dialect
from bringup.runner.meter_requests import HowToRead, reading, setup
from bringup.runner.roles import Function

MINE = (
    "dialect: mine\nrole: meter\nspeeds: {SLOW: 500 ms, FAST: 20 ms}\nover_range_words: [Beyond]\n"
    "functions: {dc volts: DCV, capacitance: CAPA}\nranges: {dc volts: [2 V, 20 V], capacitance: [1 nF, 1 uF]}\n"
    "range_words: {dc volts: [A, B]}\noperations:\n  identify: {query: '*IDN?', reply: identity}\n"
    "  configure: {send: ['{function}', 'R {range}']}\n  configure_auto: {send: ['{function}', 'R 0'], "
    "functions: [dc volts]}\n  integration: {send: 'S {speed}'}\n  high_impedance: {send: 'HZ {on}', "
    "spelt: {on: 10G, off: 10M}, functions: [dc volts]}\n"
    "  read: {send: 'GO', query: 'V? {function}', unit: function, discard: 1, gap: 10 ms}\n"
)


def written(folder: Path, text: str) -> Path:
    path = folder / "mine.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_meter_of_a_style_of_its_own_takes_one_file(tmp_path: Path) -> None:
    mine = load_dialect(written(tmp_path, MINE))

    fixed = setup(mine, "dc volts", 20.0, HowToRead(1.0))
    assert [message.text for message in fixed] == ["DCV", "R B", "S FAST", "HZ 10M"]
    slow = setup(mine, "dc volts", None, HowToRead(10.0, high_impedance=True))
    assert [message.text for message in slow] == ["DCV", "R 0", "S SLOW", "HZ 10G"]
    assert [message.text for message in setup(mine, "capacitance", 1e-6, HowToRead(1.0))] == [
        *("CAPA", "R 0.000001", "S FAST")
    ]
    assert configuring(mine, "capacitance", fixed=False) is None


def test_a_fresh_reading_is_asked_for_as_the_file_says(tmp_path: Path) -> None:
    mine = load_dialect(written(tmp_path, MINE))
    told, first, last = reading(mine, "capacitance", HowToRead(10.0))

    assert (told.text, told.expects, first.text, last.text) == ("GO", None, "V? CAPA", "V? CAPA")
    assert first.gap == pytest.approx(0.01 + 2 * 0.5)
    assert last.gap == 0.01
    assert last.timeout == pytest.approx(2.0 + 4 * 0.5)
    assert understand_number(mine, "read", "47.5nF", last.unit).number == pytest.approx(47.5e-9)
    assert understand_number(mine, "read", "47.5 V", last.unit).number is None


@pytest.mark.parametrize(("line", "sign"), [("Beyond", 1), ("-BEYOND\r", -1), ("+beyond", 1), ("OL", 1)])
def test_a_word_of_its_own_for_over_range_is_an_answer_and_no_number(tmp_path: Path, line: str, sign: int) -> None:
    mine = load_dialect(written(tmp_path, MINE))
    value = understand_number(mine, "read", line, "V")

    assert can_be_answer(reading(mine, "dc volts", HowToRead(1.0))[-1], line)
    assert (value.number, value.over_range) == (None, sign)


@pytest.mark.parametrize("line", ["Beyonder", "Be yond", "Open", ""])
def test_what_only_resembles_such_a_word_is_no_answer(tmp_path: Path, line: str) -> None:
    mine = load_dialect(written(tmp_path, MINE))

    assert not can_be_answer(reading(mine, "dc volts", HowToRead(1.0))[-1], line)
    assert understand_number(mine, "read", line, "V").over_range == 0


@pytest.mark.parametrize(
    ("line", "number"),
    [("VOLT:DC,+0.0011V,AUTO,2V", 0.0011), ("VOLT:DC,+20.44mV,AUTO,2V", 0.02044), ("+3.3", 3.3), ("Open", None)],
)
def test_a_number_between_its_function_and_its_range_is_read(line: str, number: float | None) -> None:
    dialect = find_dialect("configure-and-value", ".")
    value = understand_number(dialect, "read", line, "V")

    assert value.number == (None if number is None else pytest.approx(number))
    assert value.over_range == (1 if number is None else 0)
    assert can_be_answer(reading(dialect, "dc volts", HowToRead(1.0))[-1], line)


def test_thousands_of_ohms_are_read_as_makers_write_them() -> None:
    value = understand_number(find_dialect("configure-and-value", "."), "read", "RES,+0.7K Ohm,AUTO,2K Ohm", "ohm")

    assert value.number == pytest.approx(700.0)


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        ("{dc volts: [A, B]}", "{dc volts: [A]}", "1 words for the 2 `ranges` of dc volts"),
        ("{dc volts: [A, B]}", "{capacitance: [A, B, C]}", "3 words for the 2 `ranges` of capacitance"),
        ("speeds: {SLOW: 500 ms, FAST: 20 ms}\n", "", "{speed} is used, but no `speeds` say"),
        ("[1 nF, 1 uF]", "[1 V, 2 V]", "1 V is no range of capacitance"),
        ("[1 nF, 1 uF]", "[1 uF, 1 nF]", "ranges stand in ascending order"),
        ("'S {speed}'", "'S {sped}'", "nothing is called {sped}"),
        ("'S {speed}'", "'S {speed}', discard: 1", "`discard` without a `query`"),
        ("[dc volts]", "[dc volt]", "dc volts"),
        ("unit: function", "unit: functions", "unit"),
    ],
)
def test_what_does_not_fit_together_is_told(tmp_path: Path, before: str, after: str, message: str) -> None:
    assert before in MINE

    with pytest.raises(FileError) as caught:
        load_dialect(written(tmp_path, MINE.replace(before, after, 1)))
    assert any(message in str(problem) for problem in caught.value.problems)


def test_what_belongs_to_meters_is_no_word_for_a_supply(tmp_path: Path) -> None:
    supply = (
        "dialect: mine\nrole: supply\nspeeds: {S: 1 s}\noperations:\n  identify: {query: '*IDN?', reply: identity}\n"
        "  set_voltage: {send: 'V {value}', query: 'V?', functions: [dc volts]}\n"
        "  set_current_limit: {send: 'I {value}'}\n  switch: {send: 'O {on}'}\n"
        "  measure_voltage: {query: 'M?', discard: 1}\n  measure_current: {query: 'N?'}\n"
    )

    with pytest.raises(FileError) as caught:
        load_dialect(written(tmp_path, supply))
    said = "\n".join(str(problem) for problem in caught.value.problems)
    for field in ("speeds", "functions", "discard"):
        assert f"'{field}' belongs to meters" in said


def test_the_functions_of_the_role_are_those_of_dialect_files() -> None:
    assert {function.value for function in Function} == set(UNIT_OF_FUNCTION)
